"""What the car and its differential are made of, from the build sheet and the circuit file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from loaders.checked_toml import (
    build,
    range_setting,
    read_toml,
    refuse_other_schema,
    refuse_unknown_tables,
    said_of,
    setting,
    table_of,
)
from loaders.errors import InputError
from pipeline.parts import FRICTION_IN_OIL, HeatPaths, Limits, Oil, PlateMaterial, StackUp, Washers

BUILD_SHEET_SCHEMA = 1


Range = tuple[float, float]
"""Lower and upper end; the same number twice where the sheet states one."""


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
    mass_kg: Range | None = range_setting("mass of car, driver and half the fuel", 5000.0)
    wheelbase_m: float | None = setting("wheelbase", above=0.0, high=5.0, default=None)
    steering_ratio: float | None = setting(
        "turns of the logged steering angle for one of the road wheels", above=0.0, high=30.0,
        default=None,
    )  # fmt: skip
    front_weight_share: Range | None = range_setting("share of the weight on the front wheels", 1.0)
    cg_height_m: Range | None = range_setting("height of the centre of gravity", 2.0)
    driven_roll_share: Range | None = range_setting(
        "share of the driven axle in the roll stiffness", 1.0
    )
    drag_area_m2: Range | None = range_setting("drag coefficient times frontal area", 5.0)
    downforce_area_m2: Range | None = range_setting(
        "downforce coefficient times frontal area", 20.0
    )
    downforce_front_share: Range | None = range_setting(
        "share of the downforce on the front axle", 1.0
    )
    rolling_resistance: Range | None = range_setting("rolling resistance over wheel load", 0.1)
    wheel_inertia_kgm2: Range | None = range_setting(
        "moment of inertia of one driven wheel with tyre, disc and hub", 20.0
    )
    undriven_wheel_inertia_kgm2: Range | None = range_setting(
        "the same for one of the other wheels", 20.0
    )
    rolling_radius_left_m: float | None = setting(
        "of the left driven wheel, where the tyres are of two sizes", above=0.0, high=1.0,
        default=None,
    )  # fmt: skip
    rolling_radius_right_m: float | None = setting(
        "of the right driven wheel, where the tyres are of two sizes", above=0.0, high=1.0,
        default=None,
    )  # fmt: skip

    other_axle: Literal["rolls free", "driven"] = setting(
        "whether the other axle is driven too, through a differential of its own",
        default="rolls free",
    )

    @property
    def driven_radii_m(self) -> tuple[float, float]:
        """Rolling radii of the left and the right driven wheel. [m]"""
        common = self.rolling_radius_m
        return self.rolling_radius_left_m or common, self.rolling_radius_right_m or common

    @property
    def driven_radius_m(self) -> float:
        """The mean of both. [m]"""
        return 0.5 * sum(self.driven_radii_m)


@dataclass(frozen=True, slots=True)
class Differential:
    """The parts, as built. What is left out cannot be predicted, only measured."""

    build: str = setting("your name for this build")
    preload_law: Literal["adding", "greater of"] | None = setting(
        "how springs and ramps act together: 'adding' with springs beside the ramps, 'greater of' "
        "with washers at the ends of the packs; left out, the log decides",
        default=None,
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
    built_on: str | None = setting("when it was built, such as 2026-04-17", default=None)
    plate_material: PlateMaterial | None = setting(
        "what slides in the packs; gives a published friction where friction_coefficient is left "
        "out",
        default=None,
    )
    ramp_friction: Range | None = range_setting("friction of the cross-pin on the ramps", 0.5)

    @property
    def plate_friction(self) -> Range | None:
        """Friction of the plates in oil: as stated, else the published range of the material."""
        if self.friction_coefficient is None and self.plate_material is not None:
            return FRICTION_IN_OIL[self.plate_material]
        return self.friction_coefficient


@dataclass(frozen=True, slots=True)
class Driveline:
    """From the engine to the ring gear; needed where the log has engine torque only."""

    final_drive: float | None = setting(
        "turns into the final drive for one of the ring gear", above=0.0, high=20.0, default=None
    )
    gear_ratios: tuple[float, ...] | None = setting(
        "turns of the engine for one out of the gearbox, first gear first",
        above=0.0,
        high=20.0,
        default=None,
    )
    efficiency: Range | None = range_setting(
        "torque that arrives over torque put in, all gears", 1.0
    )
    engine_inertia_kgm2: Range | None = range_setting("engine, flywheel and clutch", 5.0)
    driveline_inertia_kgm2: Range | None = range_setting(
        "prop shaft, ring gear and case, seen at the ring gear", 5.0
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
    # A strain-gauged prop shaft lives as a half-shaft does. Torque that an engine's control unit
    # works out from its maps stands within a twentieth of the dynamometer; common practice, no
    # source.
    input_torque_gain_tolerance: float = setting(
        "gain tolerance of the input torque, as a share", low=0.0, high=0.5, default=0.02
    )
    input_torque_offset_tolerance_nm: float = setting(
        "zero drift of the input torque, when the log shows no standstill",
        low=0.0,
        high=1000.0,
        default=20.0,
    )
    engine_torque_gain_tolerance: float = setting(
        "gain tolerance of the engine torque, as a share", low=0.0, high=0.5, default=0.05
    )
    engine_torque_offset_tolerance_nm: float = setting(
        "zero of the engine torque, when the log shows no idling at a standstill",
        low=0.0,
        high=200.0,
        default=10.0,
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
    driveline: Driveline = Driveline()
    washers: Washers = field(default_factory=Washers)
    stack: StackUp = field(default_factory=StackUp)
    oil: Oil = field(default_factory=Oil)
    limits: Limits = field(default_factory=Limits)
    heat: HeatPaths = field(default_factory=HeatPaths)


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


def read_build_sheet(
    path: Path, changes: Mapping[str, Mapping[str, Any]] | None = None
) -> BuildSheet:
    """The build sheet from TOML, with the keys of some tables changed on paper.

    Raises
    ------
    InputError
        Listing every unknown key and every value outside its limits.
    """
    tables = read_toml(path)
    for name, changed in (changes or {}).items():
        table = tables.get(name, {})
        tables[name] = {**(table if isinstance(table, dict) else {}), **changed}
    problems: list[str] = []
    refuse_unknown_tables(tables, ["schema", *_TABLES], path.name, problems)
    refuse_other_schema(tables, BUILD_SHEET_SCHEMA, path.name, problems)
    parts: dict[str, Any] = {
        name: build(
            cls, table_of(tables, name, path.name, problems), f"{path.name}: [{name}]", problems
        )
        for name, cls in _TABLES.items()
    }
    problems += _radii_in_order(tables.get("differential"), path)
    problems += _washers_as_stated(tables, path)
    if problems:
        raise InputError.gathered(problems)
    return BuildSheet(**parts)


_TABLES: dict[str, Any] = {
    "car": Car,
    "differential": Differential,
    "driveline": Driveline,
    "sensors": Sensors,
    "states": States,
    "washers": Washers,
    "stack": StackUp,
    "oil": Oil,
    "limits": Limits,
    "heat": HeatPaths,
}


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


_LAW_BY_SEAT = {"between the rings": "adding", "at the ends of the packs": "greater of"}


def _washers_as_stated(tables: dict[str, Any], path: Path) -> list[str]:
    """Washers whose sizes or seat contradict each other or the stated law."""
    found = [tables.get(name) for name in ("washers", "differential", "stack")]
    washers, differential, stack = (table if isinstance(table, dict) else {} for table in found)
    problems = []
    outer, inner = washers.get("outer_diameter_m"), washers.get("inner_diameter_m")
    if isinstance(outer, (int, float)) and isinstance(inner, (int, float)) and inner >= outer:
        problems.append(
            f"{path.name}: [washers]: inner_diameter_m = {said_of(inner)} is not smaller than "
            f"outer_diameter_m = {said_of(outer)}. Swap or correct them."
        )
    law, seat = differential.get("preload_law"), washers.get("sit")
    if isinstance(seat, str) and law is not None and _LAW_BY_SEAT.get(seat, law) != law:
        problems.append(
            f"{path.name}: washers that sit {seat} make preload_law "
            f"{said_of(_LAW_BY_SEAT[seat])}, but [differential] states {said_of(law)}. Correct one "
            "of them, or leave preload_law out."
        )
    thirds = [key for key in ("housing_depth_m", "parts_height_m", "shim_m") if key in stack]
    if "washer_compression_m" in stack and len(thirds) == 3:
        problems.append(
            f"{path.name}: [stack]: washer_compression_m is stated beside the heights that give "
            "it. Leave one of the two out."
        )
    return problems


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
