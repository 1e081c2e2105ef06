"""What a session teaches about the differential and the car, before any lap is summed up.

Three steps in order: the packs' friction law from sliding samples, the torque sensors' differences
taken out, the rolling radii from gentle running.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import (
    LEAST_SPEED_MPS,
    SMOOTH_S,
    RollingFit,
    fit_mean_radius,
    fit_radius_difference,
    odd_samples,
    visible_difference,
)
from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Choice, Grade
from pipeline.heat import TorqueDoubt
from pipeline.inferred import InferredSplit, infer_split
from pipeline.laps import Lap, lap_index
from pipeline.lock import (
    CLEAR_TORQUE_NM,
    GAIN,
    LEAST_SLIDING_S,
    OFFSET,
    ZERO,
    LockLaw,
    SlidingSamples,
    turns_both_ways,
)
from pipeline.misfit import with_movement_doubt
from pipeline.predict import stated_law
from pipeline.preload import JudgedLaw, judged_law
from pipeline.regression import TooFewClustersError, student_t
from pipeline.runs import erode, mean_at, mean_over, moving_mean
from pipeline.shaft_twist import Twist, fit_twist, rate_of_difference
from pipeline.signals import Signals
from pipeline.split_doubt import SplitDoubt
from pipeline.stretches import around, by_stretch, some
from pipeline.torque import ShaftTorque, averaged_at, corrected
from pipeline.turns import TURNS_MODEL_DOUBT, fit_radius_from_turns, turning_freely

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

# Gentle running: fast enough for slip to be small, nearly straight, tyres far from their limit.
_GENTLE_SPEED_MPS = 12.0
_GENTLE_LATERAL_MPS2 = 5.0
_GENTLE_INPUT_SHARE = 0.3
_GENTLE_SMOOTH_S = 0.2
# A wheel of 48 teeth at 5 m/s passes one in 8 ms, and shows its speed one later.
_TOOTH_LAG_S = 0.02
_FEWEST_LAPS = 4
# Averaged samples a hundredth of a second apart hang together; of a day's sliding or gentle running
# every other or every tenth says as much.
_MOST_SAMPLES = 150_000
_STRETCH_S = 20.0
# Over which the input torque is averaged before it is said to rise or to fall.
_RISING_S = 0.15


@dataclass(frozen=True, slots=True)
class Clusters:
    """Which samples hang together: the units that are left out to see how sure a law is."""

    label: IndexArray
    """Shape (n,); -1 where a sample serves no law."""
    name: str
    """What the units are, in words."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """The laws of one session, and what they rest on."""

    clusters: Clusters
    sliding_radps: float
    """Speed difference from which the pack counts as sliding. [rad/s]"""
    difference_radps: FloatArray
    """Smoothed left minus right speed of the wheels, shape (n,). [rad/s]"""
    flange_radps: FloatArray
    """The same of the differential's flanges, where the half-shafts twist. [rad/s]"""
    twist: Twist | str
    """How much they twist, or why that is not known."""
    sliding: BoolArray
    """Clean, steady samples at which the pack slides for sure, on counted laps; shape (n,)."""
    law: LockLaw | None
    why_no_law: str
    torque: ShaftTorque | None
    """Zeroed, with the sensors' differences taken out; or inferred, as ``split`` says."""
    doubt: TorqueDoubt | SplitDoubt
    rolling: RollingFit
    radii_from: str
    """Which running the rolling radii come from, in words."""
    why_no_radius: str
    preload: Choice | None = None
    """Which preload law holds, with its odds; None without a law."""
    samples: SlidingSamples | None = None
    """What the law was fitted to; torques averaged, the sensors' differences still in them."""
    fitted: IndexArray = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    """Which samples those are."""
    split: InferredSplit | None = None
    """What the wheels say where only the input torque is known."""


