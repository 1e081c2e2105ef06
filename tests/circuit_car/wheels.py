"""Loads on the wheels, and what their contact patches do to wheel and car."""

from __future__ import annotations

import math

from numba import njit

from circuit_car.control import AX_LAG, AY_LAG, BRAKE, RATE, STEER, VX, VY, W_FL
from circuit_car.driveline import AERO, BRAKES, ROLLING, TYRES
from circuit_car.tyre import tyre_forces

SLOW_MPS = 2.0  # below this speed slip is referred to this speed, so standstill is a stiff damper

# Rows of the table that holds one step of the four wheels FL, FR, RL, RR.
(
    LOAD,  # N
    ALONG,  # speed of the contact patch along the wheel, m/s
    ASIDE,  # across it, m/s
    SLIP,
    FORCE_LONG,  # N; linear in the change of the wheel's speed
    FORCE_LAT,  # N
    GAIN,  # longitudinal force per change of speed, N s/rad
    IMPEDANCE,  # torque per change of speed, N m s/rad
    TORQUE,  # that brakes the wheel at its old speed, N m
    HOLD,  # brake and rolling resistance per speed, N m s/rad
    BRAKING,  # N m
    CHANGE,  # of the wheel's speed, rad/s
    N_ROWS,
) = range(13)


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
def set_loads(patch, q, car, path, i):
    """Wheel loads from weight, downforce, lagged load transfer and the road."""
    wheelbase = car.a + car.b
    v2 = q[VX] * q[VX]
    pitch = car.mass * q[AX_LAG] * car.cg_height / wheelbase
    roll = car.mass * q[AY_LAG] * car.cg_height
    back = (i - int(wheelbase / path.step)) % len(path.x)
    patch[LOAD, 0], patch[LOAD, 1] = _axle_loads(
        car.mass * 9.81 * car.b / wheelbase - pitch + car.down_front * v2,
        roll * car.roll_share_front / car.track_front,
        path.load_left[i], path.load_right[i],
    )  # fmt: skip
    patch[LOAD, 2], patch[LOAD, 3] = _axle_loads(
        car.mass * 9.81 * car.a / wheelbase + pitch + car.down_rear * v2,
        roll * (1.0 - car.roll_share_front) / car.track_rear,
        path.load_left[back], path.load_right[back],
    )  # fmt: skip


@njit(cache=True)
def touch_ground(patch, q, car, dt):
    """Contact velocities, slips, tyre forces, and what brakes each wheel."""
    cos_d = math.cos(q[STEER])
    sin_d = math.sin(q[STEER])
    for wheel in range(4):
        left = wheel % 2 == 0
        if wheel < 2:
            u = q[VX] - q[RATE] * 0.5 * (car.track_front if left else -car.track_front)
            w = q[VY] + car.a * q[RATE]
            vx = cos_d * u + sin_d * w
            vy = cos_d * w - sin_d * u
        else:
            vx = q[VX] - q[RATE] * 0.5 * (car.track_rear if left else -car.track_rear)
            vy = q[VY] - car.b * q[RATE]
        load = patch[LOAD, wheel]
        radius = car.radii[wheel]
        brake = (car.brake_front if wheel < 2 else car.brake_rear) * q[BRAKE]
        spin = q[W_FL + wheel]
        reference = max(abs(vx), SLOW_MPS)
        slip = (spin * radius - vx) / reference
        fx, fy, slope = tyre_forces(load, slip, -math.atan(vy / reference), car.tyre)
        gain = max(slope, 0.0) * radius / reference
        # Brakes and rolling resistance oppose rotation and fade below 1 rad/s.
        hold = (brake + car.rolling * load * radius) / max(abs(spin), 1.0)
        patch[ALONG, wheel] = vx
        patch[ASIDE, wheel] = vy
        patch[SLIP, wheel] = slip
        patch[FORCE_LONG, wheel] = fx
        patch[FORCE_LAT, wheel] = fy
        patch[GAIN, wheel] = gain
        patch[IMPEDANCE, wheel] = car.inertias[wheel] / dt + radius * gain + hold
        patch[TORQUE, wheel] = radius * fx + hold * spin
        patch[HOLD, wheel] = hold
        patch[BRAKING, wheel] = brake


@njit(cache=True)
def turn_wheels(patch, q, book, car, dt):
    """Change the wheels' speeds, complete their forces, book what tyres and brakes took."""
    for wheel in range(4):
        spin, change = q[W_FL + wheel], patch[CHANGE, wheel]
        mid = spin + 0.5 * change
        patch[FORCE_LONG, wheel] += patch[GAIN, wheel] * change
        slide = mid * car.radii[wheel] - patch[ALONG, wheel]
        aside = patch[FORCE_LAT, wheel] * patch[ASIDE, wheel]
        book[TYRES] += (patch[FORCE_LONG, wheel] * slide - aside) * dt
        lost = patch[HOLD, wheel] * (spin + change) * mid * dt
        brake = patch[BRAKING, wheel]
        part = brake / max(brake + car.rolling * patch[LOAD, wheel] * car.radii[wheel], 1e-9)
        book[BRAKES] += part * lost
        book[ROLLING] += (1.0 - part) * lost
        q[W_FL + wheel] = spin + change


@njit(cache=True)
def push_body(patch, q, book, car, dt):
    """Turn the velocity with the yaw, then push; returns both accelerations. [m/s^2]"""
    cos_d = math.cos(q[STEER])
    sin_d = math.sin(q[STEER])
    fx_sum = 0.0
    fy_sum = 0.0
    moment = 0.0
    half = 0.5 * car.track_front
    for wheel in range(2):
        fx, fy = patch[FORCE_LONG, wheel], patch[FORCE_LAT, wheel]
        bx = cos_d * fx - sin_d * fy
        by = sin_d * fx + cos_d * fy
        fx_sum += bx
        fy_sum += by
        moment += car.a * by + (-half if wheel == 0 else half) * bx
    for wheel in range(2, 4):
        fy_sum += patch[FORCE_LAT, wheel]
        moment -= car.b * patch[FORCE_LAT, wheel]
    fx_sum += patch[FORCE_LONG, 2] + patch[FORCE_LONG, 3]
    moment += 0.5 * car.track_rear * (patch[FORCE_LONG, 3] - patch[FORCE_LONG, 2])
    ax = fx_sum / car.mass - car.drag * q[VX] * abs(q[VX]) / car.mass
    ay = fy_sum / car.mass
    angle = q[RATE] * dt
    turn_c = 1.0 - 0.5 * angle * angle
    turn_s = angle - angle**3 / 6.0
    vx = turn_c * q[VX] + turn_s * q[VY]
    vy = turn_c * q[VY] - turn_s * q[VX]
    book[AERO] += car.drag * q[VX] * abs(q[VX]) * (vx + 0.5 * ax * dt) * dt
    q[VX] = vx + ax * dt
    q[VY] = vy + ay * dt
    q[RATE] += moment / car.yaw_inertia * dt
    q[AX_LAG] += (ax - q[AX_LAG]) * dt / car.load_lag
    q[AY_LAG] += (ay - q[AY_LAG]) * dt / car.load_lag
    return ax, ay, moment
