"""Which driven tyre rolls larger, from turns both ways, where the log has no half-shaft torques."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.regression import ClusterFit, fit_by_cluster
from pipeline.rolling import GroundSpeeds

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A turn asks for clearly more than unequal tyres do: 1.5 % of the wheel speed, a radius of 100 m
# at 1.5 m of track. Chosen by us.
_TIGHT = 0.015
# Beyond 3 % of difference from rolling a wheel is on its way to running away. Chosen by us.
_ROLLING = 0.03
_LEAST_SPEED_MPS = 8.0
# What the odd terms leave of the radius ratio: twice the root mean square error over 49 simulated
# sessions without torques, soft to firm, was 0.0006.
TURNS_MODEL_DOUBT = 6e-4


def turning_freely(
    difference_radps: FloatArray, ground: GroundSpeeds, radius_m: float
) -> BoolArray:
    """Samples of clear turning in which neither driven wheel runs away, shape (n,)."""
    speed = ground.mean_mps
    with np.errstate(invalid="ignore", divide="ignore"):
        asked = ground.difference_mps / speed
        left_over = difference_radps * radius_m / speed - asked
        return np.asarray(
            (speed > _LEAST_SPEED_MPS) & (np.abs(asked) > _TIGHT) & (np.abs(left_over) < _ROLLING)
        )


def fit_radius_from_turns(
    difference_radps: FloatArray,
    ground: GroundSpeeds,
    pull: FloatArray,
    radius_m: float,
    lap: NDArray[np.signedinteger[Any]],
) -> ClusterFit:
    """What turning left and turning right have in common of the speed difference.

    Parameters
    ----------
    difference_radps : array, shape (n,)
        Samples at which the pack slides and both tyres roll: no wheel runs away.
    ground : GroundSpeeds
        At the same samples.
    pull : array, shape (n,)
        Whatever grows with the input torque, in any unit.
    radius_m : float
        Mean rolling radius of the driven wheels. [m]
    lap : array of int, shape (n,)

    Returns
    -------
    ClusterFit
        Its first coefficient is ``1/R_L - 1/R_R``. [1/m]

    Notes
    -----
    Derived here. A pack that slides takes torque from the faster wheel and gives it to the slower,
    and load shifts to the outside: the slips that follow change their sign with the turn, unequal
    radii do not. So in ``(dw - dv/R) / v = (1/R_L - 1/R_R) + slips``, v and dv being mean and
    difference of the ground speeds, the slips are taken up by terms that are odd in the turn,
    ``sign(r)``, the lateral acceleration and its product with the pull, and the radii are the
    intercept. Where the pack sticks the wheels turn as one whatever their radii, which is why
    straights tell nothing without torques.
    """
    speed = ground.mean_mps
    response = (difference_radps - ground.difference_mps / radius_m) / speed
    turn = np.sign(ground.yaw_rate_radps)
    lateral = speed * ground.yaw_rate_radps
    scale = float(np.std(pull)) or 1.0
    design = np.column_stack(
        (np.ones(len(response)), turn, lateral, lateral * pull / scale, turn * pull / scale)
    )
    return fit_by_cluster(design, response, lap)
