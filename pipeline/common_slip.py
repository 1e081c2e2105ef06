"""What a ground speed that is off does to both wheels' slip, and how a fit takes it out.

A fit to noisy slips bends the curve it finds, since the noise moves the slopes as it moves the
residuals. So every sample has a slip of its own that both wheels share, with the speed's doubt as
its standard deviation, and that slip is eliminated from the normal equations (their Schur
complement), which costs no more than the fit without it.
Source: Fuller, Measurement Error Models, 1987, ch. 3 (nonlinear models); from memory, not read
again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Chosen = NDArray[np.bool_] | slice
OverSamples = Callable[[Chosen], FloatArray]


@dataclass(frozen=True, slots=True)
class Hidden:
    """What every sample has to itself, shape (n,)."""

    side_slip: FloatArray | None
    common_slip: FloatArray


@dataclass(frozen=True, slots=True)
class Equations:
    """Residuals and how they change."""

    residual: FloatArray
    """Both rows of every sample, shape (2 n,)."""
    slopes: FloatArray
    """By every number, shape (2 n, p)."""
    lever: FloatArray
    """By the sample's common slip, shape (2 n,)."""
    slip_precision: FloatArray
    """Inverse variance of that, shape (n,)."""
    hidden: Hidden

    def normal_equations(
        self, pull: FloatArray, weight: FloatArray, tempered: float
    ) -> tuple[OverSamples, OverSamples]:
        """Gradient and Hessian over some samples once each sample's common slip has answered.

        Parameters
        ----------
        pull : array, shape (2 n,)
            What each row pulls with: the residual, robustly reweighted or cut.
        weight : array, shape (2 n,)
            What each row's slopes count.
        tempered : float
            Variance that all is divided by.
        """
        n = len(self.slip_precision)
        across, steep = self._across(weight)
        rest = self._two(self.lever * pull) + self.slip_precision * self.hidden.common_slip

        def gradient(chosen: Chosen) -> FloatArray:
            both = self.slopes[:n][chosen].T @ pull[:n][chosen]
            both = both + self.slopes[n:][chosen].T @ pull[n:][chosen]
            return np.asarray(both - across[chosen].T @ (rest / steep)[chosen]) / tempered

        def hessian(chosen: Chosen) -> FloatArray:
            left, right, shared = self.slopes[:n][chosen], self.slopes[n:][chosen], across[chosen]
            both = left.T @ (left * weight[:n][chosen][:, None])
            both = both + right.T @ (right * weight[n:][chosen][:, None])
            return np.asarray(both - shared.T @ (shared / steep[chosen][:, None])) / tempered

        return gradient, hessian

    def slip_change(self, change: FloatArray, weight: FloatArray) -> FloatArray:
        """How each sample's common slip answers when the numbers change, shape (n,)."""
        across, steep = self._across(weight)
        rest = self._two(self.lever * weight * self.residual)
        rest = rest + self.slip_precision * self.hidden.common_slip
        return np.asarray(-(rest + across @ change) / steep)

    def _across(self, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        n = len(self.slip_precision)
        by = self.lever * weight
        across = by[:n, None] * self.slopes[:n] + by[n:, None] * self.slopes[n:]
        return across, self._two(self.lever * by) + self.slip_precision

    def _two(self, rows: FloatArray) -> FloatArray:
        n = len(self.slip_precision)
        return np.asarray(rows[:n] + rows[n:])
