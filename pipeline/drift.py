"""Whether a quantity drifts along its exposure, from values that carry intervals of their own.

A straight line through one value per session. A session is weighted by its own variance and by the
scatter between sessions beyond it, and one that lies far off is held back. Sessions of one test
day share track, weather and tyres, so where a day holds several of them the day is the unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtr

from pipeline.regression import student_t

FloatArray = NDArray[np.float64]

FEWEST_UNITS = 4
"""Three points and a line through them leave nothing to judge the line by."""
# Huber's constant, as in `regression`.
_HUBER = 1.345
# Mean square of a standard normal variable held back at that constant.
_HUBER_SQUARES: float = float(
    2 * ndtr(_HUBER)
    - 1
    - 2 * _HUBER * np.exp(-0.5 * _HUBER**2) / np.sqrt(2 * np.pi)
    + 2 * _HUBER**2 * ndtr(-_HUBER)
)
_MOST_STEPS = 30
_SAME_WEIGHT = 1e-5
# The correction of a robust variance divides by the share of points inside; fewer points inside
# than this are no line any more.
_LEAST_INSIDE = 0.3


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line along exposure, ``level + slope (x - centre)``, with its covariance."""

    centre: float
    level: float
    slope: float
    covariance: FloatArray
    """Of level and slope, shape (2, 2)."""
    scatter: float
    """Standard deviation between units beyond their own intervals."""
    units: int

    @property
    def degrees_of_freedom(self) -> int:
        """Units beyond the two that a line needs."""
        return self.units - 2

    @property
    def slope_p(self) -> float:
        """Two-sided probability of a slope as far from zero when there is none."""
        t = abs(self.slope) / float(np.sqrt(self.covariance[1, 1]))
        return float(2 * stdtr(self.degrees_of_freedom, -t))

    def reaches(self, limit: float, level: float = 0.95) -> tuple[float, float]:
        """First and last exposure, ahead of the centre, at which the line may stand at a limit.

        Notes
        -----
        Where the limit lies inside the line's own band (Fieller, Biometrika 32, 1940, 69; from
        memory). Infinite where the band never comes there; both infinite when the line, within
        its interval, leads away from the limit for good.
        """
        t = student_t(self.degrees_of_freedom, level)
        gap = self.level - limit
        variance, crossed, slope_variance = (
            self.covariance[0, 0], self.covariance[0, 1], self.covariance[1, 1],
        )  # fmt: skip
        # (gap + slope u)^2 = t^2 (var + 2 cov u + slope_var u^2), u from the centre.
        square = self.slope**2 - t**2 * slope_variance
        linear = 2 * (self.slope * gap - t**2 * crossed)
        constant = gap**2 - t**2 * variance
        if constant <= 0:
            return self.centre, self._leaves(square, linear, constant)
        roots = np.roots([square, linear, constant]) if square else np.array([-constant / linear])
        ahead = sorted(float(u.real) for u in roots if abs(u.imag) < 1e-12 and u.real > 0)
        if not ahead:
            return float("inf"), float("inf")
        last = self.centre + ahead[1] if len(ahead) > 1 else float("inf")
        return self.centre + ahead[0], last

    def _leaves(self, square: float, linear: float, constant: float) -> float:
        ahead = [float(u.real) for u in np.roots([square, linear, constant]) if u.real > 0]
        return self.centre + max(ahead) if square > 0 and ahead else float("inf")

    def at(self, exposure: float, level: float = 0.95) -> tuple[float, float]:
        """Height of the line at an exposure, and half the width of its interval."""
        row = np.array([1.0, exposure - self.centre])
        half = student_t(self.degrees_of_freedom, level) * np.sqrt(row @ self.covariance @ row)
        return self.level + self.slope * (exposure - self.centre), float(half)

    def slope_half_width(self, level: float = 0.95) -> float:
        """Half the width of the slope's interval."""
        half = student_t(self.degrees_of_freedom, level) * np.sqrt(self.covariance[1, 1])
        return float(half)


class TooFewUnitsError(ValueError):
    """The values lie in too few sessions or days, or all at one exposure."""


def straight_line(exposure: FloatArray, value: FloatArray, sd: FloatArray) -> Line:
    """The line through values of different sureness, robust against a single odd one.

    Parameters
    ----------
    exposure, value : array, shape (n,)
    sd : array, shape (n,)
        Standard deviation of each value, from its own interval; zero is allowed.

    Raises
    ------
    TooFewUnitsError
        If there are fewer than four values or they all stand at one exposure.

    Notes
    -----
    Random-effects regression: the scatter between units is the moment estimate of Paule & Mandel
    (J. Res. Nat. Bur. Stand. 87, 1982, 377) with far residuals held back, the line is Huber's, its
    covariance is the sandwich of a Huber fit with the correction for few points (Huber, Robust
    Statistics, 1981, sec. 7.6; from memory), never smaller than what the values' own intervals
    allow, and intervals use Student's t (Knapp & Hartung, Stat. Med. 22, 2003, 2693; from memory).
    """
    n = len(value)
    if n < FEWEST_UNITS:
        msg = f"{n} of the {FEWEST_UNITS} at least that a course needs"
        raise TooFewUnitsError(msg)
    centre = float(np.mean(exposure))
    design = np.column_stack((np.ones(n), exposure - centre))
    spread = float(np.ptp(exposure))
    if spread <= 1e-9 * max(1.0, abs(centre)):
        msg = "no energy lies between them"
        raise TooFewUnitsError(msg)
    own = np.square(sd) + (1e-9 * max(1e-12, float(np.max(np.abs(value))))) ** 2
    between = _between_variance(design, value, own)
    total = own + between
    coefficients, score = _huber_line(design, value, total)
    share = max(float(np.mean(np.abs(score) < _HUBER)), _LEAST_INSIDE)
    few = 1 + 2 / n * (1 - share) / share
    inflation = max(1.0, few**2 * float(score @ score) / (n - 2) / share**2)
    weighted = design / np.sqrt(total)[:, None]
    covariance = np.asarray(inflation * np.linalg.inv(weighted.T @ weighted), dtype=np.float64)
    return Line(
        centre, float(coefficients[0]), float(coefficients[1]),
        covariance, float(np.sqrt(between)), n,
    )  # fmt: skip