def learn(signals: Signals, laps: tuple[Lap, ...], sheet: BuildSheet) -> Learnt:
    """Fit the session's laws."""
    clusters = _clusters(signals, laps)
    window = odd_samples(SMOOTH_S, signals.rate_hz)
    wheels = moving_mean(signals.difference_radps, window)
    twist, flanges_raw = _flanges(signals, clusters, wheels)
    flanges = wheels
    if flanges_raw is not None:
        flanges = moving_mean(flanges_raw, window)
    moving = signals.speed_mps > LEAST_SPEED_MPS
    threshold = visible_difference(flanges, moving & signals.clean, signals.rate_hz)
    raw = signals.difference_radps if flanges_raw is None else flanges_raw
    sliding = surely_sliding(raw, flanges, signals.clean, threshold, signals.rate_hz)
    sliding &= signals.steady & moving & (clusters.label >= 0)
    found = _law_samples(signals, clusters, flanges, sliding)
    samples, fitted = (None, np.empty(0, dtype=np.intp)) if found is None else found
    split = None
    if signals.grade is Grade.INFERRED:
        split = infer_split(
            signals, clusters.label, clusters.name, flanges, threshold, sliding, sheet
        )
        judged, why = split.judged, split.why_no_law
        if split.torque is not None:
            sliding = sliding & np.isfinite(split.torque.difference_nm)
    else:
        judged, why = _law(signals, clusters, samples, sheet)
    law = None if judged is None else judged.law
    torque = _corrected(signals.torque, law)
    if torque is None:
        rolling, why_no_radius = _rolling_from_turns(signals, clusters, sliding, sheet)
    else:
        rolling, why_no_radius = _rolling(signals, clusters, torque, sheet)
    return Learnt(
        clusters=clusters,
        sliding_radps=threshold,
        difference_radps=wheels,
        flange_radps=flanges,
        twist=twist,
        sliding=sliding,
        law=law,
        why_no_law=why,
        torque=torque if split is None else split.torque,
        doubt=_doubt(law, sheet) if split is None or split.doubt is None else split.doubt,
        rolling=rolling,
        radii_from="gentle running" if torque is not None else "turns both ways",
        why_no_radius=why_no_radius,
        preload=None if judged is None else judged.choice,
        samples=samples,
        fitted=fitted,
        split=split,
    )


def _flanges(
    signals: Signals, clusters: Clusters, wheels: FloatArray
) -> tuple[Twist | str, FloatArray | None]:
    """How much the half-shafts twist, and the flanges' speed difference where they do. [rad/s]"""
    if signals.torque is None:
        return "the log does not hold both half-shaft torques", None
    torque, rate_hz = signals.torque, signals.rate_hz
    usable = signals.steady & (signals.speed_mps > LEAST_SPEED_MPS)
    twist = fit_twist(wheels, torque, usable, clusters.label, rate_hz)
    if isinstance(twist, str) or not twist.shows:
        return twist, None
    rate = by_stretch(
        lambda here: rate_of_difference(torque, rate_hz, np.arange(here.start, here.stop)),
        len(wheels),
    )
    return twist, signals.difference_radps + twist.compliance * rate


def surely_sliding(
    raw: FloatArray, smooth: FloatArray, clean: BoolArray, threshold: float, rate_hz: float
) -> BoolArray:
    """Samples at which the pack slides for sure, shape (n,).

    The speed difference, raw and smoothed, is above the threshold and of one sign all around: over
    the window that the torques are averaged in, and a guard for the lag of a toothed wheel, which
    shows the speed of its last tooth.
    """
    reach = odd_samples(SMOOTH_S, rate_hz) // 2 + round(_TOOTH_LAG_S * rate_hz)

    def both_beyond(side: float) -> BoolArray:
        return by_stretch(
            lambda here: (
                clean[here] & (np.minimum(side * raw[here], side * smooth[here]) > threshold)
            ),
            len(raw),
        )

    return erode(both_beyond(1.0), reach) | erode(both_beyond(-1.0), reach)


def _clusters(signals: Signals, laps: tuple[Lap, ...]) -> Clusters:
    """Counted laps; with fewer than four of them, stretches of 20 s of the driving."""
    n = len(signals.time_s)
    counted = np.array([lap.valid for lap in laps], dtype=bool)
    index = lap_index(laps, n)
    on_counted = np.zeros(n, dtype=bool)
    if counted.any():
        on_counted = (index >= 0) & counted[index]
    if counted.sum() >= _FEWEST_LAPS:
        return Clusters(np.where(on_counted, index, -1), "laps")
    usable = on_counted if counted.any() else signals.speed_mps > LEAST_SPEED_MPS
    driven_s = np.cumsum(usable) / signals.rate_hz
    stretch = (driven_s / _STRETCH_S).astype(np.int32)
    return Clusters(np.where(usable, stretch, -1), f"stretches of {_STRETCH_S:.0f} s")


def _law_samples(
    signals: Signals, clusters: Clusters, smooth: FloatArray, sliding: BoolArray
) -> tuple[SlidingSamples, IndexArray] | None:
    """What the law is fitted to, and which samples those are; None without torques."""
    if signals.torque is None:
        return None
    # Noise in the input torque would flatten the law, so torques are averaged like the speeds.
    window = odd_samples(SMOOTH_S, signals.rate_hz)
    torque = signals.torque
    chosen = sliding & _one_sided(torque, window)
    if np.count_nonzero(chosen) < LEAST_SLIDING_S * signals.rate_hz:
        chosen = sliding
    step = 1 + np.count_nonzero(chosen) // _MOST_SAMPLES
    at = np.flatnonzero(chosen)[::step].copy()  # a view would keep all of them
    averaged = averaged_at(torque, window, at)
    samples = SlidingSamples(
        averaged.input_nm,
        averaged.difference_nm,
        smooth[at],
        clusters.label[at],
        signals.rate_hz / step,
        _rising(torque, at, signals.rate_hz),
    )
    return samples, at


