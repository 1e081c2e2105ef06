"""How much height the plate stack loses for the energy that it has turned into heat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.regression import student_t

FloatArray = NDArray[np.float64]

# Specific wear of sintered plates in oil, m3 for each N m of load times way. Nothing published
# could be read for these plates; the order is from memory and weak, so it only says "assumed".
ASSUMED_M3_PER_NM = (1e-16, 1e-15)


def stack_loss(
    energy_j: ArrayLike, wear_m3_per_nm: float, friction: float, face_area_m2: float
) -> FloatArray:
    """Height that both packs together have lost, same shape. [m]

    Parameters
    ----------
    energy_j : array
        Friction energy of both packs since they were built. [J]
    wear_m3_per_nm : float
        Volume lost for each N m of load times way. [m3/(N m)]
    friction : float
        Of the plates.
    face_area_m2 : float
        Of one friction face. [m2]

    Notes
    -----
    Archard: a face under force F loses ``V = k F L`` over a way L. Its friction energy is
    ``mu F L``, so ``V = (k/mu) E``: force and way need not be known. Each of N faces takes an equal
    share of the energy and loses ``V/A``, so N cancels; derived here.

    Source: Archard, J. Appl. Phys. 24 (1953) 981.

    >>> round(1e6 * float(stack_loss(60_000.0, 1e-15, 0.1, 4948e-6)), 3)
    0.121
    """
    energy = np.asarray(energy_j, dtype=np.float64)
    return np.asarray(wear_m3_per_nm / friction * energy / face_area_m2)


@dataclass(frozen=True, slots=True)
class WearRate:
    """Height lost for each joule, with its 95 % interval. [m/J]"""

    value: float
    low: float
    high: float
    strips: int
    """Strip-downs that it was found from."""
    trends: int = 0
    """Courses of the washers' force that it was found from."""

    @property
    def assumed(self) -> bool:
        """Whether neither a strip-down nor a log has a part in it."""
        return self.strips == self.trends == 0

    def energy_left_j(self, lost_m: float, limit_m: float) -> tuple[float, float]:
        """Energy until the limit, least and most; the most is infinite without clear wear. [J]"""
        left = max(limit_m - lost_m, 0.0)
        return left / self.high, (left / self.low if self.low > 0 else np.inf)


def assumed_rate(friction: tuple[float, float], face_area_m2: float) -> WearRate:
    """Wear before any strip-down: an order of size, nothing more. [m/J]"""
    ends = [
        wear / mu / face_area_m2
        for wear, mu in zip(ASSUMED_M3_PER_NM, reversed(friction), strict=True)
    ]
    return WearRate(float(np.sqrt(ends[0] * ends[1])), ends[0], ends[1], 0)


def found_rate(energy_j: ArrayLike, loss_m: ArrayLike, measured_to_m: float) -> WearRate:
    """Wear from measured stack heights at strip-downs. [m/J]

    Parameters
    ----------
    energy_j, loss_m : array, shape (n,)
        Energy since the build and height lost at each strip-down.
    measured_to_m : float
        Standard deviation of a measured height. [m]

    Raises
    ------
    ValueError
        If there is none, or one without energy.

    Notes
    -----
    Least squares through the origin, ``r = sum(E d)/sum(E^2)``. With one strip-down the interval is
    that of the measurement, with more the greater of it and of their scatter.
    """
    energy, loss = (np.atleast_1d(np.asarray(x, dtype=np.float64)) for x in (energy_j, loss_m))
    if len(energy) == 0 or np.any(energy <= 0):
        msg = "a strip-down needs the energy since the build"
        raise ValueError(msg)
    rate = float(energy @ loss / (energy @ energy))
    error, quantile = measured_to_m, 1.96
    if len(energy) > 1:
        freedom = len(energy) - 1
        scatter = float(np.sqrt(np.sum((loss - rate * energy) ** 2) / freedom))
        if scatter > error:
            error, quantile = scatter, student_t(freedom)
    half = quantile * error / float(np.sqrt(energy @ energy))
    return WearRate(rate, rate - half, rate + half, len(energy))


def together(rates: Sequence[WearRate]) -> WearRate:
    """What strip-downs and logs say together, each weighted by its own interval. [m/J]

    Notes
    -----
    Inverse-variance mean, as of independent measurements; where they scatter by more than their
    intervals, the interval grows by the Birge ratio.

    Source: Birge, Phys. Rev. 40 (1932) 207, from memory, not read again.
    """
    value = np.array([rate.value for rate in rates])
    half = np.array([0.5 * (rate.high - rate.low) for rate in rates])
    weight = half**-2.0
    mean = float(weight @ value / weight.sum())
    wide = 1.0
    if len(rates) > 1:
        birge = weight @ (value - mean) ** 2 / (len(rates) - 1) * 1.96**2
        wide = max(1.0, float(np.sqrt(birge)))
    reach = wide / float(np.sqrt(weight.sum()))
    strips, trends = (sum(getattr(rate, each) for rate in rates) for each in ("strips", "trends"))
    return WearRate(mean, mean - reach, mean + reach, strips, trends)
