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
# A single odd value at the end is no step.
_LEAST_BESIDE = 2
_FEWEST_FOR_A_STEP = 6
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
    effects: FloatArray
    """What one of each column that was taken out does to the value, shape (k,)."""
    effects_sd: FloatArray

    @property
    def degrees_of_freedom(self) -> int:
        """Units beyond those that the line and what was taken out need."""
        return self.units - 2 - len(self.effects)

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

    def said_of(self, units: str) -> str:
        """The reason in a sentence about units of this name."""
        reason: str = self.args[0]
        return reason.format(units=units)


def straight_line(
    exposure: FloatArray, value: FloatArray, sd: FloatArray, beside: FloatArray | None = None
) -> Line:
    """The line through values of different sureness, robust against a single odd one.

    Parameters
    ----------
    exposure, value : array, shape (n,)
    sd : array, shape (n,)
        Standard deviation of each value, from its own interval; zero is allowed.
    beside : array, shape (n, k), optional
        What else differed from unit to unit, each column of mean zero; fitted along and taken out.

    Raises
    ------
    TooFewUnitsError
        If there are too few values for the line, or they all stand at one exposure.

    Notes
    -----
    Random-effects regression: the scatter between units is the moment estimate of Paule & Mandel
    (J. Res. Nat. Bur. Stand. 87, 1982, 377) with far residuals held back, the line is Huber's, its
    covariance is the sandwich of a Huber fit with the correction for few points (Huber, Robust
    Statistics, 1981, sec. 7.6; from memory), never smaller than what the values' own intervals
    allow, and intervals use Student's t (Knapp & Hartung, Stat. Med. 22, 2003, 2693; from memory).
    """
    n = len(value)
    beside = np.empty((n, 0)) if beside is None else beside
    columns = 2 + beside.shape[1]
    if n < columns + FEWEST_UNITS - 2:
        msg = f"a course needs {columns + FEWEST_UNITS - 2} {{units}}, and there are {n}"
        raise TooFewUnitsError(msg)
    centre = float(np.mean(exposure))
    spread = float(np.ptp(exposure))
    if spread <= 1e-9 * max(1.0, abs(centre)):
        msg = "no energy lies between the {units}"
        raise TooFewUnitsError(msg)
    design = np.column_stack((np.ones(n), exposure - centre, beside))
    own = np.square(sd) + (1e-9 * max(1e-12, float(np.max(np.abs(value))))) ** 2
    between = _between_variance(design, value, own)
    total = own + between
    coefficients, score = _huber_fit(design, value, total)
    share = max(float(np.mean(np.abs(score) < _HUBER)), _LEAST_INSIDE)
    few = 1 + columns / n * (1 - share) / share
    inflation = max(1.0, few**2 * float(score @ score) / (n - columns) / share**2)
    weighted = design / np.sqrt(total)[:, None]
    covariance = np.asarray(inflation * np.linalg.inv(weighted.T @ weighted), dtype=np.float64)
    return Line(
        centre, float(coefficients[0]), float(coefficients[1]), covariance[:2, :2],
        float(np.sqrt(between)), n, coefficients[2:], np.sqrt(np.diag(covariance)[2:]),
    )  # fmt: skip


def _between_variance(design: FloatArray, value: FloatArray, own: FloatArray) -> float:
    """Variance between units for which the held-back residuals are as large as they should be."""
    freedom = len(value) - len(design[0])

    def excess(between: float) -> float:
        _, score = _huber_fit(design, value, own + between)
        return float(score @ score) - freedom * _HUBER_SQUARES

    if excess(0.0) <= 0:
        return 0.0
    # Not before it is needed: its import takes a third of a second, and `add` looks at the season.
    from scipy.optimize import brentq

    high = max(float(np.var(value)), 1e-300)
    while excess(high) > 0:
        high *= 4
    return float(brentq(excess, 0.0, high, rtol=1e-4))


