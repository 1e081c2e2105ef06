"""The equations of motion at 2 kHz: one compiled loop from the pit box back to the pit box.

Wheels are stepped implicitly against tyre slip and brakes, the velocity vector is turned exactly,
so a fixed step stays stable at standstill and adds no energy of its own.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from circuit_car.axle import solve_axle
from circuit_car.control import (
    AX_LAG,
    AY_LAG,
    BRAKE,
    BRAKE_WISH,
    CLUTCH,
    CLUTCH_NM,
    GEAR,
    LOCKED,
    N_STATE,
    OIL_C,
    PHASE,
    PHASE_TIME,
    PLATES_C,
    RAMPS_HOLD,
    RATE,
    SLIP_FRONT,
    SLIP_L,
    SLIP_R,
    STATION,
    STEER,
    STEER_WISH,
    STOPPED,
    THROTTLE,
    THROTTLE_WISH,
    VX,
    VY,
    W_E,
    W_FL,
    W_FR,
    W_RL,
    W_RR,
    YAW,
    X,
    Y,
    decide,
    lookup,
)  # fmt: skip
from circuit_car.driveline import (
    AERO,
    BRAKES,
    N_ENERGY,
    PACKS,
    ROLLING,
    TYRES,
    clutch,
    engine_speed,
)  # fmt: skip
from circuit_car.friction import ramps_after
from circuit_car.heat import warm
from circuit_car.tyre import tyre_forces

STEP_S = 0.0005
RECORD_EVERY = 2
DECIDE_EVERY = 10
SLOW_MPS = 2.0  # below this speed slip is referred to this speed, so standstill is a stiff damper

# What the loop records, in this order.
RECORDED = (
    "position_x_m", "position_y_m", "yaw_rad", "speed_mps", "lateral_speed_mps", "yaw_rate_radps",
    "accel_long_mps2", "accel_lat_mps2",
    "wheel_speed_fl_radps", "wheel_speed_fr_radps", "wheel_speed_rl_radps", "wheel_speed_rr_radps",
    "shaft_torque_left_nm", "shaft_torque_right_nm", "lock_capacity_nm", "stuck",
    "friction_power_w", "friction_energy_j",
    "engine_torque_nm", "engine_speed_radps", "gear", "throttle_ratio", "brake_pressure_pa",
    "steering_angle_rad", "station_m",
    "wheel_load_fl_n", "wheel_load_fr_n", "wheel_load_rl_n", "wheel_load_rr_n",
    "tyre_force_rl_n", "tyre_force_rr_n",
    "slip_fl", "slip_fr", "slip_rl", "slip_rr",
    "input_torque_nm", "plate_temperature_c", "oil_temperature_c",
)  # fmt: skip


@njit(cache=True)
def _axle_loads(total, transfer, factor_left, factor_right):
    """Left and right load; a lifted wheel leaves its axle's load to the other. [N]"""
    left = 0.5 * total - transfer
    right = 0.5 * total + transfer
    if left < 0.0:
        left, right = 0.0, total
    elif right < 0.0:
        left, right = total, 0.0
    return left * factor_left, right * factor_right


@njit(cache=True)
def _record(
    out, j, q, t_in, d_t, capacity, stuck, power, energy, engine, ax, ay, loads, forces, slips
):
    body = (
        q[X], q[Y], q[YAW], q[VX], q[VY], q[RATE], ax, ay, q[W_FL], q[W_FR], q[W_RL], q[W_RR],
    )  # fmt: skip
    drive = (
        0.5 * (t_in + d_t), 0.5 * (t_in - d_t), capacity,
        1.0 if stuck else 0.0, power, energy, engine, q[W_E], q[GEAR], q[THROTTLE], q[BRAKE],
        q[STEER], q[STATION],
    )  # fmt: skip
    for i in range(12):
        out[i, j] = body[i]
    for i in range(13):
        out[12 + i, j] = drive[i]
    for i in range(4):
        out[25 + i, j] = loads[i]
        out[31 + i, j] = slips[i]
    out[29, j] = forces[2]
    out[30, j] = forces[3]
    out[35, j] = t_in
    out[36, j] = q[PLATES_C]
    out[37, j] = q[OIL_C]


