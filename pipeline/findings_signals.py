"""What the log's own signals say: laps that count, signals that lie, sensors, tyres."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.estimate import Estimate, Grade, SessionAnswer
from pipeline.finding_words import finding, notable
from pipeline.lateness import NOTABLE_DELAY_S
from pipeline.result import Finding, LapSummary, QualityNote, SessionInfo

# With fewer laps, intervals cannot be taken by leaving out laps.
_ENOUGH_LAPS = 4
_NOTABLE_OFFSET_NM = 5.0
_NOTABLE_GAIN = 0.01
_NOTABLE_RADIUS = 0.001


def signals_that_lie(info: SessionInfo, quality: tuple[QualityNote, ...]) -> list[Finding]:
    """What is wrong with the signals so that other numbers are wrong too."""
    return [
        finding(
            info,
            f"{note.detail[:1].upper()}{note.detail[1:]}.",
            f"{note.consequence[:1].upper()}{note.consequence[1:]}. {note.remedy}".strip(),
            needs_attention=True,
        )
        for note in quality
        if note.serious
    ]


def untrusted(info: SessionInfo, quality: tuple[QualityNote, ...]) -> list[Finding]:
    """Whether a signal lies in a way that leaves no number on the packs to be trusted."""
    kinds = dict.fromkeys(note.kind for note in quality if note.untrusted)
    if not kinds:
        return []
    return [
        finding(
            info,
            f"Nothing is said here on packs, ramps and heat: {' and '.join(kinds)} in the signals "
            "(above) reaches every number on them.",
            "Put the channel map right and add the log again; leave the parts as they are until "
            "then.",
            needs_attention=True,
        )
    ]


def counted_laps(
    info: SessionInfo, laps: tuple[LapSummary, ...], counted: list[LapSummary]
) -> list[Finding]:
    """What too few laps, or none, mean for the numbers."""
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
        finding(
            info,
            sentence,
            consequence,
            needs_attention=True,
        )
    ]


def sensors(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """By how much the two torque sensors differ, where it is worth a word."""
    offset = notable(estimates["torque_difference_offset_nm"], _NOTABLE_OFFSET_NM)
    gain = notable(estimates["torque_difference_gain"], _NOTABLE_GAIN)
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
        finding(
            info,
            f"The two torque sensors differ {' and '.join(parts)}.",
            "Taken out of every number here; zero and calibrate the sensors before the next run.",
            rests_on=tuple(names),
        )
    ]


def delay(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """How late the torques were logged, where it had to be taken out."""
    late = estimates.get("torque_delay_s")
    if not isinstance(late, Estimate) or late.low <= 0 <= late.high:
        return []
    if abs(late.value) < NOTABLE_DELAY_S:
        return []
    measured = info.grade is Grade.MEASURED
    torques, under = (
        ("half-shaft torques are", "both torque channels")
        if measured
        else ("input torque is", "the torque's channel")
    )
    which, sign = ("later", 1) if late.value > 0 else ("earlier", -1)
    ends = sorted(1e3 * sign * end for end in (late.low, late.high))
    return [
        finding(
            info,
            f"The {torques} logged {1e3 * abs(late.value):.0f} ms {which} than the "
            f"wheel speeds ({ends[0]:.0f} to {ends[1]:.0f}).",
            f"Taken out of every number here. State delay_s = {late.value:.3f} under {under} of "
            "the channel map, or log both from one unit.",
            rests_on=("torque_delay_s",),
        )
    ]


def radii(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """Which driven tyre rolls larger, where it is worth a word."""
    ratio = estimates["rolling_radius_ratio"]
    if not isinstance(ratio, Estimate) or ratio.low <= 1 <= ratio.high:
        return []
    if abs(ratio.value - 1) < _NOTABLE_RADIUS:
        return []
    larger = "left" if ratio.value > 1 else "right"
    return [
        finding(
            info,
            f"The {larger} driven tyre rolls {100 * abs(ratio.value - 1):.2f} % larger than the "
            f"other ({100 * min(map(abs, (ratio.low - 1, ratio.high - 1))):.2f} to "
            f"{100 * max(map(abs, (ratio.low - 1, ratio.high - 1))):.2f}).",
            "The tyres fight each other on the straights; match pressures and tyres.",
            rests_on=("rolling_radius_ratio",),
        )
    ]