def _huber_fit(
    design: FloatArray, value: FloatArray, variance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Huber fit with known variances: coefficients, and the held-back scaled residuals."""
    root = np.sqrt(variance)
    scaled, target = design / root[:, None], value / root
    # Columns of one size keep the normal equations sound.
    size = np.sqrt(np.einsum("ij,ij->j", scaled, scaled))
    scaled = scaled / size
    weight = np.ones(len(value))
    coefficients, residual = np.zeros(len(size)), target
    for _ in range(_MOST_STEPS):
        weighted = scaled.T * weight
        coefficients = np.linalg.solve(weighted @ scaled, weighted @ target)
        residual = target - scaled @ coefficients
        before = weight
        weight = np.minimum(1.0, _HUBER / np.maximum(np.abs(residual), 1e-12))
        if float(np.max(np.abs(weight - before))) < _SAME_WEIGHT:
            break
    return coefficients / size, np.clip(residual, -_HUBER, _HUBER)


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
    """Where a step describes the values best, how likely by chance, and whether a line does too."""

    after: int
    """The step lies between this value, counted from 0, and the next."""
    step: float
    sd: float
    """Standard deviation of the step."""
    p: float
    over_line: float
    """Logarithm of the likelihood of the step over that of a straight line."""


def single_break(
    exposure: FloatArray, value: FloatArray, sd: FloatArray, beside: FloatArray | None = None
) -> Break | None:
    """The likeliest single step in values that otherwise stay; None with fewer than six of them.

    Parameters
    ----------
    exposure : array, shape (n,)
        Along which a drift would run.
    value : array, shape (n,)
        In order of time.
    sd : array, shape (n,)
    beside : array, shape (n, k), optional
        What else differed from unit to unit, fitted along with the step.

    Notes
    -----
    The split with the smallest weighted sum of squares (Hinkley, Biometrika 57, 1970, 1; from
    memory), at least two values on either side. The best of all splits always gains something: p is
    that of Student's t at this split times the number of splits (Bonferroni), which is never below
    the true one. Line and step have as many coefficients, so that their likelihoods compare.
    """
    n = len(value)
    fits = _Steps.of(value, sd, beside)
    if n < _FEWEST_FOR_A_STEP or fits.freedom < FEWEST_UNITS - 2:
        return None
    inner = slice(_LEAST_BESIDE - 1, n - _LEAST_BESIDE)
    best = _LEAST_BESIDE - 1 + int(np.argmax(fits.gain[inner]))
    step, sd_of_step = fits.at(best)
    splits = n + 1 - 2 * _LEAST_BESIDE
    along = fits.left_by(exposure)
    return Break(
        after=best,
        step=step,
        sd=sd_of_step,
        p=min(1.0, splits * 2 * float(stdtr(fits.freedom, -abs(step) / sd_of_step))),
        over_line=0.5 * n * float(np.log(max(along, 1e-300) / fits.left(best))),
    )


def step_at(
    value: FloatArray, sd: FloatArray, after: int, beside: FloatArray | None = None
) -> tuple[float, float]:
    """Size and standard deviation of a step that is known to lie after a value."""
    return _Steps.of(value, sd, beside).at(after)


@dataclass(frozen=True, slots=True)
class _Steps:
    """Every step that values may hold, weighted and freed of level and what else differed."""

    base: FloatArray
    """Orthonormal columns of what they were freed of."""
    root: FloatArray
    target: FloatArray
    products: FloatArray
    """Of each step with the values, shape (n - 1,)."""
    sizes: FloatArray
    freedom: int

    @staticmethod
    def of(value: FloatArray, sd: FloatArray, beside: FloatArray | None) -> _Steps:
        n = len(value)
        root = 1 / np.sqrt(np.square(sd) + np.var(value) + 1e-300)
        columns = np.ones((n, 1)) if beside is None else np.column_stack((np.ones(n), beside))
        base = np.linalg.qr(columns * root[:, None])[0]
        target = _freed(value * root, base)
        steps = _freed((np.arange(n)[:, None] > np.arange(n - 1)) * root[:, None], base)
        products, sizes = steps.T @ target, np.einsum("ij,ij->j", steps, steps)
        return _Steps(base, root, target, products, sizes, n - 1 - columns.shape[1])

    @property
    def gain(self) -> FloatArray:
        """What each step takes off the squares; none where it is no step of its own."""
        own = self.sizes > 1e-9 * float(np.max(self.sizes))
        return np.where(own, np.square(self.products) / np.where(own, self.sizes, 1.0), 0.0)

    def left(self, after: int) -> float:
        """The squares that a step leaves."""
        squares = float(self.target @ self.target)
        return max(squares - float(self.gain[after]), 1e-12 * squares, 1e-300)

    def left_by(self, exposure: FloatArray) -> float:
        """The squares that a straight line leaves."""
        along = _freed((exposure - np.mean(exposure)) * self.root, self.base)
        taken = float(along @ self.target) ** 2 / max(float(along @ along), 1e-300)
        return float(self.target @ self.target) - taken

    def at(self, after: int) -> tuple[float, float]:
        """A step's size and its standard deviation."""
        size = max(float(self.sizes[after]), 1e-300)
        variance = self.left(after) / self.freedom / size
        return float(self.products[after]) / size, float(np.sqrt(variance))


def _freed(columns: FloatArray, base: FloatArray) -> FloatArray:
    return np.asarray(columns - base @ (base.T @ columns))
