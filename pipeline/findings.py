"""What the numbers mean, in sentences a mechanic can act on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from pipeline.estimate import Answer, Estimate, Missing, Prediction
from pipeline.result import (
    AxleState,
    CornerSummary,
    Finding,
    LapSummary,
    SessionInfo,
    SlipEvent,
)

# A ratio of overrun to drive lock up to here is one-way, from here two-way. Common practice, no
# source; the figures are chosen by us.
_ONE_WAY_TO = 0.15
_TWO_WAY_FROM = 0.85
# Half the axle's pull on one wheel: a lock of the order of a few percent is gear friction alone.
_OPEN_BELOW_NM = 15.0
_NOTABLE_OFFSET_NM = 5.0
_NOTABLE_GAIN = 0.01
_NOTABLE_RADIUS = 0.001


def findings(
    info: SessionInfo,
    laps: tuple[LapSummary, ...],
    events: tuple[SlipEvent, ...],
    corners: tuple[CornerSummary, ...],
    estimates: Mapping[str, Answer],
    predicted: Mapping[str, Prediction],
) -> tuple[Finding, ...]:
    """The session's findings, the ones that need a hand first."""
    counted = [lap for lap in laps if lap.valid]
    found = [
        *_counted_laps(info, laps, counted),
        *_breakaway(info, estimates, predicted),
        *_locks(info, estimates, predicted),
        *_way(info, estimates),
        *_energy(info, estimates, corners),
        *_overspeed(info, events, counted),
        *_held(info, events, counted),
        *_sensors(info, estimates),
        *_radii(info, estimates),
    ]
    return tuple(sorted(found, key=lambda finding: not finding.needs_attention))


def _counted_laps(
    info: SessionInfo, laps: tuple[LapSummary, ...], counted: list[LapSummary]
) -> list[Finding]:
    if len(counted) >= 4:
        return []
    left_out = (
        f"of {len(laps)} laps only {len(counted)} count"
        if laps
        else "the log was not cut into laps"
    )
    return [
        Finding(
            f"Few laps: {left_out}.",
            "Intervals are wide or taken over short stretches instead of laps; "
            "drive four clear laps or more to settle the numbers.",
            needs_attention=True,
            grade=info.grade,
        )
    ]


def _breakaway(
    info: SessionInfo, estimates: Mapping[str, Answer], predicted: Mapping[str, Prediction]
) -> list[Finding]:
    found = estimates["breakaway_torque_nm"]
    rests_on = ("breakaway_torque_nm",)
    if isinstance(found, Missing):
        return [
            Finding(
                f"Breakaway torque and lock ratios are not observable from this log: "
                f"{found.reason}.",
                "States, slip events and speed differences are still reported where the "
                "channels allow.",
                needs_attention=True,
                grade=info.grade,
                rests_on=rests_on,
            )
        ]
    said = f"{found.value:.0f} N·m ({found.low:.0f} to {found.high:.0f})"
    if found.low <= 0 or found.high < _OPEN_BELOW_NM:
        return [
            Finding(
                f"No clear breakaway torque: {said}. Without input torque the packs read as open.",
                "Check washers, shims and stack height at the next strip; a pack worn past its "
                "washers behaves like this.",
                needs_attention=True,
                grade=info.grade,
                rests_on=rests_on,
            )
        ]
    verdict, off = _against_sheet(found, predicted["breakaway_torque_nm"], "N·m", 1.0, "")
    return [
        Finding(
            f"The packs break loose at {said}{verdict}.",
            "Measure the breakaway torque on the bench before changing shims."
            if off
            else "Washers, shims and stack set this; ramps do not.",
            needs_attention=off,
            grade=info.grade,
            rests_on=rests_on,
        )
    ]


