"""Simulated sessions as the product sees them: from the circuit car's log to a session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import circuit_car
import numpy as np
from circuit_car.car import NOMINAL_DRIVEN_RADIUS_M, NOMINAL_FREE_RADIUS_M, Axle

from loaders.channels import CHANNEL_BY_NAME
from loaders.layout import Dialect
from loaders.mapping import ChannelColumn, ChannelMap, TimeColumn
from loaders.normalise import Session, normalise
from loaders.rawtable import RawTable
from pipeline.analyse import analyse
from pipeline.build_sheet import BuildSheet, Circuit, Differential, Driveline, Sensors, States
from pipeline.build_sheet import Car as SheetCar
from pipeline.result import SessionResult

# What a logger without a certain sensor leaves out: ``session_of(log, without=SHAFTS)``.
SHAFTS = ("shaft_torque_left_nm", "shaft_torque_right_nm")
RING_GEAR = ("input_torque_nm",)
ENGINE = ("engine_torque_nm",)
TORQUES = SHAFTS + RING_GEAR + ENGINE
THERMOMETERS = ("oil_temperature_c", "ambient_temperature_c")
# Beside what every car logs, torque at the ring gear and both temperatures.
FULLY_FITTED = circuit_car.Sensors(ring_gear_fitted=True, thermometers_fitted=True)


@dataclass(frozen=True)
class Run:
    """A simulated session, what the product makes of it, and what really happened."""

    result: SessionResult
    truth: circuit_car.Truth


def session_of(
    log: circuit_car.Log,
    name: str = "simulated",
    column_text: str = "{}",
    without: Sequence[str] = (),
) -> Session:
    """A log as a session, through the product's own normaliser; columns named by the pattern."""
    channels = {key: values for key, values in log.channels.items() if key not in without}
    kept = {key: values for key, values in channels.items() if key in CHANNEL_BY_NAME}
    kept["time_s"] = log.channels["time_s"]
    columns = {column_text.format(key): values for key, values in kept.items()}
    raw = RawTable(
        path=Path(f"{name}.csv"),
        names=tuple(columns),
        units=tuple("s" if key == "time_s" else CHANNEL_BY_NAME[key].unit for key in kept),
        columns=columns,
        rows=len(kept["time_s"]),
        metadata={},
        dialect=Dialect("UTF-8", ",", ".", 1, None, 2),
        sha256="0" * 64,
        size_bytes=0,
        notes=(),
    )
    channels = {key: ChannelColumn(column_text.format(key)) for key in kept if key != "time_s"}
    time = TimeColumn(column_text.format("time_s"))
    return normalise(raw, ChannelMap(Path("channels.toml"), time, channels))


def sheet_of(car: circuit_car.Car, *, rng: np.random.Generator | None = None) -> BuildSheet:
    """The build sheet of a simulated car: nominal radii, parts with a workshop's tolerances.

    Without ``rng`` every range lies around the truth; with it the middles err as those of a real
    workshop do, so that a range holds the truth 95 times in 100.
    """

    def within(value: float, share: float) -> tuple[float, float]:
        error = 0.0 if rng is None else 0.5 * share * float(rng.standard_normal())
        return value * (1 - share + error), value * (1 + share + error)

    parts, axle = car.differential, car.driven_axle
    front = axle == "front"
    other: Axle = "rear" if front else "front"
    wheel_inertias = [car.wheel_inertia_front_kgm2, car.wheel_inertia_rear_kgm2]
    driven_inertia, free_inertia = wheel_inertias if front else wheel_inertias[::-1]
    return BuildSheet(
        SheetCar(
            car.name, axle, car.track_m(axle),
            _stated(car.radii_m(axle)), _stated(car.radii_m(other)),
            mass_kg=within(car.mass_kg, 0.015),
            wheelbase_m=car.wheelbase_m,
            steering_ratio=1.0,
            front_weight_share=within(1 - car.cg_to_front_m / car.wheelbase_m, 0.015),
            cg_height_m=within(car.cg_height_m, 0.07),
            driven_roll_share=within(
                car.roll_share_front if front else 1 - car.roll_share_front, 0.10
            ),
            drag_area_m2=within(car.drag_area_m2, 0.08),
            downforce_area_m2=within(car.downforce_area_m2, 0.15),
            downforce_front_share=within(car.downforce_share_front, 0.08),
            rolling_resistance=within(car.rolling_resistance, 0.15),
            wheel_inertia_kgm2=within(driven_inertia, 0.10),
            undriven_wheel_inertia_kgm2=within(free_inertia, 0.10),
        ),
        Differential(
            build="A",
            drive_ramp_deg=parts.drive_ramp_deg,
            overrun_ramp_deg=parts.overrun_ramp_deg,
            ramp_radius_m=parts.ramp_radius_m,
            friction_faces_per_pack=parts.friction_faces_per_pack,
            plate_outer_radius_m=parts.plate_outer_radius_m,
            plate_inner_radius_m=parts.plate_inner_radius_m,
            friction_coefficient=(0.08, 0.11),
            spring_force_n=(parts.spring_force_n * 0.95, parts.spring_force_n * 1.05),
        ),
        Sensors(shaft_torque_gain_tolerance=0.014, engine_torque_gain_tolerance=0.02),
        States(),
        Driveline(
            final_drive=car.final_drive,
            gear_ratios=car.gear_ratios,
            efficiency=within(car.transmission_efficiency, 0.015),
            engine_inertia_kgm2=within(car.engine_inertia_kgm2, 0.10),
            driveline_inertia_kgm2=within(car.driveline_inertia_kgm2, 0.20),
        ),
    )  # fmt: skip


def _stated(radii_m: tuple[float, float]) -> float:
    """The tyre maker's rolling radius that a pair of tyres was sold with. [m]"""
    mean = 0.5 * sum(radii_m)
    return min(NOMINAL_DRIVEN_RADIUS_M, NOMINAL_FREE_RADIUS_M, key=lambda sold: abs(sold - mean))


def simulate(
    seed: int,
    car: circuit_car.Car | None = None,
    circuit: circuit_car.Circuit | None = None,
    laps: int = 8,
    rate_hz: float = 100.0,
    sensors: circuit_car.Sensors | None = None,
) -> tuple[circuit_car.Drive, circuit_car.Log]:
    """A seeded drive on uneven tyres and its log."""
    rng = np.random.default_rng(seed)
    car = (car or circuit_car.Car()).with_uneven_radii(rng)
    drive = circuit_car.drive(
        car, circuit or circuit_car.hollin_fell(), circuit_car.Driver(), laps=laps, rng=rng
    )
    return drive, circuit_car.spoil(
        drive, sensors or circuit_car.Sensors(), rate_hz=rate_hz, rng=rng
    )


def run(
    seed: int,
    car: circuit_car.Car | None = None,
    circuit: circuit_car.Circuit | None = None,
    laps: int = 8,
    rate_hz: float = 100.0,
    sensors: circuit_car.Sensors | None = None,
    without: Sequence[str] = (),
) -> Run:
    """A seeded session: driven, spoiled, some channels left out, analysed."""
    drive, log = simulate(seed, car, circuit, laps, rate_hz, sensors)
    result = analyse(
        session_of(log, without=without), sheet_of(car or circuit_car.Car()), Circuit()
    )
    return Run(result, circuit_car.truth(drive))
