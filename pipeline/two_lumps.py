"""How warm plates and oil get: two lumps of heat, each step exact, and their conductances found.

The plates take the friction heat of the packs and give it to the oil; the housing with the oil
takes that and the loss of the final drive's gears and gives both to the air.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtbtrs

from pipeline.regression import student_t

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lumps:
    """What stores heat and what carries it away."""

    plates_jpk: float
    """Heat capacity of the plates. [J/K]"""
    housing_jpk: float
    """Heat capacity of housing and oil. [J/K]"""
    plates_to_oil_wpk: float
    still_air_wpk: float
    """Housing to air at a standstill. [W/K]"""
    moving_air_wpk_per_mps: float
    """What each m/s of the car's speed adds. [W/K per m/s]"""
    gear_loss: float
    """Share of the power through the final drive that warms its oil. [1]"""
    friction_share: float = 1.0
    """True friction power over that of the log. [1]"""

    def to_air_wpk(self, speed_mps: FloatArray) -> FloatArray:
        """Conductance from housing to air at each speed, same shape. [W/K]"""
        return self.still_air_wpk + self.moving_air_wpk_per_mps * np.abs(speed_mps)


@dataclass(frozen=True, slots=True)
class Load:
    """What warms and cools the lumps, held over each step; arrays of shape (m,)."""

    step_s: float
    friction_w: FloatArray
    """Friction power of the packs."""
    through_w: FloatArray
    """Power through the final drive, without sign."""
    speed_mps: FloatArray
    ambient_c: FloatArray


