"""The packs' law and the split of the input torque, read from the wheels of a session."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import LEAST_SPEED_MPS
from pipeline.build_sheet import BuildSheet
from pipeline.driven_axle import axle_run, beliefs_of
from pipeline.estimate import Choice, Grade
from pipeline.input_torque import InputTorque
from pipeline.lock import (
    BREAKAWAY,
    DRIVE,
    LEAST_SLIDING_S,
    OVERRUN,
    LockLaw,
    SlidingSamples,
    interval_of,
    not_visited,
    where_described,
    with_sensor_doubt,
)
from pipeline.misreading import at_input_torque, wheel_doubt
from pipeline.plates import PreloadLaw
from pipeline.predict import stated_law
from pipeline.preload import JudgedLaw
from pipeline.regression import TooFewClustersError
from pipeline.runs import drop_short, erode, with_hysteresis
from pipeline.signals import Signals
from pipeline.split import SplitFit, fit_split
from pipeline.split_doubt import SplitDoubt
from pipeline.torque import ShaftTorque
from pipeline.tyre_beliefs import Belief
from pipeline.wheel_balance import AxleRun

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

_SAMPLES_PER_S = 20.0
_LEAST_RATE_HZ = 20.0
_AWAY_FROM_BRAKES_S = 0.15
# Half-shafts that wind up or ring turn the wheels apart while the packs hold, and no torque of
# theirs is logged to tell. On simulated shafts of 4 to 8 kN m/rad nine tenths of that is shorter.
_LASTING_S = 0.6
# From this long on, or where it gets this far, the law tells the torque difference, before the
# tyres do. Chosen on the same cars: shorter or less, and shafts that ring pass for packs that
# slide; longer, and short slides are lost, which on firm packs are half of the energy.
_SLIPPING_S, _RUN_AWAY_RADPS = 0.4, 3.0
_SLOWEST_MPS = 8.0
# What the held axle says of the tyres changes little beyond so many samples.
_MOST_HELD = 5000
_MOST_SLIDING = 8000
# A lock ratio known no better than this was not told at all.
_UNTOLD_LOCK = 0.5
# What a held axle's torque difference is read to, 95 %: plain, and as a share of it.
_HELD_NM, _HELD_SHARE = 60.0, 0.30


@dataclass(frozen=True, slots=True)
class InferredSplit:
    """What the wheels of one session say of the packs and of the half-shafts."""

    judged: JudgedLaw | None
    why_no_law: str
    torque: ShaftTorque | None
    """By the law while the packs slide, read off the tyres while they hold; NaN where neither."""
    doubt: SplitDoubt | None
    readings: SlidingSamples | None
    """Torque differences as the tyres tell them where the packs slide, without any law."""
    read_at: IndexArray
    """Which samples those are."""
    steering_zero_rad: float | None = None
    """What was taken out of the angle of driven front wheels; None where it plays no part."""


def _nothing(why: str) -> InferredSplit:
    return InferredSplit(None, why, None, None, None, np.empty(0, dtype=np.intp))


def infer_split(
    signals: Signals,
    label: IndexArray,
    units: str,
    smooth_radps: FloatArray,
    threshold_radps: float,
    sliding: BoolArray,
    sheet: BuildSheet,
) -> InferredSplit:
    """The law and the split of the input torque from both driven wheels' balances.

    Parameters
    ----------
    signals : Signals
    label : array of int, shape (n,)
        Which unit is left out with each sample, -1 where it serves no law; ``units`` names them.
    units : str
    smooth_radps : array, shape (n,)
        Smoothed left minus right wheel speed. [rad/s]
    threshold_radps : float
        From which difference the packs slide. [rad/s]
    sliding : array of bool, shape (n,)
        Samples at which they slide for sure.
    sheet : BuildSheet
    """
    why = _why_not(signals, sheet)
    if why:
        return _nothing(why)
    pull = signals.input
    assert pull is not None
    side = np.where(sliding, np.sign(smooth_radps), 0.0)
    try:
        whole = axle_run(signals, pull, label, side, sheet)
    except TooFewClustersError as problem:
        return _nothing(str(problem))
    chosen = _chosen(signals, pull, label, smooth_radps, threshold_radps, sliding, whole)
    slides, held = chosen
    samples = SlidingSamples(
        whole.input_torque_nm[slides],
        np.zeros(len(slides)),
        smooth_radps[slides],
        label[slides],
        _SAMPLES_PER_S,
    )
    missing = not_visited(samples)
    terms = (BREAKAWAY, *(term for term in (DRIVE, OVERRUN) if term not in missing))
    if samples.seconds() < LEAST_SLIDING_S or len(terms) == 1:
        terms, missing = (), {}
    kept = slides[where_described(samples.input_torque_nm, missing)] if terms else slides[:0]
    at = np.sort(np.concatenate((kept, held)))
    run = _at(whole, at, np.isin(at, kept))
    beliefs = beliefs_of(sheet.car)
    law_of = stated_law(sheet)
    try:
        if not terms:
            fit = fit_split(run, (), beliefs=beliefs)
            why = f"the pack slides for only {samples.seconds():.1f} s in the counted {units}"
            return _held_only(signals, whole, fit, threshold_radps, why)
        judged, fit = _judged(
            run,
            terms,
            missing,
            beliefs,
            law_of,
            pull,
            units,
        )
    except (TooFewClustersError, np.linalg.LinAlgError) as problem:
        return _nothing(f"too little running to read the tyres by: {problem}")
    reading = _reading(whole, fit)
    lock = judged.law.curve(pull.torque_nm)[0]
    # A side that the law has no term for is not known to lock with its springs alone.
    lock = np.where(where_described(pull.torque_nm, missing), lock, np.nan)
    slipping = _lasting(smooth_radps, threshold_radps, round(_SLIPPING_S * signals.rate_hz))
    slipping |= _run_away(smooth_radps, threshold_radps)
    read = _where_read(signals, reading)
    slipping |= (np.abs(smooth_radps) > threshold_radps) & np.isnan(read)
    by_law = slipping & np.isfinite(lock)
    difference = np.where(by_law, -np.sign(smooth_radps) * lock, read)
    return InferredSplit(
        judged,
        "",
        ShaftTorque(0.5 * (pull.torque_nm + difference), 0.5 * (pull.torque_nm - difference)),
        _doubt(judged.law, pull, threshold_radps),
        replace(samples, torque_difference_nm=reading[slides]),
        slides,
        _steering_zero(whole),
    )


def _why_not(signals: Signals, sheet: BuildSheet) -> str:
    """Why the wheels of this log cannot tell the split; empty when they can."""
    car = sheet.car
    absent = [name for name in ("mass_kg", "wheelbase_m") if getattr(car, name) is None]
    if signals.input is None or signals.grade is not Grade.INFERRED:
        return "the log does not hold the input torque"
    if absent:
        return (
            f"build_sheet.toml does not state {' and '.join(absent)} under [car], so the loads of "
            "the driven wheels cannot be told"
        )
    if signals.yaw_rate_radps is None:
        return "the log has no yaw rate, so the slip of each wheel cannot be told"
    if not signals.speed_is_independent:
        return "the log has no ground speed apart from the driven wheels, so their slip is unknown"
    if signals.accel_lat_mps2 is None or not np.isfinite(signals.accel_lat_mps2).any():
        return "the log has no lateral acceleration, so the loads of the driven wheels are unknown"
    if signals.rate_hz < _LEAST_RATE_HZ:
        return f"at {signals.rate_hz:.0f} samples a second wheel slip blurs; 20 are needed"
    if car.driven_axle == "front" and car.other_axle == "driven":
        return (
            "drive pushes the rear axle sideways, and with it the steered wheels' ground speed, by "
            "more than this log tells; log both half-shaft torques of the front axle"
        )
    if car.driven_axle == "front" and isinstance(signals.road_wheel_rad, str):
        return (
            f"it is not known where the steered wheels head, because {signals.road_wheel_rad}; "
            "log the steering angle and state steering_ratio in build_sheet.toml"
        )
    return ""


_ARRAYS = (
    "speed_mps", "yaw_rate_radps", "left_radps", "right_radps", "left_spin_radps2",
    "right_spin_radps2", "input_torque_nm", "weight_n", "weight_change_nps", "downforce_n",
    "transfer_n", "transfer_change_nps", "side_force_n", "speed_doubt", "faster_side", "lap",
)  # fmt: skip


def _at(run: AxleRun, at: IndexArray, slides: BoolArray | None = None) -> AxleRun:
    """The run at some of its samples; sliding only where it says so."""
    part = replace(run, **{name: getattr(run, name)[at] for name in _ARRAYS})
    if run.steered is not None:
        part = replace(part, steered=run.steered.at(at))
    return part if slides is None else replace(part, faster_side=part.faster_side * slides)


def _chosen(
    signals: Signals,
    pull: InputTorque,
    label: IndexArray,
    smooth_radps: FloatArray,
    threshold_radps: float,
    sliding: BoolArray,
    run: AxleRun,
) -> tuple[IndexArray, IndexArray]:
    """Samples at which the packs slide, and at which they hold, about twenty of each a second."""
    rate = signals.rate_hz
    finite = np.isfinite(sum(getattr(run, name) for name in _ARRAYS[:-2]))
    if run.steered is not None:
        finite &= np.isfinite(run.steered.angle_rad)
    off = erode(signals.brakes_off, round(_AWAY_FROM_BRAKES_S * rate))
    usable = (
        signals.steady & pull.usable & off & finite & (label >= 0) & (run.speed_mps > _SLOWEST_MPS)
    )
    reach = round(0.06 * rate)
    one_sided = erode(pull.torque_nm > 0, reach) | erode(pull.torque_nm < 0, reach)
    stuck = erode(np.abs(smooth_radps) < threshold_radps, reach)
    slides = _lasting(smooth_radps, threshold_radps, round(_LASTING_S * rate))
    step = max(1, round(rate / _SAMPLES_PER_S))

    def every(mask: BoolArray, most: int) -> IndexArray:
        at = np.flatnonzero(mask)
        at = at[at % step == 0]
        return np.asarray(at[:: 1 + len(at) // most])

    return every(usable & sliding & slides & one_sided, _MOST_SLIDING), every(
        usable & stuck, _MOST_HELD
    )


def _lasting(smooth_radps: FloatArray, threshold_radps: float, shortest: int) -> BoolArray:
    """Where one wheel is clearly the faster one for at least so many samples."""
    with np.errstate(invalid="ignore"):
        left, right = smooth_radps > threshold_radps, smooth_radps < -threshold_radps
    return drop_short(left, shortest) | drop_short(right, shortest)


def _run_away(smooth_radps: FloatArray, threshold_radps: float) -> BoolArray:
    """Where one wheel is the faster one and gets faster by far."""
    with np.errstate(invalid="ignore"):
        left, right = (
            with_hysteresis(each > _RUN_AWAY_RADPS, each > threshold_radps)
            for each in (smooth_radps, -smooth_radps)
        )
    return left | right


def _judged(
    run: AxleRun,
    terms: tuple[str, ...],
    missing: dict[str, str],
    beliefs: dict[str, Belief],
    law_of: PreloadLaw | None,
    pull: InputTorque,
    units: str,
) -> tuple[JudgedLaw, SplitFit]:
    """The law of the stated kind; where none is stated the adding one, widened for the other."""
    fits = {
        each: fit_split(run, terms, each, beliefs)
        for each in PreloadLaw
        if law_of is None or each is law_of
    }
    laws = {each: _law(fit, missing, each, pull) for each, fit in fits.items()}
    law, fit = laws[law_of or PreloadLaw.ADDING], fits[law_of or PreloadLaw.ADDING]
    even = {str(each): 0.5 for each in PreloadLaw}
    if law_of is not None:
        choice = Choice(
            even, str(law_of), law.fit.clusters, Grade.INFERRED, "stated by the build sheet"
        )
        return JudgedLaw(law, choice), fit
    # Odds from what the fits leave were wrong on simulated cars: tyres bend as the laws differ.
    law = replace(law, undecided=_apart(law, laws[PreloadLaw.GREATER_OF], run))
    choice = Choice(
        even,
        "",
        law.fit.clusters,
        Grade.INFERRED,
        f"not judged from the wheels; {units} left out one by one",
        "what the tyres leave open bends like the difference between the two laws; state "
        "preload_law in build_sheet.toml",
    )
    return JudgedLaw(law, choice), fit


def _law(fit: SplitFit, missing: dict[str, str], preload: PreloadLaw, pull: InputTorque) -> LockLaw:
    law = LockLaw(fit.law, fit.terms, missing, preload=preload)
    return with_sensor_doubt(law, math.sqrt(2) * pull.gain_tolerance, pull.zero_tolerance_nm)


def _apart(adding: LockLaw, other: LockLaw, run: AxleRun) -> dict[str, float]:
    """How far the other law's values lie beyond the adding law's intervals, by term."""
    apart = {}
    pull = run.input_torque_nm[run.faster_side != 0]
    springs = other.value(BREAKAWAY) + interval_of(other, BREAKAWAY)
    for term in adding.terms:
        mine, half = adding.value(term), interval_of(adding, term)
        theirs, their_half = other.value(term), interval_of(other, term)
        if term != BREAKAWAY and their_half > _UNTOLD_LOCK:
            # Springs that rule everywhere leave a ramp no more than their own torque.
            most = float(np.percentile(np.abs(pull[(pull > 0) == (term == DRIVE)]), 98))
            theirs, their_half = mine, abs(springs / most - mine)
        apart[term] = max(0.0, abs(theirs - mine) + their_half - half)
    return apart


def _reading(run: AxleRun, fit: SplitFit) -> FloatArray:
    """Torque difference as both wheels tell it together, shape (n,). [N m]"""
    told = at_input_torque(run, fit.figures, fit.tyre)
    left, right = (doubt**-2 for doubt in wheel_doubt(run, fit.tyre, told))
    total = run.input_torque_nm
    both = (2 * told.left_nm - total) * left + (total - 2 * told.right_nm) * right
    return np.asarray(both / (left + right))


def _where_read(signals: Signals, reading: FloatArray) -> FloatArray:
    """The reading where the tyres can tell, NaN elsewhere."""
    can = signals.brakes_off & (signals.speed_mps > LEAST_SPEED_MPS)
    return np.where(can, reading, np.nan)


def _held_only(
    signals: Signals, whole: AxleRun, fit: SplitFit, threshold_radps: float, why: str
) -> InferredSplit:
    assert signals.input is not None
    total = signals.input.torque_nm
    difference = _where_read(signals, _reading(whole, fit))
    return InferredSplit(
        None,
        why,
        ShaftTorque(0.5 * (total + difference), 0.5 * (total - difference)),
        _doubt(None, signals.input, threshold_radps),
        None,
        np.empty(0, dtype=np.intp),
        _steering_zero(whole),
    )


def _steering_zero(run: AxleRun) -> float | None:
    return None if run.steered is None else run.steered.zero_rad


def _doubt(law: LockLaw | None, pull: InputTorque, threshold_radps: float) -> SplitDoubt:
    held = np.diag([_HELD_NM**2, 0.0])
    return SplitDoubt(law, threshold_radps, pull.gain_tolerance, held, _HELD_SHARE)