def _between_variance(design: FloatArray, value: FloatArray, own: FloatArray) -> float:
    """Variance between units for which the held-back residuals are as large as they should be."""
    freedom = len(value) - len(design[0])

    def excess(between: float) -> float:
        _, score = _huber_line(design, value, own + between)
        return float(score @ score) - freedom * _HUBER_SQUARES

    if excess(0.0) <= 0:
        return 0.0
    # Not before it is needed: its import takes a third of a second, and `add` looks at the season.
    from scipy.optimize import brentq

    high = max(float(np.var(value)), 1e-300)
    while excess(high) > 0:
        high *= 4
    return float(brentq(excess, 0.0, high, rtol=1e-4))


def _huber_line(
    design: FloatArray, value: FloatArray, variance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Huber fit with known variances: coefficients, and the held-back scaled residuals."""
    root = np.sqrt(variance)
    one, along, scaled = 1 / root, design[:, 1] / root, value / root
    # Sums of these, weighted, are the two normal equations.
    products = np.stack((one * one, one * along, along * along, one * scaled, along * scaled))
    weight = np.ones(len(value))
    level, slope, residual = 0.0, 0.0, scaled
    for _ in range(_MOST_STEPS):
        ones, cross, squares, first, second = (products @ weight).tolist()
        determinant = ones * squares - cross * cross
        level = (squares * first - cross * second) / determinant
        slope = (ones * second - cross * first) / determinant
        residual = scaled - level * one - slope * along
        before = weight
        weight = np.minimum(1.0, _HUBER / np.maximum(np.abs(residual), 1e-12))
        if float(np.max(np.abs(weight - before))) < _SAME_WEIGHT:
            break
    return np.array([level, slope]), np.clip(residual, -_HUBER, _HUBER)


def by_unit(
    exposure: FloatArray, value: FloatArray, sd: FloatArray, unit: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean exposure, mean value and its standard deviation of each unit (a test day), in order.

    >>> by_unit(
    ...     np.array([1.0, 3.0]), np.array([10.0, 12.0]), np.array([3.0, 4.0]), np.array([0, 0])
    ... )
    (array([2.]), array([11.]), array([2.5]))
    """
    _, place = np.unique(unit, return_inverse=True)
    count = np.bincount(place)
    return (
        np.bincount(place, exposure) / count,
        np.bincount(place, value) / count,
        np.sqrt(np.bincount(place, np.square(sd))) / count,
    )


@dataclass(frozen=True, slots=True)
class Break:
    """Where a step describes the values better than no change at all, and how likely by chance."""

    after: int
    """The step lies between this value, counted from 0, and the next."""
    step: float
    p: float


def single_break(value: FloatArray, sd: FloatArray, *, rng: np.random.Generator) -> Break | None:
    """The likeliest single step in values that otherwise stay; None with fewer than six of them.

    Parameters
    ----------
    value : array, shape (n,)
        In order of time, a drift taken out where there is one.
    sd : array, shape (n,)

    Notes
    -----
    The split with the smallest weighted sum of squares (Hinkley, Biometrika 57, 1970, 1; from
    memory). How likely so large a gain is by chance comes from shuffling the values (999 times):
    the best of all splits always gains something.
    """
    n = len(value)
    if n < 6:
        return None
    weight = 1 / (np.square(sd) + np.var(value) + 1e-300)
    order = np.array([np.arange(n), *(rng.permutation(n) for _ in range(999))])
    gains = _split_gains(value[order], weight[order])
    best = gains.max(axis=1)
    after = int(np.argmax(gains[0]))
    left, right = slice(0, after + 1), slice(after + 1, n)
    step = np.average(value[right], weights=weight[right]) - np.average(
        value[left], weights=weight[left]
    )
    return Break(after, float(step), float(np.mean(best >= best[0])))


def _split_gains(value: FloatArray, weight: FloatArray) -> FloatArray:
    """What a step after each value but the last takes off the weighted squares, shape (m, n-1)."""
    sums = np.cumsum(weight * value, axis=1)
    weights = np.cumsum(weight, axis=1)
    left_sum, left_weight = sums[:, :-1], weights[:, :-1]
    right_sum, right_weight = sums[:, -1:] - left_sum, weights[:, -1:] - left_weight
    gain = left_sum**2 / left_weight + right_sum**2 / right_weight
    return np.asarray(gain - sums[:, -1:] ** 2 / weights[:, -1:])
