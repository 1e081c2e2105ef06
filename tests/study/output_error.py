"""First rival: wheel speeds computed from the torques, and the numbers that make them fit.

Where the product asks what torque each wheel's measured speed stands for (`pipeline.split`), this
integrates both wheels over windows of a second, the packs holding or sliding as the law lets
them, and compares speeds. Tyre, loads, beliefs and robust loss are the product's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from pipeline.lock import BREAKAWAY, DRIVE, OVERRUN
from pipeline.misreading import misreading_covariance, wheel_doubt
from pipeline.tyre_beliefs import Belief
from pipeline.tyre_pair import Tyre
from pipeline.wheel_balance import AxleFigures, AxleRun
from study.driven_wheels import STEP_S, Windows, braking, lateness, moment

FloatArray = NDArray[np.float64]

# As the product: samples within a second are no new evidence on the tyres.
_ALIKE_S = 1.0
_HUBER = 1.345
_LEAST_SCALE = 0.3
# What smoothed wheel speeds are off by, and slips alike; the product's, as speeds.
_SPEED_RADPS = 0.02
_SLIP = 6e-4
# Over which time a torque that is doubted changes a wheel's speed.
_DOUBTED_S = 0.1
_NUDGE = {"left_radius": 1e-5, "right_radius": 1e-5, "track": 1e-4, BREAKAWAY: 1.0}
_ROUNDS = 2
_MISREADINGS = 6


@dataclass(frozen=True, slots=True)
class Motion:
    """Computed speeds and the torque difference, each of shape (steps, sets, windows)."""

    left_radps: FloatArray
    right_radps: FloatArray
    difference_nm: FloatArray


def integrated(
    run: AxleRun,
    windows: Windows,
    step_s: float,
    figures: AxleFigures,
    tyre: Tyre,
    lock_nm: FloatArray,
) -> Motion:
    """Both wheels' speeds from the input torque, the packs' capacity and the tyres.

    Parameters
    ----------
    run : AxleRun
    windows : Windows
    step_s : float
    figures, tyre
        Their numbers may be arrays of shape (sets, 1): all sets are integrated together.
    lock_nm : array, shape (steps, sets, windows)
        Torque difference that the packs can carry.

    Notes
    -----
    A wheel that grips follows its tyre within milliseconds, so the tyre's slope enters the step:
    linearly implicit Euler, ``(J/h + dM/dw) change = torque - M`` with M what tyre and rolling
    resistance hold back. The torque difference that would bring both wheels to one speed by the
    end of the step is the packs' if they can carry it, else their capacity with its sign. Source:
    dry friction as a projection, Moreau, Unilateral contact and dry friction in finite freedom
    dynamics, 1988 (from memory).
    """
    shape = lock_nm.shape[1:]
    begin = run.left_radps[windows.at[0]], run.right_radps[windows.at[0]]
    left, right = (np.broadcast_to(each, shape) for each in begin)
    motion = np.zeros((3, *lock_nm.shape))
    motion[:2, 0] = left, right
    side_slip = None
    per_step = run.wheel_inertia_kgm2 / step_s
    for k in range(1, len(windows.at)):
        here = moment(run, windows.at[k])
        held_back = braking(here, left, right, figures, tyre, side_slip)
        side_slip = held_back.told.push.side_slip
        stiff = per_step + held_back.left_slope, per_step + held_back.right_slope
        half = 0.5 * here.input_torque_nm
        left = left + (half - held_back.told.left_nm) / stiff[0]
        right = right + (half - held_back.told.right_nm) / stiff[1]
        holding = 2 * (right - left) / (1 / stiff[0] + 1 / stiff[1])
        difference = np.clip(holding, -lock_nm[k], lock_nm[k])
        left = np.maximum(left + 0.5 * difference / stiff[0], 0.0)
        right = np.maximum(right - 0.5 * difference / stiff[1], 0.0)
        motion[:, k] = left, right, difference
    return Motion(*motion)


@dataclass(frozen=True, slots=True)
class OutputFit:
    """What the windows say of tyres, axle and law."""

    numbers: dict[str, float]
    misfit: float
    """Robust loss with the beliefs' part; the smaller the better. [1]"""


