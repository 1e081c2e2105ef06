"""How hard the two tyres of one axle push forward at the slip that they run at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# The axle cannot carry more side force than its tyres hold; short of it the slip stays finite.
_MOST_SIDE_SHARE = 0.97
_MOST_SIDE_SLIP = 0.5
# What the side force is known to, over the most of both tyres; what the sideways slip of steered
# wheels is known to by where they head; and from where on the latter tells it all. On simulated
# cars the rear axle's slip, which it rests on, follows the side force to 0.012 rad.
_SIDE_FORCE_SHARE, _SEEN_SIDE_SLIP, _SEEN_SIDE_SHARE = 0.05, 0.01, 0.8


@dataclass(frozen=True, slots=True)
class Tyre:
    """One kind of tyre at the loads of one axle, as few numbers as its slip curve needs."""

    stiffness: float
    """Longitudinal force per slip and load at the reference load. [1]"""
    stiffness_fall: float
    """Exponent by which that falls with load."""
    side_stiffness_fall: float
    """The same for sideways slip."""
    grip: float
    """Most longitudinal force per load at the reference load. [1]"""
    grip_fall: float
    """Share of it lost when the load doubles."""
    side_grip: float
    """Most sideways over most longitudinal force. [1]"""
    past_peak: float
    """Share lost, roughly, when the slip is e times the one of most force."""
    side_stiffness: float = 1.0
    """Sideways over longitudinal slip stiffness, each over its grip; where wheels are steered. [1]
    """


@dataclass(frozen=True, slots=True)
class PairForce:
    """What both tyres do, each of shape (n,)."""

    left_n: FloatArray
    right_n: FloatArray
    left_use: FloatArray
    """Slip over the slip of most force, both directions together. [1]"""
    right_use: FloatArray
    side_share: FloatArray
    """Side force asked for over the most that both tyres have. [1]"""
    side_slip: FloatArray
    """Sideways slip that both wheels share, scaled like the longitudinal slip. [1]"""


def pair_force(
    tyre: Tyre,
    slip: tuple[FloatArray, FloatArray],
    load_n: tuple[FloatArray, FloatArray],
    side_force_n: FloatArray,
    reference_load_n: float,
    arm: float,
    *,
    steps: int = 8,
    side_slip: FloatArray | None = None,
    seen: FloatArray | None = None,
) -> PairForce:
    """Forward force of both tyres of an axle that carries a known side force. [N]

    Parameters
    ----------
    tyre : Tyre
    slip, load_n : pair of array, shape (n,)
        Longitudinal slip [1] and load [N] of the left and the right wheel.
    side_force_n : array, shape (n,)
        Side force of the axle, without what unequal forward forces add; its sign is that of the
        lateral acceleration. [N]
    reference_load_n : float
        Load of one wheel that the tyre's numbers are stated at. [N]
    arm : float
        What the right forward force less the left one adds to the axle's side force, per newton: a
        forward force that is larger on one side turns the car, and the side force answers. [1]
    steps : int
        Newton steps towards the sideways slip.
    side_slip : array, shape (n,), optional
        Where those steps begin.
    seen : array, shape (n,), optional
        Sideways slip that the heading of steered wheels shows, > 0 where it pushes to the left. [1]

    Notes
    -----
    Brush tyre with a parabolic pressure: with ``q`` the slip over three times grip over stiffness,
    force over most force is ``3 q - 3 q^2 + q^3`` up to q = 1, and falls slowly beyond. Slip in
    both directions adds up as a vector, each scaled by its stiffness, and the force points along
    it. Both wheels of an axle have one sideways slip, which is solved for from the side force:
    lateral acceleration tells it, so no slip angle has to be logged. Near the most side force that
    tells little; of steered wheels their heading tells it there, and each counts by what it is
    known to.
    Source: Pacejka, Tyre and Vehicle Dynamics, ch. 3 (brush model, combined slip), from memory;
    the fall beyond the peak is our own addition.

    >>> even = Tyre(20.0, 0.0, 0.0, 1.0, 0.0, 1.0, 0.0)
    >>> one = np.array([0.001])
    >>> load = np.array([3000.0])
    >>> push = pair_force(even, (one, one), (load, load), np.zeros(1), 3000.0, 0.3)
    >>> push.left_n.round(1).tolist()
    [59.6]
    """
    relative = [each / reference_load_n for each in load_n]
    along = [
        tyre.stiffness * load * ratio**-tyre.stiffness_fall * kappa
        for load, ratio, kappa in zip(load_n, relative, slip, strict=True)
    ]
    aside = [
        tyre.stiffness * load * ratio**-tyre.side_stiffness_fall
        for load, ratio in zip(load_n, relative, strict=True)
    ]
    most = [
        np.maximum(tyre.grip * (1 - tyre.grip_fall * (ratio - 1)), 0.2) * load
        for load, ratio in zip(load_n, relative, strict=True)
    ]
    together = most[0] + most[1]
    softest = aside[0] + aside[1]
    asked = np.abs(side_force_n) / tyre.side_grip
    turn = np.sign(side_force_n) * arm / tyre.side_grip
    toward = None if seen is None else np.maximum(np.sign(side_force_n) * seen, 0.0)
    if side_slip is None:
        share = np.minimum(asked / together, _MOST_SIDE_SHARE)
        side_slip = 3 * together * (1 - np.cbrt(1 - share)) / softest
    for _ in range(steps):
        left, right = (
            _wheel(tyre, *each, side_slip) for each in zip(along, aside, most, strict=True)
        )
        wanted = asked + turn * (right.forward - left.forward)
        wanted = np.clip(wanted, 0.0, _MOST_SIDE_SHARE * together)
        slope = np.maximum(left.slope + right.slope, 0.05 * softest)
        change = (wanted - left.sideways - right.sideways) / slope
        if toward is not None:
            by_force = (slope * _SEEN_SIDE_SLIP) ** 2
            by_force /= by_force + (_SIDE_FORCE_SHARE * together) ** 2
            change = by_force * change + (1 - by_force) * (toward - side_slip)
        side_slip = np.clip(
            side_slip + change,
            0.5 * side_slip,
            np.minimum(1.5 * side_slip + 0.002, _MOST_SIDE_SLIP),
        )
    left, right = (_wheel(tyre, *each, side_slip) for each in zip(along, aside, most, strict=True))
    share = (asked + turn * (right.forward - left.forward)) / together
    if seen is not None:
        share = np.minimum(share, _SEEN_SIDE_SHARE)
    return PairForce(left.forward, right.forward, left.use, right.use, share, side_slip)


@dataclass(frozen=True, slots=True)
class _Wheel:
    forward: FloatArray
    sideways: FloatArray
    slope: FloatArray
    """Change of the sideways force per sideways slip."""
    use: FloatArray


def _wheel(
    tyre: Tyre, along: FloatArray, aside: FloatArray, most: FloatArray, side_slip: FloatArray
) -> _Wheel:
    """Forces of one wheel; all arguments of shape (n,), ``along`` already slip times stiffness."""
    across = aside * side_slip
    size = np.sqrt(along * along + across * across) + 1e-3
    use = size / (3 * most)
    inner = np.minimum(use, 1.0)
    beyond = 1 + tyre.past_peak * np.log(np.maximum(use, 1.0))
    per_size = most * inner * (3 - 3 * inner + inner * inner) / (beyond * size)
    toward = (across / size) ** 2
    slope = aside * (per_size * (1 - toward) + (1 - inner) ** 2 * toward)
    return _Wheel(per_size * along, per_size * across, slope, use)
