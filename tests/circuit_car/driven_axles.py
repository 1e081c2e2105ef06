"""From the engine to the wheels' changes of speed over one time step, one driven axle or two."""

from __future__ import annotations

from numba import njit

from circuit_car.control import (
    CLUTCH,
    CLUTCH_NM,
    GEAR,
    LOCKED,
    RAMPS_HOLD_F,
    SLIP_FRONT,
    SLIP_L,
    SLIP_R,
    TWIST_FL,
    VX,
    W_FL,
    W_GFL,
    output_speed,
)
from circuit_car.driveline import PACKS_FRONT, SHAFTS, clutch, engine_speed
from circuit_car.friction import ramps_after
from circuit_car.halfshafts import both_axles, flange, one_axle, outer_end
from circuit_car.heat import warm
from circuit_car.wheels import CHANGE, IMPEDANCE, SLIP, TORQUE

# What is kept of a step, per axle, to be recorded.
T_LEFT, T_RIGHT, CAPACITY, STUCK, D_T, T_IN, N_KEPT = range(7)


@njit(cache=True)
def has_two(share_front):
    """Are both axles driven?"""
    return 0.0 < share_front < 1.0


@njit(cache=True)
def main_axle(share_front):
    """The driven axle, or the rear one of two: 0 front, 1 rear."""
    return 0 if share_front == 1.0 else 1


@njit(cache=True)
def feel_slip(q, car, patch, dt):
    """What the driver feels of the driven wheels spinning and of the front wheels locking."""
    main = 2 * main_axle(car.share_front)
    left, right = patch[SLIP, main], patch[SLIP, main + 1]
    if has_two(car.share_front):
        left, right = max(left, patch[SLIP, 0]), max(right, patch[SLIP, 1])
    q[SLIP_L] += (left - q[SLIP_L]) * dt / 0.04
    q[SLIP_R] += (right - q[SLIP_R]) * dt / 0.04
    q[SLIP_FRONT] = min(patch[SLIP, 0], patch[SLIP, 1])


@njit(cache=True)
def _solve(q, car, fl, fr, rl, rr, a_engine, drive, dt):
    """Answers of `solve_axle` for front and rear; twice the same where only one is driven."""
    a_case = car.j_driveline / dt
    if has_two(car.share_front):
        return both_axles(q, car, (fl, fr), (rl, rr), a_case, a_engine, drive)
    if main_axle(car.share_front) == 0:
        solved = one_axle(q, car.packs_front, 0, fl, fr, a_case + a_engine, drive)
    else:
        solved = one_axle(q, car.packs_rear, 1, rl, rr, a_case + a_engine, drive)
    return solved, solved


@njit(cache=True)
def _move(q, book, car, axle, packs, left, right, solved, patch, kept, dt):
    """Step flanges, shafts, ramps and temperatures of a driven axle; find its wheels' changes."""
    ch_l, ch_r, t_in, d_t, capacity, stuck = solved
    w = 2 * axle
    case_mid = 0.5 * (q[W_GFL + w] + q[W_GFL + w + 1]) + 0.25 * (ch_l + ch_r)
    dw_mid = (q[W_GFL + w] - q[W_GFL + w + 1]) + 0.5 * (ch_l - ch_r)
    friction_w = -0.5 * d_t * dw_mid
    book[PACKS_FRONT + axle] += friction_w * dt
    warm(q, axle, car.heat, friction_w, t_in * case_mid, q[VX], dt)
    q[RAMPS_HOLD_F + axle] = ramps_after(t_in, packs, q[RAMPS_HOLD_F + axle])
    kept[axle, T_LEFT] = 0.5 * (t_in + d_t)
    kept[axle, T_RIGHT] = 0.5 * (t_in - d_t)
    kept[axle, CAPACITY] = capacity
    kept[axle, STUCK] = 1.0 if stuck else 0.0
    kept[axle, D_T] = d_t
    kept[axle, T_IN] = t_in
    for side in range(2):
        i = w + side
        end = left if side == 0 else right
        change = ch_l if side == 0 else ch_r
        wheel = outer_end(car.shafts, change, patch[IMPEDANCE, i], patch[TORQUE, i], end[2], dt)
        patch[CHANGE, i] = wheel
        if car.shafts.stiffness_nmprad > 0.0:
            wound = q[W_GFL + i] - q[W_FL + i] + 0.5 * (change - wheel)
            q[TWIST_FL + i] += wound * dt
            book[SHAFTS] += car.shafts.damping_nmsprad * wound * wound * dt
            kept[axle, T_LEFT + side] = patch[IMPEDANCE, i] * wheel + patch[TORQUE, i]
        q[W_GFL + i] += change
    if stuck:
        q[W_GFL + w + 1] = q[W_GFL + w]  # exactly, not to rounding


@njit(cache=True)
def drive_wheels(q, book, car, patch, kept, dt):
    """Engine, clutch, gearbox and axles; fills in the change of every wheel. Engine torque [N m]"""
    ratio = car.ratios[int(q[GEAR])]
    engine = clutch(q, car, dt)
    grade = car.efficiency if q[CLUTCH_NM] >= 0.0 else 1.0 / car.efficiency
    a_engine = 0.0
    if q[CLUTCH] == LOCKED:
        a_engine = grade * ratio * ratio * car.j_engine / dt
        drive = ratio * grade * engine
    else:
        drive = ratio * grade * q[CLUTCH_NM]
    before = output_speed(q, car.share_front)
    fl = flange(q, car.shafts, 0, patch[IMPEDANCE, 0], patch[TORQUE, 0], dt)
    fr = flange(q, car.shafts, 1, patch[IMPEDANCE, 1], patch[TORQUE, 1], dt)
    rl = flange(q, car.shafts, 2, patch[IMPEDANCE, 2], patch[TORQUE, 2], dt)
    rr = flange(q, car.shafts, 3, patch[IMPEDANCE, 3], patch[TORQUE, 3], dt)
    front, rear = _solve(q, car, fl, fr, rl, rr, a_engine, drive, dt)
    for wheel in range(4):
        patch[CHANGE, wheel] = -patch[TORQUE, wheel] / patch[IMPEDANCE, wheel]
    if car.share_front > 0.0:
        _move(q, book, car, 0, car.packs_front, fl, fr, front, patch, kept, dt)
    if car.share_front < 1.0:
        _move(q, book, car, 1, car.packs_rear, rl, rr, rear, patch, kept, dt)
    case_change = car.share_front * (0.5 * (front[0] + front[1]))
    case_change += (1.0 - car.share_front) * (0.5 * (rear[0] + rear[1]))
    case_mid = before + 0.5 * case_change
    engine_speed(q, car, book, engine, ratio, grade, case_mid, case_change, dt)
    return engine
