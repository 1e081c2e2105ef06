"""Which channels of a mapped log are in another unit than the map says, by a clean factor.

The readings of `scales` and `torques` that propose units, here against the map's own word.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from loaders import scales
from loaders.agreement import slipping_wheels, straight
from loaders.evidence import BoolArray, FloatArray, line, rate_of_change, ratio_of
from loaders.scales import AS_STATED, Column, Ranges
from loaders.seen import PATH, TORQUES, UNDRIVEN, Seen, wheel_names
from loaders.torques import Torques, torque_units

_WHEELS = "the wheel speeds"
_LEAST_GAIN_MPS2 = 0.3
# Tyres that corner harder take a share of the torque: 15 % of the mass on simulated logs.
_BEND_MPS2 = 3.0
_LEAST_LIKE = 0.5
# Rolling radii are stated to a few per cent, so less is no mistake; a clean factor is met closely,
# but for accelerations and turn rates, which smoothing and slip angles change by up to 20 %.
_AGAINST = 0.05
_UNUSUAL = 0.03
_CLEAN = 0.04
_CLEAN_TURN = 0.25
# So little a wheel may be off by its teeth or its radius, too; a road speed in km/h taken for rad/s
# is: see `agreement.axle_scales`.
_BY_TEETH = (0.8, 1.25)

_AS_IT_IS: Ranges = {AS_STATED: (1.0, 1.0)}
_SPEEDS = scales.mistakes(scales.SPEEDS)
_ACCELERATIONS = scales.mistakes(scales.ACCELERATIONS)
_YAW_RATES = scales.mistakes(scales.YAW_RATES)
_DISTANCES = scales.mistakes(scales.DISTANCES)
_TORQUES = scales.mistakes(scales.TORQUES)


@dataclass(frozen=True, slots=True)
class OddUnit:
    """Channels that are a clean factor away from the others."""

    names: tuple[str, ...]
    against: tuple[str, ...]
    decided: bool
    """False when the others may as well be wrong instead."""
    factor: float
    """What they read, over what the others do."""
    means: str
    """The mistake that gives such a factor."""


@dataclass(frozen=True, slots=True)
class _Measured:
    """Names of the moving channels by kind, and how they hang together."""

    names: Mapping[str, str]
    speed: Column
    yaw: Column
    lateral: Column
    followers: Mapping[str, Column]
    lateral_slope: float
    path_turn: float
    turn_from: str
    top_speed: float


def odd_units(seen: Seen) -> tuple[OddUnit, ...]:
    """Channels whose unit is wrong by a clean factor.

    Notes
    -----
    The fewest mistakes that make ground speed, wheels, path, accelerations and yaw rate agree; see
    `scales.consistent`. Not seen: factors within 5 % of one, and one wrong unit of everything.
    """
    found = _measured(seen)
    best = scales.consistent(
        found.speed, found.yaw, found.lateral, found.followers,
        lateral_slope=found.lateral_slope, path_turn=found.path_turn, top_speed=found.top_speed,
        against=_AGAINST, unusual=_UNUSUAL,
    )  # fmt: skip
    v_si = found.speed.ranges[best.units["speed"]][0]
    odd = [*_odd_speed(found, best), *_odd_followers(found, best, v_si)]
    return (*odd, *_odd_turning(found, best, v_si))


def _measured(seen: Seen) -> _Measured:
    names: dict[str, str] = {}
    path_speed = seen.path_speed_mps()
    ranges: Ranges = _AS_IT_IS
    speed, names["speed"] = seen.speed_mps, _WHEELS
    if "speed_mps" in seen.channels:
        speed, ranges, names["speed"] = seen.channels["speed_mps"], _SPEEDS, "speed_mps"
    elif path_speed is not None:
        speed, ranges, names["speed"] = path_speed, _DISTANCES, PATH
    followers = {} if names["speed"] == _WHEELS else _wheels(seen, speed)
    if path_speed is not None and names["speed"] == "speed_mps":
        ratio = ratio_of(seen.mean(speed), path_speed)
        if np.isfinite(ratio):
            followers[PATH] = Column(_DISTANCES, AS_STATED, ratio)
    if "accel_long_mps2" in seen.channels:
        change = rate_of_change(speed, seen.rate_hz)
        slope = _slope(change, seen.mean(seen.channels["accel_long_mps2"]), seen.moving)
        followers["accel_long_mps2"] = Column(_ACCELERATIONS, AS_STATED, slope)
    turn_from, turn = _other_turn(seen)
    yaw = seen.channels.get("yaw_rate_radps")
    yaw_ranges: Ranges = _YAW_RATES
    path_turn, names["yaw"] = 0.0, "yaw_rate_radps"
    if yaw is None:
        names["yaw"], yaw, yaw_ranges = turn_from, turn, _AS_IT_IS
    elif turn is not None:
        path_turn = _slope(turn, seen.mean(yaw), seen.moving)
    lateral, lateral_slope = seen.channels.get("accel_lat_mps2"), 0.0
    if lateral is not None and yaw is not None:
        lateral_slope = _slope(speed * yaw, lateral, seen.moving)
    return _Measured(
        names,
        Column(ranges, AS_STATED),
        Column(yaw_ranges, AS_STATED),
        Column(_ACCELERATIONS, AS_STATED),
        followers,
        lateral_slope,
        path_turn,
        turn_from,
        float(np.nanpercentile(speed, 99.5)),
    )


def _wheels(seen: Seen, speed: FloatArray) -> dict[str, Column]:
    ratios = {
        name: (ratio_of(seen.channels[name], speed), seen.radius_m(axle))
        for axle in (seen.driven, seen.undriven)
        for name in wheel_names(axle)
        if name in seen.channels
    }
    return {
        name: Column(scales.wheel_mistakes(radius_m), AS_STATED, 1 / ratio, 1 / len(ratios))
        for name, (ratio, radius_m) in ratios.items()
        if ratio > 0
    }


def _slope(made: FloatArray, column: FloatArray, where: BoolArray) -> float:
    found = line(made, column, where)
    return abs(found.slope) if abs(found.correlation) > _LEAST_LIKE else 0.0


def _other_turn(seen: Seen) -> tuple[str, FloatArray | None]:
    """A turn rate besides the yaw rate: the path's or the undriven wheels', whatever their unit."""
    path = seen.path_turn_radps()
    if path is not None:
        return PATH, path
    undriven = seen.wheels(seen.undriven)
    if undriven is None:
        return "", None
    mean = 0.5 * (undriven[0] + undriven[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = (undriven[1] - undriven[0]) / mean * seen.speed_mps / seen.track_m
    return UNDRIVEN, seen.mean(np.where(seen.moving & (mean > 0), turn, np.nan))


def _odd_speed(found: _Measured, best: scales.Consistent) -> list[OddUnit]:
    means = best.units["speed"]
    if means == AS_STATED:
        return []
    as_they_are = {
        name: column.ranges[AS_STATED][0] / column.slope
        for name, column in found.followers.items()
        if best.units[name] == AS_STATED and column.slope
    }
    if not as_they_are:
        return []
    size = float(np.median(list(as_they_are.values())))
    if scales.off(size, found.speed.ranges[means]) > _CLEAN:
        return []
    names, against = (found.names["speed"],), _with_wheels_as_one(as_they_are)
    return [OddUnit(names, against, not best.rivals["speed"], 1 / size, means)]


def _odd_followers(found: _Measured, best: scales.Consistent, v_si: float) -> list[OddUnit]:
    by_mistake: dict[str, list[str]] = {}
    for name, column in found.followers.items():
        means, within = best.units[name], _CLEAN_TURN if name.startswith("accel") else _CLEAN
        if means == AS_STATED or scales.off(v_si * column.slope, column.ranges[means]) > within:
            continue
        reads = column.ranges[AS_STATED][0] / (v_si * column.slope)
        if name.startswith("wheel") and _BY_TEETH[0] < reads < _BY_TEETH[1]:
            continue
        by_mistake.setdefault(means, []).append(name)
    odd = []
    for means, names in by_mistake.items():
        column = found.followers[names[0]]
        reads = column.ranges[AS_STATED][0] / (v_si * column.slope)
        others = [k for k in found.followers if best.units[k] == AS_STATED]
        against = _with_wheels_as_one([found.names["speed"], *others])
        decided = not any(best.rivals[name] for name in names)
        odd.append(OddUnit(tuple(names), against, decided, reads, means))
    return odd


def _odd_turning(found: _Measured, best: scales.Consistent, v_si: float) -> list[OddUnit]:
    odd: list[OddUnit] = []
    against: tuple[str, ...]
    yaw, lateral = (best.units[kind] for kind in ("yaw", "lateral"))
    yaw_si, lateral_si = found.yaw.ranges[yaw][0], found.lateral.ranges[lateral][0]
    made = v_si * found.lateral_slope
    if yaw != AS_STATED:
        by_path = found.path_turn > 0
        size = found.path_turn if by_path else lateral_si / made
        if scales.off(size, (yaw_si, yaw_si)) < _CLEAN_TURN:
            against = (found.turn_from,) if by_path else ("accel_lat_mps2",)
            odd.append(OddUnit(
                ("yaw_rate_radps",), against, not best.rivals["yaw"], 1 / size, yaw
            ))  # fmt: skip
    if lateral != AS_STATED and scales.off(made * yaw_si, (lateral_si, lateral_si)) < _CLEAN_TURN:
        against = (found.names["yaw"], found.names["speed"])
        odd.append(OddUnit(
            ("accel_lat_mps2",), against, not best.rivals["lateral"], 1 / (made * yaw_si), lateral
        ))  # fmt: skip
    return odd


def _with_wheels_as_one(names: Iterable[str]) -> tuple[str, ...]:
    """Channels to be named, all wheels by one word; accelerations speak of units too loosely."""
    words = [_WHEELS if name.startswith("wheel_speed") else name for name in names]
    return tuple(dict.fromkeys(word for word in words if not word.startswith("accel")))


def odd_torques(seen: Seen) -> tuple[OddUnit, ...]:
    """Torques whose unit is wrong by a clean factor: by each other, by power, by the car's mass."""
    channels = seen.channels
    wheels = seen.wheels(seen.driven)
    if wheels is None:
        return ()
    both = [channels.get(name) for name in TORQUES[:2]]
    shafts = None if both[0] is None or both[1] is None else both[0] + both[1]
    # Where all four wheels drive, one axle moves a part of the car and carries a part of the power.
    alone = set(slipping_wheels(seen)) == set(wheel_names(seen.driven))
    torques = Torques(
        shafts=None if shafts is None else seen.mean(shafts),
        shaft_radps=seen.mean(0.5 * (wheels[0] + wheels[1])),
        input=_mean_of(seen, "input_torque_nm"),
        engine=_mean_of(seen, "engine_torque_nm") if alone else None,
        engine_radps=_mean_of(seen, "engine_speed_radps"),
        speed_mps=seen.speed_mps,
        gain_mps2=(gain := seen.gain_mps2()),
        driving=straight(seen, _BEND_MPS2) & seen.brakes_off & (gain > _LEAST_GAIN_MPS2),
        radius_m=(seen.driven_radius_m, seen.driven_radius_m),
        mass_kg=seen.mass_kg if alone else None,
    )
    kinds = {"shafts": TORQUES[:2], "input": TORQUES[2:3], "engine": TORQUES[3:]}
    stated: dict[str, str | None] = dict.fromkeys(kinds, AS_STATED)
    best = torque_units(torques, _TORQUES, stated)
    return tuple(
        OddUnit(
            kinds[kind], _against_torque(torques, kind), not best.rivals[kind], factor,
            best.readings[kind],
        )
        for kind, factor in best.factors.items()
    )  # fmt: skip


def _mean_of(seen: Seen, name: str) -> FloatArray | None:
    return seen.mean(seen.channels[name]) if name in seen.channels else None


def _against_torque(torques: Torques, kind: str) -> tuple[str, ...]:
    present = {
        "shafts": torques.shafts, "input": torques.input, "engine": torques.engine,
    }  # fmt: skip
    words = {"shafts": "the half-shafts", "input": "input torque", "engine": "the engine's power"}
    said = [words[k] for k, values in present.items() if values is not None and k != kind]
    return (*said, "the car's mass") if kind != "engine" else tuple(said)
