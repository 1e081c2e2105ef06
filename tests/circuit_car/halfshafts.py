"""Half-shafts between differential and wheels, and how two driven axles share one gearbox.

Rigid shafts unless the car states a stiffness.  A soft shaft is a spring with a little damping
between a wheel and the flange of its side gear, stepped with the implicit midpoint rule: what it
stores it gives back, so a slow oscillation neither grows nor fades by the numbers.
"""

from __future__ import annotations

from typing import NamedTuple

from numba import njit

from circuit_car.axle import solve_axle
from circuit_car.control import PLATES_C_F, RAMPS_HOLD_F, TWIST_FL, W_FL, W_GFL


class Shafts(NamedTuple):
    """One half-shaft and what turns at its inner end; stiffness 0 stands for rigid."""

    stiffness_nmprad: float = 0.0
    damping_nmsprad: float = 2.0
    flange_inertia_kgm2: float = 0.012  # side gear, flange, joint, half of the shaft


@njit(cache=True)
def flange(q, shafts, wheel, impedance, torque, dt):
    """What the differential feels at a side gear: inertia over time step, braking torque, T_0.

    With T = T_0 + s (flange change - wheel change) at mid-step and the wheel's own
    T = impedance x change + torque, the wheel's change is eliminated (derived here).
    """
    if shafts.stiffness_nmprad == 0.0:
        return impedance, torque, 0.0
    both = 0.5 * shafts.stiffness_nmprad * dt + shafts.damping_nmsprad
    t_0 = shafts.stiffness_nmprad * q[TWIST_FL + wheel]
    t_0 += both * (q[W_GFL + wheel] - q[W_FL + wheel])
    s = 0.5 * both
    share = impedance / (impedance + s)
    inertia = shafts.flange_inertia_kgm2 / dt + s * share
    return inertia, share * t_0 + s * torque / (impedance + s), t_0


@njit(cache=True)
def outer_end(shafts, change, impedance, torque, t_0, dt):
    """Change of the wheel's speed for a change of its flange's. [rad/s]"""
    if shafts.stiffness_nmprad == 0.0:
        return change
    s = 0.5 * (0.5 * shafts.stiffness_nmprad * dt + shafts.damping_nmsprad)
    return (t_0 + s * change - torque) / (impedance + s)


@njit(cache=True)
def one_axle(q, packs, axle, left, right, a_c, drive):
    """`solve_axle` on the flanges of one axle, 0 front and 1 rear; ``left``, ``right`` from
    `flange`."""
    return solve_axle(
        q[W_GFL + 2 * axle], q[W_GFL + 2 * axle + 1], left[0], right[0], a_c, left[1], right[1],
        drive, packs, q[RAMPS_HOLD_F + axle], q[PLATES_C_F + axle],
    )  # fmt: skip


@njit(cache=True)
def both_axles(q, car, front, rear, a_case, a_engine, drive):
    """Both driven axles behind a centre differential that splits torque in a fixed ratio.

    The centre's torque T_c goes to the axles as ``share T_c`` and ``(1 - share) T_c``; its speed
    is the mean of theirs in the same weights, so it loses nothing.  T_c has to be what the engine
    leaves after speeding itself up: ``T_c = drive - a_engine x change of the centre's speed``.
    The change rises with T_c and is made of straight pieces, so a secant finds it.
    ``front``, ``rear`` are each a pair of `flange`.
    Returns both answers of `solve_axle`.
    """
    s = car.share_front
    t = drive
    t_before = miss_before = 0.0
    for attempt in range(60):
        f = one_axle(q, car.packs_front, 0, front[0], front[1], a_case, s * t)
        r = one_axle(q, car.packs_rear, 1, rear[0], rear[1], a_case, (1.0 - s) * t)
        change = s * 0.5 * (f[0] + f[1]) + (1.0 - s) * 0.5 * (r[0] + r[1])
        miss = t + a_engine * change - drive
        if abs(miss) < 1e-9 * (1.0 + abs(drive)) or a_engine == 0.0:
            break
        if attempt == 0:
            slope = 1.0 + 0.25 * a_engine * (
                s * s * (1.0 / front[0][0] + 1.0 / front[1][0])
                + (1.0 - s) * (1.0 - s) * (1.0 / rear[0][0] + 1.0 / rear[1][0])
            )
        elif miss != miss_before:
            slope = max((miss - miss_before) / (t - t_before), 1.0)
        else:
            break
        t_before, miss_before = t, miss
        t -= miss / slope
    return f, r
