"""Sum up what the differential did: per lap, per corner and per slip event."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import SMOOTH_S, event_spans, odd_samples
from pipeline.estimate import Answer, Estimate, Grade, Missing
from pipeline.evidence import PHASES, Evidence, energies
from pipeline.laps import Lap
from pipeline.lock import SlidingSamples
from pipeline.plates import bias_ratio
from pipeline.regression import mean_interval, ratio_interval
from pipeline.result import (
    SLIP_STATES,
    AxleState,
    CornerSummary,
    LapSummary,
    Phase,
    SlipEvent,
)
from pipeline.runs import moving_mean
from pipeline.torque import ShaftTorque

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

_FEWEST_STRETCHES = 3
_SHORTEST_PHASE_S = 0.1


def lap_summaries(evidence: Evidence, events: tuple[SlipEvent, ...]) -> tuple[LapSummary, ...]:
    """What the differential did in each lap."""
    counts = {lap.number: Counter[AxleState]() for lap in evidence.laps}
    for event in events:
        if event.lap in counts:
            counts[event.lap][event.state] += 1
    energy: list[Answer]
    if evidence.power_w is None:
        energy = [Missing(evidence.why_no_torque)] * len(evidence.laps)
    else:
        values, halves = evidence.lap_energies
        energy = [
            _estimate(value, half, "J", lap.stop - lap.first, evidence.grade,
                      "sum over the lap's samples; interval from the torque sensors' calibration")
            for value, half, lap in zip(values, halves, evidence.laps, strict=True)
        ]  # fmt: skip
    return tuple(
        _lap_summary(evidence, i, lap, energy[i], counts[lap.number])
        for i, lap in enumerate(evidence.laps)
    )


def _lap_summary(
    evidence: Evidence, i: int, lap: Lap, energy: Answer, counts: Mapping[AxleState, int]
) -> LapSummary:
    drive, overrun = (_effective_lock(evidence, i, phase) for phase in (Phase.DRIVE, Phase.OVERRUN))
    return LapSummary(
        number=lap.number,
        start_s=lap.start_s,
        end_s=lap.end_s,
        valid=lap.valid,
        reason=lap.reason,
        energy_j=energy,
        peak_power_w=_peak_power(evidence, lap),
        mean_power_w=_scaled(energy, 1 / max(lap.end_s - lap.start_s, 1e-9), "W"),
        effective_lock_drive=drive,
        effective_lock_overrun=overrun,
        torque_bias_drive=bias_answer(drive),
        torque_bias_overrun=bias_answer(overrun),
        event_counts={state: counts[state] for state in SLIP_STATES},
    )


def _estimate(value: float, half: float, unit: str, n: int, grade: Grade, method: str) -> Estimate:
    return Estimate(float(value), float(value - half), float(value + half), unit, n, grade, method)


def _scaled(answer: Answer, factor: float, unit: str) -> Answer:
    if isinstance(answer, Missing):
        return answer
    return Estimate(
        answer.value * factor, answer.low * factor, answer.high * factor,
        unit, answer.n, answer.grade, answer.method, answer.level,
    )  # fmt: skip


def _peak_power(evidence: Evidence, lap: Lap) -> Answer:
    if evidence.power_w is None or evidence.torque is None:
        return Missing(evidence.why_no_torque)
    window = odd_samples(SMOOTH_S, evidence.rate_hz)
    power = moving_mean(evidence.power_w[lap.samples], window)
    if not np.isfinite(power).any():
        return Missing("no sample of the lap has both torques and both wheel speeds")
    at = int(np.nanargmax(power))
    # As an energy over one second with the instant's own levers.
    here = slice(lap.samples.start + at, lap.samples.start + at + 1)
    levers = evidence.doubt.levers(evidence.difference_radps[here], evidence.torque[here].input_nm)
    half = evidence.doubt.energy_half_width(power[at : at + 1], *levers)[0]
    return _estimate(
        power[at], float(np.nan_to_num(half)), "W", int(np.isfinite(power).sum()), evidence.grade,
        f"largest mean over {SMOOTH_S:g} s; interval from the sensors' calibration",
    )  # fmt: skip


def _effective_lock(evidence: Evidence, lap: int, phase: Phase) -> Answer:
    """Locking torque over input torque, both summed over the lap's sliding samples of a phase."""
    if evidence.torque is None:
        return Missing(evidence.why_no_torque)
    if not evidence.laps[lap].valid:
        return Missing("the lap does not count")
    span = evidence.laps[lap].samples
    chosen = evidence.sliding[span] & (evidence.phase[span] == PHASES.index(phase))
    torque = evidence.torque[span][chosen]
    samples = SlidingSamples(
        torque.input_nm,
        torque.difference_nm,
        evidence.difference_radps[span][chosen],
        _stretch_of(chosen),
        evidence.rate_hz,
    )
    half = evidence.doubt.locking_half_width(samples.input_torque_nm)
    return effective_lock(samples, f"sliding stretches under {phase}", evidence.grade, half)


