"""Which units make one log consistent: path, speed, acceleration, turning and wheels together.

A column can be read in several ways: in one of the units that people log it in or, where its unit
is stated already, as stated or with a mistake. The least set of other readings that makes all
columns agree is what is believed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from loaders.channels import Quantity
from loaders.units import unit_of

# Within this the physics counts as agreeing: smoothing and slip angles take up to 8 %.
_AGREES = math.log(1.12)
# What it costs to read a column in another unit than the one that is stated, against disagreement
# in natural logarithms: the nearest confusion is mph for km/h, 0.48.
AGAINST_STATEMENT = 0.2
# Top speed of a circuit car on a circuit; rolling radius of its wheels. Chosen here.
_TOP_SPEED_MPS = (18.0, 105.0)
RADIUS_M = (0.2, 0.45)

SPEED_UNITS = ("m/s", "km/h", "mph")
WHEEL_UNITS = ("rad/s", "rpm", "rev/s", "deg/s")
LINEAR_WHEEL_UNITS = ("km/h", "m/s", "mph")
_ACCELERATION_UNITS = ("m/s2", "g")
_YAW_UNITS = ("deg/s", "rad/s")
_DISTANCE_UNITS = ("m", "km", "ft", "mm")
_TORQUE_UNITS = ("N m", "kN m", "lbf ft")

Ranges = Mapping[str, tuple[float, float]]
"""Of each way to read a column, between what its unit lies in SI; of a wheel, in m/s."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column, how it may be read, and how it hangs together with the speed."""

    ranges: Ranges
    stated: str | None = None
    slope: float = 0.0
    """``speed = slope * column``, or of their changes, as logged; 0 when not known."""
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Consistent:
    """The readings of the moving columns that agree with each other best."""

    units: Mapping[str, str]
    """By kind: speed, accel, yaw, lateral, path, and whatever else was asked for."""
    checked: frozenset[str] = frozenset()
    """Kinds whose unit the physics has confirmed."""
    rivals: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """By kind, other readings that would agree as well."""


def factor(unit: str, quantity: Quantity) -> float:
    """Factor of one of our own spellings to SI."""
    return unit_of(unit, quantity, "").factor


def exact(units: Sequence[str], quantity: Quantity) -> dict[str, tuple[float, float]]:
    """Units as they are."""
    return {unit: (size := factor(unit, quantity), size) for unit in units}


SPEEDS = exact(SPEED_UNITS, Quantity.SPEED)
YAW_RATES = exact(_YAW_UNITS, Quantity.YAW_RATE)
ACCELERATIONS = exact(_ACCELERATION_UNITS, Quantity.ACCELERATION)
DISTANCES = exact(_DISTANCE_UNITS, Quantity.DISTANCE)
TORQUES = exact(_TORQUE_UNITS, Quantity.TORQUE)
WHEELS = exact(LINEAR_WHEEL_UNITS, Quantity.SPEED) | {
    unit: (size * RADIUS_M[0], size * RADIUS_M[1])
    for unit, (size, _) in exact(WHEEL_UNITS, Quantity.ANGULAR_SPEED).items()
}


_SAID = {"m/s2": "m/s²", "rev/s": "revolutions per second", "N m": "N·m", "kN m": "kN·m",
         "lbf ft": "lbf·ft"}  # fmt: skip
AS_STATED = ""


def mistakes(units: Ranges, factor: float = 1.0) -> dict[str, tuple[float, float]]:
    """Readings of a column that is in SI by its statement: as stated, or one unit for another.

    >>> sorted(mistakes({"m/s2": (1.0, 1.0), "g": (9.80665, 9.80665)}))
    ['', 'g taken for m/s²', 'm/s² taken for g']
    """
    found = {AS_STATED: (factor, factor)}
    for (is_in, true), (taken_for, wrong) in itertools.permutations(units.items(), 2):
        size = factor * true[0] / wrong[0]
        found[f"{_SAID.get(is_in, is_in)} taken for {_SAID.get(taken_for, taken_for)}"] = (
            size,
            size,
        )
    return found


def wheel_mistakes(radius_m: float) -> dict[str, tuple[float, float]]:
    """The same for a wheel speed of this rolling radius; it may be a road speed besides."""
    turning = exact(WHEEL_UNITS, Quantity.ANGULAR_SPEED)
    road = {
        f"a road speed in {unit} taken for {taken_for}": (size / turning[taken_for][0],) * 2
        for unit, (size, _) in SPEEDS.items()
        for taken_for in ("rad/s", "rpm")
    }
    return mistakes(SPEEDS, radius_m) | road | mistakes(turning, radius_m)


