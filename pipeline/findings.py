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
    QualityNote,
    SessionInfo,
    SlipEvent,
)

# A ratio of overrun to drive lock up to here is one-way, from here two-way. Common practice, no
# source; the figures are chosen by us.
_ONE_WAY_TO = 0.15
_TWO_WAY_FROM = 0.85
# With fewer laps, intervals cannot be taken by leaving out laps.
_ENOUGH_LAPS = 4
# Below this nobody feels a breakaway torque. Chosen by us.
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
    quality: tuple[QualityNote, ...] = (),
) -> tuple[Finding, ...]:
    """The session's findings, the ones that need a hand first; before all, signals that lie."""
    counted = [lap for lap in laps if lap.valid]
    found = [*_signals(info, quality), *_counted_laps(info, laps, counted)]
    if impossible := _impossible(info, estimates):
        # Advice on parts would rest on columns that cannot be what the map says.
        return (*found, *impossible)
    found += [
        *_breakaway(info, estimates, predicted),
        *_locks(info, estimates, predicted),
        *_way(info, estimates),
        *_energy(info, estimates, corners),
        *_overspeed(info, events, counted, estimates),
        *_held(info, events, counted, estimates),
        *_sensors(info, estimates),
        *_radii(info, estimates),
    ]
    return tuple(sorted(found, key=lambda finding: not finding.needs_attention))


def _said(
    info: SessionInfo,
    sentence: str,
    consequence: str,
    *,
    needs_attention: bool = False,
    rests_on: tuple[str, ...] = (),
) -> Finding:
    return Finding(sentence, consequence, needs_attention, info.grade, rests_on)


def _signals(info: SessionInfo, quality: tuple[QualityNote, ...]) -> list[Finding]:
    """What is wrong with the signals so that other numbers are wrong too."""
    return [
        _said(
            info,
            f"{note.detail[:1].upper()}{note.detail[1:]}.",
            f"{note.consequence[:1].upper()}{note.consequence[1:]}. {note.remedy}".strip(),
            needs_attention=True,
        )
        for note in quality
        if note.serious
    ]


def _counted_laps(
    info: SessionInfo, laps: tuple[LapSummary, ...], counted: list[LapSummary]
) -> list[Finding]:
    if len(counted) >= _ENOUGH_LAPS:
        return []
    if not laps:
        sentence = "The log was not cut into laps."
        consequence = (
            "Map a lap number or a beacon, or map the position and state the start line in "
            "circuit.toml; until then nothing can be said per lap."
        )
    else:
        sentence = f"Few laps: of {len(laps)} only {len(counted)} count."
        consequence = (
            "Intervals are taken over short stretches instead of laps; drive "
            f"{_ENOUGH_LAPS} clear laps or more to settle the numbers."
        )
    return [
        _said(
            info,
            sentence,
            consequence,
            needs_attention=True,
        )
    ]


def _impossible(info: SessionInfo, estimates: Mapping[str, Answer]) -> list[Finding]:
    """Whether the law says that friction drives the faster wheel, which no pack does."""
    found = estimates["breakaway_torque_nm"]
    if isinstance(found, Missing) or found.high > -_OPEN_BELOW_NM:
        return []
    return [
        _said(
            info,
            f"The breakaway torque comes out at {found.value:.0f} N·m ({found.low:.0f} to "
            f"{found.high:.0f}): friction would have to drive the faster wheel, which it cannot.",
            "Wheel speeds or half-shaft torques are swapped or carry a wrong sign in the channel "
            "map; until that is put right, no lock, energy or state here means anything.",
            needs_attention=True,
            rests_on=("breakaway_torque_nm",),
        )
    ]


