"""Breakaway torque and lock ratios, drive and overrun apart, each with its interval."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.heat import GAIN_OF_BOTH
from pipeline.plates import PreloadLaw, locking_torque
from pipeline.regression import ClusterFit, fit_by_cluster, student_t

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Below this much sliding there is nothing to learn a law from. Chosen by us.
LEAST_SLIDING_S = 1.0
# Input torque that counts as clearly drive or clearly overrun.
CLEAR_TORQUE_NM = 25.0
_LEAST_SHARE_OF_A_TURN = 0.05


@dataclass(frozen=True, slots=True)
class SlidingSamples:
    """Samples at which the pack slides for sure, each of shape (m,)."""

    input_torque_nm: FloatArray
    torque_difference_nm: FloatArray
    speed_difference_radps: FloatArray
    lap: NDArray[np.signedinteger[Any]]
    rate_hz: float
    torque_rate_nmps: FloatArray | None = None
    """How fast the input torque changes, where that is known."""

    @property
    def faster_side(self) -> FloatArray:
        """+1 where the left wheel is faster, -1 where the right one is."""
        return np.sign(self.speed_difference_radps)

    @property
    def locking_torque_nm(self) -> FloatArray:
        """What the pack takes from the faster side and gives to the slower. [N m]"""
        return -self.torque_difference_nm * self.faster_side

    def seconds(self, chosen: BoolArray | None = None) -> float:
        """How long the pack slides, or slides where chosen. [s]"""
        count = len(self.lap) if chosen is None else int(np.count_nonzero(chosen))
        return count / self.rate_hz


BREAKAWAY, DRIVE, OVERRUN = "breakaway", "drive", "overrun"
OFFSET, GAIN = "offset", "gain"
ZERO = "zero"
"""What the input torque reads without torque, where the law has to find it. [N m]"""


def linearised(
    preload: PreloadLaw,
    terms: tuple[str, ...],
    torque: FloatArray,
    side: FloatArray,
    coefficients: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """A law's reading at each sample, shape (n,), and its slopes, shape (n, p).

    Under the greater-of law a sample depends on the springs or on a ramp, never on both; without
    a breakaway torque the ramps rule everywhere.

    Two sensors whose gains lie ``2 d`` apart read ``d T_in`` too much of the torque difference, and
    ``d dT`` too much of the input torque: with ``dT = -side T_lock`` the reading ``-dT side`` gains
    ``-d side (T_in - T_lock dT_lock/dT_in)``; derived here to first order in d.
    """
    at = {term: float(value) for term, value in zip(terms, coefficients, strict=True)}
    pull = torque - at.get(ZERO, 0.0)
    drive, overrun = np.maximum(pull, 0.0), np.maximum(-pull, 0.0)
    columns = {
        BREAKAWAY: np.ones(len(torque)),
        DRIVE: drive,
        OVERRUN: overrun,
        ZERO: np.where(pull > 0, -at.get(DRIVE, 0.0), at.get(OVERRUN, 0.0)),
        OFFSET: side,
    }
    if preload is PreloadLaw.GREATER_OF and BREAKAWAY in terms:
        ramps = at.get(DRIVE, 0.0) * drive + at.get(OVERRUN, 0.0) * overrun
        pushed = (ramps > at[BREAKAWAY]).astype(np.float64)
        columns[BREAKAWAY] = 1.0 - pushed
        for term in (DRIVE, OVERRUN, ZERO):
            columns[term] = columns[term] * pushed
    steep = at.get(DRIVE, 0.0) * (columns[DRIVE] > 0)
    steep = steep - at.get(OVERRUN, 0.0) * (columns[OVERRUN] > 0)
    forces = [term for term in (BREAKAWAY, DRIVE, OVERRUN) if term in terms]
    friction = sum(at[term] * columns[term] for term in forces)
    columns[GAIN] = side * (torque - steep * friction)
    slopes = np.column_stack([columns[term] for term in terms])
    by_slope = np.array([0.0 if term == ZERO else at[term] for term in terms])
    return slopes @ by_slope, slopes


@dataclass(frozen=True, slots=True)
class LockLaw:
    """Breakaway torque and lock ratios as the log has them, and how they act together.

    A part that the log does not show is None, with the reason in ``missing``.
    """

    fit: ClusterFit
    terms: tuple[str, ...]
    """Names of the fit's coefficients, in order."""
    missing: dict[str, str]
    doubts: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    """What leaving out laps cannot show, by term and by the input that it comes from: 95 % half
    widths in the term's own unit."""
    preload: PreloadLaw = PreloadLaw.ADDING
    undecided: Mapping[str, float] = field(default_factory=dict)
    """How far off a coefficient may be because another law fits as well, in its own unit."""

    def index(self, term: str) -> int | None:
        """Position of a term's coefficient, None when the log does not show it."""
        return self.terms.index(term) if term in self.terms else None

    def value(self, term: str) -> float:
        """Coefficient of a term, 0 when the log does not show it."""
        at = self.index(term)
        return 0.0 if at is None else float(self.fit.coefficients[at])

    def doubt(self, term: str) -> float:
        """Half width of all that leaving out laps cannot show of a term, in its own unit."""
        return math.hypot(*self.doubts.get(term, {}).values())

    def gradient(self, **weights: float) -> FloatArray:
        """Row over the coefficients with the named weights; absent terms are passed over."""
        row = np.zeros(len(self.terms))
        for term, weight in weights.items():
            at = self.index(term)
            if at is not None:
                row[at] = weight
        return row

    def locking_torque(self, input_torque_nm: FloatArray) -> FloatArray:
        """What the packs hold or drag with at input torques told from their zero. [N m]"""
        return locking_torque(
            input_torque_nm,
            self.value(BREAKAWAY), self.value(DRIVE), self.value(OVERRUN), self.preload,
        )  # fmt: skip

    def curve(self, input_torque_nm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The law and half the width of its band at the given input torques. [N m]"""
        # The torque is told from its zero here, so the zero found with the law plays no part.
        settled = np.where(np.array(self.terms) == ZERO, 0.0, self.fit.coefficients)
        straight = np.zeros(len(input_torque_nm))
        shown, gradient = linearised(self.preload, self.terms, input_torque_nm, straight, settled)
        at = self.index(BREAKAWAY)
        springs = np.zeros(len(shown)) if at is None else gradient[:, at]
        gradient = np.where(np.array(self.terms) == ZERO, 0.0, gradient)
        squared = (self.doubt(BREAKAWAY) * springs) ** 2
        for term in (DRIVE, OVERRUN):
            at = self.index(term)
            if at is not None:
                squared = squared + (self.doubt(term) * gradient[:, at]) ** 2
        return shown, np.sqrt(self.fit.half_width(gradient) ** 2 + squared)

    def read_off(
        self, input_torque_nm: FloatArray, side: FloatArray, coefficients: FloatArray | None = None
    ) -> FloatArray:
        """What the sensors should read as ``-dT side``, shape (n,). [N m]

        Parameters
        ----------
        input_torque_nm : array, shape (n,)
        side : array, shape (n,)
            +1 where the left wheel is faster, -1 where the right one is.
        coefficients : array, shape (p,), optional
            Others than the fitted ones, such as a replicate.
        """
        chosen = self.fit.coefficients if coefficients is None else coefficients
        return linearised(self.preload, self.terms, input_torque_nm, side, chosen)[0]

    def slopes(self, input_torque_nm: FloatArray, side: FloatArray) -> FloatArray:
        """Change of that reading per change of each coefficient, shape (n, p)."""
        return linearised(self.preload, self.terms, input_torque_nm, side, self.fit.coefficients)[1]


def fit_lock_law(
    samples: SlidingSamples,
    gain_tolerance: float,
    zero_tolerance_nm: float,
    *,
    find_zero: bool = False,
) -> LockLaw:
    """The adding law of the packs from samples at which they slide.

    Parameters
    ----------
    samples : SlidingSamples
    gain_tolerance : float
        Two standard deviations of each torque sensor's gain. [1]
    zero_tolerance_nm : float
        Two standard deviations of the input torque's zero. [N m]
    find_zero : bool
        Whether the input torque's zero is unknown and to be found with the law.

    Raises
    ------
    TooFewClustersError
        If the samples lie in fewer than three laps or one lap holds all of a term.

    Notes
    -----
    Huber regression of ``-dT sign(dw)`` on ``1, T_in+, T_in-, sign(dw), sign(dw) T_in``, the last
    less what the gain does to the input torque (see `linearised`). The last two take up a zero and
    a gain by which the two torque sensors differ, since those change sign with the direction of the
    turn while friction does not. A gain common to both sensors scales the breakaway torque and
    leaves the lock ratios; a zero common to both shifts the breakaway torque by ``k`` times itself:
    neither shows in the scatter between laps, so both are added.

    A zero of the input torque that no standstill shows is in the law itself: it must be continuous
    where drive meets overrun. With separate intercepts ``b_d = T_pre - k_d o`` and
    ``b_o = T_pre + k_o o`` the zero is ``o = (b_o - b_d)/(k_d + k_o)``; derived here.
    """
    torque, side = samples.input_torque_nm, samples.faster_side
    columns = {BREAKAWAY: np.ones(len(torque))}
    missing = not_visited(samples)
    for term, part in ((DRIVE, torque), (OVERRUN, -torque)):
        if term not in missing:
            columns[term] = np.maximum(part, 0.0)
    if find_zero and not missing:
        columns[ZERO] = (torque < 0).astype(np.float64)
    if turns_both_ways(side):
        columns[OFFSET] = side
        columns[GAIN] = side * torque
    else:
        missing[OFFSET] = ONE_SIDED
    kept = where_described(torque, missing)
    terms = tuple(columns)
    response = samples.locking_torque_nm[kept]
    design = np.column_stack(list(columns.values()))[kept]
    if GAIN in terms:
        # How steep the law is has to be known for the gain's part in the input torque.
        rough = np.linalg.lstsq(design.T @ design, design.T @ response, rcond=None)[0]
        forces = tuple(term for term in terms if term not in (ZERO, OFFSET))
        at = np.array([rough[terms.index(term)] for term in forces])
        _, slopes = linearised(PreloadLaw.ADDING, forces, torque[kept], side[kept], at)
        design[:, terms.index(GAIN)] = slopes[:, forces.index(GAIN)]
    fit = fit_by_cluster(design, response, samples.lap[kept])
    if ZERO in terms:
        fit = replace(
            fit,
            coefficients=_continuous(fit.coefficients, terms),
            replicates=_continuous(fit.replicates, terms),
        )
        zero_tolerance_nm = 0.0
    return with_sensor_doubt(LockLaw(fit, terms, missing), gain_tolerance, zero_tolerance_nm)


def _continuous(coefficients: FloatArray, terms: tuple[str, ...]) -> FloatArray:
    """Coefficients of the law that is continuous at the input torque's zero, same shape.

    In: the intercept under drive, and the step from there to the one on overrun. Out: the breakaway
    torque, and the zero.
    """
    at, drive, overrun, step = (terms.index(term) for term in (BREAKAWAY, DRIVE, OVERRUN, ZERO))
    found = coefficients.copy()
    zero = coefficients[..., step] / (coefficients[..., drive] + coefficients[..., overrun])
    found[..., step] = zero
    found[..., at] = coefficients[..., at] + coefficients[..., drive] * zero
    return found


ONE_SIDED = "the faster wheel is nearly always on one side"


def not_visited(samples: SlidingSamples) -> dict[str, str]:
    """The sides of the law, drive or overrun, that the log does not show, with the reason."""
    missing: dict[str, str] = {}
    for term, part in ((DRIVE, samples.input_torque_nm), (OVERRUN, -samples.input_torque_nm)):
        seconds = samples.seconds(part > CLEAR_TORQUE_NM)
        if seconds < LEAST_SLIDING_S:
            missing[term] = f"the pack slides under {term} for only {seconds:.1f} s in this log"
    return missing


def turns_both_ways(side: FloatArray) -> bool:
    """Whether each wheel is the faster one often enough to tell the sensors' differences."""
    left_share = float(np.mean(side > 0))
    return min(left_share, 1 - left_share) >= _LEAST_SHARE_OF_A_TURN


def where_described(torque: FloatArray, missing: dict[str, str]) -> BoolArray:
    """Samples on the sides of the law that it has a term for."""
    kept = np.ones(len(torque), dtype=bool)
    if DRIVE in missing:
        kept &= torque <= CLEAR_TORQUE_NM
    if OVERRUN in missing:
        kept &= torque >= -CLEAR_TORQUE_NM
    return kept


def with_sensor_doubt(law: LockLaw, gain_tolerance: float, zero_tolerance_nm: float) -> LockLaw:
    """The law with what leaving out laps cannot show of its breakaway torque."""
    steepest = max(abs(law.value(DRIVE)), abs(law.value(OVERRUN)))
    # The mean gain of two independent sensors is known better than each by the square root of two.
    doubts = {GAIN_OF_BOTH: law.value(BREAKAWAY) * gain_tolerance / np.sqrt(2)}
    # Where the springs rule alone, the input torque and its zero play no part.
    if law.preload is PreloadLaw.ADDING:
        doubts[ZERO_OF_BOTH] = steepest * zero_tolerance_nm
    # Without both directions of turn the difference of the sensors' zeros stays in the law.
    if OFFSET in law.missing:
        doubts[ZERO_APART] = zero_tolerance_nm
    named = {name: abs(float(half)) for name, half in doubts.items()}
    return replace(law, doubts={**law.doubts, BREAKAWAY: named})


ZERO_OF_BOTH = "zero of both torques"
ZERO_APART = "zeros of the torques apart"


def interval_of(law: LockLaw, term: str, level: float = 0.95) -> float:
    """Half the width of a coefficient's interval, in the coefficient's unit."""
    statistical = float(law.fit.half_width(law.gradient(**{term: 1.0}), level))
    return float(np.hypot(statistical, law.doubt(term))) + law.undecided.get(term, 0.0)


def overrun_to_drive(law: LockLaw, level: float = 0.95) -> tuple[float, float]:
    """Lock ratio on overrun over that on drive, and half the width of its interval. [1]

    The interval comes from the ratio in each lap left out, so that what both share cancels;
    what all laps are off by alike, and what another preload law would make of it, comes on top.
    """
    drive, overrun = law.index(DRIVE), law.index(OVERRUN)
    if drive is None or overrun is None:
        msg = "both lock ratios are needed"
        raise ValueError(msg)
    ratios = law.fit.replicates[:, overrun] / law.fit.replicates[:, drive]
    count = len(ratios)
    variance = (count - 1) / count * float(np.sum((ratios - ratios.mean()) ** 2))
    half = student_t(count - 1, level) * float(np.sqrt(variance))
    per_drive = 1 / float(law.fit.coefficients[drive])
    ratio = float(law.fit.coefficients[overrun]) * per_drive
    if law.fit.shared is not None:
        row = per_drive * law.gradient(**{OVERRUN: 1.0, DRIVE: -ratio})
        variance = float(row @ law.fit.shared @ row)
        half = math.hypot(half, student_t(np.inf, level) * math.sqrt(variance))
    other_law = [law.undecided.get(OVERRUN, 0.0), ratio * law.undecided.get(DRIVE, 0.0)]
    return ratio, half + abs(per_drive) * math.hypot(*other_law)
