"""The packs' law and the split of the input torque, read from the wheels of a session."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import LEAST_SPEED_MPS
from pipeline.build_sheet import BuildSheet, Car
from pipeline.estimate import Choice, Grade
from pipeline.input_torque import InputTorque, rate_of_change
from pipeline.lock import (
    BREAKAWAY,
    CLEAR_TORQUE_NM,
    DRIVE,
    LEAST_SLIDING_S,
    OVERRUN,
    LockLaw,
    SlidingSamples,
    interval_of,
    not_visited,
    with_sensor_doubt,
)
from pipeline.plates import PreloadLaw
from pipeline.predict import stated_law
from pipeline.preload import JudgedLaw
from pipeline.push import AIR_DENSITY_KGPM3, GRAVITY_MPS2
from pipeline.regression import TooFewClustersError
from pipeline.runs import bridge, drop_short, erode, widen
from pipeline.signals import Signals
from pipeline.split import (
    FIGURE_BELIEFS,
    Belief,
    SplitFit,
    at_input_torque,
    fit_split,
    wheel_doubt,
)
from pipeline.split_doubt import SplitDoubt
from pipeline.stated import Stated, stated
from pipeline.torque import ShaftTorque
from pipeline.wheel_balance import AxleRun

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

# All signals pass the same filter, so that what it takes off one it takes off all; in a fifth of a
# second a parabola still follows a throttle. Chosen on simulated cars.
_WINDOW_S = 0.21
# What the ground speed is off by beside its noise, one standard deviation: sensors on the body, the
# lateness of toothed wheels. Common practice, no source.
_COMMON_SLIP = 1e-3
_SAMPLES_PER_S = 20.0
_LEAST_RATE_HZ = 20.0
_AWAY_FROM_BRAKES_S = 0.15
# Half-shafts that wind up or ring turn the wheels apart while the packs hold, and no torque of
# theirs is logged to tell. On simulated shafts of 4 to 8 kN m/rad nine tenths of that is shorter.
_LASTING_S = 0.6
# From this long on the law tells the torque difference, before the tyres do. Chosen on the same
# cars: shorter, and shafts that ring pass for packs that slide; longer, and short slides are lost.
_SLIPPING_S = 0.4
_SLOWEST_MPS = 8.0
# What the held axle says of the tyres changes little beyond so many samples.
_MOST_HELD = 5000
_MOST_SLIDING = 8000
# Yaw inertia over mass times both distances from the centre of gravity to the axles. Common
# practice for circuit cars: 0.8 to 1.0; no source.
_YAW_INDEX = 0.9
# A lock ratio known no better than this was not told at all.
_UNTOLD_LOCK = 0.5
# What a held axle's torque difference is read to, 95 %: plain, and as a share of it.
_HELD_NM, _HELD_SHARE = 60.0, 0.30
# What stands in for a figure that the sheet leaves out; as `pipeline.stated`, but the tyres of the
# same log make good for what these are off. Common practice for circuit cars, no source.
_ASSUMED = {
    "front_weight_share": (0.40, 0.58),
    "cg_height_m": (0.30, 0.60),
    "driven_roll_share": (0.30, 0.60),
    "downforce_area_m2": (0.0, 3.0),
    "downforce_front_share": (0.30, 0.55),
}


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
    whole = _axle_run(signals, pull, label, np.where(sliding, np.sign(smooth_radps), 0.0), sheet)
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
    kept = slides[_described(samples.input_torque_nm, missing)] if terms else slides[:0]
    at = np.sort(np.concatenate((kept, held)))
    run = _at(whole, at, np.isin(at, kept))
    beliefs = _beliefs(sheet.car)
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
    lock = np.where(_described(pull.torque_nm, missing), lock, np.nan)
    slipping = _lasting(smooth_radps, threshold_radps, round(_SLIPPING_S * signals.rate_hz))
    read = _where_read(signals, reading)
    slipping |= (np.abs(smooth_radps) > threshold_radps) & np.isnan(read)
    difference = np.where(slipping, -np.sign(smooth_radps) * lock, read)
    return InferredSplit(
        judged,
        "",
        ShaftTorque(0.5 * (pull.torque_nm + difference), 0.5 * (pull.torque_nm - difference)),
        _doubt(judged.law, pull, threshold_radps),
        replace(samples, torque_difference_nm=reading[slides]),
        slides,
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
    if car.driven_axle != "rear":
        return "the wheels of a driven axle that is steered cannot tell the split yet"
    if signals.yaw_rate_radps is None:
        return "the log has no yaw rate, so the slip of each wheel cannot be told"
    if not signals.speed_is_independent:
        return "the log has no ground speed apart from the driven wheels, so their slip is unknown"
    if signals.accel_lat_mps2 is None or not np.isfinite(signals.accel_lat_mps2).any():
        return "the log has no lateral acceleration, so the loads of the driven wheels are unknown"
    if signals.rate_hz < _LEAST_RATE_HZ:
        return f"at {signals.rate_hz:.0f} samples a second wheel slip blurs; 20 are needed"
    return ""


def _smooth(values: FloatArray, window: int) -> FloatArray:
    """A parabola through each odd window; NaN near holes longer than it.

    Source: Savitzky & Golay, Anal. Chem. 36 (1964) 1627.
    """
    filled = bridge(values, window)
    # Not before it is needed: its import takes half a second.
    from scipy.signal import savgol_filter

    held = np.isnan(filled)
    smooth = savgol_filter(np.where(held, 0.0, filled), window, 2)
    smooth[widen(held, window // 2)] = np.nan
    return np.asarray(smooth)


def _axle_run(
    signals: Signals, pull: InputTorque, label: IndexArray, side: FloatArray, sheet: BuildSheet
) -> AxleRun:
    """All samples of the session as the wheels' balances take them."""
    car, rate = sheet.car, signals.rate_hz
    assert signals.yaw_rate_radps is not None
    assert signals.accel_lat_mps2 is not None
    assert car.mass_kg is not None
    assert car.wheelbase_m is not None
    window = max(5, 2 * round(0.5 * _WINDOW_S * rate) + 1)
    speed, yaw_rate, left, right, torque, lateral = (
        _smooth(values, window)
        for values in (
            signals.speed_mps,
            signals.yaw_rate_radps,
            signals.left_radps,
            signals.right_radps,
            pull.torque_nm,
            signals.accel_lat_mps2,
        )
    )
    mass, wheelbase = _figure(car, "mass_kg").value, car.wheelbase_m
    front, height = _figure(car, "front_weight_share").value, _figure(car, "cg_height_m").value
    down, down_front = (
        _figure(car, name).value for name in ("downforce_area_m2", "downforce_front_share")
    )
    forward = rate_of_change(signals.speed_mps, rate, 0.3)
    turning = rate_of_change(signals.yaw_rate_radps, rate, _WINDOW_S)
    to_front = (1 - front) * wheelbase
    to_transfer = mass * height * _figure(car, "driven_roll_share").value / car.track_m
    return AxleRun(
        speed_mps=speed,
        yaw_rate_radps=yaw_rate,
        left_radps=left,
        right_radps=right,
        left_spin_radps2=rate_of_change(signals.left_radps, rate, _WINDOW_S),
        right_spin_radps2=rate_of_change(signals.right_radps, rate, _WINDOW_S),
        input_torque_nm=torque,
        weight_n=mass * (GRAVITY_MPS2 * (1 - front) + forward * height / wheelbase),
        weight_change_nps=rate_of_change(forward, rate, _WINDOW_S) * mass * height / wheelbase,
        downforce_n=0.5 * AIR_DENSITY_KGPM3 * down * (1 - down_front) * speed**2,
        transfer_n=to_transfer * lateral,
        transfer_change_nps=to_transfer * rate_of_change(signals.accel_lat_mps2, rate, _WINDOW_S),
        # Both axles' side forces push the car sideways, and their difference turns it.
        side_force_n=mass
        * (to_front * lateral - _YAW_INDEX * front * (1 - front) * wheelbase**2 * turning)
        / wheelbase,
        faster_side=side,
        speed_doubt=np.hypot(
            _COMMON_SLIP, _left_of_noise(signals.speed_mps, speed, window) / np.maximum(speed, 1.0)
        ),
        lap=label,
        track_m=car.track_m,
        wheelbase_m=wheelbase,
        radius_m=car.rolling_radius_m,
        wheel_inertia_kgm2=_figure(car, "wheel_inertia_kgm2").value,
        rolling_resistance=_figure(car, "rolling_resistance").value,
    )


