"""Make the sample season: a pack that wears and is rebuilt, then a day of two setups in turns.

Run with the tests folder on the path: ``python -m circuit_car.sample_season [folder]``.
The same machine writes the same bytes every time.
"""

from __future__ import annotations

import gzip
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from circuit_car.car import Car
from circuit_car.circuit import short_circuit
from circuit_car.driver import Driver
from circuit_car.log_files import RAD_TO_DEG, Column, write_table
from circuit_car.running import drive
from circuit_car.sensors import Sensors, spoil

FOLDER = Path(__file__).parents[2] / "sample_logs" / "season"
LAPS = 6
RATE_HZ = 50.0

COLUMNS = (
    Column("Time", "s", "time_s", 1.0, 2),
    Column("Wheel RL", "rad/s", "wheel_speed_rl_radps", 1.0, 2),
    Column("Wheel RR", "rad/s", "wheel_speed_rr_radps", 1.0, 2),
    Column("Shaft torque L", "Nm", "shaft_torque_left_nm", 1.0, 0),
    Column("Shaft torque R", "Nm", "shaft_torque_right_nm", 1.0, 0),
    Column("Gear", "-", "gear", 1.0, 0),
    Column("Brake pressure", "bar", "brake_pressure_pa", 1e-5, 1),
    Column("Ground speed", "m/s", "speed_mps", 1.0, 2),
    Column("Yaw rate", "deg/s", "yaw_rate_radps", RAD_TO_DEG, 1),
    Column("Lap", "-", "lap_number", 1.0, 0),
)


@dataclass(frozen=True)
class Outing:
    """One run: when, which setup, and what is left of the washers' force."""

    name: str
    when: str
    setup: str
    spring_force_n: float
    seed: int


def outings() -> Iterator[Outing]:
    """Eight runs over which the washers lose 45 % of their force; after a rebuild, ABBABAAB."""
    new = Car().differential.spring_force_n
    for i in range(8):
        yield Outing(
            f"wear{i + 1}", f"2026-0{3 + i // 2}-{7 + 14 * (i % 2):02d} 10:20", "A",
            new * (1 - 0.45 * i / 7), 400 + i,
        )  # fmt: skip
    for i, setup in enumerate("ABBABAAB"):
        yield Outing(f"turns{i + 1}", f"2026-07-18 {10 + i}:30", setup, new, 500 + i)


def car_of(outing: Outing) -> Car:
    """Setup B has flatter drive ramps; its springs are those of A."""
    firm = Car().with_parts(spring_force_n=outing.spring_force_n)
    return firm if outing.setup == "A" else firm.with_parts(drive_ramp_deg=60.0)


def write_outing(outing: Outing, folder: Path) -> None:
    """Drive one run and write its log, packed."""
    drive_rng, log_rng = np.random.default_rng(outing.seed).spawn(2)
    car = car_of(outing).with_uneven_radii(drive_rng)
    driven = drive(car, short_circuit(), Driver(), laps=LAPS, rng=drive_rng)
    log = spoil(driven, Sensors(dropouts_per_channel=0.5), rate_hz=RATE_HZ, rng=log_rng)
    plain = folder / f"{outing.name}.csv"
    write_table(
        plain, log, COLUMNS, delimiter=",", head=lambda c: f"{c.text} [{c.unit}]",
        preamble=(f"date,{outing.when}", f"circuit,{driven.circuit.name}", "note,figures invented"),
    )  # fmt: skip
    # No time and no name in the packing, so that the same run gives the same bytes.
    packed = gzip.compress(plain.read_bytes(), compresslevel=9, mtime=0)
    plain.with_suffix(".csv.gz").write_bytes(packed)
    plain.unlink()


def main(folder: Path = FOLDER) -> None:
    """Write all runs."""
    folder.mkdir(parents=True, exist_ok=True)
    for outing in outings():
        write_outing(outing, folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
