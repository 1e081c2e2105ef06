"""What the driver intends: a speed, a line and feet for every metre of a run.

The run is unrolled: station 0 is the start line as the car leaves the pit box just beyond it, lap
k of the flying laps covers stations k L to (k + 1) L, the in-lap ends in the same box.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from circuit_car.car import GRAVITY_MPS2, Car
from circuit_car.circuit import Circuit

Array = NDArray[np.float64]

COAST_DECEL_MPS2 = 1.3  # what an engine-braked car loses at medium speed, aero aside
BOX_DECEL_MPS2 = 2.5


@dataclass(frozen=True)
class Driver:
    """How a person drives; every spread is drawn anew per lap or per lap and corner."""

    name: str = "Mira Tolland"
    lateral_grip: float = 1.38  # share of weight and downforce used sideways, tyres allow more [-]
    braking_mps2: float = 11.5
    traction_mps2: float = 8.8
    pace_sigma: float = 0.008  # one sigma of the lap's speed factor, cut at 0.015
    corner_pace_sigma: float = 0.008
    eagerness: float = 1.15  # above 1: more throttle asked for at the exit than the plan can carry
    eagerness_sigma: float = 0.07
    coast_probability: float = 0.42  # share of corners entered off the throttle and off the brake
    balance_probability: float = 0.45  # share of corners carried on a part throttle
    lift_m: float = 14.0  # mean distance rolled between throttle and brake
    line_sigma_m: float = 0.30
    steering_lag_s: float = 0.05
    preview_s: float = 0.13
    out_lap_pace: float = 0.90
    pit_speed_mps: float = 15.5
    stand_before_s: float = 8.0
    stand_after_s: float = 10.0


class Plan(NamedTuple):
    """Intentions on a grid of one metre of unrolled station."""

    speed: Array  # m/s
    accel: Array  # m/s^2 along the plan
    offset: Array  # m, left of the reference line
    eager: Array  # factor on the throttle demand
    feet: Array  # 0 free, 1 rolling: neither pedal, 2 part throttle at most
    stop_station: float


class DriverTable(NamedTuple):
    """The driver's habits as the compiled loop reads them."""

    preview: float
    steering_lag: float
    grip: float
    stand_before: float
    stand_after: float


FREE, ROLLING, BALANCE = 0.0, 1.0, 2.0


def driver_table(driver: Driver) -> DriverTable:
    """Flatten a driver for the compiled loop."""
    return DriverTable(
        driver.preview_s,
        driver.steering_lag_s,
        driver.lateral_grip,
        driver.stand_before_s,
        driver.stand_after_s,
    )


def _smooth_noise(n: int, rng: np.random.Generator, length_m: float) -> Array:
    """Unit-variance noise with features of about ``length_m``, by cosine interpolation."""
    knots = rng.standard_normal(int(n / length_m) + 3)
    at = np.arange(n) / length_m
    i = at.astype(int)
    w = 0.5 - 0.5 * np.cos(np.pi * (at - i))
    return knots[i] * (1.0 - w) + knots[i + 1] * w


def _pit_offset(station: Array, circuit: Circuit, laps: int) -> Array:
    """Lateral way from the track to the pit lane, at the start and at the end of the run. [m]"""
    end_of_run = (laps + 2) * circuit.length_m
    taper = circuit.pit_taper_m
    leave = np.clip((circuit.pit_exit_m - station) / taper, 0.0, 1.0)
    arrive = np.clip((station - end_of_run - circuit.pit_entry_m) / taper, 0.0, 1.0)
    ramp = np.maximum(leave, arrive)
    return circuit.pit_offset_m * (0.5 - 0.5 * np.cos(np.pi * ramp))


@njit(cache=True)
def _speed_profile(limit, curvature, feet, grip, traction, braking, power, drag, down, stop):
    """Forward-backward pass over the limit speed with a friction ellipse. [m/s]"""
    n = len(limit)
    v = limit.copy()
    for i in range(n - 2, -1, -1):
        u = v[i + 1]
        side = u * u * abs(curvature[i + 1]) / (grip * (GRAVITY_MPS2 + down * u * u))
        left = np.sqrt(max(0.0, 1.0 - min(side, 1.0) ** 2))
        decel = braking * (0.12 + 0.88 * left) * (1.0 + 0.5 * down * u * u / GRAVITY_MPS2)
        if feet[i] == ROLLING:
            decel = COAST_DECEL_MPS2
        if i > stop - 60:
            decel = BOX_DECEL_MPS2
        v[i] = min(v[i], np.sqrt(u * u + 2.0 * (decel + drag * u * u)))
    for i in range(n - 1):
        u = max(v[i], 1.0)
        side = u * u * abs(curvature[i]) / (grip * (GRAVITY_MPS2 + down * u * u))
        left = np.sqrt(max(0.0, 1.0 - min(side, 1.0) ** 2))
        accel = min(traction * (0.10 + 0.90 * left), power / u) - drag * u * u
        if feet[i] == ROLLING:
            accel = -COAST_DECEL_MPS2
        v[i + 1] = min(v[i + 1], np.sqrt(max(u * u + 2.0 * accel, 1.0)))
    return v


