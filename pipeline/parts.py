"""The build sheet's tables beyond the packs: washers, stack, oil, limits, heat.

Everything may be left out; what then cannot be said is named where it would have been said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from loaders.checked_toml import range_setting, setting
from pipeline.disc_spring import THICKEST_M, Disc, Stack, force_tolerance

Range = tuple[float, float]

PlateMaterial = Literal[
    "sintered metal", "moulded", "woven", "paper", "graphitic", "cast iron on hard steel"
]

# Running friction in oil. Source: Juvinall & Marshek, Fundamentals of Machine Component Design,
# table of clutch and brake linings, p. 750 as copied in public. For plates of steel on steel or
# with a sprayed coating no published range could be read: state friction_coefficient for them.
FRICTION_IN_OIL: dict[PlateMaterial, Range] = {
    "sintered metal": (0.05, 0.08),
    "moulded": (0.06, 0.09),
    "woven": (0.08, 0.10),
    "paper": (0.10, 0.14),
    "graphitic": (0.12, 0.12),
    "cast iron on hard steel": (0.03, 0.06),
}
assert set(FRICTION_IN_OIL) == set(get_args(PlateMaterial))


@dataclass(frozen=True, slots=True)
class Washers:
    """The spring washers that preload the packs; disc springs without contact flats."""

    sit: Literal["between the rings", "at the ends of the packs"] | None = setting(
        "where the washers sit; between the pressure rings they push beside the ramps, at the ends "
        "of the packs they sit in series with them",
        default=None,
    )
    outer_diameter_m: float | None = setting("outer diameter", above=0.0, high=0.4, default=None)
    inner_diameter_m: float | None = setting("inner diameter", above=0.0, high=0.4, default=None)
    thickness_m: float | None = setting(
        "thickness; thicker ones have contact flats and are not worked out: state spring_force_n",
        above=0.0,
        high=THICKEST_M,
        default=None,
    )
    cone_height_m: float | None = setting(
        "free height of one washer less its thickness", above=0.0, high=0.02, default=None
    )
    in_parallel: int = setting("washers nested the same way", low=1, high=20, default=1)
    in_series: int = setting(
        "such groups one against the other, counted through the whole unit",
        low=1,
        high=40,
        default=1,
    )
    force_share: Range | None = range_setting(
        "force of your washers, measured in a press, over that of the formula", 2.0
    )

    @property
    def stack(self) -> Stack | None:
        """The washers as a stack; None when a size is left out."""
        sizes = (
            self.outer_diameter_m,
            self.inner_diameter_m,
            self.thickness_m,
            self.cone_height_m,
        )
        known = [size for size in sizes if size is not None]
        if len(known) < len(sizes):
            return None
        return Stack(Disc(*known), self.in_parallel, self.in_series)

    @property
    def shares(self) -> Range:
        """Least and greatest force over the formula's: measured, or as the standard allows."""
        if self.force_share is not None:
            return self.force_share
        below, above = force_tolerance(self.thickness_m or 0.0)
        return 1 + below, 1 + above


@dataclass(frozen=True, slots=True)
class StackUp:
    """How the packs, shims and washers fill the housing."""

    housing_depth_m: Range | None = range_setting(
        "inner length of the housing that packs, rings, shims and washers fill", 1.0
    )
    parts_height_m: Range | None = range_setting(
        "height of all that stands in it, pressed together, without shims and washers", 1.0
    )
    shim_m: float | None = setting("all shims together", low=0.0, high=0.02, default=None)
    plate_thickness_m: Range | None = range_setting(
        "thickness of a friction plate, new; what a strip-down is held against", 0.05
    )
    washer_compression_m: Range | None = range_setting(
        "how far the washers are pressed in all, in place of the three above", 0.05
    )


@dataclass(frozen=True, slots=True)
class Oil:
    """What is in the housing. The oil's maker knows its limits."""

    name: str | None = setting("name and grade of the oil", default=None)
    volume_l: float | None = setting("filling", above=0.0, high=20.0, default=None)
    limit_c: float | None = setting(
        "hottest that its maker allows for long", above=0.0, high=300.0, default=None
    )
    peak_limit_c: float | None = setting(
        "hottest that its maker allows for a short while", above=0.0, high=300.0, default=None
    )


@dataclass(frozen=True, slots=True)
class Limits:
    """When the unit is due for service, by its maker or by your own experience."""

    breakaway_nm: Range | None = range_setting(
        "breakaway torque that the unit may have in service", 2000.0
    )
    wanted_breakaway_nm: float | None = setting(
        "breakaway torque that the shims should give", above=0.0, high=2000.0, default=None
    )
    stack_loss_m: float | None = setting(
        "height that the stack may lose", above=0.0, high=0.02, default=None
    )
    plate_temperature_c: float | None = setting(
        "hottest that the plates may get", above=0.0, high=800.0, default=None
    )
    race_length_s: float | None = setting(
        "how long the car has to run at this pace", above=0.0, high=200000.0, default=None
    )


@dataclass(frozen=True, slots=True)
class HeatPaths:
    """Where the heat is stored and where it goes, as far as it is known before any log."""

    plates_mass_kg: Range | None = range_setting("all plates and rings together", 50.0)
    housing_mass_kg: Range | None = range_setting(
        "housing, gears and shafts as far as they warm up with the oil", 200.0
    )
    housing_metal: Literal["steel", "aluminium"] = setting(
        "what most of the housing is made of", default="steel"
    )
    plates_to_oil_wpk: Range | None = range_setting(
        "power from the plates to the oil for each kelvin between them", 2000.0
    )
    still_air_wpk: Range | None = range_setting(
        "power from the housing to the air for each kelvin at a standstill", 500.0
    )
    moving_air_wpk_per_mps: Range | None = range_setting(
        "what each m/s of the car's speed adds to it", 50.0
    )
    gear_loss: Range | None = range_setting(
        "share of the power through the final drive that warms its oil", 0.2
    )
    ambient_c: float | None = setting(
        "air around the car, when the log has no channel for it",
        low=-40.0,
        high=60.0,
        default=None,
    )
    start_c: float | None = setting(
        "oil and plates when the log begins, when the log has no channel for it",
        low=-40.0,
        high=200.0,
        default=None,
    )
