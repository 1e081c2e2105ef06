"""How the input torque splits between the half-shafts when only the wheels can tell.

One fit finds the tyres, the axle's figures and the packs' law together: wherever the brakes are
off both wheels' torques add up to the input torque, and where the packs slide their difference
follows the law.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.common_slip import Equations, Hidden
from pipeline.lock import linearised
from pipeline.misreading import misreading_covariance, wheel_doubt
from pipeline.plates import PreloadLaw
from pipeline.regression import (
    ClusterFit,
    TooFewClustersError,
    huber_loss,
    jackknife_covariance,
    student_t,
)
from pipeline.tyre_beliefs import FIGURE_BELIEFS, LAW_BELIEFS, TYRE_BELIEFS, Belief
from pipeline.tyre_pair import Tyre
from pipeline.wheel_balance import AxleFigures, AxleRun, WheelTorques, wheel_torques

FloatArray = NDArray[np.float64]
Weights = tuple[FloatArray, FloatArray]

# Samples this far apart in time are no new evidence on the tyres: they share the road, the tyres'
# temperature and what a tyre of so few numbers cannot follow. At 20 samples a second, one second.
_ALIKE_SAMPLES = 20.0
_HUBER = 1.345
_MOST_STEPS = 30
_BANDS = 16
# How far beyond zero the interval then reaches, in its own size. Chosen by us.
_HUMBLED = 1.5
# The residuals' scale is not believed below this. Chosen on the same cars.
_LEAST_SCALE = 0.3


_SLIP_STEP = 1e-5
_STEP = {"left_radius": 1e-5, "right_radius": 1e-5, "track": 1e-4}
# How far from what is believed a number may go, in standard deviations.
_FARTHEST = 4.0


@dataclass(frozen=True, slots=True)
class SplitFit:
    """Tyres, axle and law of one session, as the wheels tell them."""

    law: ClusterFit
    """Coefficients of the law's terms, in order; the common part of their doubt included."""
    terms: tuple[str, ...]
    figures: AxleFigures
    tyre: Tyre
    loss: FloatArray
    """What the robust fit leaves, per lap of ``laps``."""
    laps: NDArray[np.intp]


def fit_split(
    run: AxleRun,
    terms: tuple[str, ...],
    preload: PreloadLaw = PreloadLaw.ADDING,
    beliefs: dict[str, Belief] | None = None,
) -> SplitFit:
    """Fit tyres, axle figures and the packs' law to both wheels' balances.

    Parameters
    ----------
    run : AxleRun
    terms : tuple of str
        Terms of the law that the samples show; empty where the packs never slide.
    preload : PreloadLaw
    beliefs : dict, optional
        Instead of the usual ones, by name.

    Raises
    ------
    TooFewClustersError
        If the samples lie in fewer than three laps.

    Notes
    -----
    With the torques ``T_i(x)`` that the wheels tell, the residuals are
    ``T_in - T_L(x) - T_R(x)`` where the packs hold, and each of
    ``(T_in -+ side T_lock)/2 - T_i(x)`` where they slide, over what that wheel is uncertain by.
    Robust least squares with beliefs as further observations; derived here.
    """
    labels = np.unique(run.lap)
    if len(labels) < 3:
        msg = f"the samples lie in {len(labels)} laps; at least 3 are needed"
        raise TooFewClustersError(msg)
    known = {**FIGURE_BELIEFS, **TYRE_BELIEFS, **(beliefs or {})}
    known |= {term: LAW_BELIEFS[term] for term in terms}
    bands = _bands(run) if terms else _no_bands(run)
    problem = _Problem(run, tuple(known), terms, preload, bands)
    mean = np.concatenate(([each.mean for each in known.values()], np.zeros(bands.count)))
    precision = np.zeros((len(mean), len(mean)))
    np.fill_diagonal(precision, [each.sigma**-2 for each in known.values()] + [0.0] * bands.count)
    precision[len(known) :, len(known) :] = bands.precision
    found = _settled(problem, mean, precision)
    x, scale, line = found.x, found.scale, found.line
    limit = _HUBER * scale
    near = np.abs(line.residual) <= limit
    gradient, hessian = line.normal_equations(
        np.clip(line.residual, -limit, limit), near.astype(np.float64), scale**2 * _ALIKE_SAMPLES
    )
    scores = np.stack([gradient(run.lap == label) for label in labels])
    hessians = np.stack([hessian(run.lap == label) for label in labels])
    total = hessians.sum(axis=0) + precision
    downhill = scores.sum(axis=0) + precision @ (x - mean)
    shifts = np.linalg.solve(total - hessians, (scores - downhill)[:, :, None])[:, :, 0]
    at = [list(known).index(term) for term in terms]
    inverse = np.linalg.inv(total)
    shared = (inverse @ precision @ inverse)[np.ix_(at, at)]
    law = ClusterFit(
        x[at], x[at] + shifts[:, at], scale, int(np.count_nonzero(run.faster_side)), shared
    )
    lap = np.concatenate((run.lap, run.lap))
    loss = huber_loss(line.residual, scale)
    return SplitFit(
        humbled(law),
        terms,
        problem.figures(x),
        problem.tyre(x),
        np.array([float(loss[lap == label].sum()) for label in labels]),
        labels,
    )


