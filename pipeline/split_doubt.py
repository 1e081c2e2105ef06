"""How far an inferred split of the input torque may be off, and what that does to energies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.heat import GAIN_OF_BOTH
from pipeline.lock import BREAKAWAY, LockLaw, where_described

FloatArray = NDArray[np.float64]

LAW = "law read from the wheels"
READING = "reading of the tyres"
# Where the packs slide and no law says with what, the tyres of the short slides tell a third to
# three quarters of it; half width over the input torque, with a lock ratio of 0.4 to miss half of.
# Chosen on simulated cars.
_UNTOLD_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class SplitDoubt:
    """Doubt of a torque difference that follows a law while sliding and the tyres while held."""

    law: LockLaw | None
    sliding_radps: float
    """Speed difference from which the law holds. [rad/s]"""
    input_gain: float
    """Of the input torque; 95 % half width as a share. [1]"""
    difference: FloatArray
    """Of a difference read while held, as offset [N m] and share of the input torque [1]: squared
    half widths, shape (2, 2)."""
    gain: float
    """Of a difference read while held, as a share of itself. [1]"""

    def levers(
        self, difference_radps: FloatArray, input_torque_nm: FloatArray
    ) -> tuple[FloatArray, ...]:
        """What has to be integrated over time for the energy's doubt, each of shape (n,)."""
        speed = np.abs(np.atleast_1d(difference_radps))
        speed = np.where(speed > self.sliding_radps, speed, 0.0)
        pull = np.atleast_1d(input_torque_nm)
        if self.law is None:
            return (0.5 * speed * _UNTOLD_SHARE * np.abs(pull),)
        told = where_described(pull, self.law.missing)
        slopes = self.law.slopes(pull, np.zeros(len(pull)))
        untold = 0.5 * speed * _UNTOLD_SHARE * np.where(told, 0.0, np.abs(pull))
        return (*(0.5 * speed * told * column for column in slopes.T), untold)

    def energy_half_width(self, energy_j: FloatArray, *levers: FloatArray) -> FloatArray:
        """Half width of each energy from all inputs together, shape of ``energy_j``. [J]"""
        parts = self.energy_half_widths(energy_j, *levers)
        return np.asarray(np.sqrt(np.sum([half**2 for half in parts.values()], axis=0)))

    def energy_half_widths(
        self, energy_j: FloatArray, *levers: FloatArray
    ) -> dict[str, FloatArray]:
        """Half width of each energy by the input that it comes from, shapes of ``energy_j``. [J]

        Notes
        -----
        Derived here from ``E = 1/2 int T_lock |dw| dt``: what the law's coefficients are off by
        comes in by the integrals over its slopes; all torques scale with the input torque's gain.
        What slides where the law has no term is read off the tyres.
        """
        *by_law, untold = levers
        shares = {
            READING: np.abs(untold),
            GAIN_OF_BOTH: np.asarray(np.abs(self.input_gain * energy_j)),
        }
        if self.law is None:
            return shares
        return {LAW: self._half_width(np.stack(by_law, axis=-1)), **shares}

    def locking_half_width(self, input_torque_nm: FloatArray) -> float:
        """Half width of the mean locking torque over some sliding samples. [N m]"""
        if self.law is None or not len(input_torque_nm):
            return 0.0
        slopes = self.law.slopes(input_torque_nm, np.zeros(len(input_torque_nm)))
        return float(self._half_width(slopes.mean(axis=0)))

    def _half_width(self, lever: FloatArray) -> FloatArray:
        assert self.law is not None
        fit, at = self.law.fit, self.law.index(BREAKAWAY)
        springs = 0.0 if at is None else self.law.doubt(BREAKAWAY) * lever[..., at]
        return np.hypot(fit.half_width(lever), springs)
