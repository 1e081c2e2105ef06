"""Drive the car: one run from pit box to pit box, with everything known exactly."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from circuit_car.car import Car, car_table
from circuit_car.circuit import Circuit
from circuit_car.driveline import (
    AERO,
    BRAKES,
    ENGINE,
    GEARBOX,
    PACKS_FRONT,
    PACKS_REAR,
    ROLLING,
    SHAFTS,
    TYRES,
)
from circuit_car.driver import Driver, build_plan, driver_table
from circuit_car.integrate import RECORD_EVERY, RECORDED_AXLE, RECORDED_CAR, STEP_S, run

Array = NDArray[np.float64]
SAMPLE_S = STEP_S * RECORD_EVERY


class PathTable(NamedTuple):
    """The circuit as the compiled loop reads it."""

    length: float
    step: float
    x: Array
    y: Array
    cos: Array
    sin: Array
    curvature: Array
    load_left: Array
    load_right: Array


@dataclass(frozen=True)
class EnergyBook:
    """Where the engine's work went over the whole run. [J]"""

    engine_j: float
    kinetic_change_j: float
    aero_j: float
    rolling_j: float
    brakes_j: float
    tyres_j: float
    packs_j: float
    shafts_j: float
    gearbox_j: float

    @property
    def residual_j(self) -> float:
        """Engine work not found in any account. [J]"""
        return self.engine_j - (
            self.kinetic_change_j
            + self.aero_j
            + self.rolling_j
            + self.brakes_j
            + self.tyres_j
            + self.packs_j
            + self.shafts_j
            + self.gearbox_j
        )


@dataclass(frozen=True)
class Drive:
    """Exact samples of one run at 1 kHz, by channel name (SI, ISO 8855 signs).

    Beside the logged channels: ``stuck`` (1 while the packs hold), ``lock_capacity_nm``,
    ``friction_power_w``, ``friction_energy_j`` (cumulative at the full step rate), ``slip_*``,
    ``wheel_load_*_n``, ``tyre_force_r*_n``, ``yaw_rad``, ``lateral_speed_mps``, ``station_m``,
    ``plate_temperature_c``, ``flange_speed_*_radps`` (inner ends of the half-shafts).  In a car
    with two driven axles the channels of a differential are those of the rear one, and those of
    the front one begin with ``front_``.
    """

    channels: dict[str, Array]
    car: Car
    circuit: Circuit
    driver: Driver
    laps: int
    energy: EnergyBook

    def __getitem__(self, name: str) -> Array:
        return self.channels[name]

    @property
    def time_s(self) -> Array:
        """Time from the start of the log. [s]"""
        return self.channels["time_s"]


def path_table(circuit: Circuit) -> PathTable:
    """Flatten a circuit for the compiled loop."""
    return PathTable(
        circuit.length_m,
        circuit.step_m,
        circuit.x_m,
        circuit.y_m,
        np.cos(circuit.heading_rad),
        np.sin(circuit.heading_rad),
        circuit.curvature_pm,
        circuit.load_left,
        circuit.load_right,
    )


def drive(
    car: Car, circuit: Circuit, driver: Driver, *, laps: int, rng: np.random.Generator
) -> Drive:
    """Leave the box, drive an out-lap, ``laps`` flying laps and an in-lap, stop in the box."""
    plan = build_plan(car, circuit, driver, laps, rng)
    planned_s = float(np.sum(1.0 / np.maximum(plan.speed, 1.0)))
    limit_s = 1.25 * planned_s + driver.stand_before_s + driver.stand_after_s + 30.0
    samples, book, kinetic_j = run(
        car_table(car), path_table(circuit), plan, driver_table(driver), int(limit_s / SAMPLE_S)
    )
    n = samples.shape[1]
    if n >= int(limit_s / SAMPLE_S):
        raise RuntimeError(f"{car.name} did not come back to its box within {limit_s:.0f} s")
    names = [*RECORDED_CAR, *RECORDED_AXLE]
    if len(car.driven_axles) == 2:
        names += [f"front_{name}" for name in RECORDED_AXLE]
    channels = {name: samples[i] for i, name in enumerate(names)}
    channels["time_s"] = np.arange(n) * SAMPLE_S
    channels["ambient_temperature_c"] = np.full(n, car.heat.ambient_c)
    channels.update(_lap_channels(channels, circuit, laps))
    at_idle_j = 0.5 * car.engine_inertia_kgm2 * car.idle_speed_radps**2
    energy = EnergyBook(
        engine_j=float(book[ENGINE]),
        kinetic_change_j=float(kinetic_j) - at_idle_j,
        aero_j=float(book[AERO]),
        rolling_j=float(book[ROLLING]),
        brakes_j=float(book[BRAKES]),
        tyres_j=float(book[TYRES]),
        packs_j=float(book[PACKS_FRONT] + book[PACKS_REAR]),
        shafts_j=float(book[SHAFTS]),
        gearbox_j=float(book[GEARBOX]),
    )
    return Drive(channels, car, circuit, driver, laps, energy)