def humbled(law: ClusterFit) -> ClusterFit:
    """The law with its doubt grown until no coefficient is below zero for sure.

    Friction only takes: a fit that says otherwise is off by more than it knows, in all it says.

    >>> law = ClusterFit(np.array([-100.0]), np.array([[-101.0], [-100.0], [-99.0]]), 1.0, 3)
    >>> bool(humbled(law).half_width(np.array([1.0])) > 100.0)
    True
    """
    halves = law.half_width(np.eye(len(law.coefficients)))
    excess = float(np.max(-law.coefficients / np.maximum(halves, 1e-12), initial=0.0))
    if excess <= 1.0:
        return law
    known = 0.0 if law.shared is None else law.shared
    # As what is stated, since that is what is added; it is read with fewer standard deviations.
    wider = (student_t(law.clusters - 1) / student_t(np.inf)) ** 2
    whole = wider * jackknife_covariance(law.replicates) + known
    return replace(law, shared=known + whole * ((_HUMBLED * excess) ** 2 - 1))


@dataclass(frozen=True, slots=True)
class _Bands:
    """Bands of input torque, in each of which the locking torque may be misread by an amount."""

    at: FloatArray
    """1 where a sample slides in a band, shape (n, bands)."""
    precision: FloatArray
    """Inverse covariance of the amounts, shape (bands, bands)."""

    @property
    def count(self) -> int:
        return len(self.precision)


def _bands(run: AxleRun) -> _Bands:
    pull, sliding = run.input_torque_nm, run.faster_side != 0
    edges = np.unique(np.quantile(pull[sliding], np.linspace(0, 1, _BANDS + 1)))
    band = np.clip(np.searchsorted(edges, pull) - 1, 0, max(len(edges) - 2, 0))
    at = sliding[:, None] & (band[:, None] == np.unique(band[sliding]))
    centres = (pull @ at) / at.sum(axis=0)
    covariance = misreading_covariance(
        centres, 0.0 if run.steered is None else run.steered.misread_share
    )
    steadied = covariance + 1e-4 * np.diag(np.diag(covariance))
    return _Bands(at.astype(np.float64), np.linalg.inv(steadied).astype(np.float64))


def _no_bands(run: AxleRun) -> _Bands:
    return _Bands(np.zeros((len(run.lap), 0)), np.zeros((0, 0)))


