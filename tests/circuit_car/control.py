"""What the driver does every few milliseconds: steering, pedals and gear, from what she feels."""

from __future__ import annotations

import math

from numba import njit

# State vector of the car.  Speeds in the car's axes, ISO 8855 (x forward, y left, yaw left > 0).
(
    X, Y, YAW, VX, VY, RATE, W_FL, W_FR, W_RL, W_RR, W_E,
    STATION, AX_LAG, AY_LAG, STEER, THROTTLE, BRAKE,
    STEER_WISH, THROTTLE_WISH, BRAKE_WISH,
    PHASE, PHASE_TIME, GEAR, NEXT_GEAR, SHIFT_LEFT, CLUTCH, CLUTCH_CAP, CLUTCH_NM,
    SLIP_L, SLIP_R, SLIP_FRONT,
    # Inner ends of the half-shafts and by how much these are wound up.
    W_GFL, W_GFR, W_GRL, W_GRR, TWIST_FL, TWIST_FR, TWIST_RL, TWIST_RR,
    # Differential of the front and of the rear axle.
    PLATES_C_F, PLATES_C_R, OIL_C_F, OIL_C_R, RAMPS_HOLD_F, RAMPS_HOLD_R, N_STATE,
) = range(46)  # fmt: skip

STANDING, DRIVING, STOPPED = 0.0, 1.0, 2.0
OPEN, SLIPPING, LOCKED = 0.0, 1.0, 2.0


@njit(cache=True)
def lookup(table, at):
    """Linear interpolation on a grid of unit spacing, held at the ends."""
    i = int(at)
    if i < 0:
        return table[0]
    if i >= len(table) - 1:
        return table[-1]
    f = at - i
    return table[i] * (1.0 - f) + table[i + 1] * f


@njit(cache=True)
def steer(q, car, driver, offset_error, heading_sin, curvature_ahead):
    """Road-wheel angle wanted: point the front wheels where they travel, plus the slip angle that
    gives the sideways force the line asks for.  Counter-steer comes out of the first part. [rad]"""
    v = max(q[VX], 2.0)
    course = heading_sin + q[VY] / v
    omega = 1.0 / (4.0 + 0.6 * v)
    curvature = curvature_ahead - omega * omega * offset_error - 2.2 * omega * course
    limit = driver.grip * 9.81 * 1.25 + 2.0 * (car.down_front + car.down_rear) / car.mass * v * v
    accel = max(-limit, min(limit, v * v * curvature))
    force = car.mass * accel * car.b / (car.a + car.b)
    load = car.mass * 9.81 * car.b / (car.a + car.b) + car.down_front * v * v
    peak = 0.90 * car.tyre.peak_lat * load
    use = max(-0.97, min(0.97, force / peak))
    stiffness = 17.0 * car.tyre.stiffness_lat * load
    slip_angle = peak / stiffness * use / (1.0 - 0.45 * use * use)
    # Pointing the wheels where they travel takes away the front axle's yaw damping: give some back.
    slip_angle -= 2.0 * car.a / v * (q[RATE] - accel / v)
    travel = math.atan((q[VY] + car.a * q[RATE]) / v)
    return max(-0.55, min(0.55, travel + slip_angle))


@njit(cache=True)
def output_speed(q, share_front):
    """Speed of the gearbox's output, between the cases of the driven axles. [rad/s]"""
    front, rear = q[W_GFL] + q[W_GFR], q[W_GRL] + q[W_GRR]
    return share_front * (0.5 * front) + (1.0 - share_front) * (0.5 * rear)


@njit(cache=True)
def driven_radius(radii, share_front):
    """Mean rolling radius of the driven wheels. [m]"""
    front = 0.5 * (radii[0] + radii[1])
    rear = 0.5 * (radii[2] + radii[3])
    return share_front * front + (1.0 - share_front) * rear


@njit(cache=True)
def engine_limits(car, speed):
    """Torque with closed and with full throttle. [N m]"""
    at = speed / car.engine_step
    return lookup(car.engine_drag, at), lookup(car.engine_full, at)


