"""Torques at the differential, by evidence grade: zeroed, and corrected for what the fit found."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.runs import mean_at, moving_mean, runs
from pipeline.stretches import each_stretch

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

_LEAST_STANDSTILL_S = 2.0
# Larger readings at a standstill are a wound-up shaft, not a sensor's zero. Chosen by us.
_LARGEST_ZERO_NM = 60.0
# Two standstills must agree this well before one zero is taken for the whole session.
_AGREEMENT_NM = 8.0


@dataclass(frozen=True, slots=True)
class Zero:
    """What a torque sensor reads without torque."""

    offset_nm: float
    half_width_nm: float
    """95 % half width of the offset; 0 when it is not known."""
    standstill_s: float
    """Time at a standstill it was taken over; 0 when the log shows none that serves."""
    note: str

    @property
    def known(self) -> bool:
        """Whether the log shows the zero."""
        return self.standstill_s > 0


def zero_at_standstill(torque_nm: FloatArray, standing: BoolArray, rate_hz: float) -> Zero:
    """The sensor's zero, from where the car stands.

    Parameters
    ----------
    torque_nm : array, shape (n,)
    standing : array of bool, shape (n,)
        All wheels at rest.
    rate_hz : float

    Notes
    -----
    The first and last half second of each standstill are left out, where the shafts unwind.
    Standstills that disagree, or read more than a drift could, give no zero.
    """
    trim = round(0.5 * rate_hz)
    medians, spreads, samples = [], [], 0
    for first, stop in runs(standing):
        inner = torque_nm[first + trim : max(stop - trim, first + trim)]
        inner = inner[np.isfinite(inner)]
        if len(inner) >= _LEAST_STANDSTILL_S * rate_hz:
            medians.append(float(np.median(inner)))
            spreads.append(float(np.std(inner)))
            samples += len(inner)
    if not medians:
        return Zero(0.0, 0.0, 0.0, "the car never stands still for long enough to zero the sensor")
    if max(medians) - min(medians) > _AGREEMENT_NM:
        return Zero(0.0, 0.0, 0.0, f"standstills disagree by {max(medians) - min(medians):.1f} N·m")
    offset = float(np.mean(medians))
    if abs(offset) > _LARGEST_ZERO_NM:
        return Zero(0.0, 0.0, 0.0, f"reads {offset:.0f} N·m at a standstill: the shaft is wound up")
    # A median is less sure than a mean by the root of pi/2; standstills may drift apart.
    noise = 1.96 * math.sqrt(math.pi / 2 / samples) * max(spreads)
    half_width = math.hypot(noise, 0.5 * (max(medians) - min(medians)))
    seconds = samples / rate_hz
    note = f"zeroed by {offset:+.1f} N·m over {seconds:.0f} s at a standstill"
    return Zero(offset, half_width, seconds, note)


@dataclass(frozen=True, slots=True)
class ShaftTorque:
    """Both half-shaft torques, each of shape (n,)."""

    left_nm: FloatArray
    right_nm: FloatArray

    def __getitem__(self, which: slice | BoolArray | IndexArray) -> ShaftTorque:
        """Both torques at some of the samples."""
        return ShaftTorque(self.left_nm[which], self.right_nm[which])

    @property
    def both(self) -> tuple[FloatArray, FloatArray]:
        """The left one and the right one."""
        return self.left_nm, self.right_nm

    @property
    def input_nm(self) -> FloatArray:
        """Torque at the ring gear. [N m]"""
        return self.left_nm + self.right_nm

    @property
    def difference_nm(self) -> FloatArray:
        """Left minus right. [N m]"""
        return self.left_nm - self.right_nm


def corrected(
    torque: ShaftTorque, offset_nm: float, gain_mismatch: float, input_zero_nm: float = 0.0
) -> ShaftTorque:
    """The torques with what the sensors read too much taken out.

    Parameters
    ----------
    torque : ShaftTorque
    offset_nm : float
        What the difference reads too much at no torque. [N m]
    gain_mismatch : float
        What the difference reads too much per input torque, and the sum per difference. [1]
    input_zero_nm : float
        What the sum reads too much. [N m]
    """
    left, right = (np.empty(len(torque.left_nm)) for _ in range(2))

    def correct(here: slice) -> None:
        seen = torque[here]
        difference = seen.difference_nm - offset_nm - gain_mismatch * seen.input_nm
        total = seen.input_nm - input_zero_nm - gain_mismatch * difference
        left[here], right[here] = 0.5 * (total + difference), 0.5 * (total - difference)

    each_stretch(correct, len(left))
    return ShaftTorque(left, right)


def smoothed(torque: ShaftTorque, samples: int) -> ShaftTorque:
    """The torques averaged over an odd number of samples; a hole widens accordingly."""
    return ShaftTorque(moving_mean(torque.left_nm, samples), moving_mean(torque.right_nm, samples))


def averaged_at(torque: ShaftTorque, samples: int, at: IndexArray) -> ShaftTorque:
    """The same at some samples only."""
    return ShaftTorque(mean_at(torque.left_nm, samples, at), mean_at(torque.right_nm, samples, at))
