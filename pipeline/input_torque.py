"""How large the torque at the ring gear is, how well it is known, and from which evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import Sensors
from pipeline.estimate import Grade
from pipeline.runs import bridge, widen
from pipeline.torque import ShaftTorque, Zero, zero_at_standstill

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Slopes are taken over these windows. A wheel that runs away changes its speed within a tenth of a
# second, the car does not. On simulated logs shorter windows gain nothing against their noise.
WHEEL_WINDOW_S = 0.10
CAR_WINDOW_S = 0.15


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How much one input leaves open in the input torque; 95 % half widths."""

    name: str
    gain: float
    """As a share of the input torque. [1]"""
    zero_nm: float


@dataclass(frozen=True, slots=True)
class InputTorque:
    """Torque at the ring gear, > 0 drives the car forward; arrays of shape (n,)."""

    torque_nm: FloatArray
    """Also where it is not usable, for telling drive from overrun; NaN where nothing is known."""
    usable: BoolArray
    """Samples that a law may rest on; no shift, no slipping clutch."""
    tolerances: tuple[Tolerance, ...]
    zero: Zero | None
    """What the source reads without torque, already taken out; None where it cannot be asked."""
    grade: Grade
    source: str
    notes: tuple[str, ...]
    """What was assumed or found on the way, in words."""
    channels: tuple[str, ...] = ()
    """Torque channels that it comes from; none where the car's acceleration tells it."""

    @property
    def gain_tolerance(self) -> float:
        """All gains together: 95 % half width as a share. [1]"""
        return math.hypot(*(each.gain for each in self.tolerances))

    @property
    def zero_tolerance_nm(self) -> float:
        """All zeros together: 95 % half width. [N m]"""
        return math.hypot(*(each.zero_nm for each in self.tolerances))


@dataclass(frozen=True, slots=True)
class Running:
    """What the input torque is worked out from; arrays of shape (n,), an absent signal None."""

    rate_hz: float
    case_radps: FloatArray
    """Mean of the driven wheels' speeds. [rad/s]"""
    speed_mps: FloatArray
    standing: BoolArray
    brakes_off: BoolArray
    brakes_known: bool
    speed_is_independent: bool
    yaw_rate_radps: FloatArray | None
    channels: Mapping[str, FloatArray]


def from_shafts(torque: ShaftTorque, zeros: tuple[Zero, ...], sensors: Sensors) -> InputTorque:
    """Input torque as the sum of both half-shaft torques."""
    drift = sensors.shaft_torque_offset_tolerance_nm
    halves = [zero.half_width_nm if zero.known else drift for zero in zeros] or [drift, drift]
    total = torque.input_nm
    return InputTorque(
        torque_nm=total,
        usable=np.isfinite(total),
        # Two independent gains on two like parts of the sum.
        tolerances=(
            Tolerance("gain of the half-shaft torques",
                      sensors.shaft_torque_gain_tolerance / math.sqrt(2), 0.0),
            Tolerance("zero of the half-shaft torques", 0.0, math.hypot(*halves)),
        ),
        zero=None,
        grade=Grade.MEASURED,
        source="sum of both half-shaft torques",
        notes=(),
        channels=("shaft_torque_left_nm", "shaft_torque_right_nm"),
    )  # fmt: skip


def from_ring_gear(running: Running, ring_nm: FloatArray, sensors: Sensors) -> InputTorque:
    """Input torque from a channel of its own, zeroed where the car stands."""
    zero = zero_at_standstill(ring_nm, running.standing, running.rate_hz)
    left = zero.half_width_nm if zero.known else sensors.input_torque_offset_tolerance_nm
    torque = ring_nm - zero.offset_nm
    return InputTorque(
        torque_nm=torque,
        usable=np.isfinite(torque),
        tolerances=(
            Tolerance("gain of the input torque", sensors.input_torque_gain_tolerance, 0.0),
            Tolerance("zero of the input torque", 0.0, left),
        ),
        zero=zero,
        grade=Grade.INFERRED,
        source="channel input_torque_nm; its split is not known",
        notes=(zero.note,),
        channels=("input_torque_nm",),
    )


def rate_of_change(values: FloatArray, rate_hz: float, window_s: float) -> FloatArray:
    """Change per second of a noisy signal, shape (n,); NaN near holes longer than the window.

    Notes
    -----
    Slope of a parabola fitted over the window (at least five samples).
    Source: Savitzky & Golay, Anal. Chem. 36 (1964) 1627.

    >>> rate_of_change(np.arange(40.0), 100.0, 0.1).round(6).tolist()[20]
    100.0
    """
    window = max(5, 2 * round(0.5 * window_s * rate_hz) + 1)
    if len(values) < window:
        return np.full(len(values), np.nan)
    filled = bridge(values, window)
    # Not before it is needed: its import takes half a second.
    from scipy.signal import savgol_filter

    held = np.isnan(filled)
    slope = savgol_filter(np.where(held, 0.0, filled), window, 2, deriv=1, delta=1 / rate_hz)
    slope[widen(held, window // 2)] = np.nan
    return np.asarray(slope)