def _rising(torque: ShaftTorque, at: IndexArray, rate_hz: float) -> FloatArray:
    """How fast the input torque rises at some samples. [N m/s]"""
    window = odd_samples(_RISING_S, rate_hz)
    before, after = np.maximum(at - 1, 0), np.minimum(at + 1, len(torque.left_nm) - 1)
    late, early = (averaged_at(torque, window, each).input_nm for each in (after, before))
    return np.asarray((late - early) * rate_hz / (after - before))


def _law(
    signals: Signals, clusters: Clusters, samples: SlidingSamples | None, sheet: BuildSheet
) -> tuple[JudgedLaw | None, str]:
    if samples is None:
        return None, "the log does not hold both half-shaft torques"
    if samples.seconds() < LEAST_SLIDING_S:
        return None, never_slides(signals, samples.seconds())
    stated = stated_law(sheet)
    try:
        judged = judged_law(
            samples,
            sheet.sensors.shaft_torque_gain_tolerance,
            _zero(signals, sheet),
            find_zero=not signals.zeroed,
            stated=stated,
            grade=signals.grade,
            units=clusters.name,
        )
    except TooFewClustersError as problem:
        return None, str(problem)
    return replace(judged, law=with_movement_doubt(judged.law, samples)), ""


def _one_sided(torque: ShaftTorque, window: int) -> BoolArray:
    """Samples whose averaging window lies clear of zero input torque, on one side of it.

    The law has a kink there; an average across it lies above the law and would raise the breakaway
    torque at the cost of both lock ratios.
    """

    reach, n = window // 2, len(torque.left_nm)

    def side_of_mean(here: slice) -> NDArray[np.int8]:
        wide, within = around(here, reach, n)
        mean = mean_over(torque[wide].input_nm, window, within)
        return (mean > CLEAR_TORQUE_NM).view(np.int8) - (mean < -CLEAR_TORQUE_NM).view(np.int8)

    mean, raw = by_stretch(side_of_mean, n), by_stretch(lambda here: _side(torque[here]), n)
    drive = (mean > 0) & erode(raw > 0, reach)
    overrun = (mean < 0) & erode(raw < 0, reach)
    return drive | overrun


def _side(torque: ShaftTorque) -> NDArray[np.int8]:
    """1 where the input torque drives, -1 on overrun, 0 between them or in a hole."""
    total = torque.input_nm
    return (total > 0).view(np.int8) - (total < 0).view(np.int8)


def never_slides(signals: Signals, sliding_s: float) -> str:
    """Why a pack that hardly slides gives no law."""
    if signals.torque is None:
        return "the log does not hold both half-shaft torques"
    return f"the pack slides for only {sliding_s:.1f} s in the counted laps"


def _zero(signals: Signals, sheet: BuildSheet) -> float:
    """95 % half width of the zero of the sum of both torques. [N m]"""
    if signals.zeroed:
        return math.hypot(*(zero.half_width_nm for zero in signals.zeros))
    return float(np.sqrt(2) * sheet.sensors.shaft_torque_offset_tolerance_nm)


def _corrected(torque: ShaftTorque | None, law: LockLaw | None) -> ShaftTorque | None:
    if torque is None or law is None:
        return torque
    # The law was fitted to -dT sign(dw), so its offset and gain come with the opposite sign.
    return corrected(torque, -law.value(OFFSET), -law.value(GAIN), law.value(ZERO))


def _doubt(law: LockLaw | None, sheet: BuildSheet) -> TorqueDoubt:
    tolerance = sheet.sensors.shaft_torque_gain_tolerance
    if law is None or law.index(OFFSET) is None:
        offset = np.sqrt(2) * sheet.sensors.shaft_torque_offset_tolerance_nm
        # Two gains that differ by d shift the difference by d/2 per input torque.
        squared = np.diag([offset**2, (tolerance / np.sqrt(2)) ** 2])
    else:
        at = [law.terms.index(OFFSET), law.terms.index(GAIN)]
        squared = student_t(law.fit.clusters - 1) ** 2 * law.fit.covariance[np.ix_(at, at)]
        squared = squared + np.diag([law.doubt(OFFSET) ** 2, law.doubt(GAIN) ** 2])
    return TorqueDoubt(np.asarray(squared, dtype=np.float64), tolerance / np.sqrt(2))