@njit(cache=True)
def run(car, path, plan, driver, n_max):
    """Integrate one run; returns samples, number of samples, energy book [J], final kinetic [J]."""
    dt = STEP_S
    out = np.empty((38, n_max))
    book = np.zeros(N_ENERGY)
    q = np.zeros(N_STATE)
    loads = np.zeros(4)
    forces = np.zeros(4)
    slips = np.zeros(4)
    wheelbase = car.a + car.b
    n_path = len(path.x)
    box = plan.stop_station % path.length
    q[STATION] = box
    i0 = int(box / path.step)
    offset0 = lookup(plan.offset, box)
    q[X] = path.x[i0] - path.sin[i0] * offset0 + (box - i0 * path.step) * path.cos[i0]
    q[Y] = path.y[i0] + path.cos[i0] * offset0 + (box - i0 * path.step) * path.sin[i0]
    q[YAW] = math.atan2(path.sin[i0], path.cos[i0])
    q[W_E] = car.idle
    q[BRAKE] = 1.0e6
    q[PLATES_C] = q[OIL_C] = car.heat.start_c
    j = 0
    k = 0
    while j < n_max:
        # Where the car is along and beside the reference line.
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
        cos_yaw = math.cos(q[YAW])
        sin_yaw = math.sin(q[YAW])
        if k % DECIDE_EVERY == 0:
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
            if q[PHASE] == STOPPED and q[PHASE_TIME] > driver.stand_after:
                break
        q[PHASE_TIME] += dt
        move = (q[STEER_WISH] - q[STEER]) * dt / driver.steering_lag
        q[STEER] += max(-1.5 * dt, min(1.5 * dt, move))
        foot = q[THROTTLE_WISH] - q[THROTTLE]
        q[THROTTLE] += foot * dt / (0.12 if foot > 0.0 else 0.05)
        q[BRAKE] += (q[BRAKE_WISH] - q[BRAKE]) * dt / 0.04

        # Wheel loads.
        v2 = q[VX] * q[VX]
        pitch = car.mass * q[AX_LAG] * car.cg_height / wheelbase
        roll = car.mass * q[AY_LAG] * car.cg_height
        back = (i - int(wheelbase / path.step)) % n_path
        loads[0], loads[1] = _axle_loads(
            car.mass * 9.81 * car.b / wheelbase - pitch + car.down_front * v2,
            roll * car.roll_share_front / car.track_front,
            path.load_left[i], path.load_right[i],
        )  # fmt: skip
        loads[2], loads[3] = _axle_loads(
            car.mass * 9.81 * car.a / wheelbase + pitch + car.down_rear * v2,
            roll * (1.0 - car.roll_share_front) / car.track_rear,
            path.load_left[back], path.load_right[back],
        )  # fmt: skip

        # Contact velocities, slips, tyre forces; each wheel's force is linear in its speed change.
        cos_d = math.cos(q[STEER])
        sin_d = math.sin(q[STEER])
        fx_sum = 0.0
        fy_sum = 0.0
        moment = 0.0
        a_l = a_r = q_l = q_r = f_l = f_r = g_l = g_r = v_l = v_r = roll_l = roll_r = 0.0
        for wheel in range(4):
            left = wheel % 2 == 0
            if wheel < 2:
                u = q[VX] - q[RATE] * 0.5 * (car.track_front if left else -car.track_front)
                w = q[VY] + car.a * q[RATE]
                vx = cos_d * u + sin_d * w
                vy = cos_d * w - sin_d * u
                radius = car.radius_front
                inertia = car.j_front
                brake = car.brake_front * q[BRAKE]
            else:
                vx = q[VX] - q[RATE] * 0.5 * (car.track_rear if left else -car.track_rear)
                vy = q[VY] - car.b * q[RATE]
                radius = car.radius_left if left else car.radius_right
                inertia = car.j_rear
                brake = car.brake_rear * q[BRAKE]
            spin = q[W_FL + wheel]
            reference = max(abs(vx), SLOW_MPS)
            slip = (spin * radius - vx) / reference
            fx, fy, slope = tyre_forces(loads[wheel], slip, -math.atan(vy / reference), car.tyre)
            slips[wheel] = slip
            gain = max(slope, 0.0) * radius / reference
            # Brakes and rolling resistance oppose rotation and fade below 1 rad/s.
            hold = (brake + car.rolling * loads[wheel] * radius) / max(abs(spin), 1.0)
            impedance = inertia / dt + radius * gain + hold
            torque = radius * fx + hold * spin
            if wheel < 2:
                change = -torque / impedance
                fx += gain * change
                forces[wheel] = fx
                mid = spin + 0.5 * change
                lost = hold * (spin + change) * mid * dt
                part = brake / max(brake + car.rolling * loads[wheel] * radius, 1e-9)
                book[BRAKES] += part * lost
                book[ROLLING] += (1.0 - part) * lost
                book[TYRES] += (fx * (mid * radius - vx) - fy * vy) * dt
                q[W_FL + wheel] = spin + change
                bx = cos_d * fx - sin_d * fy
                by = sin_d * fx + cos_d * fy
                fx_sum += bx
                fy_sum += by
                half = 0.5 * car.track_front
                moment += car.a * by + (-half if left else half) * bx
            else:
                fy_sum += fy
                moment -= car.b * fy
                book[TYRES] -= fy * vy * dt
                if left:
                    a_l, q_l, f_l, g_l, v_l, roll_l = impedance, torque, fx, gain, vx, hold
                else:
                    a_r, q_r, f_r, g_r, v_r, roll_r = impedance, torque, fx, gain, vx, hold
        q[SLIP_L] += (slips[2] - q[SLIP_L]) * dt / 0.04
        q[SLIP_R] += (slips[3] - q[SLIP_R]) * dt / 0.04
        q[SLIP_FRONT] = min(slips[0], slips[1])

        # Engine, clutch, gearbox, then the axle.
        ratio = car.ratios[int(q[GEAR])]
        engine = clutch(q, car, dt)
        grade = car.efficiency if q[CLUTCH_NM] >= 0.0 else 1.0 / car.efficiency
        a_c = car.j_driveline / dt
        if q[CLUTCH] == LOCKED:
            a_c += grade * ratio * ratio * car.j_engine / dt
            drive = ratio * grade * engine
        else:
            drive = ratio * grade * q[CLUTCH_NM]
        ch_l, ch_r, t_in, d_t, capacity, stuck = solve_axle(
            q[W_RL], q[W_RR], a_l, a_r, a_c, q_l, q_r, drive,
            car.packs, q[RAMPS_HOLD], q[PLATES_C],
        )  # fmt: skip
        q[RAMPS_HOLD] = ramps_after(t_in, car.packs, q[RAMPS_HOLD])
        case = 0.5 * (q[W_RL] + q[W_RR])
        case_change = 0.5 * (ch_l + ch_r)
        case_mid = case + 0.5 * case_change
        dw_mid = (q[W_RL] - q[W_RR]) + 0.5 * (ch_l - ch_r)
        mid_l = q[W_RL] + 0.5 * ch_l
        mid_r = q[W_RR] + 0.5 * ch_r
        f_l += g_l * ch_l
        f_r += g_r * ch_r
        forces[2] = f_l
        forces[3] = f_r
        book[TYRES] += (f_l * (mid_l * car.radius_left - v_l)) * dt
        book[TYRES] += (f_r * (mid_r * car.radius_right - v_r)) * dt
        brake = car.brake_rear * q[BRAKE]
        lost = roll_l * (q[W_RL] + ch_l) * mid_l * dt
        part = brake / max(brake + car.rolling * loads[2] * car.radius_left, 1e-9)
        book[BRAKES] += part * lost
        book[ROLLING] += (1.0 - part) * lost
        lost = roll_r * (q[W_RR] + ch_r) * mid_r * dt
        part = brake / max(brake + car.rolling * loads[3] * car.radius_right, 1e-9)
        book[BRAKES] += part * lost
        book[ROLLING] += (1.0 - part) * lost
        book[PACKS] += -0.5 * d_t * dw_mid * dt
        warm(q, car.heat, -0.5 * d_t * dw_mid, t_in * case_mid, q[VX], dt)
        q[W_RL] += ch_l
        q[W_RR] += ch_r
        if stuck:
            q[W_RR] = q[W_RL]  # exactly, not to rounding
        engine_speed(q, car, book, engine, ratio, grade, case_mid, case_change, dt)

        # Body: turn the velocity with the yaw, then push.
        fx_sum += f_l + f_r
        moment += 0.5 * car.track_rear * (f_r - f_l)
        ax = fx_sum / car.mass - car.drag * q[VX] * abs(q[VX]) / car.mass
        ay = fy_sum / car.mass
        angle = q[RATE] * dt
        turn_c = 1.0 - 0.5 * angle * angle
        turn_s = angle - angle**3 / 6.0
        vx = turn_c * q[VX] + turn_s * q[VY]
        vy = turn_c * q[VY] - turn_s * q[VX]
        book[AERO] += car.drag * q[VX] * abs(q[VX]) * (vx + 0.5 * ax * dt) * dt
        old_x = cos_yaw * q[VX] - sin_yaw * q[VY]
        old_y = sin_yaw * q[VX] + cos_yaw * q[VY]
        q[VX] = vx + ax * dt
        q[VY] = vy + ay * dt
        q[YAW] += (q[RATE] + 0.5 * moment / car.yaw_inertia * dt) * dt
        q[RATE] += moment / car.yaw_inertia * dt
        q[X] += old_x * dt
        q[Y] += old_y * dt
        q[AX_LAG] += (ax - q[AX_LAG]) * dt / car.load_lag
        q[AY_LAG] += (ay - q[AY_LAG]) * dt / car.load_lag
        k += 1
        if k % RECORD_EVERY == 0:
            power = -0.5 * d_t * (q[W_RL] - q[W_RR])
            _record(
                out, j, q, t_in, d_t, capacity, stuck, power, book[PACKS], engine, ax, ay,
                loads, forces, slips,
            )  # fmt: skip
            j += 1
    return out[:, :j], book, _kinetic(q, car)


@njit(cache=True)
def _kinetic(q, car):
    """Energy of motion of body, wheels, driveline and engine. [J]"""
    case = 0.5 * (q[W_RL] + q[W_RR])
    return 0.5 * (
        car.mass * (q[VX] ** 2 + q[VY] ** 2)
        + car.yaw_inertia * q[RATE] ** 2
        + car.j_front * (q[W_FL] ** 2 + q[W_FR] ** 2)
        + car.j_rear * (q[W_RL] ** 2 + q[W_RR] ** 2)
        + car.j_driveline * case**2
        + car.j_engine * q[W_E] ** 2
    )
