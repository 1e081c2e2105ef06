"""How far a wheel may misread its half-shaft's torque, and both wheels the locking torque."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.tyre_pair import Tyre
from pipeline.wheel_balance import AxleFigures, AxleRun, WheelTorques, wheel_torques

FloatArray = NDArray[np.float64]

# What a wheel's torque is uncertain by, one standard deviation, chosen on simulated cars other
# than those of the tests: plain torque, share of itself, slip, and load as a share of the mean.
# A light wheel is a poor instrument: kerbs and bumps change its load by a third.
_TORQUE_NM = 12.0
_SHARE = 0.04
_SLIP = 6e-4
_LOAD_SHARE = 0.12
# Beyond the slip of most force a tyre shows its grip and its load, which are least known.
_SPENT_SHARE = 0.7
# How far the locking torque may be misread alike in every lap, one standard deviation: plain and as
# a share of the input torque; and over which span of input torque it stays alike: what cornering
# does to the reading is there under drive and on overrun. Chosen on the same cars.
_MISREAD_NM, _MISREAD_SHARE = 6.0, 0.045
_REACH_NM, _REACH_SHARE = 1000.0, 0.4


def misreading_covariance(input_torque_nm: FloatArray, heading_share: float = 0.0) -> FloatArray:
    """How a misreading of the locking torque hangs together over the input torque. [N2 m2]

    Parameters
    ----------
    input_torque_nm : array, shape (m,)
    heading_share : float
        What the unknown course of steered wheels adds, as a share of the input torque.

    Returns
    -------
    array, shape (m, m)

    Notes
    -----
    A tyre of so few numbers misreads a torque difference alike at like input torques, in every lap
    and every corner, so the scatter between laps does not show it. Its size and reach were taken
    from simulated cars, tyres and builds other than those of the tests and of the study.
    """
    share = np.hypot(_MISREAD_SHARE, heading_share)
    size = np.hypot(_MISREAD_NM, share * np.abs(input_torque_nm))
    reach = np.hypot(_REACH_NM, _REACH_SHARE * np.abs(input_torque_nm))
    apart = input_torque_nm[:, None] - input_torque_nm
    alike = np.exp(-0.5 * apart**2 / (reach[:, None] * reach))
    return np.asarray(size[:, None] * size * alike)


def wheel_doubt(run: AxleRun, tyre: Tyre, torques: WheelTorques) -> tuple[FloatArray, FloatArray]:
    """What the left and the right wheel's torque is uncertain by, one sigma, shape (n,). [N m]"""
    mean_load = 0.5 * (torques.left_load_n + torques.right_load_n)

    # Near the most side force a little of it stands for much sideways slip.
    lateral = np.clip(torques.push.side_share, 0.0, 0.97)

    def one(torque: FloatArray, load: FloatArray, use: FloatArray) -> FloatArray:
        steep = _steepness(run, tyre, load, use)
        squared = (
            _TORQUE_NM**2
            + (_SLIP * steep) ** 2
            + (_SHARE / (1 - lateral) * torque) ** 2
            + (_SPENT_SHARE * torque * np.minimum(use, 1.0) ** 3) ** 2
            + (_LOAD_SHARE * torque * mean_load / load) ** 2
        )
        return np.asarray(np.sqrt(squared))

    push = torques.push
    return (
        one(torques.left_nm, torques.left_load_n, push.left_use),
        one(torques.right_nm, torques.right_load_n, push.right_use),
    )


def at_input_torque(run: AxleRun, figures: AxleFigures, tyre: Tyre) -> WheelTorques:
    """Both wheels' torques where the speed's error is what the input torque makes it. [N m]

    Notes
    -----
    A speed that reads low shows as slip of both wheels alike, and as more torque of both than the
    input torque is. The common slip that leaves least of both doubts is taken; derived here.
    """
    slip, side_slip = np.zeros(len(run.lap)), None
    for _ in range(3):
        told = wheel_torques(
            run, figures, tyre, steps=8 if side_slip is None else 2, side_slip=side_slip,
            common_slip=slip,
        )  # fmt: skip
        side_slip = told.push.side_slip
        left, right = wheel_doubt(run, tyre, told)
        known = 1 / (left * left + right * right)
        steep = _steepness(run, tyre, told.left_load_n, told.push.left_use)
        steep = steep + _steepness(run, tyre, told.right_load_n, told.push.right_use)
        over = run.input_torque_nm - told.left_nm - told.right_nm
        trust = run.speed_doubt**-2
        slip = slip + (steep * over * known - slip * trust) / (steep * steep * known + trust)
    return wheel_torques(run, figures, tyre, steps=2, side_slip=side_slip, common_slip=slip)


def _steepness(run: AxleRun, tyre: Tyre, load: FloatArray, use: FloatArray) -> FloatArray:
    """Torque per slip, shape (n,). [N m]"""
    left_over = np.maximum(1 - np.minimum(use, 1.0), 0.15)
    return np.asarray(tyre.stiffness * run.radius_m * load * left_over**2)