def _rolling(
    signals: Signals, clusters: Clusters, torque: ShaftTorque, sheet: BuildSheet
) -> tuple[RollingFit, str]:
    """Radii of the driven wheels; the build sheet's where the log cannot give them."""
    stated = RollingFit(*sheet.car.driven_radii_m, None)
    if why := _no_rolling_speed(signals):
        return stated, why
    assert signals.ground is not None
    # Nothing happens fast here, and noise in the torques would flatten the laws.
    window = odd_samples(_GENTLE_SMOOTH_S, signals.rate_hz)
    gentle = np.flatnonzero(erode(_gentle(signals, clusters, torque), window // 2))
    gentle = gentle[:: 1 + len(gentle) // _MOST_SAMPLES]
    ground = signals.ground.averaged_at(window, gentle)
    left, right = (
        mean_at(speed, window, gentle) for speed in (signals.left_radps, signals.right_radps)
    )
    slow = averaged_at(torque, window, gentle)
    label = clusters.label[gentle]
    try:
        mean = fit_mean_radius(0.5 * (left + right), slow.input_nm, ground.mean_mps, label)
        radius = 1 / float(mean.coefficients[0])
        fit = fit_radius_difference(left - right, slow, ground, radius, label)
    except TooFewClustersError as problem:
        return stated, f"too little gentle straight running: {problem}"
    half = 0.5 * float(fit.coefficients[0])
    return RollingFit(1 / (1 / radius + half), 1 / (1 / radius - half), fit), ""


def _no_rolling_speed(signals: Signals) -> str:
    """Why the log cannot say how fast the wheels would roll; empty when it can."""
    if signals.ground is None:
        return "the log has no yaw rate"
    if not signals.speed_is_independent:
        return "the log has no ground speed apart from the driven wheels"
    return ""


def _rolling_from_turns(
    signals: Signals, clusters: Clusters, sliding: BoolArray, sheet: BuildSheet
) -> tuple[RollingFit, str]:
    """Radii from turns both ways, where no half-shaft torque tells what a held axle hides."""
    stated = RollingFit(*sheet.car.driven_radii_m, None)
    if why := _no_rolling_speed(signals):
        return stated, why
    assert signals.ground is not None
    pull = signals.input_torque_nm
    if pull is None:
        pull = signals.accel_long_mps2
    if pull is None:
        pull = np.zeros(len(signals.time_s))
    window = odd_samples(_GENTLE_SMOOTH_S, signals.rate_hz)
    pull, ground = moving_mean(pull, window), signals.ground.averaged(window)
    # What is asked is how far the radii are from the stated ones.
    inverse = 1 / stated.radius_left_m, 1 / stated.radius_right_m
    nominal, apart = 2 / sum(inverse), inverse[0] - inverse[1]
    difference = moving_mean(signals.difference_radps, window) - ground.mean_mps * apart
    chosen = turning_freely(difference, ground, nominal)
    chosen &= erode(sliding & signals.brakes_off, window // 2) & np.isfinite(pull)
    if not chosen.any() or not turns_both_ways(np.sign(ground.yaw_rate_radps[chosen])):
        return stated, "a held axle hides unequal radii, and the packs slide in turns one way only"
    try:
        fit = fit_radius_from_turns(
            difference[chosen],
            ground.at(chosen),
            pull[chosen],
            nominal,
            clusters.label[chosen],
        )
    except TooFewClustersError as problem:
        return stated, f"the packs slide too little in turns both ways: {problem}"
    half = 0.5 * (float(fit.coefficients[0]) + apart)
    left, right = 1 / (1 / nominal + half), 1 / (1 / nominal - half)
    return RollingFit(left, right, fit, TURNS_MODEL_DOUBT), ""


def _gentle(signals: Signals, clusters: Clusters, torque: ShaftTorque) -> BoolArray:
    assert signals.yaw_rate_radps is not None
    yaw_rate_radps = signals.yaw_rate_radps
    counted = clusters.label >= 0
    size = np.abs(some(torque.left_nm) + some(torque.right_nm))[some(counted)]
    if not np.isfinite(size).any():
        return np.zeros(len(counted), dtype=bool)
    large = float(np.nanpercentile(size, 99))

    def gentle(here: slice) -> BoolArray:
        speed = signals.speed_mps[here]
        lateral = np.abs(speed * yaw_rate_radps[here])
        return np.asarray(
            signals.steady[here]
            & signals.brakes_off[here]
            & counted[here]
            & (speed > _GENTLE_SPEED_MPS)
            & (lateral < _GENTLE_LATERAL_MPS2)
            & (np.abs(torque[here].input_nm) < _GENTLE_INPUT_SHARE * large)
        )

    return by_stretch(gentle, len(counted))
