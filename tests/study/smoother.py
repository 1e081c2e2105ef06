"""Second rival: the torque difference as a hidden state that a smoother reads off the wheels.

An extended Kalman filter and a backward pass read speeds and torque difference; a robust line
through the readings of sliding packs is the law. Tyre and figures have to come from elsewhere: the
sums of both wheels' torques alone leave the radii apart open, and the law with them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.split import wheel_doubt
from pipeline.tyre_pair import Tyre
from pipeline.wheel_balance import AxleFigures, AxleRun
from study.driven_wheels import STEP_S, Windows, braking, lateness, moment

FloatArray = NDArray[np.float64]

_SPEED_RADPS = 0.03
# The torque difference walks; it turns round where a held axle lets go. [N m / sqrt(s)] The best
# of 300 to 3000 on a few cars: slower, and what is read before a slide is carried into it.
_WALK = 3000.0


@dataclass(frozen=True, slots=True)
class Smoothed:
    """Torque difference and its standard deviation, shape (steps, windows). [N m]"""

    difference_nm: FloatArray
    sigma_nm: FloatArray


def smoothed_difference(
    run: AxleRun, windows: Windows, figures: AxleFigures, tyre: Tyre
) -> Smoothed:
    """Torque difference of both half-shafts, by all of a window's speeds.

    Notes
    -----
    States: both wheels' speeds and the torque difference, which walks. A step of the speeds is
    that of `output_error.integrated` without packs. Source: Rauch, Tung & Striebel, Maximum
    likelihood estimates of linear dynamic systems, AIAA Journal 3 (1965) 1445.
    """
    count, per_step = windows.at.shape[1], run.wheel_inertia_kgm2 / STEP_S
    state = np.stack(
        (run.left_radps[windows.at[0]], run.right_radps[windows.at[0]], np.zeros(count)), axis=-1
    )
    spread = np.broadcast_to(np.diag([0.1**2, 0.1**2, 300.0**2]), (count, 3, 3)).copy()
    kept, side_slip = [(state, spread, state, spread, spread)], None
    for at, there in zip(windows.at[1:], windows.there[1:], strict=True):
        here = moment(run, at)
        back = braking(here, state[:, 0], state[:, 1], figures, tyre, side_slip)
        side_slip = back.told.push.side_slip
        stiff = np.stack((per_step + back.left_slope, per_step + back.right_slope), axis=-1)
        shares = np.array([0.5, -0.5])
        resisted = np.stack((back.told.left_nm, back.told.right_nm), axis=-1)
        torque = 0.5 * here.input_torque_nm[:, None] + shares * state[:, 2:]
        moved = np.column_stack((state[:, :2] + (torque - resisted) / stiff, state[:, 2]))
        step = np.zeros((count, 3, 3))
        step[:, 0, 0], step[:, 1, 1] = (per_step / stiff).T
        step[:, :2, 2] = shares / stiff
        step[:, 2, 2] = 1.0
        doubt = np.stack(wheel_doubt(here, tyre, back.told), axis=-1)
        added = np.zeros((count, 3, 3))
        added[:, 0, 0], added[:, 1, 1] = ((doubt / stiff) ** 2).T
        added[:, 2, 2] = _WALK**2 * STEP_S
        ahead = step @ spread @ step.transpose(0, 2, 1) + added
        late = figures.tooth_rad * np.stack(lateness(run, at), axis=-1)
        seen = np.stack((run.left_radps[at], run.right_radps[at]), axis=-1) + late
        common = (here.speed_doubt * here.speed_mps / here.radius_m) ** 2
        noise = _SPEED_RADPS**2 * np.eye(2) + common[:, None, None]
        gain = ahead[:, :, :2] @ np.linalg.inv(ahead[:, :2, :2] + noise)
        gain = gain * there[:, None, None]
        state = moved + np.einsum("wij,wj->wi", gain, seen - moved[:, :2])
        spread = ahead - gain @ ahead[:, :2, :]
        kept.append((state, spread, moved, ahead, step))
    smooth, covariance = [kept[-1][0]], [kept[-1][1]]
    for k in range(len(kept) - 2, -1, -1):
        state, spread, *_ = kept[k]
        _, _, moved, ahead, step = kept[k + 1]
        gain = spread @ step.transpose(0, 2, 1) @ np.linalg.inv(ahead)
        smooth.append(state + np.einsum("wij,wj->wi", gain, smooth[-1] - moved))
        covariance.append(spread + gain @ (covariance[-1] - ahead) @ gain.transpose(0, 2, 1))
    return Smoothed(
        np.array(smooth[::-1])[:, :, 2], np.sqrt(np.array(covariance[::-1])[:, :, 2, 2])
    )
