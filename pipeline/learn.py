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
)
from pipeline.misfit import with_movement_doubt
from pipeline.predict import stated_law
from pipeline.preload import JudgedLaw, judged_law
from pipeline.regression import TooFewClustersError, student_t
from pipeline.rolling_radii import radii_by_gentle_running, radii_by_turns
from pipeline.runs import erode, mean_over, moving_mean
from pipeline.shaft_twist import Twist, fit_twist, rate_of_difference
from pipeline.signals import Signals
from pipeline.split_doubt import SplitDoubt
from pipeline.stretches import around, by_stretch
from pipeline.torque import ShaftTorque, averaged_at, corrected

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

# A wheel of 48 teeth at 5 m/s passes one in 8 ms, and shows its speed one later.
_TOOTH_LAG_S = 0.02
_FEWEST_LAPS = 4
# Averaged samples a hundredth of a second apart hang together; of a day's sliding every other or
# every tenth says as much.
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
        rolling, why_no_radius = radii_by_turns(signals, clusters.label, sliding, sheet)
    else:
        rolling, why_no_radius = radii_by_gentle_running(signals, clusters.label, torque, sheet)
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
