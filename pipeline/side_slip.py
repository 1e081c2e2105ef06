"""How far a rear axle slips sideways, told by how the car comes to travel sideways."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.push import GRAVITY_MPS2
from pipeline.regression import TooFewClustersError, huber_fit
from pipeline.rolling import SIDE_SLIP_S2PM

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Over which the sideways speed is followed: longer, and zeros of the sensors add up; shorter, and
# their noise does. Chosen on simulated cars, where it left no bias.
_FOLLOWED_S = 1.5
_BEGUN_S = 0.05
_SLOWEST_MPS = 8.0
_LEAST_S = 60.0
# Beyond this factor from the published tyre something else is wrong. Chosen by us.
_FARTHEST = 5.0


def rear_slip(
    speed_mps: FloatArray,
    yaw_rate_radps: FloatArray,
    accel_lat_mps2: FloatArray,
    rear_accel_mps2: FloatArray,
    to_rear_m: float,
    usable: BoolArray,
    rate_hz: float,
    *,
    accel_long_mps2: FloatArray,
    input_torque_nm: FloatArray,
) -> FloatArray:
    """Slip angle of the rear axle, > 0 where its side force points left, shape (n,). [rad]

    Parameters
    ----------
    speed_mps, yaw_rate_radps, accel_lat_mps2 : array, shape (n,)
        Smoothed alike; the acceleration at the centre of gravity.
    rear_accel_mps2 : array, shape (n,)
        Side force of the rear axle over the mass that it carries.
    to_rear_m : float
        From the centre of gravity to the rear axle.
    usable : array of bool, shape (n,)
        Brakes off, sensors clean.
    rate_hz : float
    accel_long_mps2, input_torque_nm : array, shape (n,)
        Change of the speed; input torque of the driven axle.

    Raises
    ------
    TooFewClustersError
        If the car runs too little with the brakes off, or if its sensors contradict each other.

    Notes
    -----
    The rear axle travels sideways at ``-v a`` with its slip angle a, so the centre of gravity, b in
    front of it, at ``b r - v a``; and that changes by ``a_y - v r``. Over stretches of time
    ``int (a_y - v r) dt = b [r] - [v a]`` with ``a = a_r (c_1 (1 + u^2) + c_2 w^2 + c_3 a_x)``: a
    tyre bends towards its limit, u the side force over nearly the largest of the log; drive takes
    from its side force, or turns the car by a front differential, w the driving torque in the same
    way; and pitch loads it. Zeros and gains of the sensors are found along. Robust least squares;
    derived here.
    """
    drive = _share_of_most(np.maximum(input_torque_nm, 0.0))
    bend = 1 + _share_of_most(rear_accel_mps2)
    terms = [rear_accel_mps2 * each for each in (bend, drive, accel_long_mps2 / GRAVITY_MPS2)]
    forcing = accel_lat_mps2 - speed_mps * yaw_rate_radps
    known = usable & np.isfinite(forcing + np.sum(terms, axis=0)) & (speed_mps > _SLOWEST_MPS)
    length = round(_FOLLOWED_S * rate_hz)
    if len(known) <= length:
        raise TooFewClustersError("the log is too short to tell the side slip of the rear axle")

    def over(values: FloatArray) -> FloatArray:
        total = np.cumsum(np.where(known, values, 0.0)) / rate_hz
        return np.asarray(total[length:] - total[:-length])

    def change(values: FloatArray) -> FloatArray:
        return np.asarray(values[length:] - values[:-length])

    whole = over(np.ones(len(known))) > (length - 0.5) / rate_hz
    whole &= known[:-length]
    if np.count_nonzero(whole) < _LEAST_S * rate_hz:
        raise TooFewClustersError(
            f"the brakes stay off for {_FOLLOWED_S:g} s and longer too seldom to tell the side "
            "slip of the rear axle"
        )
    columns = [-change(speed_mps * term) for term in terms]
    columns += [over(each) for each in (np.ones(len(known)), speed_mps, accel_lat_mps2)]
    response = over(forcing) - to_rear_m * change(yaw_rate_radps)
    # Stretches that begin a hundredth of a second apart say the same.
    at = np.flatnonzero(whole)[:: max(1, round(_BEGUN_S * rate_hz))]
    found, _ = huber_fit(np.stack([each[at] for each in columns], axis=1), response[at])
    middle = 1.5 * found[0] / SIDE_SLIP_S2PM
    if not 1 / _FARTHEST < middle < _FARTHEST:
        raise TooFewClustersError(
            "yaw rate, speed and lateral acceleration contradict each other: by them the rear axle "
            f"slips sideways {middle:.2g} times as much as the tyres of a road car"
        )
    return np.asarray(sum(size * term for size, term in zip(found, terms, strict=False)))


def _share_of_most(values: FloatArray) -> FloatArray:
    """Square of each value over nearly the largest of the log."""
    known = np.abs(values[np.isfinite(values)])
    most = float(np.percentile(known, 98)) if len(known) else 0.0
    return (values / most) ** 2 if most > 0 else np.zeros(len(values))