def consistent(
    speed: Column,
    yaw: Column,
    lateral: Column,
    followers: Mapping[str, Column],
    *,
    lateral_slope: float,
    path_turn: float,
    top_speed: float,
    against: float = AGAINST_STATEMENT,
    unusual: float = 2.0,
) -> Consistent:
    """The units of speed, acceleration, yaw rate and path that agree with each other best.

    Parameters
    ----------
    speed, yaw, lateral : Column
    followers : mapping of Column
        What is compared with the speed alone: accel, path, wheels.
    lateral_slope, path_turn : float
        As in `roles.Motion`; 0 when not known.
    top_speed : float
        As logged.
    against, unusual : float
        What it costs to read a column otherwise than stated, and a top speed that is unusual.
    """
    ranked = []
    following = {
        v: {kind: _nearest(span[0], column, against) for kind, column in followers.items()}
        for v, span in speed.ranges.items()
    }
    for v, y, a in itertools.product(speed.ranges, yaw.ranges, lateral.ranges):
        v_si = speed.ranges[v][0]
        cost = against * (_unlike(v, speed) + _unlike(y, yaw) + _unlike(a, lateral))
        cost += unusual * (not _TOP_SPEED_MPS[0] <= top_speed * v_si <= _TOP_SPEED_MPS[1])
        cost += _turning_off(v_si, yaw.ranges[y][0], lateral.ranges[a][0], lateral_slope, path_turn)
        units = {"speed": v, "yaw": y, "lateral": a}
        for kind, column in followers.items():
            units[kind], more = following[v][kind]
            cost += column.weight * more
        ranked.append((cost, tuple(units.values()), units))
    ranked.sort(key=lambda each: each[:2])
    cost, _, units = ranked[0]
    near = [each[2] for each in ranked if each[0] < cost + 0.5 * against]
    rivals = {
        kind: tuple(sorted({other[kind] for other in near} - {unit}))
        for kind, unit in units.items()
    }
    v_si, checked = speed.ranges[units["speed"]][0], set()
    for kind, column in followers.items():
        if column.slope and off(v_si * column.slope, column.ranges[units[kind]]) < _AGREES:
            checked |= {"speed", kind} if kind in ("accel", "path") else {kind}
    sizes = yaw.ranges[units["yaw"]][0], lateral.ranges[units["lateral"]][0]
    turning = _turning_off(v_si, *sizes, lateral_slope, path_turn)
    if (lateral_slope or path_turn) and turning < 2 * _AGREES:
        checked |= {"yaw"} | ({"lateral", "speed"} if lateral_slope else set())
    return Consistent(units, frozenset(checked), rivals)


def _unlike(reading: str, column: Column) -> bool:
    return column.stated is not None and column.stated != reading


def off(size: float, span: tuple[float, float]) -> float:
    """How far a size lies outside a range, in natural logarithms.

    >>> round(off(2.0, (0.5, 1.0)), 3)
    0.693
    """
    return max(math.log(span[0] / size), math.log(size / span[1]), 0.0) if size > 0 else math.inf


def _nearest(v_si: float, column: Column, against: float) -> tuple[str, float]:
    """The reading of a column that agrees best with the speed, and what it costs."""
    if not column.slope:
        known = column.stated if column.stated in column.ranges else next(iter(column.ranges))
        return known or "", 0.0
    size = v_si * abs(column.slope)
    cost = {
        reading: off(size, span) + against * _unlike(reading, column)
        for reading, span in column.ranges.items()
    }
    best = min(cost, key=lambda reading: cost[reading])
    return best, cost[best]


def distance_unit(slope: float, speed_unit: str) -> str:
    """Unit of a distance with ``speed = slope * d distance/dt``."""
    return _nearest(SPEEDS[speed_unit][0], Column(DISTANCES, None, slope), 0.0)[0]


def _turning_off(
    v_si: float, yaw_si: float, lateral_si: float, lateral_slope: float, path_turn: float
) -> float:
    cost = 0.0
    if lateral_slope:
        made = v_si * yaw_si * abs(lateral_slope)
        cost += off(made, (lateral_si, lateral_si))
    if path_turn:
        cost += off(abs(path_turn), (yaw_si, yaw_si))
    return cost


def wheel_units(ratio: float, speed_unit: str, linear_within: float = _AGREES) -> list[str]:
    """Units of a wheel speed that is ``ratio`` times the ground speed, both as logged.

    A linear speed comes first: that a radius makes the numbers equal by chance is the rarer case.
    """
    size = SPEEDS[speed_unit][0] / ratio if ratio > 0 else 0.0
    return [
        unit
        for unit, span in WHEELS.items()
        if off(size, span) < (linear_within if unit in LINEAR_WHEEL_UNITS else 1e-9)
    ]