@njit(cache=True)
def pedals(q, car, plan):
    """Throttle [-] and brake pressure [Pa] wanted."""
    v = q[VX]
    ahead = q[STATION] + 0.06 * v
    target = lookup(plan.speed, ahead)
    accel = lookup(plan.accel, ahead) + 2.0 * (target - v)
    accel = max(-13.0, min(9.0, accel))
    ratio = car.ratios[int(q[GEAR])]
    radius = driven_radius(car.radii, car.share_front)
    free = car.radii[0] if car.share_front < 0.5 else car.radii[2]
    inertia = 2.0 * car.j_free / free**2 + (
        2.0 * car.j_driven + car.j_driveline + car.j_engine * ratio * ratio
    ) / (radius * radius)
    force = (car.mass + inertia) * accel + car.drag * v * v + 9.81 * car.mass * car.rolling
    drag, full = engine_limits(car, q[W_E])
    closed = drag * ratio / radius
    throttle = 0.0
    pressure = 0.0
    if force > closed:
        wanted = force * radius / max(ratio * car.efficiency, 1.0)
        throttle = max(0.0, min(1.0, (wanted - drag) / (full - drag)))
    if force < 1.6 * closed - 300.0:
        pressure = -(force - closed) * radius / (2.0 * (car.brake_front + car.brake_rear))
    feet = plan.feet[min(int(ahead), len(plan.feet) - 1)]
    if feet > 0.5 and v < target + 2.5:
        pressure = 0.0
        throttle = 0.0 if feet < 1.5 else max(0.06, min(0.30, throttle))
    throttle = min(1.0, throttle * lookup(plan.eager, ahead))
    # Both driven wheels spinning, or one spinning wildly: the foot comes back.
    both = min(q[SLIP_L], q[SLIP_R])
    one = max(q[SLIP_L], q[SLIP_R])
    ease = 1.0 - 5.0 * max(0.0, both - 0.08) - 1.2 * max(0.0, one - 0.25)
    slide = abs(q[VY] - car.b * q[RATE]) / max(v, 5.0)
    ease -= 9.0 * max(0.0, slide - 0.09)
    throttle *= max(0.15, min(1.0, ease))
    pressure *= max(0.3, min(1.0, 1.0 + 9.0 * (q[SLIP_FRONT] + 0.09)))
    return throttle, min(pressure, car.brake_max)


@njit(cache=True)
def choose_gear(q, car):
    """Start a shift when the engine speed asks for one."""
    gear = int(q[GEAR])
    if q[CLUTCH] != LOCKED or gear < 1:
        return
    now = output_speed(q, car.share_front) * car.ratios[gear]
    radius = driven_radius(car.radii, car.share_front)
    new = gear
    if now > car.upshift and gear < len(car.ratios) - 1 and q[THROTTLE] > 0.3:
        new = gear + 1
    elif gear > 1 and q[VX] * car.ratios[gear - 1] < car.downshift * radius:
        new = gear - 1
    if new != gear:
        q[NEXT_GEAR] = new
        q[SHIFT_LEFT] = car.shift_cut
        q[CLUTCH] = OPEN


@njit(cache=True)
def decide(q, car, driver, plan, offset_error, heading_sin, curvature_ahead):
    """One look of the driver: phase of the run, then steering, pedals and gear."""
    if q[PHASE] == STANDING:
        q[BRAKE_WISH] = 1.0e6
        if q[PHASE_TIME] > driver.stand_before:
            q[PHASE] = DRIVING
            q[PHASE_TIME] = 0.0
            q[GEAR] = 1.0
            q[CLUTCH] = SLIPPING
            q[CLUTCH_CAP] = 0.0
        return
    if q[PHASE] == STOPPED:
        q[BRAKE_WISH] = 1.5e6
        q[THROTTLE_WISH] = 0.0
        return
    q[STEER_WISH] = steer(q, car, driver, offset_error, heading_sin, curvature_ahead)
    q[THROTTLE_WISH], q[BRAKE_WISH] = pedals(q, car, plan)
    left = plan.stop_station - q[STATION]
    if left < 30.0 and q[VX] < 6.0:
        q[GEAR] = 0.0
        q[CLUTCH] = OPEN
        q[SHIFT_LEFT] = 0.0
        q[THROTTLE_WISH] = 0.0
        if q[VX] < 0.6 or left < 0.3:
            q[PHASE] = STOPPED
            q[PHASE_TIME] = 0.0
        return
    choose_gear(q, car)