def _lap_channels(channels: dict[str, Array], circuit: Circuit, laps: int) -> dict[str, Array]:
    """Lap number, beacon pulse and distance; the beacon does not reach the pit lane."""
    lap = np.floor(channels["station_m"] / circuit.length_m)
    lap = np.clip(np.maximum.accumulate(lap), 0.0, laps + 1.0)
    beacon = np.zeros_like(lap)
    pulse = int(0.1 / SAMPLE_S)
    for i in np.flatnonzero(np.diff(lap) > 0.0) + 1:
        beacon[i : i + pulse] = 1.0
    travelled = np.concatenate(
        [[0.0], np.cumsum(0.5 * (channels["speed_mps"][1:] + channels["speed_mps"][:-1]))]
    )
    return {"lap_number": lap, "lap_beacon": beacon, "distance_m": travelled * SAMPLE_S}


def front_axle_of(run_driven: Drive) -> Drive:
    """A run of a four-wheel-driven car as a log and a build sheet of its front axle have it.

    The front differential's channels take the place of the rear one's, in a car that is
    front-driven as far as log, build sheet and truth can tell.
    """
    if len(run_driven.car.driven_axles) != 2:
        raise ValueError(f"{run_driven.car.name} drives one axle only")
    channels = dict(run_driven.channels)
    for name in RECORDED_AXLE:
        channels[name] = channels.pop(f"front_{name}")
    return replace(run_driven, channels=channels, car=run_driven.car.front_axle_alone())


_LEFT_RIGHT = (
    ("wheel_speed_fl_radps", "wheel_speed_fr_radps"),
    ("wheel_speed_rl_radps", "wheel_speed_rr_radps"),
    ("shaft_torque_left_nm", "shaft_torque_right_nm"),
    ("wheel_load_fl_n", "wheel_load_fr_n"),
    ("wheel_load_rl_n", "wheel_load_rr_n"),
    ("tyre_force_fl_n", "tyre_force_fr_n"),
    ("tyre_force_rl_n", "tyre_force_rr_n"),
    ("flange_speed_left_radps", "flange_speed_right_radps"),
    ("front_shaft_torque_left_nm", "front_shaft_torque_right_nm"),
    ("front_flange_speed_left_radps", "front_flange_speed_right_radps"),
    ("slip_fl", "slip_fr"),
    ("slip_rl", "slip_rr"),
)
_SIGNED = (
    "yaw_rad", "yaw_rate_radps", "lateral_speed_mps", "accel_lat_mps2", "steering_angle_rad",
    "position_y_m",
)  # fmt: skip


def mirrored(run_driven: Drive) -> Drive:
    """The same run seen in a mirror: sides change places, sideways signs change."""
    channels = dict(run_driven.channels)
    for left, right in _LEFT_RIGHT:
        if left not in channels:
            continue
        channels[left], channels[right] = channels[right], channels[left]
    for name in _SIGNED:
        channels[name] = -channels[name]
    return replace(
        run_driven,
        channels=channels,
        car=run_driven.car.mirrored(),
        circuit=run_driven.circuit.mirrored(),
    )
