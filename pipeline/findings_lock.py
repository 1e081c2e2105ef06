"""What the log says of the packs: breakaway torque, lock on either side, the way, and bounds."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.estimate import Bound, Choice, Estimate, Missing, Prediction, SessionAnswer
from pipeline.finding_words import against_sheet, finding
from pipeline.findings_bounds import CAUTION, COASTING_TURNS, STEADY_TURNS, locking_bounds
from pipeline.plates import PreloadLaw
from pipeline.printed import odds_words
from pipeline.result import Finding, Phase, SessionInfo

# Below this nobody feels a breakaway torque. Chosen by us.
_OPEN_BELOW_NM = 15.0
# A build sheet is contradicted from these odds on. Chosen by us.
_SURE_OF_OTHER = 0.99


def impossible(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """Whether the law says that friction drives the faster wheel, which no pack does."""
    found = estimates["breakaway_torque_nm"]
    if not isinstance(found, Estimate) or found.high > -_OPEN_BELOW_NM:
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
    info: SessionInfo,
    estimates: Mapping[str, SessionAnswer],
    predicted: Mapping[str, Prediction],
) -> list[Finding]:
    """The breakaway torque against the build sheet, or why the log does not show it."""
    found = estimates["breakaway_torque_nm"]
    rests_on = ("breakaway_torque_nm",)
    if isinstance(found, Bound):
        # Said with the locking torque that it comes from.
        return []
    if isinstance(found, Missing) and _some_lock(estimates):
        return [
            finding(
                info,
                f"The breakaway torque is not observable from this log: {found.reason}.",
                "Measure it on the bench, or drive some corners with next to no torque.",
                rests_on=rests_on,
            )
        ]
    if isinstance(found, Missing):
        if locking_bounds(estimates):
            return []
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
                f"The breakaway torque is {_next_to_nothing(found)}: {said}. Without input torque "
                "the packs read as open.",
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


def _some_lock(estimates: Mapping[str, SessionAnswer]) -> bool:
    return any(isinstance(estimates[name], Estimate) for name in ("lock_drive", "lock_overrun"))


def _next_to_nothing(found: Estimate) -> str:
    zero = "consistent with zero" if found.low <= 0 <= found.high else "small"
    return f"{zero}, below {max(found.high, 0.0):.1f} N·m"


def locks(
    info: SessionInfo,
    estimates: Mapping[str, SessionAnswer],
    predicted: Mapping[str, Prediction],
) -> list[Finding]:
    """The lock ratio on drive and on overrun against the build sheet."""
    if not isinstance(estimates["breakaway_torque_nm"], Estimate) and not _some_lock(estimates):
        # Said once, with the breakaway torque or the bounds.
        return []
    found = []
    for phase, where in ((Phase.DRIVE, "On drive"), (Phase.OVERRUN, "On overrun")):
        name = f"lock_{phase}"
        answer = estimates[name]
        if not isinstance(answer, Bound):
            found.append(_lock(info, name, where, answer, predicted[name]))
    return found


def _lock(
    info: SessionInfo, name: str, where: str, found: Estimate | Missing, predicted: Prediction
) -> Finding:
    if isinstance(found, Missing):
        drill = STEADY_TURNS if name == "lock_drive" else COASTING_TURNS
        return finding(
            info,
            f"{where} the lock is not observable: {found.reason}.",
            f"{drill}{CAUTION}",
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


def way(
    info: SessionInfo,
    estimates: Mapping[str, SessionAnswer],
    choices: Mapping[str, Choice | Missing],
) -> list[Finding]:
    """One-way, 1.5-way or two-way, with its odds."""
    ratio, found = estimates["lock_overrun_to_drive"], choices.get("way")
    if not isinstance(ratio, Estimate) or not isinstance(found, Choice):
        return []
    said = (
        f"overrun locks {ratio.value:.2f} times as much as drive "
        f"({ratio.low:.2f} to {ratio.high:.2f})"
    )
    works = (
        f"The unit works as a {found.chosen}{_odds(found)}"
        if found.chosen
        else f"The unit works as something between two kinds ({_all_odds(found)})"
    )
    return [
        finding(
            info,
            f"{works}: {said}.",
            "More lock on overrun steadies the entry and holds the nose out.",
            rests_on=("lock_overrun_to_drive",),
        )
    ]


def _odds(choice: Choice) -> str:
    return f" (odds {odds_words(choice.odds[choice.chosen])})"


def _all_odds(choice: Choice) -> str:
    return ", ".join(f"{option} {odds_words(odds)}" for option, odds in choice.odds.items())


def preload(
    info: SessionInfo,
    estimates: Mapping[str, SessionAnswer],
    choices: Mapping[str, Choice | Missing],
) -> list[Finding]:
    """How springs and ramps act together, or why that cannot be told."""
    law = choices.get("preload_law")
    if not isinstance(law, Choice):
        return []
    rests_on = tuple(
        name
        for name in ("breakaway_torque_nm", "lock_drive", "lock_overrun")
        if isinstance(estimates[name], Estimate)
    )
    if not law.chosen:
        return [
            finding(
                info,
                f"Whether springs and ramps add up or the greater of them rules cannot be told "
                f"from this log ({_all_odds(law)}): {law.reason}.",
                "Breakaway torque and lock ratios are as springs and ramps that add up give them, "
                "and their intervals reach to what the other law makes of them. State preload_law "
                "in build_sheet.toml if you know how the pack is built; corners taken at little "
                "and at much torque would show it.",
                rests_on=rests_on,
            )
        ]
    other = next(option for option in law.odds if option != law.chosen)
    if law.odds[other] >= _SURE_OF_OTHER:
        return [
            finding(
                info,
                f'The log contradicts preload_law = "{law.chosen}" of the build sheet: the law '
                f'"{other}" fits it better, odds {odds_words(law.odds[other])}.',
                "Look where the spring washers sit: at the ends of the packs the greater of "
                "springs and ramps rules, beside the ramps they add up. Numbers here are as the "
                "build sheet states.",
                needs_attention=True,
                rests_on=rests_on,
            )
        ]
    if law.chosen == PreloadLaw.ADDING:
        return []
    return [
        finding(
            info,
            "The greater of springs and ramps presses the packs, not their sum "
            f"(odds {odds_words(law.odds[law.chosen])}).",
            "Below the torque at which the ramps push harder, only shims and washers change the "
            "lock; above it, only ramps, faces and friction do.",
            rests_on=rests_on,
        )
    ]