def _against_sheet(
    found: Estimate, predicted: Prediction, unit: str, scale: float, digits: str
) -> tuple[str, bool]:
    """How an estimate stands to the build sheet's range, and whether it misses it."""
    if isinstance(predicted, Missing):
        return "", False
    low, high = predicted.low * scale, predicted.high * scale
    span = f"{low:.0f} to {high:.0f} {unit}{digits}"
    if found.high < predicted.low:
        return f", below what the build sheet's parts give ({span})", True
    if found.low > predicted.high:
        return f", above what the build sheet's parts give ({span})", True
    return f", as the build sheet's parts give ({span})", False


def _locks(
    info: SessionInfo, estimates: Mapping[str, Answer], predicted: Mapping[str, Prediction]
) -> list[Finding]:
    result = []
    for name, where in (("lock_drive", "On drive"), ("lock_overrun", "On overrun")):
        found = estimates[name]
        if isinstance(found, Missing):
            if "breakaway" not in found.reason and not isinstance(
                estimates["breakaway_torque_nm"], Missing
            ):
                result.append(
                    Finding(
                        f"{where} the lock is not observable: {found.reason}.",
                        "A few corners taken with that pedal position for a second or two would "
                        "show it.",
                        needs_attention=False,
                        grade=info.grade,
                        rests_on=(name,),
                    )
                )
            continue
        verdict, off = _against_sheet(found, predicted[name], "%", 100.0, "")
        if found.low <= 0 <= found.high:
            sentence = (
                f"{where} the ramps add no clear lock: {100 * found.value:.1f} % "
                f"({100 * found.low:.1f} to {100 * found.high:.1f}){verdict}."
            )
        else:
            sentence = (
                f"{where} the ramps lock {100 * found.value:.1f} % of the input torque "
                f"({100 * found.low:.1f} to {100 * found.high:.1f}){verdict}."
            )
        result.append(
            Finding(
                sentence,
                "Check ramp angle, faces and plate friction against the build sheet."
                if off
                else "Ramps, faces and plate friction set this; shims do not.",
                needs_attention=off,
                grade=info.grade,
                rests_on=(name,),
            )
        )
    return result


def _way(info: SessionInfo, estimates: Mapping[str, Answer]) -> list[Finding]:
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
        Finding(
            f"The unit works as {kind}: {said}.",
            "More lock on overrun steadies the entry and holds the nose out.",
            needs_attention=False,
            grade=info.grade,
            rests_on=("lock_overrun_to_drive",),
        )
    ]


def _energy(
    info: SessionInfo, estimates: Mapping[str, Answer], corners: tuple[CornerSummary, ...]
) -> list[Finding]:
    energy = estimates["energy_per_lap_j"]
    if isinstance(energy, Missing):
        return []
    said = (
        f"The packs turn {energy.value / 1000:.1f} kJ a lap into heat "
        f"({energy.low / 1000:.1f} to {energy.high / 1000:.1f}, {energy.n} laps)"
    )
    known = [
        (corner, corner.energy_j) for corner in corners if isinstance(corner.energy_j, Estimate)
    ]
    costliest = max(known, key=lambda pair: pair[1].value, default=None)
    where = ""
    if costliest is not None and energy.value > 0:
        share = costliest[1].value / energy.value
        where = f"; corner {costliest[0].number} costs most, {100 * share:.0f} % of it"
    return [
        Finding(
            f"{said}{where}.",
            "Energy since the build is what wears plates; watch it together with oil temperature.",
            needs_attention=False,
            grade=info.grade,
            rests_on=("energy_per_lap_j",),
        )
    ]


