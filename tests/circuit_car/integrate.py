"""The equations of motion at 2 kHz: one compiled loop from the pit box back to the pit box.

Wheels are stepped implicitly against tyre slip and brakes, the velocity vector is turned exactly,
so a fixed step stays stable at standstill and adds no energy of its own.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from circuit_car.control import (
    BRAKE,
    BRAKE_WISH,
    GEAR,
    N_STATE,
    OIL_C_F,
    PHASE,
    PHASE_TIME,
    PLATES_C_F,
    RATE,
    STATION,
    STEER,
    STEER_WISH,
    STOPPED,
    THROTTLE,
    THROTTLE_WISH,
    TWIST_FL,
    VX,
    VY,
    W_E,
    W_FL,
    W_FR,
    W_GFL,
    W_RL,
    W_RR,
    YAW,
    X,
    Y,
    decide,
    lookup,
)  # fmt: skip
from circuit_car.driveline import N_ENERGY, PACKS_FRONT
from circuit_car.driven_axles import (
    CAPACITY,
    D_T,
    N_KEPT,
    STUCK,
    T_IN,
    T_LEFT,
    T_RIGHT,
    drive_wheels,
    feel_slip,
    has_two,
    main_axle,
)
from circuit_car.wheels import (
    FORCE_LONG,
    LOAD,
    N_ROWS,
    SLIP,
    push_body,
    set_loads,
    touch_ground,
    turn_wheels,
)

STEP_S = 0.0005
RECORD_EVERY = 2
DECIDE_EVERY = 10

# What the loop records, in this order.
RECORDED_CAR = (
    "position_x_m", "position_y_m", "yaw_rad", "speed_mps", "lateral_speed_mps", "yaw_rate_radps",
    "accel_long_mps2", "accel_lat_mps2",
    "wheel_speed_fl_radps", "wheel_speed_fr_radps", "wheel_speed_rl_radps", "wheel_speed_rr_radps",
    "engine_torque_nm", "engine_speed_radps", "gear", "throttle_ratio", "brake_pressure_pa",
    "steering_angle_rad", "station_m",
    "wheel_load_fl_n", "wheel_load_fr_n", "wheel_load_rl_n", "wheel_load_rr_n",
    "tyre_force_fl_n", "tyre_force_fr_n", "tyre_force_rl_n", "tyre_force_rr_n",
    "slip_fl", "slip_fr", "slip_rl", "slip_rr",
)  # fmt: skip
# Then this of the driven axle; of a car with two, first of the rear and then of the front.
RECORDED_AXLE = (
    "shaft_torque_left_nm", "shaft_torque_right_nm", "lock_capacity_nm", "stuck",
    "friction_power_w", "friction_energy_j", "input_torque_nm",
    "plate_temperature_c", "oil_temperature_c", "flange_speed_left_radps",
    "flange_speed_right_radps",
)  # fmt: skip
N_CAR = len(RECORDED_CAR)
N_AXLE = len(RECORDED_AXLE)


@njit(cache=True)
def _record_car(out, j, q, engine, ax, ay, patch):
    row = (
        q[X], q[Y], q[YAW], q[VX], q[VY], q[RATE], ax, ay, q[W_FL], q[W_FR], q[W_RL], q[W_RR],
        engine, q[W_E], q[GEAR], q[THROTTLE], q[BRAKE], q[STEER], q[STATION],
    )  # fmt: skip
    for i in range(19):
        out[i, j] = row[i]
    for i in range(4):
        out[19 + i, j] = patch[LOAD, i]
        out[23 + i, j] = patch[FORCE_LONG, i]
        out[27 + i, j] = patch[SLIP, i]


@njit(cache=True)
def _record_axle(out, j, first, q, axle, kept, energy):
    left, right = q[W_GFL + 2 * axle], q[W_GFL + 2 * axle + 1]
    power = -0.5 * kept[axle, D_T] * (left - right)
    row = (
        kept[axle, T_LEFT], kept[axle, T_RIGHT], kept[axle, CAPACITY], kept[axle, STUCK],
        power, energy, kept[axle, T_IN], q[PLATES_C_F + axle], q[OIL_C_F + axle], left, right,
    )  # fmt: skip
    for i in range(11):
        out[first + i, j] = row[i]


@njit(cache=True)
def _start(car, path, plan):
    """The car in its box, engine idling, differentials warm."""
    q = np.zeros(N_STATE)
    box = plan.stop_station % path.length
    q[STATION] = box
    i0 = int(box / path.step)
    offset0 = lookup(plan.offset, box)
    q[X] = path.x[i0] - path.sin[i0] * offset0 + (box - i0 * path.step) * path.cos[i0]
    q[Y] = path.y[i0] + path.cos[i0] * offset0 + (box - i0 * path.step) * path.sin[i0]
    q[YAW] = math.atan2(path.sin[i0], path.cos[i0])
    q[W_E] = car.idle
    q[BRAKE] = 1.0e6
    for axle in range(2):
        q[PLATES_C_F + axle] = q[OIL_C_F + axle] = car.heat.start_c
    return q


@njit(cache=True)
def _follow_path(q, path):
    """Move the station along; index on the path, its direction, distance to its left. [-], [m]"""
    n_path = len(path.x)
    at = (q[STATION] % path.length) / path.step
    i = int(at)
    f = at - i
    i = i % n_path
    i1 = (i + 1) % n_path
    c = path.cos[i] * (1.0 - f) + path.cos[i1] * f
    s = path.sin[i] * (1.0 - f) + path.sin[i1] * f
    ex = q[X] - path.x[i] * (1.0 - f) - path.x[i1] * f
    ey = q[Y] - path.y[i] * (1.0 - f) - path.y[i1] * f
    beside = -s * ex + c * ey
    bend = path.curvature[i] * (1.0 - f) + path.curvature[i1] * f
    q[STATION] += (c * ex + s * ey) / (1.0 - bend * beside)
    return i, c, s, beside


@njit(cache=True)
def _look(q, car, driver, path, plan, c, s, beside):
    """The driver compares where the car goes with where it should, and decides."""
    n_path = len(path.x)
    cos_yaw = math.cos(q[YAW])
    sin_yaw = math.sin(q[YAW])
    ahead = int(((q[STATION] + driver.preview * q[VX]) % path.length) / path.step) % n_path
    look = q[STATION] + 0.10 * q[VX]
    error = beside - lookup(plan.offset, look)
    slope = lookup(plan.offset, look + 1.0) - lookup(plan.offset, look)
    heading = sin_yaw * c - cos_yaw * s - slope
    # The intended line bends against the reference line where it moves sideways.
    look = q[STATION] + driver.preview * q[VX]
    bend_ahead = (
        path.curvature[ahead]
        + (
            lookup(plan.offset, look + 5.0)
            - 2.0 * lookup(plan.offset, look)
            + lookup(plan.offset, look - 5.0)
        )
        / 25.0
    )
    decide(q, car, driver, plan, error, heading, bend_ahead)


@njit(cache=True)
def _move_hands_and_feet(q, driver, dt):
    move = (q[STEER_WISH] - q[STEER]) * dt / driver.steering_lag
    q[STEER] += max(-1.5 * dt, min(1.5 * dt, move))
    foot = q[THROTTLE_WISH] - q[THROTTLE]
    q[THROTTLE] += foot * dt / (0.12 if foot > 0.0 else 0.05)
    q[BRAKE] += (q[BRAKE_WISH] - q[BRAKE]) * dt / 0.04


@njit(cache=True)
def run(car, path, plan, driver, n_max):
    """Integrate one run; returns samples, energy book [J], final energy of motion [J]."""
    dt = STEP_S
    main = main_axle(car.share_front)
    out = np.empty((N_CAR + (2 if has_two(car.share_front) else 1) * N_AXLE, n_max))
    book = np.zeros(N_ENERGY)
    patch = np.zeros((N_ROWS, 4))
    kept = np.zeros((2, N_KEPT))
    q = _start(car, path, plan)
    j = 0
    k = 0
    while j < n_max:
        i, c, s, beside = _follow_path(q, path)
        if k % DECIDE_EVERY == 0:
            _look(q, car, driver, path, plan, c, s, beside)
            if q[PHASE] == STOPPED and q[PHASE_TIME] > driver.stand_after:
                break
        q[PHASE_TIME] += dt
        _move_hands_and_feet(q, driver, dt)
        set_loads(patch, q, car, path, i)
        touch_ground(patch, q, car, dt)
        feel_slip(q, car, patch, dt)
        engine = drive_wheels(q, book, car, patch, kept, dt)
        turn_wheels(patch, q, book, car, dt)
        if car.shafts.stiffness_nmprad == 0.0:
            _tie_wheels_to_flanges(q, car.share_front)

        cos_yaw = math.cos(q[YAW])
        sin_yaw = math.sin(q[YAW])
        old_x = cos_yaw * q[VX] - sin_yaw * q[VY]
        old_y = sin_yaw * q[VX] + cos_yaw * q[VY]
        old_rate = q[RATE]
        ax, ay, moment = push_body(patch, q, book, car, dt)
        q[YAW] += (old_rate + 0.5 * moment / car.yaw_inertia * dt) * dt
        q[X] += old_x * dt
        q[Y] += old_y * dt
        k += 1
        if k % RECORD_EVERY == 0:
            _record_car(out, j, q, engine, ax, ay, patch)
            _record_axle(out, j, N_CAR, q, main, kept, book[PACKS_FRONT + main])
            if has_two(car.share_front):
                _record_axle(out, j, N_CAR + N_AXLE, q, 0, kept, book[PACKS_FRONT])
            j += 1
    return out[:, :j], book, _kinetic(q, car)


@njit(cache=True)
def _tie_wheels_to_flanges(q, share_front):
    """Rigid shafts: no rounding between their two ends."""
    for wheel in range(4):
        if share_front > 0.0 if wheel < 2 else share_front < 1.0:
            q[W_FL + wheel] = q[W_GFL + wheel]


@njit(cache=True)
def _kinetic(q, car):
    """Energy of motion of body, wheels, driveline and engine, and of wound-up shafts. [J]"""
    total = car.mass * (q[VX] ** 2 + q[VY] ** 2) + car.yaw_inertia * q[RATE] ** 2
    total += car.j_engine * q[W_E] ** 2
    for axle in range(2):
        left, right = q[W_GFL + 2 * axle], q[W_GFL + 2 * axle + 1]
        total += car.j_driveline * (0.5 * (left + right)) ** 2
        if car.shafts.stiffness_nmprad > 0.0:
            total += car.shafts.flange_inertia_kgm2 * (left**2 + right**2)
    for wheel in range(4):
        total += car.inertias[wheel] * q[W_FL + wheel] ** 2
        total += car.shafts.stiffness_nmprad * q[TWIST_FL + wheel] ** 2
    return 0.5 * total