def _left_of_noise(values: FloatArray, smooth: FloatArray, window: int) -> float:
    """Standard deviation of the noise that the parabola leaves at its middle.

    Source: Savitzky & Golay, Anal. Chem. 36 (1964) 1627: of the noise's square it leaves
    ``3 (3 N^2 - 7) / (4 N (N^2 - 4))`` of N samples.
    """
    rest = np.abs(values - smooth)
    kept = 3 * (3 * window**2 - 7) / (4 * window * (window**2 - 4))
    raw = 1.4826 * float(np.median(rest[np.isfinite(rest)]))
    return raw * math.sqrt(kept / (1 - kept))


def _figure(car: Car, name: str) -> Stated:
    found = stated(car, name)
    if found is not None:
        return found
    low, high = _ASSUMED[name]
    return Stated(0.5 * (low + high), 0.5 * (high - low), f"assumed {low:g} to {high:g}")


def _beliefs(car: Car) -> dict[str, Belief]:
    """How well the build sheet's loads are known, as factors."""
    transfer = math.hypot(*(_figure(car, n).share for n in ("cg_height_m", "driven_roll_share")))
    down = math.hypot(
        *(_figure(car, n).share for n in ("downforce_area_m2", "downforce_front_share"))
    )
    return {
        "transfer": Belief(1.0, max(FIGURE_BELIEFS["transfer"].sigma, transfer / 1.96)),
        "downforce": Belief(1.0, max(FIGURE_BELIEFS["downforce"].sigma, down / 1.96)),
    }


_ARRAYS = (
    "speed_mps", "yaw_rate_radps", "left_radps", "right_radps", "left_spin_radps2",
    "right_spin_radps2", "input_torque_nm", "weight_n", "weight_change_nps", "downforce_n",
    "transfer_n", "transfer_change_nps", "side_force_n", "speed_doubt", "faster_side", "lap",
)  # fmt: skip


def _at(run: AxleRun, at: IndexArray, slides: BoolArray | None = None) -> AxleRun:
    """The run at some of its samples; sliding only where it says so."""
    part = replace(run, **{name: getattr(run, name)[at] for name in _ARRAYS})
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


def _described(torque: FloatArray, missing: Mapping[str, str]) -> BoolArray:
    kept = np.ones(len(torque), dtype=bool)
    if DRIVE in missing:
        kept &= torque <= CLEAR_TORQUE_NM
    if OVERRUN in missing:
        kept &= torque >= -CLEAR_TORQUE_NM
    return kept


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
    )


def _doubt(law: LockLaw | None, pull: InputTorque, threshold_radps: float) -> SplitDoubt:
    held = np.diag([_HELD_NM**2, 0.0])
    return SplitDoubt(law, threshold_radps, pull.gain_tolerance, held, _HELD_SHARE)
