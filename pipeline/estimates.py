"""The session's numbers: each an estimate with its interval, or missing with the reason."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from pipeline.bounded import bounded, looked_at, samples_at, sliding_samples
from pipeline.bounds import Flattening
from pipeline.choices import why_no_ratio
from pipeline.estimate import Answer, Estimate, Missing, Predicted, Prediction, SessionAnswer
from pipeline.evidence import PHASES, Evidence
from pipeline.learn import Learnt
from pipeline.lock import (
    BREAKAWAY,
    DRIVE,
    GAIN,
    OFFSET,
    OVERRUN,
    LockLaw,
    interval_of,
    overrun_to_drive,
)
from pipeline.plates import PreloadLaw, locking_torque
from pipeline.result import SLIP_STATES, LapSummary, LockFit, Phase, SlipEvent
from pipeline.summaries import bias_answer, effective_lock, mean_answer, state_seconds

FloatArray = NDArray[np.float64]

_DRAWN_POINTS = 3000
_CURVE_POINTS = 121


def session_estimates(
    evidence: Evidence,
    learnt: Learnt,
    laps: tuple[LapSummary, ...],
    events: tuple[SlipEvent, ...],
    noise: Flattening,
) -> dict[str, SessionAnswer]:
    """Every number of the session by its name."""
    numbers = _numbers(evidence, learnt, laps, events)
    return {**numbers, **bounded(evidence, learnt, numbers, noise)}


def _numbers(
    evidence: Evidence,
    learnt: Learnt,
    laps: tuple[LapSummary, ...],
    events: tuple[SlipEvent, ...],
) -> dict[str, Answer]:
    drive = _effective_lock(evidence, learnt, Phase.DRIVE)
    overrun = _effective_lock(evidence, learnt, Phase.OVERRUN)
    return {
        "breakaway_torque_nm": _term(evidence, learnt, BREAKAWAY, "N m"),
        "lock_drive": _term(evidence, learnt, DRIVE, "1"),
        "lock_overrun": _term(evidence, learnt, OVERRUN, "1"),
        "lock_overrun_to_drive": _way(evidence, learnt),
        "effective_lock_drive": drive,
        "effective_lock_overrun": overrun,
        "torque_bias_drive": bias_answer(drive),
        "torque_bias_overrun": bias_answer(overrun),
        "energy_per_lap_j": _energy_per_lap(evidence),
        "peak_power_w": _peak_power(evidence, laps),
        **{
            f"{str(state).replace(' ', '_')}_s_per_lap": state_seconds(evidence, events, state)
            for state in SLIP_STATES
        },
        "rolling_radius_ratio": _radius_ratio(evidence, learnt),
        "slip_per_torque_difference": _tyre_softness(evidence, learnt),
        "torque_difference_offset_nm": _negated(_term(evidence, learnt, OFFSET, "N m")),
        "torque_difference_gain": _negated(_term(evidence, learnt, GAIN, "1")),
    }


def _term(evidence: Evidence, learnt: Learnt, term: str, unit: str) -> Answer:
    law = learnt.law
    if law is None:
        return Missing(learnt.why_no_law)
    at = law.index(term)
    if at is None:
        return Missing(law.missing.get(term, law.missing.get(OFFSET, "not shown by this log")))
    value, half = float(law.fit.coefficients[at]), interval_of(law, term)
    return Estimate(
        value, value - half, value + half, unit, law.fit.clusters, evidence.grade,
        f"robust fit to {law.fit.n} sliding samples; {learnt.clusters.name} left out one by one"
        f"{_widened(law, term)}",
    )  # fmt: skip


def _widened(law: LockLaw, term: str) -> str:
    if not law.undecided.get(term):
        return ""
    return "; widened because the preload law cannot be told"


def _negated(answer: Answer) -> Answer:
    if isinstance(answer, Missing):
        return answer
    return Estimate(
        -answer.value, -answer.high, -answer.low,
        answer.unit, answer.n, answer.grade, answer.method, answer.level,
    )  # fmt: skip


def _way(evidence: Evidence, learnt: Learnt) -> Answer:
    law = learnt.law
    if law is None:
        return Missing(learnt.why_no_law)
    if why := why_no_ratio(law):
        return Missing(why)
    value, half = overrun_to_drive(law)
    return Estimate(
        value, value - half, value + half, "1", law.fit.clusters, evidence.grade,
        f"ratio of the two lock ratios; {learnt.clusters.name} left out one by one",
    )  # fmt: skip


def _effective_lock(evidence: Evidence, learnt: Learnt, phase: Phase) -> Answer:
    if evidence.torque is None:
        return Missing(evidence.why_no_torque)
    chosen = evidence.sliding & (evidence.phase == PHASES.index(phase))
    samples = sliding_samples(evidence, learnt, chosen)
    half = evidence.doubt.locking_half_width(samples.input_torque_nm)
    return effective_lock(samples, f"{learnt.clusters.name} under {phase}", evidence.grade, half)


def _energy_per_lap(evidence: Evidence) -> Answer:
    if evidence.power_w is None:
        return Missing(evidence.why_no_torque)
    counted = evidence.counted
    if not counted:
        return Missing("no lap counts")
    energy, half = evidence.lap_energies
    return mean_answer(energy[counted], half[counted], "J", evidence.grade, "laps")


def _peak_power(evidence: Evidence, laps: tuple[LapSummary, ...]) -> Answer:
    peaks = [lap.peak_power_w for lap in laps if lap.valid]
    known = [peak for peak in peaks if isinstance(peak, Estimate)]
    if not known:
        return peaks[0] if peaks else Missing("no lap counts")
    return mean_answer(
        np.array([peak.value for peak in known]),
        np.array([peak.half_width for peak in known]),
        "W", evidence.grade, "laps",
    )  # fmt: skip


def _radius_ratio(evidence: Evidence, learnt: Learnt) -> Answer:
    fit = learnt.rolling.difference
    if fit is None:
        return Missing(learnt.why_no_radius)
    left, right = learnt.rolling.radius_left_m, learnt.rolling.radius_right_m
    first = np.eye(len(fit.coefficients))[0]
    statistical = float(fit.half_width(first)) * 0.5 * (left + right)
    half = float(np.hypot(statistical, learnt.rolling.model_doubt))
    ratio = left / right
    return Estimate(
        ratio, ratio - half, ratio + half, "1", fit.clusters, evidence.grade,
        f"left over right from {fit.n} samples of {learnt.radii_from}, slip under torque taken "
        f"out; {learnt.clusters.name} left out one by one",
    )  # fmt: skip


def _tyre_softness(evidence: Evidence, learnt: Learnt) -> Answer:
    """Slip between the driven wheels for each N m between the half-shafts. [1/(N m m)]"""
    fit = learnt.rolling.difference
    if fit is None or learnt.torque is None:
        return Missing(learnt.why_no_radius or "it needs the torque of both half-shafts")
    value = float(fit.coefficients[1])
    half = float(fit.half_width(np.eye(len(fit.coefficients))[1]))
    return Estimate(
        value, value - half, value + half, "1/(N m m)", fit.clusters, evidence.grade,
        f"speed difference per speed and torque difference, {fit.n} samples of gentle running; "
        f"{learnt.clusters.name} left out one by one",
    )  # fmt: skip


def lock_fit(
    evidence: Evidence, learnt: Learnt, predicted: Mapping[str, Prediction]
) -> LockFit | None:
    """The fitted law with the points and curves that show it; None without a law."""
    law = learnt.law
    if law is None or not learnt.sliding.any():
        return None
    split = learnt.split
    if split is None or split.readings is None:
        shown, _ = looked_at(learnt.sliding)
        samples = samples_at(evidence, learnt, shown, evidence.rate_hz)
        lap_of = evidence.lap_of[shown]
    else:
        # What each sample's tyres say, not what the law made of it.
        samples, lap_of = split.readings, evidence.lap_of[split.read_at]
    numbers = np.array([lap.number for lap in evidence.laps] + [-1], dtype=np.int64)
    # Every k-th sample: the cloud keeps its shape and its laps their share.
    step = max(1, -(-len(lap_of) // _DRAWN_POINTS))
    low, high = np.percentile(samples.input_torque_nm, [0.1, 99.9])
    grid = np.union1d(np.linspace(low, high, _CURVE_POINTS), [0.0] if low < 0 < high else [])
    curve, half = law.curve(grid)
    bounds = _predicted_curves(grid, predicted, law.preload)
    return LockFit(
        input_torque_nm=samples.input_torque_nm[::step],
        locking_torque_nm=samples.locking_torque_nm[::step],
        sample_lap=numbers[lap_of[::step]],
        curve_input_nm=grid,
        curve_nm=curve,
        curve_low_nm=curve - half,
        curve_high_nm=curve + half,
        predicted_nm=None if bounds is None else bounds[0],
        predicted_low_nm=None if bounds is None else bounds[1],
        predicted_high_nm=None if bounds is None else bounds[2],
        samples_used=law.fit.n,
        seconds_used=law.fit.n / evidence.rate_hz,
        preload_law=str(law.preload),
    )


def _predicted_curves(
    grid: FloatArray, predicted: Mapping[str, Prediction], law: PreloadLaw
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    names = ("breakaway_torque_nm", "lock_drive", "lock_overrun")
    parts = [predicted[name] for name in names]
    known = [part for part in parts if isinstance(part, Predicted)]
    if len(known) < len(names):
        return None

    def parts_at(end: str) -> tuple[float, float, float]:
        breakaway, drive, overrun = (float(getattr(part, end)) for part in known)
        return breakaway, drive, overrun

    middle, low, high = (
        locking_torque(grid, *parts_at(end), law) for end in ("value", "low", "high")
    )
    return middle, low, high
