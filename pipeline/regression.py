"""Robust straight-line laws from samples that hang together in laps, and how sure they are.

Samples a hundredth of a second apart are not independent, so intervals come from leaving out whole
laps, never from the sample count. With the five to twenty laps of a session the percentile
bootstrap covers too little; the delete-one-lap jackknife with Student's t does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

FloatArray = NDArray[np.float64]

# Huber's constant: 95 % as efficient as least squares on clean normal data.
# Source: Huber, Robust Statistics, 1981, sec. 4; the value is the textbook one, from memory.
_HUBER = 1.345
_MOST_STEPS = 50
# Median absolute deviation of normal data, as a share of its standard deviation.
_MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True, slots=True)
class ClusterFit:
    """Coefficients of a linear law with their jackknife over clusters."""

    coefficients: FloatArray
    """Shape (p,)."""
    replicates: FloatArray
    """The coefficients with one cluster left out each time, shape (clusters, p)."""
    scale: float
    """Robust standard deviation of the residuals."""
    n: int
    shared: FloatArray | None = None
    """Covariance of what all clusters have in common, shape (p, p), beside their scatter."""

    @property
    def clusters(self) -> int:
        """How many clusters could be left out."""
        return len(self.replicates)

    @property
    def covariance(self) -> FloatArray:
        """Jackknife covariance of the coefficients with what clusters share, shape (p, p)."""
        scatter = jackknife_covariance(self.replicates)
        return scatter if self.shared is None else scatter + self.shared

    def half_width(self, gradient: FloatArray, level: float = 0.95) -> FloatArray:
        """Half width of the interval of ``gradient @ coefficients``, shape of its first axis.

        Few clusters leave their scatter's size open, hence Student's t; what they share is a
        standard deviation that is stated, not estimated.
        """
        clusters, stated = student_t(self.clusters - 1, level), student_t(np.inf, level)
        scatter = clusters * _deviation(gradient, jackknife_covariance(self.replicates))
        if self.shared is None:
            return scatter
        return np.hypot(scatter, stated * _deviation(gradient, self.shared))


def _deviation(gradient: FloatArray, covariance: FloatArray) -> FloatArray:
    """Standard deviation of ``gradient @ coefficients``, shape of its first axis."""
    variance = np.einsum("...i,ij,...j->...", gradient, covariance, gradient)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


class TooFewClustersError(ValueError):
    """The samples lie in too few laps, or one lap alone holds what a coefficient rests on."""


def student_t(degrees_of_freedom: float, level: float = 0.95) -> float:
    """Two-sided quantile of Student's t.

    Source: the usual table, 9 degrees of freedom at 95 %: 2.262.

    >>> round(student_t(9), 3)
    2.262
    """
    return float(stdtrit(degrees_of_freedom, 0.5 + 0.5 * level))


def jackknife_covariance(replicates: FloatArray) -> FloatArray:
    """Covariance from delete-one replicates, shape (clusters, p) -> (p, p).

    Source: Efron & Tibshirani, An Introduction to the Bootstrap, 1993, ch. 11.
    """
    count = len(replicates)
    spread = replicates - replicates.mean(axis=0)
    return np.asarray((count - 1) / count * spread.T @ spread)


def fit_by_cluster(
    design: FloatArray, response: FloatArray, cluster: NDArray[np.signedinteger[Any]]
) -> ClusterFit:
    """Huber regression with one replicate per cluster left out.

    Parameters
    ----------
    design : array, shape (n, p)
        One column per coefficient.
    response : array, shape (n,)
    cluster : array of int, shape (n,)
        Which lap each sample belongs to.

    Raises
    ------
    TooFewClustersError
        If there are fewer than three clusters, or the law cannot be told without one of them.

    Notes
    -----
    The replicates are one Newton step of the robust equations from per-cluster sums, which gives
    the spread of full refits to better than a percent at the cost of none of them.
    """
    _refuse_few(cluster)
    coefficients, scale = huber_fit(design, response)
    residual = response - design @ coefficients
    return with_replicates(coefficients, scale, design, residual, cluster)


Linearised = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""From coefficients, shape (p,), to the law's values, shape (n,), and its slopes, shape (n, p)."""


def settle(law: Linearised, response: FloatArray, start: FloatArray) -> tuple[FloatArray, float]:
    """Huber regression of a law that is not linear: its coefficients and the residuals' scale.

    Parameters
    ----------
    law : Linearised
    response : array, shape (n,)
    start : array, shape (p,)
        Coefficients near enough for Gauss-Newton steps to lead to the best ones.

    Notes
    -----
    Each Gauss-Newton step reweighs the samples once. A coefficient that no sample depends on stays
    where it starts.
    """
    coefficients = np.asarray(start, dtype=np.float64)
    scale = 0.0
    for _ in range(_MOST_STEPS):
        values, slopes = law(coefficients)
        residual = response - values
        scale = _robust_scale(residual)
        if scale == 0.0:
            break
        weights = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(residual), 1e-300))
        weighted = slopes * weights[:, None]
        step = _solve(weighted.T @ slopes, weighted.T @ residual)
        coefficients = coefficients + step
        if np.allclose(step, 0.0, atol=1e-6 * (1e-3 + np.abs(coefficients))):
            break
    return coefficients, _some_scale(scale, response)


