"""What the driven axle does: rolling speeds, expected difference, axle states and slip events."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.regression import ClusterFit, fit_by_cluster
from pipeline.result import NO_STATE, SLIP_STATES, STATES, AxleState, StateArray
from pipeline.rolling import GroundSpeeds
from pipeline.runs import lasting, mask_of, moving_mean, runs
from pipeline.stretches import each_stretch, excerpt, telling
from pipeline.torque import ShaftTorque

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Slower than this, slip is a small number over a small number. Chosen by us.
LEAST_SPEED_MPS = 5.0
# A state is left at this share of the level at which it is entered. Chosen by us.
_STAY = 0.7
# A pack counts as stuck up to this multiple of the sliding threshold while it was stuck before.
_STAY_STUCK = 1.3
_STAY_CORNERING = 0.75
SHORTEST_EVENT_S = 0.15
LONGEST_GAP_S = 0.10
# Wheel speeds are averaged over this long before states are told apart. Chosen by us: half of the
# shortest gap that parts two events.
SMOOTH_S = 0.05
# The car's own speed and yaw rate change more slowly than its wheels.
SMOOTH_BODY_S = 0.15
# Four standard deviations of the smoothed difference: one false sample in 16,000.
_SIGMAS = 4.0
_LEAST_DIFFERENCE_RADPS = 0.3


def expected_speed_difference(
    left_rolling_radps: FloatArray, right_rolling_radps: FloatArray
) -> FloatArray:
    """Left minus right speed of the driven wheels if both just rolled. [rad/s]"""
    return left_rolling_radps - right_rolling_radps


def rolling_speeds(
    ground: GroundSpeeds, radius_left_m: float, radius_right_m: float
) -> tuple[FloatArray, FloatArray]:
    """Speeds of the left and right driven wheel if they just rolled, shape (n,) each. [rad/s]"""
    return ground.left_mps / radius_left_m, ground.right_mps / radius_right_m


def visible_difference(difference_radps: FloatArray, moving: BoolArray, rate_hz: float) -> float:
    """Smallest speed difference that this log's wheel sensors show for sure. [rad/s]

    Parameters
    ----------
    difference_radps : array, shape (n,)
        Left minus right speed, smoothed as for the states. [rad/s]
    moving : array of bool, shape (n,)
    rate_hz : float

    Notes
    -----
    Four robust standard deviations of what is left above the car's own motion (slower than a
    quarter of a second), and not less than 0.3 rad/s.
    """
    pieces = telling(moving)
    difference, moving = excerpt(difference_radps, pieces), excerpt(moving, pieces)
    rest = (difference - moving_mean(difference, odd_samples(0.25, rate_hz)))[moving]
    rest = rest[np.isfinite(rest)]
    sigma = 1.4826 * float(np.median(np.abs(rest))) if len(rest) else 0.0
    return max(_SIGMAS * sigma, _LEAST_DIFFERENCE_RADPS)


def odd_samples(seconds: float, rate_hz: float) -> int:
    """The odd number of samples nearest to a duration, at least 1.

    >>> odd_samples(0.05, 100.0), odd_samples(0.05, 10.0)
    (5, 1)
    """
    return 2 * round((seconds * rate_hz - 1) / 2) + 1 if seconds * rate_hz > 1 else 1


@dataclass(frozen=True, slots=True)
class AxleMotion:
    """What the states are told from, each of shape (n,); wheel speeds smoothed."""

    speed_mps: FloatArray
    yaw_rate_radps: FloatArray
    left_radps: FloatArray
    right_radps: FloatArray
    left_rolling_radps: FloatArray
    right_rolling_radps: FloatArray
    driving: BoolArray
    """Input torque above zero."""
    coasting: BoolArray
    """Input torque at or below zero."""

    def part(self, here: slice) -> AxleMotion:
        """A stretch of it."""
        return AxleMotion(*(getattr(self, each.name)[here] for each in fields(self)))

    @property
    def difference_radps(self) -> FloatArray:
        """Left minus right wheel speed. [rad/s]"""
        return self.left_radps - self.right_radps

    @property
    def expected_radps(self) -> FloatArray:
        """The same for wheels that just roll. [rad/s]"""
        return expected_speed_difference(self.left_rolling_radps, self.right_rolling_radps)


def axle_states(
    motion: Callable[[slice], AxleMotion],
    n: int,
    sliding_radps: float,
    overspeed_slip: float,
    rate_hz: float,
) -> StateArray:
    """Index into `STATES` for every sample, shape (n,); `NO_STATE` where none can be told.

    Parameters
    ----------
    motion : callable
        Gives the motion over a stretch of the log's n samples.
    n : int
    sliding_radps : float
        Speed difference from which the pack counts as sliding, see `visible_difference`; twice of
        it, expected, makes a corner. [rad/s]
    overspeed_slip : float
        Slip from which a wheel runs away or drags. [1]
    rate_hz : float

    Notes
    -----
    A state is entered at its threshold and left at 0.7 of it; gaps under 0.10 s are closed and
    stretches under 0.15 s dropped. Where states overlap the one that costs most counts: axle
    overspeed, inside overspeed, inside drag, held, differing.
    """
    masks = {name: (np.empty(n, np.bool_), np.empty(n, np.bool_)) for name in _PRIORITY}

    def tell(here: slice) -> None:
        told = _entered_and_kept(motion(here), sliding_radps, overspeed_slip)
        for name, (enter, stay) in told.items():
            masks[name][0][here], masks[name][1][here] = enter, stay

    each_stretch(tell, n)
    gap, shortest = round(LONGEST_GAP_S * rate_hz), round(SHORTEST_EVENT_S * rate_hz)
    state = np.full(n, NO_STATE, dtype=np.int8)
    for name in reversed(_PRIORITY):
        enter, stay = masks.pop(name)
        state[mask_of(lasting(enter, stay, gap, shortest), n)] = STATES.index(name)
    return _without_fragments(state, shortest)


_PRIORITY = (
    AxleState.AXLE_OVERSPEED,
    AxleState.INSIDE_OVERSPEED,
    AxleState.INSIDE_DRAG,
    AxleState.HELD,
    AxleState.DIFFERING,
)


def _entered_and_kept(
    motion: AxleMotion, sliding_radps: float, overspeed_slip: float
) -> dict[AxleState, tuple[BoolArray, BoolArray]]:
    """Where each state is entered, and where it may go on."""
    with np.errstate(invalid="ignore", divide="ignore"):
        left = motion.left_radps / motion.left_rolling_radps - 1
        right = motion.right_radps / motion.right_rolling_radps - 1
    inside = np.where(motion.yaw_rate_radps > 0, left, right)
    lesser = np.minimum(left, right)
    difference = np.abs(motion.difference_radps)
    expected = np.abs(motion.expected_radps)
    moving = motion.speed_mps > LEAST_SPEED_MPS
    cornering = moving & (expected > 2 * sliding_radps)
    still_cornering = moving & (expected > _STAY_CORNERING * 2 * sliding_radps)
    sliding = difference > sliding_radps
    stuck = ~sliding & np.isfinite(difference)
    still_stuck = difference <= _STAY_STUCK * sliding_radps
    driven_corner = motion.driving & cornering & sliding
    coasted_corner = motion.coasting & cornering
    driven, low = motion.driving & moving, _STAY * overspeed_slip
    return {
        AxleState.AXLE_OVERSPEED: (driven & (lesser > overspeed_slip), driven & (lesser > low)),
        AxleState.INSIDE_OVERSPEED: (
            driven_corner & (inside > overspeed_slip), driven_corner & (inside > low)
        ),
        AxleState.INSIDE_DRAG: (
            coasted_corner & (inside < -overspeed_slip), coasted_corner & (inside < -low)
        ),
        AxleState.HELD: (cornering & stuck, still_cornering & still_stuck),
        AxleState.DIFFERING: (cornering & sliding, cornering & sliding),
    }  # fmt: skip


def _without_fragments(state: StateArray, shortest: int) -> StateArray:
    """The states without slip stretches that a costlier state has cut below the shortest event."""
    whole = state.copy()
    for name in SLIP_STATES:
        code = STATES.index(name)
        spans = runs(state == code)
        short = spans[spans[:, 1] - spans[:, 0] < shortest]
        whole[mask_of(short, len(state))] = NO_STATE
    return whole


def event_spans(state: StateArray) -> list[tuple[AxleState, int, int]]:
    """Every slip event as (state, first sample, one past the last), in order of time."""
    spans = [
        (name, int(first), int(stop))
        for name in SLIP_STATES
        for first, stop in runs(state == STATES.index(name))
    ]
    return sorted(spans, key=lambda span: span[1])


@dataclass(frozen=True, slots=True)
class RollingFit:
    """Rolling radii as this session's tyres have them."""

    radius_left_m: float
    radius_right_m: float
    difference: ClusterFit | None
    """Its first coefficient is ``1/R_L - 1/R_R``; None when the log could not give it."""
    model_doubt: float = 6e-4
    """What the straight-line tyre leaves of the ratio, whatever the laps say. [1]

    Over 250 simulated sessions of 25 kinds of car and sensors the ratio read 0.0003 too much in the
    mean, give or take 0.0003 beyond what the laps show.
    """