@dataclass(frozen=True, slots=True)
class _Problem:
    run: AxleRun
    names: tuple[str, ...]
    terms: tuple[str, ...]
    preload: PreloadLaw
    bands: _Bands

    def figures(self, x: FloatArray) -> AxleFigures:
        names = AxleFigures.__dataclass_fields__.keys() & set(self.names)
        return AxleFigures(**{name: self._of(x, name) for name in names})

    def tyre(self, x: FloatArray) -> Tyre:
        others = {n: self._of(x, n) for n in Tyre.__dataclass_fields__.keys() & set(self.names)}
        return Tyre(stiffness=float(np.exp(self._of(x, "log_stiffness"))), **others)

    def _of(self, x: FloatArray, name: str) -> float:
        return float(x[self.names.index(name)])

    def torques(self, x: FloatArray, steps: int, hidden: Hidden) -> WheelTorques:
        return wheel_torques(
            self.run,
            self.figures(x),
            self.tyre(x),
            steps=steps,
            side_slip=hidden.side_slip,
            common_slip=hidden.common_slip,
        )

    def weights(self, x: FloatArray, hidden: Hidden) -> Weights:
        """Inverse of each residual's uncertainty, for both rows of every sample."""
        left, right = wheel_doubt(self.run, self.tyre(x), self.torques(x, 8, hidden))
        sliding = self.run.faster_side != 0
        return 1 / np.where(sliding, left, np.hypot(left, right)), np.where(sliding, 1 / right, 0.0)

    def residual(self, x: FloatArray, torques: WheelTorques, weight: Weights) -> FloatArray:
        """Weighted residuals of both rows of every sample, shape (2 n,)."""
        side, pull = self.run.faster_side, self.run.input_torque_nm
        share = 0.5 * side * (self._law(x)[0] + self.bands.at @ x[len(self.names) :])
        sliding = side != 0
        left = np.where(
            sliding, 0.5 * pull - share - torques.left_nm, pull - torques.left_nm - torques.right_nm
        )
        right = 0.5 * pull + share - torques.right_nm
        return np.concatenate((left * weight[0], right * weight[1]))

    def linear(self, x: FloatArray, hidden: Hidden, weight: Weights) -> Equations:
        here = self.torques(x, 8 if hidden.side_slip is None else 3, hidden)
        hidden = replace(hidden, side_slip=here.push.side_slip)
        residual = self.residual(x, here, weight)
        slopes = np.zeros((len(residual), len(x)))
        # One Newton step from the same start: what it leaves cancels, how it answers is exact.
        start = self.residual(x, self.torques(x, 1, hidden), weight)
        for j, name in enumerate(self.names):
            if name in self.terms:
                continue
            step = _STEP.get(name, 1e-3)
            moved = x.copy()
            moved[j] += step
            there = self.residual(moved, self.torques(moved, 1, hidden), weight)
            slopes[:, j] = (there - start) / step
        slid = replace(hidden, common_slip=hidden.common_slip + _SLIP_STEP)
        lever = (self.residual(x, self.torques(x, 1, slid), weight) - start) / _SLIP_STEP
        if self.terms:
            lock = np.hstack((self._law(x)[1], self.bands.at))
            half = 0.5 * self.run.faster_side[:, None] * lock
            rows = np.concatenate((-half * weight[0][:, None], half * weight[1][:, None]))
            columns = [self.names.index(term) for term in self.terms]
            slopes[:, columns + list(range(len(self.names), len(x)))] = rows
        return Equations(residual, slopes, lever, self.run.speed_doubt**-2, hidden)

    def _law(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        pull = self.run.input_torque_nm
        if not self.terms:
            return np.zeros(len(pull)), np.zeros((len(pull), 0))
        chosen = np.array([self._of(x, term) for term in self.terms])
        return linearised(self.preload, self.terms, pull, np.zeros(len(pull)), chosen)


@dataclass(frozen=True, slots=True)
class _Settled:
    x: FloatArray
    scale: float
    line: Equations


def _settled(problem: _Problem, mean: FloatArray, precision: FloatArray) -> _Settled:
    """Numbers of least robust loss, with the scale and all slopes there.

    Levenberg's damping; the weights follow the torques in the first steps and then stay.
    """
    x, damping, scale = mean.copy(), 1e-3, 1.0
    hidden = Hidden(None, np.zeros(len(problem.run.lap)))
    farthest = _FARTHEST / np.sqrt(np.diag(precision))
    weight = problem.weights(x, hidden)
    for step in range(_MOST_STEPS):
        if step in (2, 4, 7):
            weight = problem.weights(x, hidden)
        line = problem.linear(x, hidden, weight)
        residual, hidden = line.residual, line.hidden
        told = np.abs(residual[residual != 0])
        scale = max(1.4826 * float(np.median(told)), _LEAST_SCALE) if len(told) else 1.0
        tempered = scale**2 * _ALIKE_SAMPLES

        def loss(
            values: FloatArray,
            of: FloatArray,
            slip: FloatArray,
            line: Equations = line,
            scale: float = scale,
        ) -> float:
            beliefs = 0.5 * float((values - mean) @ precision @ (values - mean))
            slips = 0.5 * float(line.slip_precision @ slip**2) / scale**2
            return (float(np.sum(huber_loss(of, scale))) + slips) / _ALIKE_SAMPLES + beliefs

        robust = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(residual), 1e-12))
        gradient, hessian = line.normal_equations(robust * residual, robust, tempered)
        matrix = hessian(slice(None)) + precision
        downhill = gradient(slice(None)) + precision @ (x - mean)
        before = loss(x, residual, hidden.common_slip)
        for _ in range(6):
            change = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), -downhill)
            tried = np.clip(x + change, mean - farthest, mean + farthest)
            moved = replace(
                hidden, common_slip=hidden.common_slip + line.slip_change(tried - x, robust)
            )
            there = problem.residual(tried, problem.torques(tried, 4, moved), weight)
            after = loss(tried, there, moved.common_slip)
            if after <= before:
                break
            damping *= 8.0
        else:
            if step > 7:
                break
            continue
        x, hidden, damping = tried, moved, max(damping / 5, 1e-7)
        if step > 7 and before - after < 1e-3:
            break
    return _Settled(x, scale, problem.linear(x, hidden, weight))