def with_replicates(
    coefficients: FloatArray,
    scale: float,
    design: FloatArray,
    residual: FloatArray,
    cluster: NDArray[np.signedinteger[Any]],
) -> ClusterFit:
    """A settled fit with one Newton step per cluster left out, from per-cluster sums.

    Parameters
    ----------
    coefficients : array, shape (p,)
    scale : float
        Robust standard deviation of the residuals.
    design : array, shape (n, p)
        The law's slopes at the coefficients.
    residual : array, shape (n,)
    cluster : array of int, shape (n,)

    Raises
    ------
    TooFewClustersError
        As `fit_by_cluster`.
    """
    _refuse_few(cluster)
    labels, group = np.unique(cluster, return_inverse=True)
    order = np.argsort(group, kind="stable")
    design, residual, group = design[order], residual[order], group[order]
    limit = _HUBER * scale
    score = design * np.clip(residual, -limit, limit)[:, None]
    inner = design * (np.abs(residual) <= limit)[:, None]
    starts = np.searchsorted(group, np.arange(len(labels)))
    stops = np.append(starts[1:], len(group))
    scores = np.add.reduceat(score, starts, axis=0)
    hessians = np.stack([inner[a:b].T @ design[a:b] for a, b in zip(starts, stops, strict=True)])
    without = hessians.sum(axis=0) - hessians
    _refuse_singular(without)
    shifts = np.linalg.solve(without, (scores.sum(axis=0) - scores)[:, :, None])[:, :, 0]
    return ClusterFit(coefficients, coefficients + shifts, scale, len(residual))


def _refuse_few(cluster: NDArray[np.signedinteger[Any]]) -> None:
    count = len(np.unique(cluster))
    if count < 3:
        msg = f"the samples lie in {count} laps; at least 3 are needed"
        raise TooFewClustersError(msg)


def _refuse_singular(matrices: FloatArray) -> None:
    diagonal = np.sqrt(np.einsum("gii->gi", matrices))
    if (diagonal <= 0).any():
        msg = "one lap alone holds what a coefficient rests on"
        raise TooFewClustersError(msg)
    alike = matrices / diagonal[:, :, None] / diagonal[:, None, :]
    if np.linalg.eigvalsh(alike)[:, 0].min() < 1e-9:
        msg = "two coefficients cannot be told apart without one of the laps"
        raise TooFewClustersError(msg)


def _solve(matrix: FloatArray, right_side: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.lstsq(matrix, right_side, rcond=None)[0], dtype=np.float64)


def huber_fit(design: FloatArray, response: FloatArray) -> tuple[FloatArray, float]:
    """Huber M-estimate by reweighting from least squares, with the MAD scale kept up to date."""
    weights = np.ones(len(response))
    coefficients: FloatArray = np.zeros(design.shape[1], dtype=np.float64)
    scale = 0.0
    for _ in range(_MOST_STEPS):
        weighted = design * weights[:, None]
        updated = _solve(weighted.T @ design, weighted.T @ response)
        residual = response - design @ updated
        scale = _robust_scale(residual)
        settled = np.allclose(updated, coefficients, rtol=1e-8, atol=1e-12)
        coefficients = updated
        if settled or scale == 0.0:
            break
        weights = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(residual), 1e-300))
    return coefficients, _some_scale(scale, response)


def _robust_scale(residual: FloatArray) -> float:
    return _MAD_TO_SIGMA * float(np.median(np.abs(residual)))


def _some_scale(scale: float, response: FloatArray) -> float:
    """Exact data leave no scale; any positive one keeps all samples inside."""
    return scale or float(np.max(np.abs(response), initial=1.0)) * 1e-12


def huber_loss(residual: FloatArray, scale: float) -> FloatArray:
    """What the robust fit makes as small as it can, per sample, shape of ``residual``. [1]

    Source: Huber, Robust Statistics, 1981, sec. 4: a parabola inside, straight lines outside.

    >>> huber_loss(np.array([1.0, -10.0]), 1.0).round(3).tolist()
    [0.5, 12.545]
    """
    size = np.abs(residual) / scale
    inside = np.minimum(size, _HUBER)
    return np.asarray(inside * (size - 0.5 * inside))


def mean_interval(values: FloatArray, level: float = 0.95) -> tuple[float, float]:
    """Mean of one value per lap and half the width of its t interval.

    Source: Box, Hunter & Hunter, Statistics for Experimenters, table 3.5 (boys' shoes, B - A).

    >>> mean, half = mean_interval(np.array([0.8, 0.6, 0.3, -0.1, 1.1, -0.2, 0.3, 0.5, 0.5, 0.3]))
    >>> round(mean, 2), round(mean - half, 3), round(mean + half, 3)
    (0.41, 0.133, 0.687)
    """
    count = len(values)
    error = float(np.std(values, ddof=1)) / np.sqrt(count)
    return float(np.mean(values)), student_t(count - 1, level) * float(error)


def ratio_interval(
    parts: FloatArray, wholes: FloatArray, level: float = 0.95
) -> tuple[float, float]:
    """Ratio of sums over clusters and half the width of its interval.

    Source: Cochran, Sampling Techniques, 3rd ed., sec. 6 (ratio estimate); from memory.
    """
    count, whole = len(wholes), float(np.sum(wholes))
    ratio = float(np.sum(parts)) / whole
    residual = parts - ratio * wholes
    variance = count / (count - 1) * float(np.sum(residual**2)) / whole**2
    return ratio, student_t(count - 1, level) * float(np.sqrt(variance))


def student_t_share(value: float, degrees_of_freedom: float) -> float:
    """Share of Student's t below a value. [1]

    Source: the usual table, 9 degrees of freedom: 97.5 % lie below 2.262.

    >>> round(student_t_share(2.262, 9), 4)
    0.975
    """
    return float(stdtr(degrees_of_freedom, value))