def _breakaway(
    info: SessionInfo, estimates: Mapping[str, Answer], predicted: Mapping[str, Prediction]
) -> list[Finding]:
    found = estimates["breakaway_torque_nm"]
    rests_on = ("breakaway_torque_nm",)
    if isinstance(found, Missing):
        return [
            _said(
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
            _said(
                info,
                f"No clear breakaway torque: {said}. Without input torque the packs read as open.",
                "Check washers, shims and stack height at the next strip; a pack worn past its "
                "washers behaves like this.",
                needs_attention=True,
                rests_on=rests_on,
            )
        ]
    verdict, off = _against_sheet(found, predicted["breakaway_torque_nm"], "N·m", 1.0)
    return [
        _said(
            info,
            f"The packs break loose at {said}{verdict}.",
            "Measure the breakaway torque on the bench before changing shims."
            if off
            else "Washers, shims and stack set this; ramps do not.",
            needs_attention=off,
            rests_on=rests_on,
        )
    ]


def _against_sheet(
    found: Estimate, predicted: Prediction, unit: str, scale: float
) -> tuple[str, bool]:
    """How an estimate stands to the build sheet's range, and whether it misses it."""
    if isinstance(predicted, Missing):
        return "", False
    low, high = predicted.low * scale, predicted.high * scale
    span = f"{low:.0f} to {high:.0f} {unit}"
    if found.high < predicted.low:
        return f", below what the build sheet's parts give ({span})", True
    if found.low > predicted.high:
        return f", above what the build sheet's parts give ({span})", True
    return f", as the build sheet's parts give ({span})", False


def _locks(
    info: SessionInfo, estimates: Mapping[str, Answer], predicted: Mapping[str, Prediction]
) -> list[Finding]:
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
        return _said(
            info,
            f"{where} the lock is not observable: {found.reason}.",
            "A few corners taken with that pedal position for a second or two would show it.",
            rests_on=(name,),
        )
    verdict, off = _against_sheet(found, predicted, "%", 100.0)
    said = f"({100 * found.low:.1f} to {100 * found.high:.1f}){verdict}"
    percent = f"{100 * found.value:.1f} %"
    return _said(
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
        _said(
            info,
            f"The unit works as {kind}: {said}.",
            "More lock on overrun steadies the entry and holds the nose out.",
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
        _said(
            info,
            f"{said}{where}.",
            "Energy since the build is what wears plates; watch it together with oil temperature.",
            rests_on=("energy_per_lap_j",),
        )
    ]


def _overspeed(
    info: SessionInfo,
    events: tuple[SlipEvent, ...],
    counted: list[LapSummary],
    estimates: Mapping[str, Answer],
) -> list[Finding]:
    name = "inside_overspeed_s_per_lap"
    seconds = estimates[name]
    if isinstance(seconds, Missing):
        return []
    here = _on(events, counted, AxleState.INSIDE_OVERSPEED)
    if not here:
        return [
            _said(
                info,
                f"The inside wheel never runs away under drive in {len(counted)} laps.",
                "The lock on drive is enough for this grip.",
                rests_on=(name,),
            )
        ]
    return [
        _said(
            info,
            f"The inside wheel runs away under drive {len(here)} times in {len(counted)} laps, "
            f"{_seconds_a_lap(seconds)}{_most_often(here)}.",
            "More lock on drive or more breakaway torque would hold it, at the price of push "
            "on the way out.",
            rests_on=(name,),
        )
    ]


def _held(
    info: SessionInfo,
    events: tuple[SlipEvent, ...],
    counted: list[LapSummary],
    estimates: Mapping[str, Answer],
) -> list[Finding]:
    name = "held_s_per_lap"
    seconds = estimates[name]
    here = _on(events, counted, AxleState.HELD)
    if isinstance(seconds, Missing) or not here:
        return []
    phase, count = Counter(str(event.phase) for event in here).most_common(1)[0]
    return [
        _said(
            info,
            f"In corners the axle is held for {_seconds_a_lap(seconds)}{_most_often(here)}; "
            f"{100 * count / len(here):.0f} % of these stretches are under {phase}.",
            "While held the tyres scrub and the car resists turning.",
            rests_on=(name,),
        )
    ]


def _seconds_a_lap(seconds: Estimate) -> str:
    return f"{seconds.value:.1f} s a lap ({seconds.low:.1f} to {seconds.high:.1f})"


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
    offset = _notable(estimates["torque_difference_offset_nm"], _NOTABLE_OFFSET_NM)
    gain = _notable(estimates["torque_difference_gain"], _NOTABLE_GAIN)
    parts, names = [], []
    if offset is not None:
        parts.append(f"by {offset.value:+.1f} N·m ({offset.low:+.1f} to {offset.high:+.1f})")
        names.append("torque_difference_offset_nm")
    if gain is not None:
        parts.append(
            f"by {100 * gain.value:+.1f} % of the input torque "
            f"({100 * gain.low:+.1f} to {100 * gain.high:+.1f})"
        )
        names.append("torque_difference_gain")
    if not parts:
        return []
    return [
        _said(
            info,
            f"The two torque sensors differ {' and '.join(parts)}.",
            "Taken out of every number here; zero and calibrate the sensors before the next run.",
            rests_on=tuple(names),
        )
    ]


def _notable(answer: Answer, least: float) -> Estimate | None:
    """The estimate when it is clearly away from zero and large enough to speak of."""
    if isinstance(answer, Missing) or answer.low <= 0 <= answer.high:
        return None
    return answer if abs(answer.value) > least else None


def _radii(info: SessionInfo, estimates: Mapping[str, Answer]) -> list[Finding]:
    ratio = estimates["rolling_radius_ratio"]
    if isinstance(ratio, Missing) or ratio.low <= 1 <= ratio.high:
        return []
    if abs(ratio.value - 1) < _NOTABLE_RADIUS:
        return []
    larger = "left" if ratio.value > 1 else "right"
    return [
        _said(
            info,
            f"The {larger} driven tyre rolls {100 * abs(ratio.value - 1):.2f} % larger than the "
            f"other ({100 * min(map(abs, (ratio.low - 1, ratio.high - 1))):.2f} to "
            f"{100 * max(map(abs, (ratio.low - 1, ratio.high - 1))):.2f}).",
            "The tyres fight each other on the straights; match pressures and tyres.",
            rests_on=("rolling_radius_ratio",),
        )
    ]
