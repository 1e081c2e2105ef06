"""How much power and energy the plate packs turn into heat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

GAIN_OF_BOTH = "gain of both torques"
TORQUES_APART = "zero and gain of the torques apart"


def plate_friction_power(
    torque_left_nm: ArrayLike,
    torque_right_nm: ArrayLike,
    speed_left_radps: ArrayLike,
    speed_right_radps: ArrayLike,
) -> FloatArray:
    """Power that the plate packs turn into heat. [W]

    Parameters
    ----------
    torque_left_nm, torque_right_nm : array, shape (n,)
        Half-shaft torques, positive when they drive the car forward. [N m]
    speed_left_radps, speed_right_radps : array, shape (n,)
        Half-shaft speeds. [rad/s]

    Notes
    -----
    Derived here: the case turns at the mean speed and carries the torque sum, so
    ``P = T_in w_c - T_L w_L - T_R w_R = -(T_L - T_R)(w_L - w_R)/2``.
    The sign is kept: clipping at zero would turn sensor noise into heat.

    >>> float(plate_friction_power(400.0, 100.0, 90.0, 94.0))
    600.0
    """
    torque_difference = np.subtract(torque_left_nm, torque_right_nm)
    speed_difference = np.subtract(speed_left_radps, speed_right_radps)
    return np.asarray(-0.5 * torque_difference * speed_difference, dtype=np.float64)


def power_noise(
    torque_difference_nm: FloatArray,
    speed_difference_radps: FloatArray,
    torque_sigma_nm: float,
    speed_sigma_radps: float,
) -> FloatArray:
    """Standard deviation of the friction power that noise of its two factors gives, shape (n,). [W]

    Notes
    -----
    ``P = -dT dw / 2`` with independent noise: the variance of a product. Source: Goodman, On the
    exact variance of products, J. Am. Stat. Assoc. 55 (1960) 708; from memory.

    >>> power_noise(np.array([300.0]), np.array([4.0]), 10.0, 0.0).tolist()
    [20.0]
    """
    squared = (
        (speed_difference_radps * torque_sigma_nm) ** 2
        + (torque_difference_nm * speed_sigma_radps) ** 2
        + (torque_sigma_nm * speed_sigma_radps) ** 2
    )
    return np.asarray(0.5 * np.sqrt(squared), dtype=np.float64)


def energy(power_w: FloatArray, rate_hz: float) -> float:
    """Energy over the samples of an even time base; holes count as no power. [J]

    >>> energy(np.array([100.0, np.nan, 300.0]), rate_hz=10.0)
    40.0
    """
    return float(np.nansum(power_w)) / rate_hz


def energy_by_group(
    power_w: FloatArray, group: NDArray[np.signedinteger[Any]], groups: int, rate_hz: float
) -> FloatArray:
    """Energy of each group of samples, shape (groups,); negative group numbers count nowhere. [J]

    >>> energy_by_group(np.array([1.0, 2.0, 4.0]), np.array([0, -1, 1]), 2, rate_hz=1.0).tolist()
    [1.0, 4.0]
    """
    kept = (group >= 0) & np.isfinite(power_w)
    sums = np.bincount(group[kept], weights=power_w[kept], minlength=groups)
    return np.asarray(sums / rate_hz, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class TorqueDoubt:
    """How far the measured torque difference may be off, as 95 % half widths."""

    difference: FloatArray
    """Of offset [N m] and gain mismatch [1] together: squared half widths, shape (2, 2)."""
    gain: float
    """Of the gain common to both sensors. [1]"""

    def levers(
        self, difference_radps: FloatArray, input_torque_nm: FloatArray
    ) -> tuple[FloatArray, ...]:
        """What has to be integrated over time for the energy's doubt, each of shape (n,)."""
        return difference_radps, difference_radps * input_torque_nm

    def locking_half_width(self, input_torque_nm: FloatArray) -> float:
        """Half width of the mean locking torque of some samples that the samples do not show. [N m]

        None here: what the sensors differ by was found with the law and taken out.
        """
        return 0.0 * len(input_torque_nm)

    def energy_half_width(self, energy_j: FloatArray, *levers: FloatArray) -> FloatArray:
        """Half width of each energy from all inputs together, shape of ``energy_j``. [J]"""
        parts = self.energy_half_widths(energy_j, *levers)
        return np.asarray(np.sqrt(np.sum([half**2 for half in parts.values()], axis=0)))

    def energy_half_widths(
        self, energy_j: FloatArray, swing_rad: FloatArray, work_j: FloatArray
    ) -> dict[str, FloatArray]:
        """Half width of each energy by the input that it comes from, shapes of ``energy_j``. [J]

        Parameters
        ----------
        energy_j : array
            Friction energies.
        swing_rad : array
            Integral of the speed difference over the same time. [rad]
        work_j : array
            Integral of input torque times speed difference over the same time. [J]

        Notes
        -----
        Derived here from ``E = -1/2 int (dT - offset - gain T_in) dw dt``.
        """
        lever = 0.5 * np.stack((swing_rad, work_j), axis=-1)
        squared = np.einsum("...i,ij,...j->...", lever, self.difference, lever)
        return {
            TORQUES_APART: np.asarray(np.sqrt(np.maximum(squared, 0.0))),
            GAIN_OF_BOTH: np.asarray(np.abs(self.gain * energy_j)),
        }
