"""What the car and its differential are made of, from the build sheet and the circuit file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar

from loaders.checked_toml import (
    build,
    read_toml,
    refuse_other_schema,
    refuse_unknown_tables,
    said_of,
    setting,
    table_of,
)
from loaders.errors import InputError

T = TypeVar("T")

BUILD_SHEET_SCHEMA = 1


@dataclass(frozen=True, slots=True)
class Car:
    """The car around the differential."""

    name: str = setting("what you call the car")
    driven_axle: Literal["rear", "front"] = setting("which axle the differential drives")
    track_m: float = setting("track width of the driven axle", above=0.0, high=3.0)
    rolling_radius_m: float = setting("rolling radius of the driven wheels", above=0.0, high=1.0)
    undriven_rolling_radius_m: float | None = setting(
        "rolling radius of the other wheels", above=0.0, high=1.0, default=None
    )


@dataclass(frozen=True, slots=True)
class Differential:
    """The parts, as built. What is left out cannot be predicted, only measured."""

    build: str = setting("your name for this build")
    preload_law: Literal["adding"] = setting(
        "how springs and ramps act together; 'adding' when the springs sit in parallel",
        default="adding",
    )
    ramp_angle_from: Literal["plane of rotation", "axis"] = setting(
        "what the ramp angles are measured from", default="plane of rotation"
    )
    drive_ramp_deg: float | None = setting("drive ramp angle", above=0.0, high=90.0, default=None)
    overrun_ramp_deg: float | None = setting(
        "overrun ramp angle", above=0.0, high=90.0, default=None
    )
    ramp_radius_m: float | None = setting(
        "radius at which the cross-pin meets the ramps", above=0.0, high=0.3, default=None
    )
    friction_faces_per_pack: int | None = setting(
        "sliding interfaces in each pack", low=0, high=100, default=None
    )
    plate_outer_radius_m: float | None = setting(
        "outer radius of the friction face", above=0.0, high=0.3, default=None
    )
    plate_inner_radius_m: float | None = setting(
        "inner radius of the friction face", above=0.0, high=0.3, default=None
    )
    friction_coefficient: tuple[float, float] | None = setting(
        "friction of the plates in oil, one number or a range",
        above=0.0,
        high=1.0,
        is_range=True,
        default=None,
    )
    spring_force_n: tuple[float, float] | None = setting(
        "force of the spring washers on the packs, one number or a range",
        low=0.0,
        high=1e5,
        is_range=True,
        default=None,
    )


@dataclass(frozen=True, slots=True)
class Sensors:
    """How well the torque sensors are known. Two standard deviations each."""

    # Defaults: what a shaft strain gauge with telemetry keeps between calibrations; chosen by us.
    shaft_torque_gain_tolerance: float = setting(
        "gain tolerance of each half-shaft torque, as a share", low=0.0, high=0.5, default=0.02
    )
    shaft_torque_offset_tolerance_nm: float = setting(
        "zero drift of each half-shaft torque, when the log shows no standstill",
        low=0.0,
        high=500.0,
        default=15.0,
    )


@dataclass(frozen=True, slots=True)
class States:
    """Where one axle state ends and the next begins. Chosen by us unless you set them."""

    # Race tyres make most of their longitudinal force by 5 to 10 % slip; beyond 5 % a wheel is
    # on its way to spinning. Common practice, no source.
    overspeed_slip: float = setting(
        "slip from which a driven wheel counts as running away or dragging",
        above=0.0,
        high=0.5,
        default=0.05,
    )


@dataclass(frozen=True, slots=True)
class BuildSheet:
    """One build of one car's differential."""

    car: Car
    differential: Differential
    sensors: Sensors
    states: States


@dataclass(frozen=True, slots=True)
class StartLine:
    """Both ends of the start line, as seen by the driver crossing it."""

    unit: Literal["m", "deg"] = setting("'m' for x and y east and north, 'deg' for lat and long")
    left: tuple[float, float] = setting("left end: [x, y] or [latitude, longitude]")
    right: tuple[float, float] = setting("right end: [x, y] or [latitude, longitude]")


@dataclass(frozen=True, slots=True)
class Circuit:
    """Where the car runs."""

    name: str = setting("name of the circuit", default="")
    start_line: StartLine | None = None


def read_build_sheet(path: Path) -> BuildSheet:
    """The build sheet from TOML.

    Raises
    ------
    InputError
        Listing every unknown key and every value outside its limits.
    """
    tables = read_toml(path)
    problems: list[str] = []
    known = ["schema", "car", "differential", "sensors", "states"]
    refuse_unknown_tables(tables, known, path.name, problems)
    refuse_other_schema(tables, BUILD_SHEET_SCHEMA, path.name, problems)

    def part(cls: type[T], name: str) -> T | None:
        table = table_of(tables, name, path.name, problems)
        return build(cls, table, f"{path.name}: [{name}]", problems)

    car = part(Car, "car")
    differential = part(Differential, "differential")
    sensors = part(Sensors, "sensors")
    states = part(States, "states")
    problems += _radii_in_order(tables.get("differential"), path)
    if problems or car is None or differential is None or sensors is None or states is None:
        raise InputError.gathered(problems)
    return BuildSheet(car, differential, sensors, states)


def _radii_in_order(parts: Any, path: Path) -> list[str]:
    """Asked of the table itself, so that it is said even when something else is wrong too."""
    table = parts if isinstance(parts, dict) else {}
    outer, inner = table.get("plate_outer_radius_m"), table.get("plate_inner_radius_m")
    if not isinstance(outer, (int, float)) or not isinstance(inner, (int, float)) or inner < outer:
        return []
    return [
        (
            f"{path.name}: [differential]: plate_inner_radius_m = {said_of(inner)} is not smaller "
            f"than plate_outer_radius_m = {said_of(outer)}. Swap or correct them."
        )
    ]


def read_circuit(path: Path) -> Circuit:
    """The circuit from TOML; an unnamed one without start line when there is no such file.

    Raises
    ------
    InputError
        Listing every unknown key and every value that is no start line.
    """
    if not path.exists():
        return Circuit()
    tables = read_toml(path)
    problems: list[str] = []
    refuse_unknown_tables(tables, ["name", "start_line"], path.name, problems)
    line = None
    if "start_line" in tables:
        place = f"{path.name}: [start_line]"
        table = table_of(tables, "start_line", path.name, problems)
        line = build(StartLine, table, place, problems)
        problems += [] if line is None else _no_line(line, place)
    name = tables.get("name", "")
    if not isinstance(name, str):
        problems.append(f"{path.name}: name = {name!r}; expected text in quotes.")
    if problems:
        raise InputError.gathered(problems)
    return Circuit(name, line)


def _no_line(line: StartLine, place: str) -> list[str]:
    problems = []
    if line.left == line.right:
        problems.append(
            f"{place}: left and right are the same point; expected the two ends of the line across "
            "the circuit. Correct one of them."
        )
    if line.unit == "deg" and any(
        abs(latitude) > 90 or abs(longitude) > 180
        for latitude, longitude in (line.left, line.right)
    ):
        problems.append(
            f'{place}: beyond 90 degrees of latitude or 180 of longitude. With unit = "deg" each '
            'end is [latitude, longitude]; for metres set unit = "m".'
        )
    return problems