def _stretch_of(chosen: BoolArray) -> IndexArray:
    """Which run of chosen samples each of them belongs to, counted from 0."""
    begins = chosen.copy()
    begins[1:] &= ~chosen[:-1]
    return np.cumsum(begins)[chosen] - 1


def effective_lock(
    samples: SlidingSamples, units: str, grade: Grade, locking_half_nm: float = 0.0
) -> Answer:
    """Locking torque over input torque, both summed over sliding samples. [1]

    ``samples.lap`` holds the units that the interval is taken over; ``units`` names them.
    ``locking_half_nm`` is what they share: half width of their mean locking torque. [N m]
    """
    labels = np.flatnonzero(np.bincount(samples.lap))
    if len(labels) < _FEWEST_STRETCHES:
        count = len(labels) or "no"
        return Missing(f"{count} {units}; at least {_FEWEST_STRETCHES} are needed for an interval")
    parts, wholes = (
        np.bincount(samples.lap, weights=each)[labels].astype(np.float64)
        for each in (samples.locking_torque_nm, np.abs(samples.input_torque_nm))
    )
    value, half = ratio_interval(parts, wholes)
    half = float(np.hypot(half, locking_half_nm * len(samples.lap) / float(np.sum(wholes))))
    return _estimate(value, half, "1", len(labels), grade, f"ratio of sums over {units}")


def bias_answer(lock: Answer) -> Answer:
    """Torque bias ratio from an effective lock; it ends where a wheel carries no torque."""
    if isinstance(lock, Missing):
        return lock
    if lock.high >= 1:
        return Missing(
            "the faster wheel's torque is near zero or negative: the ratio has no meaning"
        )
    values = (bias_ratio(each) for each in (lock.value, lock.low, lock.high))
    value, low, high = values
    return Estimate(value, low, high, "1", lock.n, lock.grade, lock.method, lock.level)


def slip_events(evidence: Evidence) -> tuple[SlipEvent, ...]:
    """Every slip event of the session in order of time."""
    spans = event_spans(evidence.state)
    group = np.full(len(evidence.state), -1, dtype=np.int32)
    for i, (_, first, stop) in enumerate(spans):
        group[first:stop] = i
    energy: list[Answer] = [Missing(evidence.why_no_torque)] * len(spans)
    if evidence.power_w is not None:
        values, halves = energies(evidence, group, len(spans))
        energy = [
            _estimate(value, half, "J", stop - first, evidence.grade,
                      "sum over the event's samples; interval from the sensors' calibration")
            for value, half, (_, first, stop) in zip(values, halves, spans, strict=True)
        ]  # fmt: skip
    return tuple(
        _event(evidence, state, first, stop, energy[i])
        for i, (state, first, stop) in enumerate(spans)
    )


def _event(
    evidence: Evidence, state: AxleState, first: int, stop: int, energy: Answer
) -> SlipEvent:
    span, middle = slice(first, stop), (first + stop) // 2
    lap, corner = evidence.lap_of[middle], evidence.corner_of[middle]
    phase = int(np.bincount(evidence.phase[span], minlength=len(PHASES)).argmax())
    peak = np.nanmax(np.abs(evidence.difference_radps[span]))
    x, y = (
        None if place is None or not np.isfinite(place[middle]) else float(place[middle])
        for place in (evidence.x_m, evidence.y_m)
    )
    step = 1 / evidence.rate_hz
    return SlipEvent(
        state=state,
        start_s=float(evidence.time_s[first]),
        end_s=float(evidence.time_s[stop - 1] + step),
        lap=evidence.laps[lap].number if lap >= 0 else -1,
        corner=evidence.corners[corner].number if corner >= 0 else None,
        phase=PHASES[phase],
        peak_speed_difference_radps=float(peak),
        energy_j=energy,
        x_m=x,
        y_m=y,
    )


def state_seconds(evidence: Evidence, events: tuple[SlipEvent, ...], state: AxleState) -> Answer:
    """Time a lap that the axle spends in slip events of one state, mean over counted laps. [s]"""
    if not evidence.states_told:
        return Missing("the log has no yaw rate, so the expected speed difference is not known")
    by_lap = {evidence.laps[i].number: 0.0 for i in evidence.counted}
    for event in events:
        if event.state is state and event.lap in by_lap:
            by_lap[event.lap] += event.end_s - event.start_s
    seconds = np.array(list(by_lap.values()))
    return mean_answer(seconds, np.zeros(len(seconds)), "s", evidence.grade, "laps")