def averaged(values: FloatArray, samples: int) -> FloatArray:
    """Means of blocks of ``samples``, shape (n // samples,): energy stays what it was.

    A hole counts as the mean of what is left of its block; a block of holes only as 0.

    >>> averaged(np.array([1.0, 3.0, np.nan, 4.0, 9.0]), 2).tolist()
    [2.0, 4.0]
    """
    blocks = values[: len(values) // samples * samples].reshape(-1, samples)
    known = np.isfinite(blocks)
    sums = np.where(known, blocks, 0.0).sum(axis=1)
    return np.asarray(sums / np.maximum(known.sum(axis=1), 1))


def temperatures(
    lumps: Lumps, load: Load, start_plates_c: float, start_oil_c: float
) -> tuple[FloatArray, FloatArray]:
    """Temperature of the plates and of the oil at the end of each step, shape (m,) each. [degC]

    Notes
    -----
    ``C_p dtheta_p/dt = P - G (theta_p - theta_o)`` and
    ``C_o dtheta_o/dt = P_gear + G (theta_p - theta_o) - G_air(v) (theta_o - theta_air)``: balance
    of each lump, derived here. With inputs held over a step h the solution is exact,
    ``x(h) = exp(A h) x + int exp(A s) ds b``, by the formula of Sylvester for 2x2 matrices, so no
    step is too long to be stable. The recursion over the steps is a banded triangular system,
    which LAPACK solves in one go.
    """
    gear_w = lumps.gear_loss * load.through_w
    to_air = lumps.to_air_wpk(load.speed_mps)
    transition, integral = _step(lumps, to_air, load.step_s)
    plates_b = lumps.friction_share * load.friction_w / lumps.plates_jpk
    oil_b = (gear_w + to_air * load.ambient_c) / lumps.housing_jpk
    driven = np.stack(
        (
            integral[0, 0] * plates_b + integral[0, 1] * oil_b,
            integral[1, 0] * plates_b + integral[1, 1] * oil_b,
        ),
        axis=-1,
    )
    driven[0] += transition[:, :, 0] @ np.array([start_plates_c, start_oil_c])
    count = len(driven)
    band = np.zeros((4, 2 * count))
    band[0] = 1.0
    # Row 2k, the plates: columns 2k - 2 and 2k - 1; row 2k + 1, the oil: the same columns.
    band[2, 0:-2:2] = -transition[0, 0, 1:]
    band[1, 1:-2:2] = -transition[0, 1, 1:]
    band[3, 0:-2:2] = -transition[1, 0, 1:]
    band[2, 1:-2:2] = -transition[1, 1, 1:]
    solved, _ = dtbtrs(band, driven.reshape(-1, 1), uplo="L", diag="U")
    both = solved.reshape(count, 2)
    return both[:, 0], both[:, 1]


def _step(lumps: Lumps, to_air_wpk: FloatArray, step_s: float) -> tuple[FloatArray, FloatArray]:
    """``exp(A h)`` and ``int_0^h exp(A s) ds``, shape (2, 2, m) each."""
    plates = lumps.plates_to_oil_wpk / lumps.plates_jpk
    oil = lumps.plates_to_oil_wpk / lumps.housing_jpk
    out = oil + to_air_wpk / lumps.housing_jpk
    mean = -0.5 * (plates + out)
    apart = np.sqrt((0.5 * (plates - out)) ** 2 + plates * oil)
    # A less its mean; its square is apart^2.
    rest = np.empty((2, 2, len(out)))
    rest[0, 0], rest[0, 1] = -plates - mean, plates
    rest[1, 0], rest[1, 1] = oil, -out - mean
    unit = np.eye(2)[:, :, None]

    def of_matrix(function: Callable[[FloatArray], FloatArray], at_one: float) -> FloatArray:
        slow, fast = function(mean + apart), function(mean - apart)
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = np.where(apart * step_s > 1e-9, (slow - fast) / (2 * apart), at_one)
        return np.asarray(0.5 * (slow + fast) * unit + slope * rest)

    def held(rate: FloatArray) -> FloatArray:
        small = np.abs(rate) * step_s < 1e-12
        safe = np.where(small, 1.0, rate)
        return np.where(small, step_s, np.expm1(safe * step_s) / safe)

    return (
        of_matrix(lambda rate: np.exp(rate * step_s), step_s),
        of_matrix(held, 0.5 * step_s**2),
    )


def steady_oil_c(
    lumps: Lumps, friction_w: float, through_w: float, speed_mps: float, ambient_c: float
) -> float:
    """Oil temperature that a steady load ends at. [degC]

    >>> lumps = Lumps(800, 10_000, 70, 6, 0.4, 0.02)
    >>> steady_oil_c(lumps, friction_w=140.0, through_w=20_000.0, speed_mps=30.0, ambient_c=20.0)
    50.0
    """
    heat = lumps.friction_share * friction_w + lumps.gear_loss * through_w
    return ambient_c + heat / (lumps.still_air_wpk + lumps.moving_air_wpk_per_mps * speed_mps)


def oil_time_constant_s(lumps: Lumps, speed_mps: float) -> float:
    """How fast the oil comes near its steady temperature: capacity over conductance. [s]

    The plates follow the oil within seconds, so they count to the same capacity.
    """
    capacity = lumps.plates_jpk + lumps.housing_jpk
    return capacity / (lumps.still_air_wpk + lumps.moving_air_wpk_per_mps * speed_mps)


NAMES = tuple(field.name for field in fields(Lumps))


@dataclass(frozen=True, slots=True)
class HeatModel:
    """The lumps as they are known: logarithms of every number, with their covariance."""

    logs: FloatArray
    """Natural logarithms of the numbers of `Lumps`, in their order, shape (p,)."""
    covariance: FloatArray
    """Shape (p, p)."""
    blocks: int
    """Stretches of the log that the fit rests on; 0 where nothing was fitted."""

    @property
    def fitted(self) -> bool:
        """Whether a log's oil temperature has a part in it."""
        return self.blocks > 0

    @property
    def lumps(self) -> Lumps:
        """The likeliest numbers."""
        return lumps_at(self.logs)

    @property
    def quantile(self) -> float:
        """Half width of a 95 % interval in standard deviations."""
        return student_t(self.blocks - 1) if self.fitted else 1.96

    def half_width(self, function: Callable[[Lumps], FloatArray]) -> FloatArray:
        """95 % half width of what a function makes of the lumps, in its shape and unit."""
        step = 1e-3
        here = np.asarray(function(self.lumps), dtype=np.float64)
        slopes = [
            (function(lumps_at(self.logs + step * unit)) - here) / step
            for unit in np.eye(len(self.logs))
        ]
        stacked = np.stack(slopes, axis=-1)
        squared = np.einsum("...i,ij,...j->...", stacked, self.covariance, stacked)
        return np.asarray(self.quantile * np.sqrt(np.maximum(squared, 0.0)))


def lumps_at(logs: FloatArray) -> Lumps:
    """The lumps at these logarithms."""
    return Lumps(*np.exp(logs).tolist())


def assumed(low: Lumps, high: Lumps) -> HeatModel:
    """The model before any log: each number within its range, taken as a 95 % interval."""
    below, above = (np.log([getattr(each, name) for name in NAMES]) for each in (low, high))
    # A number without width is still known to a per cent only.
    spread = np.maximum((above - below) / (2 * 1.96), 0.005)
    return HeatModel(0.5 * (below + above), np.diag(spread**2), 0)


# Shorter than this, the oil has not moved enough to tell a conductance. Chosen by us.
LEAST_FIT_S = 240.0
_BLOCK_S = 60.0
# A thermometer in the oil follows within this; chosen by us.
_LONGEST_LAG_S = 40.0


def identified(prior: HeatModel, load: Load, oil_c: FloatArray) -> HeatModel:
    """The model with what a log's oil temperature says of it.

    Parameters
    ----------
    prior : HeatModel
        From the build sheet's ranges.
    load : Load
    oil_c : array, shape (m,)
        Measured oil temperature at each step; NaN where there is none. [degC]

    Raises
    ------
    ValueError
        If there is less than four minutes of it.

    Notes
    -----
    Maximum of the posterior: the measured temperature against the model seen through a first-order
    thermometer, plus the distance of each logarithm from its prior. Start temperature and the
    thermometer's lag are found on the way. What is left over hangs together over minutes, so its
    variance is taken from the means of one-minute blocks; the interval uses Student's t over the
    blocks.
    """
    # Not before it is needed, as in `_lagged`.
    from scipy.optimize import least_squares

    known = np.isfinite(oil_c)
    if np.count_nonzero(known) * load.step_s < LEAST_FIT_S:
        msg = f"less than {LEAST_FIT_S / 60:.0f} minutes of oil temperature"
        raise ValueError(msg)
    first = float(oil_c[known][0])
    p = len(prior.logs)
    weights = np.linalg.inv(np.linalg.cholesky(prior.covariance))

    def left_over(numbers: FloatArray) -> FloatArray:
        start, lag_s = numbers[p], numbers[p + 1]
        _, oil = temperatures(lumps_at(numbers[:p]), load, start, start)
        return np.asarray((_lagged(oil, lag_s, load.step_s, first) - oil_c)[known])

    scale = 1.0
    numbers = np.concatenate((prior.logs, [first, 5.0]))
    low = np.concatenate((prior.logs - 3.0, [first - 15.0, 0.0]))
    high = np.concatenate((prior.logs + 3.0, [first + 15.0, _LONGEST_LAG_S]))
    jacobian = np.empty((0, p + 2))
    for _ in range(3):

        def weighted(numbers: FloatArray, scale: float = scale) -> FloatArray:
            away = weights @ (numbers[:p] - prior.logs)
            return np.concatenate((left_over(numbers) / scale, away, [(numbers[p] - first) / 3.0]))

        numbers = np.clip(numbers, low + 1e-9, high - 1e-9)
        found = least_squares(weighted, numbers, bounds=(low, high), x_scale="jac", max_nfev=60)
        numbers, jacobian = found.x, found.jac
        scale = _scale(left_over(numbers), load.step_s)
    information = jacobian.T @ jacobian
    # The lag may stand at its limit, where nothing tells it.
    information += 1e-9 * np.diag(np.diag(information) + 1.0)
    covariance = np.asarray(np.linalg.inv(information)[:p, :p], dtype=np.float64)
    blocks = int(np.count_nonzero(known) * load.step_s / _BLOCK_S)
    return HeatModel(np.asarray(numbers[:p], dtype=np.float64), covariance, blocks)


def _lagged(oil_c: FloatArray, lag_s: float, step_s: float, first_c: float) -> FloatArray:
    """What a first-order thermometer shows that begins at ``first_c``, same shape."""
    # Not before it is needed: half a second, and few logs have an oil temperature.
    from scipy.signal import lfilter

    stays = math.exp(-step_s / max(lag_s, 1e-3))
    shown, _ = lfilter([1 - stays], [1, -stays], oil_c, zi=[stays * first_c])
    return np.asarray(shown)


def _scale(left_over: FloatArray, step_s: float) -> float:
    """Standard deviation that counts: that of block means, as if each step stood alone."""
    length = max(round(_BLOCK_S / step_s), 1)
    count = max(len(left_over) // length, 1)
    means = averaged(left_over, min(length, len(left_over)))[:count]
    plain = float(np.sqrt(np.mean(left_over**2)))
    blocked = float(np.sqrt(length * np.mean(means**2)))
    return max(plain, blocked, 1e-3)