def _set_feet(
    circuit: Circuit, driver: Driver, laps: int, n: int, rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Rolling and part-throttle stretches, exit eagerness and pace factor per metre."""
    feet = np.full(n, FREE)
    eager = np.ones(n)
    pace = np.ones(n)
    for lap in range(laps + 2):
        flying = 1 <= lap <= laps
        noise = np.clip(rng.standard_normal() * driver.pace_sigma, -0.015, 0.015)
        start = lap * circuit.length_m
        lap_pace = (1.0 + noise) * (1.0 if flying else driver.out_lap_pace)
        pace[int(start) : int(start + circuit.length_m)] = lap_pace
        for corner in circuit.corners:
            draw = rng.random(4)
            normal = rng.standard_normal(2)
            turn_in, apex, end = (
                start + s
                for s in (
                    corner.turn_in_m,
                    0.5 * (corner.arc_start_m + corner.arc_end_m),
                    corner.exit_m,
                )
            )
            pace[int(turn_in) : int(end)] *= 1.0 + driver.corner_pace_sigma * normal[0]
            wish = driver.eagerness * (1.0 + driver.eagerness_sigma * max(normal[1], -1.0))
            eager[int(apex) : int(end) + 15] = wish if flying else 1.0
            if draw[0] < driver.coast_probability:
                feet[int(turn_in - 8.0 * draw[1]) : int(apex + 6.0 * draw[2])] = ROLLING
            elif draw[0] < driver.coast_probability + driver.balance_probability:
                until = 0.4 * apex + 0.6 * (corner.arc_end_m + start)
                feet[int(corner.arc_start_m + start) : int(until)] = BALANCE
    return feet, eager, pace


def _lift_before_braking(
    speed: Array, feet: Array, driver: Driver, rng: np.random.Generator
) -> Array:
    """Mark a rolling stretch where the plan turns from full throttle to braking."""
    feet = feet.copy()
    accel = np.gradient(0.5 * speed**2)
    turns = np.flatnonzero((accel[:-1] > 0.0) & (accel[1:] < -4.0)) + 1
    for i in turns:
        length = int(driver.lift_m * (0.4 + 1.2 * rng.random()))
        feet[max(i - length, 0) : i] = ROLLING
    return feet


def build_plan(
    car: Car, circuit: Circuit, driver: Driver, laps: int, rng: np.random.Generator
) -> Plan:
    """Intentions for a whole run: box, out-lap, flying laps, in-lap, box."""
    stop = (laps + 2) * circuit.length_m + circuit.pit_box_m
    n = int(stop) + 12
    station = np.arange(n, dtype=float)
    curvature = np.interp(
        station % circuit.length_m,
        np.arange(len(circuit.x_m) + 1) * circuit.step_m,
        np.append(circuit.curvature_pm, circuit.curvature_pm[0]),
    )
    feet, eager, pace = _set_feet(circuit, driver, laps, n, rng)
    offset = _pit_offset(station, circuit, laps)
    on_track = 1.0 - np.clip(np.abs(offset) / 2.0, 0.0, 1.0)
    noise = driver.line_sigma_m * _smooth_noise(n, rng, 45.0)
    in_pit = np.abs(offset) > 0.05 * abs(circuit.pit_offset_m)
    feet[in_pit] = FREE

    half_air = 0.6 / car.mass_kg
    drag, down = half_air * car.drag_area_m2, half_air * car.downforce_area_m2
    share = np.abs(curvature) - driver.lateral_grip * down
    limit = np.where(
        share > 1e-5, np.sqrt(driver.lateral_grip * GRAVITY_MPS2 / np.maximum(share, 1e-5)), 90.0
    )
    limit = np.minimum(limit, 90.0) * pace
    limit[in_pit] = np.minimum(limit[in_pit], driver.pit_speed_mps)
    limit[int(stop) :] = 0.0
    limit[0 : int(circuit.pit_box_m) + 1] = np.maximum(limit[0 : int(circuit.pit_box_m) + 1], 1.0)
    power = 0.95 * 238e3 * car.transmission_efficiency / car.mass_kg

    def profile(with_feet: Array) -> Array:
        return _speed_profile(
            limit,
            curvature,
            with_feet,
            1.03 * driver.lateral_grip,
            driver.traction_mps2,
            driver.braking_mps2,
            power,
            drag,
            down,
            stop,
        )

    feet = _lift_before_braking(profile(feet), feet, driver, rng)
    feet[in_pit] = FREE
    speed = profile(feet)
    return Plan(
        speed=speed,
        accel=np.gradient(0.5 * speed**2),
        offset=offset + noise * on_track,
        eager=eager,
        feet=feet,
        stop_station=stop,
    )