def fit_radius_difference(
    difference_radps: FloatArray,
    torque: ShaftTorque,
    ground: GroundSpeeds,
    radius_m: float,
    lap: NDArray[np.signedinteger[Any]],
) -> ClusterFit:
    """What is left of the speed difference on gentle running: unequal radii and tyre slip.

    Parameters
    ----------
    difference_radps : array, shape (n,)
        Samples of gentle running: little cornering, brakes off.
    torque : ShaftTorque
    ground : GroundSpeeds
        At the same samples.
    radius_m : float
        Mean rolling radius of the driven wheels. [m]
    lap : array of int, shape (n,)

    Returns
    -------
    ClusterFit
        Coefficients ``1/R_L - 1/R_R`` [1/m], the slip that a torque difference costs, and what
        input torque costs when the load shifts sideways.

    Notes
    -----
    Derived here. A preloaded pack can hold both wheels to one speed on the straight although their
    radii differ; the tyres then take the difference as slip and the shafts carry it as torque.
    With a wheel's slip ``kappa = T / (R C)`` the speed difference is
    ``dw = v (1/R_L - 1/R_R) + dv/R + v dT / (R^2 C)`` with the ground speeds' mean v and difference
    dv, so ``(dw - dv/R) / v = (1/R_L - 1/R_R) + dT / (R^2 C)``: a straight line in the torque
    difference whose intercept is the radius difference, whether the pack is stuck or sliding.
    Lateral acceleration ``a = v r`` shifts load and with it the tyres' stiffness C, which adds a
    term in ``T_in a``.
    """
    speed = ground.mean_mps
    response = (difference_radps - ground.difference_mps / radius_m) / speed
    lateral = speed * ground.yaw_rate_radps
    design = np.column_stack(
        (np.ones(len(response)), torque.difference_nm, torque.input_nm * lateral)
    )
    return fit_by_cluster(design, response, lap)


def fit_mean_radius(
    mean_radps: FloatArray,
    input_torque_nm: FloatArray,
    speed_mps: FloatArray,
    lap: NDArray[np.signedinteger[Any]],
) -> ClusterFit:
    """Inverse of the mean rolling radius from gentle running; the slip under torque taken out.

    Returns
    -------
    ClusterFit
        Coefficients ``1/R`` [1/m] and the slip that torque costs [1/(N m^2)].
    """
    design = np.column_stack((np.ones(len(speed_mps)), input_torque_nm))
    return fit_by_cluster(design, mean_radps / speed_mps, lap)
