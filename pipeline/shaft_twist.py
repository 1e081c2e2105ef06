"""How much the half-shafts twist, and how far apart the differential's own flanges turn."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import SMOOTH_S, odd_samples
from pipeline.estimate import Bound, Estimate, Grade, Missing, SessionAnswer, Side
from pipeline.regression import TooFewClustersError, fit_by_cluster
from pipeline.runs import mean_at
from pipeline.torque import ShaftTorque

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

# Wheels that turn so nearly alike are held, or all but; what slides is an outlier to the fit.
_HELD_RADPS = 1.0
# Stiffer than 100 kN m/rad no half-shaft shows. Chosen by us.
_LEAST_COMPLIANCE = 1e-5
_MOST_SAMPLES = 100_000
# Speeds are corrected for a twist that is claimed, so of stiff shafts one log in a thousand may
# claim one. Chosen by us.
_SURE = 0.998
# Damping in the shafts and toothed wheels shift the answer by 1 to 2 % on simulated logs.
_MODEL_DOUBT = 0.03
LOSS_FACTOR = 0.05
"""Of a half-shaft with its joints, give or take as much. Metals lose 0.1 to 1 % of what they store,
polymers such as rubber couplings 1 to 200 % (Gerdeen and Rorrer, Engineering Design with Polymers
and Composites, 2nd ed., ch. 12, abstract read); joints between them chosen by us. [1]"""


@dataclass(frozen=True, slots=True)
class Twist:
    """Compliance of one half-shaft. [rad/(N m)]"""

    compliance: float
    low: float
    high: float
    clusters: int
    sure: float
    """Lower end at the level from which twist is believed."""

    @property
    def shows(self) -> bool:
        """Whether the shafts clearly twist."""
        return self.sure > 0 and self.compliance > _LEAST_COMPLIANCE


def shaft_loss_power(difference_nm: FloatArray, compliance: float, rate_hz: float) -> FloatArray:
    """Power that twisting half-shafts and their joints turn into heat, shape (n,). [W]

    Parameters
    ----------
    difference_nm : array, shape (n,)
        Left minus right half-shaft torque, holes filled. [N m]
    compliance : float
        Of one half-shaft. [rad/(N m)]
    rate_hz : float

    Notes
    -----
    Derived here. Between flanges and wheels, torques and wheel speeds do not tell the packs' heat
    from the shafts'. A shaft that swings by a torque amplitude ``T`` stores ``T^2 / (2 c)`` and
    loses ``2 pi`` times its loss factor of that in each cycle, so ``loss factor x omega T^2/(2 c)``
    a second; each of two shafts carries half of the difference. A signal whose spectrum is
    multiplied by the root of omega has ``omega T^2`` as its square.

    >>> swing = 400.0 * np.sin(2 * np.pi * 10 * np.arange(1000) / 100)
    >>> round(float(shaft_loss_power(swing, 1 / 4000, 100.0).mean()), 1)
    31.4
    """
    length = 1 << (len(difference_nm) - 1).bit_length()
    spectrum = np.fft.rfft(difference_nm, length)
    omega = 2 * np.pi * np.fft.rfftfreq(length, 1 / rate_hz)
    half_derivative = np.fft.irfft(spectrum * np.sqrt(omega), length)[: len(difference_nm)]
    return np.asarray(0.5 * LOSS_FACTOR * compliance * half_derivative**2)


def rate_of_difference(torque: ShaftTorque, rate_hz: float, at: IndexArray) -> FloatArray:
    """How fast left minus right half-shaft torque changes at some samples, averaged. [N m/s]

    NaN where the log does not reach far enough.
    """
    window = odd_samples(SMOOTH_S, rate_hz)
    half, n = window // 2, len(torque.left_nm)
    if not half:
        return np.full(len(at), np.nan)

    def averaged(at: IndexArray) -> FloatArray:
        return mean_at(torque.left_nm, window, at) - mean_at(torque.right_nm, window, at)

    within = (at >= half) & (at < n - half)
    before, after = np.maximum(at - half, 0), np.minimum(at + half, n - 1)
    rate = (averaged(after) - averaged(before)) * rate_hz / (2 * half)
    return np.where(within, rate, np.nan)


def fit_twist(
    difference_radps: FloatArray,
    torque: ShaftTorque,
    usable: BoolArray,
    cluster: IndexArray,
    rate_hz: float,
) -> Twist | str:
    """Compliance of the half-shafts from wheels whose axle is held, or why it is not known.

    Parameters
    ----------
    difference_radps : array, shape (n,)
        Left minus right wheel speed, averaged. [rad/s]
    torque : ShaftTorque
        Arrays of shape (n,).
    usable : array of bool, shape (n,)
    cluster : array of int, shape (n,)
        -1 where a sample counts nowhere.
    rate_hz : float

    Notes
    -----
    Derived here. A shaft of stiffness c carries ``T = c (flange angle - wheel angle)``, so a wheel
    turns at its flange's speed less ``dT/dt / c``. While the packs hold, both flanges turn alike,
    and what is left of the wheels' difference is ``-(d(T_L - T_R)/dt) / c``. A Huber regression
    does not heed the samples at which the packs slide.
    """
    with np.errstate(invalid="ignore"):
        held = usable & (cluster >= 0) & (np.abs(difference_radps) < _HELD_RADPS)
    at = np.flatnonzero(held)
    at = at[:: 1 + len(at) // _MOST_SAMPLES]
    rate = rate_of_difference(torque, rate_hz, at)
    at, rate = at[np.isfinite(rate)], rate[np.isfinite(rate)]
    design = np.column_stack((np.ones(len(at)), -rate))
    try:
        fit = fit_by_cluster(design, difference_radps[at], cluster[at])
    except TooFewClustersError as problem:
        return str(problem)
    value, row = float(fit.coefficients[1]), np.array([0.0, 1.0])
    half, sure = (
        math.hypot(float(fit.half_width(row, level)), _MODEL_DOUBT * value)
        for level in (0.95, _SURE)
    )
    return Twist(value, value - half, value + half, fit.clusters, value - sure)


def stiffness_answer(twist: Twist | str, grade: Grade, units: str) -> SessionAnswer:
    """Stiffness of one half-shaft, or at least how stiff it is. [N m/rad]"""
    if isinstance(twist, str):
        return Missing(twist)
    method = f"wheel speeds against the torques' change while the packs hold; {units} left out"
    if twist.shows:
        return Estimate(
            1 / twist.compliance, 1 / twist.high, 1 / twist.low, "N m/rad", twist.clusters, grade,
            f"{method} one by one; taken out of the speeds that tell whether the packs slide",
        )  # fmt: skip
    least = 1 / max(twist.high, _LEAST_COMPLIANCE)
    return Bound(Side.AT_LEAST, least, "N m/rad", twist.clusters, grade, f"{method} one by one")