def corner_summaries(
    evidence: Evidence, events: tuple[SlipEvent, ...]
) -> tuple[CornerSummary, ...]:
    """What the differential did in each corner, over the counted laps."""
    counted = evidence.counted
    by_lap = _corner_energies(evidence)
    moments = _yaw_moments(evidence)
    numbers = {evidence.laps[i].number for i in counted}
    return tuple(
        CornerSummary(
            number=corner.number,
            direction="left" if corner.left else "right",
            start_m=corner.start_m,
            apex_m=corner.apex_m,
            end_m=corner.end_m,
            radius_m=corner.radius_m,
            passes=len(counted),
            energy_j=_per_pass(evidence, by_lap, c),
            yaw_moment_nm={
                phase: _yaw_moment(evidence, moments, c, p) for p, phase in enumerate(PHASES)
            },
            event_counts=_counts(
                event for event in events if event.corner == corner.number and event.lap in numbers
            ),
            energy_by_lap_j={}
            if by_lap is None
            else {evidence.laps[i].number: float(by_lap[0][i, c]) for i in counted},
        )
        for c, corner in enumerate(evidence.corners)
    )


def _counts(events: Iterable[SlipEvent]) -> dict[AxleState, int]:
    found = Counter(event.state for event in events)
    return {state: found[state] for state in SLIP_STATES}


def _corner_energies(evidence: Evidence) -> tuple[FloatArray, FloatArray] | None:
    """Energy and half width of every lap and corner, shape (laps, corners)."""
    if evidence.power_w is None or not evidence.corners:
        return None
    laps, corners = len(evidence.laps), len(evidence.corners)
    inside = (evidence.lap_of >= 0) & (evidence.corner_of >= 0)
    group = np.where(inside, evidence.lap_of * corners + evidence.corner_of, -1)
    energy, half = energies(evidence, group, laps * corners)
    return energy.reshape(laps, corners), half.reshape(laps, corners)


def _per_pass(
    evidence: Evidence, by_lap: tuple[FloatArray, FloatArray] | None, corner: int
) -> Answer:
    if by_lap is None:
        return Missing(evidence.why_no_torque)
    return mean_answer(
        by_lap[0][evidence.counted, corner],
        by_lap[1][evidence.counted, corner],
        "J", evidence.grade, "passes",
    )  # fmt: skip


def mean_answer(
    values: FloatArray, systematic: FloatArray, unit: str, grade: Grade, units: str
) -> Answer:
    """Mean over laps or passes; the interval joins their scatter and what they share."""
    if len(values) < 2:
        return Missing(f"{len(values)} counted {units}; a mean with an interval needs two")
    mean, half = mean_interval(values)
    # A wrong calibration moves all laps together: its mean, not its mean over the root of n.
    shared = float(np.mean(systematic))
    calibration = " and the sensors' calibration" if shared > 0 else ""
    return _estimate(
        mean, float(np.hypot(half, shared)), unit, len(values), grade,
        f"mean over {units}; interval from their scatter{calibration}",
    )  # fmt: skip


def _yaw_moments(evidence: Evidence) -> FloatArray | None:
    """Mean yaw moment of each passage, > 0 into the turn, shape (laps, corners, phases). [N m]

    NaN where a phase is too short in a passage to have a mean; None without torques.
    """
    if evidence.torque is None:
        return None
    shape = len(evidence.laps), len(evidence.corners), len(PHASES)
    inside = np.flatnonzero((evidence.lap_of >= 0) & (evidence.corner_of >= 0))
    moment = yaw_moment(
        evidence.torque[inside],
        evidence.across_m[inside],
        evidence.radius_left_m,
        evidence.radius_right_m,
    )
    known = np.isfinite(moment)
    inside, moment = inside[known], moment[known]
    corner = evidence.corner_of[inside]
    inward = np.array([1.0 if each.left else -1.0 for each in evidence.corners])
    passage = (evidence.lap_of[inside] * shape[1] + corner) * shape[2] + evidence.phase[inside]
    size = shape[0] * shape[1] * shape[2]
    counts = np.bincount(passage, minlength=size)
    sums = np.bincount(passage, moment * inward[corner], minlength=size) if size else np.empty(0)
    long_enough = counts >= _SHORTEST_PHASE_S * evidence.rate_hz
    means = np.where(long_enough, sums / np.maximum(counts, 1), np.nan)
    return np.asarray(means.reshape(shape), dtype=np.float64)


def _yaw_moment(evidence: Evidence, moments: FloatArray | None, corner: int, phase: int) -> Answer:
    """Yaw moment in a corner's phase over the counted laps, > 0 into the turn. [N m]"""
    if moments is None:
        return Missing(evidence.why_no_torque)
    means = moments[evidence.counted, corner, phase]
    means = means[np.isfinite(means)]
    return mean_answer(
        means, np.zeros(len(means)), "N m", evidence.grade, f"passes with {PHASES[phase]}"
    )


def yaw_moment(
    torque: ShaftTorque, across_m: FloatArray, radius_left_m: float, radius_right_m: float
) -> FloatArray:
    """Yaw moment of unequal driving forces on the car, > 0 to the left, shape (n,). [N m]

    ``M_z = (T_R / R_R - T_L / R_L) a / 2`` with the distance a between the lines of both forces, at
    steered wheels the track times the cosine of their angle; derived here from the forces at the
    tyres, ISO 8855 axes.
    """
    return (torque.right_nm / radius_right_m - torque.left_nm / radius_left_m) * across_m / 2