def fit_output(
    run: AxleRun,
    windows: Windows,
    beliefs: Mapping[str, Belief],
    start: Mapping[str, float] | None = None,
    *,
    by_slip: bool = False,
) -> OutputFit:
    """Numbers that make the computed wheel speeds fit the measured ones.

    Parameters
    ----------
    run : AxleRun
        All samples of the session, on an even time base.
    windows : Windows
    beliefs : mapping
        Tyre, figures and law by name; observations of their own.
    start : mapping, optional
        Where to begin instead of at what is believed.
    by_slip : bool
        Whether an error counts by its slip alone, instead of by what is doubted of the torques.
    """
    problem = _Problem(run, windows, beliefs, by_slip)
    x = problem.mean.copy()
    if start is not None:
        x = np.array([start.get(name, 0.0) for name in problem.names])
    low, high = problem.mean - 4 * problem.sigma, problem.mean + 4 * problem.sigma
    nudge = np.array([_NUDGE.get(name, 1e-3) for name in problem.names])
    cost = np.inf
    for _ in range(_ROUNDS):
        x = np.clip(x, low + 1e-9, high - 1e-9)
        weight = problem.weights(x)
        told = problem.apart(x[None, :], weight)[0]
        scale = max(1.4826 * float(np.median(np.abs(told))), _LEAST_SCALE)
        tempered = weight.copy()
        tempered[[0, 2]] /= scale * np.sqrt(_ALIKE_S / STEP_S)

        def residual(x: FloatArray, weight: FloatArray = tempered) -> FloatArray:
            away = (x - problem.mean) / problem.sigma
            return np.concatenate((problem.apart(x[None, :], weight)[0], away))

        def slopes(x: FloatArray, weight: FloatArray = tempered) -> FloatArray:
            apart = problem.apart(np.vstack((x, x + np.diag(nudge))), weight)
            moved = (apart[1:] - apart[0]) / nudge[:, None]
            return np.vstack((moved.T, np.diag(1 / problem.sigma)))

        found = least_squares(
            residual, x, slopes, bounds=(low, high), x_scale=problem.sigma,
            loss=_huber(len(told)), max_nfev=25, ftol=1e-3, xtol=1e-5,
        )  # fmt: skip
        x, cost = found.x, float(found.cost)
    return OutputFit(dict(zip(problem.names, x.tolist(), strict=True)), cost)


def _misreadings(pull: FloatArray) -> dict[str, FloatArray]:
    """How the tyres may misread the locking torque over the input torque, the largest ways."""
    at = np.quantile(pull, np.linspace(0, 1, 41))
    size, ways = np.linalg.eigh(misreading_covariance(at))
    size = np.maximum(size, 0.0)  # The last ones are nothing, give or take round-off.
    return {
        f"misreading {k}": np.interp(pull, at, ways[:, -1 - k] * np.sqrt(size[-1 - k]))
        for k in range(_MISREADINGS)
    }


def _huber(count: int) -> Any:
    """Huber's loss of the first residuals; those of the beliefs stay squares."""
    limit = _HUBER**2 * STEP_S / _ALIKE_S

    def loss(squared: FloatArray) -> FloatArray:
        rho = np.stack((squared, np.ones_like(squared), np.zeros_like(squared)))
        far = (squared > limit) & (np.arange(len(squared)) < count)
        root = np.sqrt(squared[far] * limit)
        rho[:, far] = 2 * root - limit, root / squared[far], -0.5 * root / squared[far] ** 2
        return rho

    return loss