def _overspeed(
    info: SessionInfo, events: tuple[SlipEvent, ...], counted: list[LapSummary]
) -> list[Finding]:
    here = _on(events, counted, AxleState.INSIDE_OVERSPEED)
    if not counted:
        return []
    if not here:
        return [
            Finding(
                f"The inside wheel never runs away under drive in {len(counted)} laps.",
                "The lock on drive is enough for this grip; less would cost traction only if it "
                "starts to happen.",
                needs_attention=False,
                grade=info.grade,
            )
        ]
    seconds = sum(event.end_s - event.start_s for event in here) / len(counted)
    return [
        Finding(
            f"The inside wheel runs away under drive {len(here)} times in {len(counted)} laps, "
            f"{seconds:.1f} s a lap{_most_often(here)}.",
            "More lock on drive or more breakaway torque would hold it, at the price of push "
            "on the way out.",
            needs_attention=False,
            grade=info.grade,
        )
    ]


def _held(
    info: SessionInfo, events: tuple[SlipEvent, ...], counted: list[LapSummary]
) -> list[Finding]:
    here = _on(events, counted, AxleState.HELD)
    if not here:
        return []
    seconds = sum(event.end_s - event.start_s for event in here) / len(counted)
    phases = Counter[str]()
    for event in here:
        phases[str(event.phase)] += 1
    phase, count = phases.most_common(1)[0]
    return [
        Finding(
            f"In corners the axle is held for {seconds:.1f} s a lap{_most_often(here)}; "
            f"{100 * count / len(here):.0f} % of these stretches are under {phase}.",
            "While held the tyres scrub and the car resists turning.",
            needs_attention=False,
            grade=info.grade,
        )
    ]


def _on(
    events: tuple[SlipEvent, ...], counted: list[LapSummary], state: AxleState
) -> list[SlipEvent]:
    numbers = {lap.number for lap in counted}
    return [event for event in events if event.lap in numbers and event.state is state]


def _most_often(events: list[SlipEvent]) -> str:
    corners = Counter(event.corner for event in events if event.corner is not None)
    if not corners:
        return ""
    corner, count = corners.most_common(1)[0]
    return f", most often in corner {corner} ({count} of {len(events)})"


def _sensors(info: SessionInfo, estimates: Mapping[str, Answer]) -> list[Finding]:
    offset, gain = estimates["torque_difference_offset_nm"], estimates["torque_difference_gain"]
    parts, names = [], []
    if _is_notable(offset, _NOTABLE_OFFSET_NM):
        parts.append(f"by {offset.value:+.1f} N·m ({offset.low:+.1f} to {offset.high:+.1f})")  # type: ignore[union-attr]
        names.append("torque_difference_offset_nm")
    if _is_notable(gain, _NOTABLE_GAIN):
        parts.append(
            f"by {100 * gain.value:+.1f} % of the input torque "  # type: ignore[union-attr]
            f"({100 * gain.low:+.1f} to {100 * gain.high:+.1f})"  # type: ignore[union-attr]
        )
        names.append("torque_difference_gain")
    if not parts:
        return []
    return [
        Finding(
            f"The two torque sensors differ {' and '.join(parts)}.",
            "Taken out of every number here; zero and calibrate the sensors before the next run.",
            needs_attention=False,
            grade=info.grade,
            rests_on=tuple(names),
        )
    ]


def _is_notable(answer: Answer, least: float) -> bool:
    """Whether an estimate is clearly away from zero and large enough to speak of."""
    if isinstance(answer, Missing):
        return False
    clear = answer.low > 0 or answer.high < 0
    return clear and abs(answer.value) > least


def _radii(info: SessionInfo, estimates: Mapping[str, Answer]) -> list[Finding]:
    ratio = estimates["rolling_radius_ratio"]
    if isinstance(ratio, Missing) or ratio.low <= 1 <= ratio.high:
        return []
    if abs(ratio.value - 1) < _NOTABLE_RADIUS:
        return []
    larger = "left" if ratio.value > 1 else "right"
    return [
        Finding(
            f"The {larger} driven tyre rolls {100 * abs(ratio.value - 1):.2f} % larger than the "
            "other.",
            "The axle works on the straights too; match pressures and tyres.",
            needs_attention=False,
            grade=info.grade,
            rests_on=("rolling_radius_ratio",),
        )
    ]
