"""Which units make one log consistent: path, speed, acceleration, turning and wheels together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from loaders.channels import Quantity
from loaders.units import unit_of

# Within this the physics counts as agreeing: smoothing and slip angles take up to 8 %.
_AGREES = math.log(1.12)
# What it costs to read a column in another unit than the one that is stated, against disagreement
# in natural logarithms: the nearest confusion is mph for km/h, 0.48.
_AGAINST_STATEMENT = 0.2
# Top speed of a circuit car on a circuit; rolling radius of its wheels. Chosen here.
_TOP_SPEED_MPS = (18.0, 105.0)
_RADIUS_M = (0.2, 0.45)

SPEED_UNITS = ("m/s", "km/h", "mph")
WHEEL_UNITS = ("rad/s", "rpm", "rev/s", "deg/s")
LINEAR_WHEEL_UNITS = ("km/h", "m/s", "mph")


@dataclass(frozen=True, slots=True)
class Consistent:
    """The units of the moving columns that agree with each other best."""

    units: Mapping[str, str]
    """By kind: speed, accel, yaw, lateral, path."""
    checked: frozenset[str]
    """Kinds whose unit the physics has confirmed."""
    rivals: tuple[str, ...] = ()
    """Other units of speed that would agree as well."""


def factor(unit: str, quantity: Quantity) -> float:
    """Factor of one of our own spellings to SI."""
    return unit_of(unit, quantity, "").factor


def consistent_units(
    stated: Mapping[str, str | None],
    top_speed: float,
    accel_slope: float,
    lateral_slope: float,
    path_scale: float,
    path_turn: float,
    wheel_ratios: Iterable[float],
) -> Consistent:
    """The units of speed, acceleration, yaw rate and path that agree with each other best.

    Parameters
    ----------
    stated : mapping
        Unit that the log states, by kind (speed, accel, yaw, lateral, path); None when it does not.
    top_speed : float
        In the log's unit.
    accel_slope, lateral_slope, path_scale, path_turn : float
        As in `roles.Motion`; 0 when not known.
    wheel_ratios : iterable of float
        Wheel speed over ground speed, in the log's units.
    """
    ratios = list(wheel_ratios)
    ranked = sorted(
        (
            _speed_cost(v, stated, top_speed, accel_slope, path_scale, ratios)
            + _turning_cost(v, y, a, stated, lateral_slope, path_turn),
            v, y, a,
        )
        for v, y, a in itertools.product(SPEED_UNITS, ("deg/s", "rad/s"), ("m/s2", "g"))
    )  # fmt: skip
    cost, v, y, a = ranked[0]
    rivals = {each[1] for each in ranked[1:] if each[0] < cost + 0.1 and each[1] != v}
    v_si = factor(v, Quantity.SPEED)
    accel, accel_off = _nearest(v_si * accel_slope, stated.get("accel"), _ACCELERATIONS)
    path, path_off = _nearest_path(v_si, path_scale, stated.get("path"))
    checked = set()
    if accel_slope and accel_off < _AGREES:
        checked |= {"speed", "accel"}
    if path_scale and path_off < _AGREES:
        checked |= {"speed", "path"}
    turning = _turning_cost(v, y, a, {}, lateral_slope, path_turn)
    if (lateral_slope or path_turn) and turning < 2 * _AGREES:
        checked |= {"yaw"} | ({"lateral", "speed"} if lateral_slope else set())
    units = {"speed": v, "accel": accel, "yaw": y, "lateral": a, "path": path}
    return Consistent(units, frozenset(checked), tuple(sorted(rivals)))


_ACCELERATIONS = {unit: factor(unit, Quantity.ACCELERATION) for unit in ("m/s2", "g")}
_DISTANCES = {unit: factor(unit, Quantity.DISTANCE) for unit in ("m", "km", "ft", "mm")}


def _off(ratio: float) -> float:
    return abs(math.log(ratio)) if ratio > 0 else math.inf


def _nearest(size: float, stated: str | None, units: Mapping[str, float]) -> tuple[str, float]:
    """The unit of a size in SI nearest to it, and how far off it is."""
    if not size:
        return (stated if stated in units else next(iter(units))) or "", math.inf
    off = {u: _off(abs(size) / f) + _AGAINST_STATEMENT * (u != stated) for u, f in units.items()}
    best = min(off, key=lambda unit: off[unit])
    return best, _off(abs(size) / units[best])


def _nearest_path(v_si: float, path_scale: float, stated: str | None) -> tuple[str, float]:
    return _nearest(v_si * path_scale, stated, _DISTANCES)


def distance_unit(slope: float, speed_unit: str) -> str:
    """Unit of a distance with ``speed = slope * d distance/dt``."""
    return _nearest(factor(speed_unit, Quantity.SPEED) * slope, None, _DISTANCES)[0]


def _speed_cost(
    v: str,
    stated: Mapping[str, str | None],
    top_speed: float,
    accel_slope: float,
    path_scale: float,
    ratios: list[float],
) -> float:
    v_si = factor(v, Quantity.SPEED)
    cost = _against(v, stated.get("speed"))
    low, high = _TOP_SPEED_MPS
    cost += 2.0 * (not low <= top_speed * v_si <= high)
    if accel_slope:
        unit, off = _nearest(v_si * accel_slope, stated.get("accel"), _ACCELERATIONS)
        cost += off + _against(unit, stated.get("accel"))
    if path_scale:
        unit, off = _nearest_path(v_si, path_scale, stated.get("path"))
        cost += off + _against(unit, stated.get("path"))
    cost += sum(not wheel_units(ratio, v) for ratio in ratios) / max(len(ratios), 1)
    return cost


def _turning_cost(
    v: str,
    y: str,
    a: str,
    stated: Mapping[str, str | None],
    lateral_slope: float,
    path_turn: float,
) -> float:
    yaw_si = factor(y, Quantity.YAW_RATE)
    cost = _against(y, stated.get("yaw")) + _against(a, stated.get("lateral"))
    if lateral_slope:
        made = factor(v, Quantity.SPEED) * yaw_si * abs(lateral_slope)
        cost += _off(made / _ACCELERATIONS[a])
    if path_turn:
        cost += _off(abs(path_turn) / yaw_si)
    return cost


def _against(unit: str, stated: str | None) -> float:
    return _AGAINST_STATEMENT * (stated is not None and stated != unit)


def wheel_units(ratio: float, speed_unit: str, linear_within: float = _AGREES) -> list[str]:
    """Units of a wheel speed that is ``ratio`` times the ground speed, both as logged.

    A linear speed comes first: that a radius makes the numbers equal by chance is the rarer case.
    """
    v_si = factor(speed_unit, Quantity.SPEED)
    turning = [
        unit
        for unit in WHEEL_UNITS
        if _RADIUS_M[0] <= v_si / (ratio * factor(unit, Quantity.ANGULAR_SPEED)) <= _RADIUS_M[1]
    ]
    linear = [
        unit
        for unit in LINEAR_WHEEL_UNITS
        if _off(ratio * factor(unit, Quantity.SPEED) / v_si) < linear_within
    ]
    return linear + turning


def radius_m(ratio: float, speed_unit: str, wheel_unit: str) -> float:
    """Rolling radius that a ratio of wheel speed to ground speed means. [m]"""
    turning = ratio * factor(wheel_unit, Quantity.ANGULAR_SPEED)
    return factor(speed_unit, Quantity.SPEED) / turning