class _Problem:
    """Errors of the speeds, for one set of numbers or for many at once."""

    def __init__(
        self, run: AxleRun, windows: Windows, beliefs: Mapping[str, Belief], by_slip: bool
    ) -> None:
        self.run, self.windows, self.by_slip = run, windows, by_slip
        pull = run.input_torque_nm[windows.at][:, None]
        ramps = np.maximum(pull, 0.0), np.maximum(-pull, 0.0)
        terms = {BREAKAWAY: np.ones_like(pull), DRIVE: ramps[0], OVERRUN: ramps[1]}
        self.terms = {name: terms[name] for name in terms if name in beliefs}
        modes = _misreadings(pull)
        self.terms |= modes
        known = {**beliefs, **{name: Belief(0.0, 1.0) for name in modes}}
        self.names = tuple(known)
        self.mean = np.array([each.mean for each in known.values()])
        self.sigma = np.array([each.sigma for each in known.values()])
        self.seen = run.left_radps[windows.at], run.right_radps[windows.at]
        self.late = lateness(run, windows.at)
        # The first step is measured, not computed.
        self.counted = windows.there.copy()
        self.counted[0] = False

    def axle(self, x: FloatArray) -> tuple[AxleFigures, Tyre]:
        """Of sets of numbers, shape (sets, p)."""

        def taken(kind: type) -> dict[str, Any]:
            own = [each.name for each in fields(kind) if each.name in self.names]
            return {name: self._of(x, name) for name in own}

        tyre = Tyre(stiffness=np.exp(self._of(x, "log_stiffness")), **taken(Tyre))
        return AxleFigures(**taken(AxleFigures)), tyre

    def _of(self, x: FloatArray, name: str) -> Any:
        return x[:, [self.names.index(name)]]

    def apart(self, x: FloatArray, weight: FloatArray) -> FloatArray:
        """Weighted speed errors of sets of numbers, shape (sets, residuals)."""
        lock = np.zeros((len(self.windows.at), len(x), self.windows.at.shape[1]))
        lock += sum(self._of(x, name) * term for name, term in self.terms.items())
        motion = integrated(self.run, self.windows, STEP_S, *self.axle(x), np.maximum(lock, 0.0))
        left, right = (
            computed - seen[:, None] - self._of(x, "tooth_rad") * late[:, None]
            for computed, seen, late in zip(
                (motion.left_radps, motion.right_radps), self.seen, self.late, strict=True
            )
        )
        apart, share, together = weight[:, :, None]
        errors = (left - right) * apart, (right + share * (left - right)) * together
        return np.concatenate([np.moveaxis(each, 1, 0)[:, self.counted] for each in errors], axis=1)

    def weights(self, x: FloatArray) -> FloatArray:
        """What turns both speed errors into two that are independent, shape (3, steps, windows).

        A ground speed that is off moves both wheels alike: the difference is free of it, and
        ``(b^2 left + a^2 right) / (a^2 + b^2)``, with a and b what each is doubted by for itself,
        is independent of the difference. First and last number: inverse standard deviations of
        these two; the middle one the left wheel's share.
        """
        here = moment(self.run, self.windows.at.ravel())
        figures, tyre = _plain(self.axle(x[None, :]))
        there = braking(here, here.left_radps, here.right_radps, figures, tyre, None)
        to_speed = here.speed_mps / here.radius_m
        if self.by_slip:
            own = np.stack((_SLIP * to_speed, _SLIP * to_speed))
        else:
            stiff = np.stack((there.left_slope, there.right_slope))
            stiff += self.run.wheel_inertia_kgm2 / _DOUBTED_S
            own = np.stack(wheel_doubt(here, tyre, there.told)) / stiff
        left, right = own**2 + _SPEED_RADPS**2
        common = (here.speed_doubt * to_speed) ** 2
        together = left * right / (left + right) + common
        three = (left + right) ** -0.5, right / (left + right), together**-0.5
        return np.stack(three).reshape(3, *self.windows.at.shape)


def _plain(axle: tuple[Any, Any]) -> list[Any]:
    """The same with plain numbers instead of arrays of one."""
    return [
        type(each)(**{of.name: float(np.squeeze(getattr(each, of.name))) for of in fields(each)})
        for each in axle
    ]
