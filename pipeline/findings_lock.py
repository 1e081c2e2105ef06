"""What the log says of the packs: breakaway torque, lock on either side, the way."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.estimate import Answer, Missing, Prediction
from pipeline.finding_words import against_sheet, finding
from pipeline.result import Finding, SessionInfo

# A ratio of overrun to drive lock up to here is one-way, from here two-way. Common practice, no
# source; the figures are chosen by us.
_ONE_WAY_TO = 0.15
_TWO_WAY_FROM = 0.85
# Below this nobody feels a breakaway torque. Chosen by us.
_OPEN_BELOW_NM = 15.0


def impossible(info: SessionInfo, estimates: Mapping[str, Answer]) -> list[Finding]:
    """Whether the law says that friction drives the faster wheel, which no pack does."""
    found = estimates["breakaway_torque_nm"]
    if isinstance(found, Missing) or found.high > -_OPEN_BELOW_NM:
        return []
    return [
        finding(
            info,
            f"The breakaway torque comes out at {found.value:.0f} N·m ({found.low:.0f} to "
            f"{found.high:.0f}): friction would have to drive the faster wheel, which it cannot.",
            "Wheel speeds or half-shaft torques are swapped or carry a wrong sign in the channel "
            "map; until that is put right, no lock, energy or state here means anything.",
            needs_attention=True,
            rests_on=("breakaway_torque_nm",),
        )
    ]


def breakaway(
    info: SessionInfo, estimates: Mapping[str, Answer], predicted: Mapping[str, Prediction]
) -> list[Finding]:
    """The breakaway torque against the build sheet, or why the log does not show it."""
    found = estimates["breakaway_torque_nm"]
    rests_on = ("breakaway_torque_nm",)
    if isinstance(found, Missing):
        return [
            finding(
                info,
                f"Breakaway torque and lock ratios are not observable from this log: "
                f"{found.reason}.",
                "States, slip events and speed differences are still reported where the "
                "channels allow.",
                needs_attention=True,
                rests_on=rests_on,
            )
        ]
    said = f"{found.value:.0f} N·m ({found.low:.0f} to {found.high:.0f})"
    if found.low <= 0 or found.high < _OPEN_BELOW_NM:
        return [
            finding(
                info,
                f"No clear breakaway torque: {said}. Without input torque the packs read as open.",
                "Check washers, shims and stack height at the next strip; a pack worn past its "
                "washers behaves like this.",
                needs_attention=True,
                rests_on=rests_on,
            )
        ]
    verdict, off = against_sheet(found, predicted["breakaway_torque_nm"], "N·m", 1.0)
    return [
        finding(
            info,
            f"The packs break loose at {said}{verdict}.",
            "Measure the breakaway torque on the bench before changing shims."
            if off
            else "Washers, shims and stack set this; ramps do not.",
            needs_attention=off,
            rests_on=rests_on,
        )
    ]


def locks(
    info: SessionInfo, estimates: Mapping[str, Answer], predicted: Mapping[str, Prediction]
) -> list[Finding]:
    """The lock ratio on drive and on overrun against the build sheet."""
    if isinstance(estimates["breakaway_torque_nm"], Missing):
        # Said once, with the breakaway torque.
        return []
    return [
        _lock(info, name, where, estimates[name], predicted[name])
        for name, where in (("lock_drive", "On drive"), ("lock_overrun", "On overrun"))
    ]


def _lock(
    info: SessionInfo, name: str, where: str, found: Answer, predicted: Prediction
) -> Finding:
    if isinstance(found, Missing):
        return finding(
            info,
            f"{where} the lock is not observable: {found.reason}.",
            "A few corners taken with that pedal position for a second or two would show it.",
            rests_on=(name,),
        )
    verdict, off = against_sheet(found, predicted, "%", 100.0)
    said = f"({100 * found.low:.1f} to {100 * found.high:.1f}){verdict}"
    percent = f"{100 * found.value:.1f} %"
    return finding(
        info,
        f"{where} the ramps add no clear lock: {percent} {said}."
        if found.low <= 0 <= found.high
        else f"{where} the ramps lock {percent} of the input torque {said}.",
        "Check ramp angle, faces and plate friction against the build sheet."
        if off
        else "Ramps, faces and plate friction set this; shims do not.",
        needs_attention=off,
        rests_on=(name,),
    )


def way(info: SessionInfo, estimates: Mapping[str, Answer]) -> list[Finding]:
    """One-way, 1.5-way or two-way."""
    ratio = estimates["lock_overrun_to_drive"]
    if isinstance(ratio, Missing):
        return []
    said = (
        f"overrun locks {ratio.value:.2f} times as much as drive "
        f"({ratio.low:.2f} to {ratio.high:.2f})"
    )
    if ratio.high < _ONE_WAY_TO:
        kind = "a one-way"
    elif ratio.low > _TWO_WAY_FROM:
        kind = "a two-way"
    elif ratio.low > _ONE_WAY_TO and ratio.high < _TWO_WAY_FROM:
        kind = "a 1.5-way"
    else:
        kind = "between two kinds"
    return [
        finding(
            info,
            f"The unit works as {kind}: {said}.",
            "More lock on overrun steadies the entry and holds the nose out.",
            rests_on=("lock_overrun_to_drive",),
        )
    ]
