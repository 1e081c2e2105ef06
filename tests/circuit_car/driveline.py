"""Engine, clutch and gearbox over one time step, and the book that keeps every joule."""

from __future__ import annotations

from numba import njit

from circuit_car.control import (
    CLUTCH,
    CLUTCH_CAP,
    CLUTCH_NM,
    DRIVING,
    GEAR,
    LOCKED,
    NEXT_GEAR,
    OPEN,
    PHASE,
    SHIFT_LEFT,
    SLIPPING,
    STANDING,
    THROTTLE,
    W_E,
    engine_limits,
    output_speed,
)  # fmt: skip

# Energy book, full step rate. [J]
(
    ENGINE, AERO, ROLLING, BRAKES, TYRES, PACKS_FRONT, PACKS_REAR, SHAFTS, GEARBOX, N_ENERGY,
) = range(10)  # fmt: skip


@njit(cache=True)
def clutch(q, car, dt):
    """Engine torque, torque on the case, whether the engine is tied to the case.

    While the clutch slips or is open the engine is stepped here on its own.
    """
    drag, full = engine_limits(car, q[W_E])
    pedal = drag + q[THROTTLE] * (full - drag)
    wheel = output_speed(q, car.share_front)
    q[CLUTCH_NM] = 0.0 if q[CLUTCH] == OPEN else q[CLUTCH_NM]
    if q[CLUTCH] == LOCKED:
        return pedal
    if q[CLUTCH] == OPEN:
        shifting = q[SHIFT_LEFT] > 0.0
        target = wheel * car.ratios[int(q[NEXT_GEAR])] if shifting else car.idle
        return max(drag, min(full, 8.0 * (max(target, car.idle) - q[W_E])))
    slip = q[W_E] - wheel * car.ratios[int(q[GEAR])]
    pull_away = wheel * car.ratios[int(q[GEAR])] < 300.0 and q[GEAR] == 1.0
    if pull_away:
        q[CLUTCH_CAP] = min(q[CLUTCH_CAP] + 250.0 * dt, 170.0)
        torque = max(drag, min(full, 8.0 * (330.0 - q[W_E]) + q[CLUTCH_NM]))
    else:
        q[CLUTCH_CAP] = min(q[CLUTCH_CAP] + 12000.0 * dt, 400.0)
        # The control unit holds the engine to the new gear's speed until the plates stop slipping.
        torque = max(drag, min(full, pedal - 8.0 * slip))
    q[CLUTCH_NM] = q[CLUTCH_CAP] if slip > 0.0 else -q[CLUTCH_CAP]
    return torque


@njit(cache=True)
def engine_speed(q, car, book, engine, ratio, grade, case_mid, case_change, dt):
    """Step the engine, close the clutch when speeds meet, book engine work and gearbox loss."""
    if q[CLUTCH] == LOCKED:
        q[CLUTCH_NM] = engine - car.j_engine * ratio * case_change / dt
        book[ENGINE] += engine * ratio * case_mid * dt
        book[GEARBOX] += (1.0 - grade) * q[CLUTCH_NM] * ratio * case_mid * dt
        q[W_E] = ratio * output_speed(q, car.share_front)
        if q[W_E] < 0.9 * car.idle and q[PHASE] == DRIVING:
            q[CLUTCH] = SLIPPING
            q[CLUTCH_CAP] = 0.0
        return
    change = (engine - q[CLUTCH_NM]) / car.j_engine * dt
    mid = q[W_E] + 0.5 * change
    book[ENGINE] += engine * mid * dt
    book[GEARBOX] += q[CLUTCH_NM] * (mid - grade * ratio * case_mid) * dt
    before = q[W_E] - ratio * (case_mid - 0.5 * case_change)
    q[W_E] += change
    if q[CLUTCH] == SLIPPING:
        meet = ratio * output_speed(q, car.share_front)
        if before * (q[W_E] - meet) <= 0.0:
            # Taking up the last fraction of a rad/s costs what the engine's spin changes by.
            book[GEARBOX] += 0.5 * car.j_engine * (q[W_E] ** 2 - meet * meet)
            q[W_E] = meet
            q[CLUTCH] = LOCKED
    elif q[PHASE] != STANDING and q[SHIFT_LEFT] > 0.0:
        q[SHIFT_LEFT] -= dt
        if q[SHIFT_LEFT] <= 0.0:
            q[GEAR] = q[NEXT_GEAR]
            q[CLUTCH] = SLIPPING
            q[CLUTCH_CAP] = 0.0
