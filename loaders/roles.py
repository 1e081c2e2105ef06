"""Which columns can be which channels by what they do: roles found from the samples alone."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from loaders.evidence import (
    GRID_HZ,
    BoolArray,
    FloatArray,
    accord,
    companions,
    covers_distance,
    heading_rate,
    is_one_sided,
    line,
    off_power,
    over_stretch,
    path_scales,
    rate_of_change,
    ratio_of,
    slip_under_drive,
    yaw_share,
)

# Limits tried on the three sample logs and on simulated ones; the right columns stood well clear
# (0.99 and above for path, acceleration and lateral pairs; 0.7 and above for the others).
_PATH = 0.99
_ACCELERATION = 0.9
_LATERAL_PAIR = 0.9
_DIFFERENCE = 0.5
_STEERING = 0.6
# Of four wheels none runs so much less faster in corners than the others; a ground speed does.
_LEAST_SHARE = 0.4
_SHAFT_PAIR = 0.85
_SIDE_SHARE = 0.2
_DRIVING = 0.3
# Driven wheels slipped 1.6 % and more at full drive, undriven ones less than 0.1 %.
_DRIVEN_SLIP = 0.006


@dataclass(frozen=True, slots=True)
class Motion:
    """How the columns of one log move together. Names are column texts; None: not found."""

    speed: str | None = None
    wheels: tuple[str, ...] = ()
    driven: tuple[str, ...] = ()
    """Those of the wheels that slip under drive; empty when acceleration cannot tell."""
    share: Mapping[str, float] = field(default_factory=dict)
    """Of each wheel: how much faster it runs for each unit of the turning column, off power."""
    turning: str | None = None
    """The column whose sign all other sides are told against: yaw rate, or what stands for it."""
    yaw: str | None = None
    lateral: str | None = None
    lateral_slope: float = 0.0
    """``speed * yaw = slope * lateral``, as the columns have them."""
    accel: str | None = None
    accel_slope: float = 0.0
    """``d speed/dt = slope * accel``."""
    steering: str | None = None
    steering_sign: int = 1
    """Sign of steering against yaw."""
    path: tuple[str, str] | None = None
    path_scale: tuple[float, float] = (0.0, 0.0)
    """``speed² = (a d first/dt)² + (b d second/dt)²``."""
    distances: Mapping[str, float] = field(default_factory=dict)
    """Columns that grow in step with the speed: ``speed = factor * d column/dt``."""
    path_turn: float = 0.0
    """``heading rate of (first, second) = path_turn * yaw``; 0 when unknown."""


def motion_of(columns: dict[str, FloatArray], named: Mapping[str, str] | None = None) -> Motion:
    """Everything that follows from how columns move together.

    Parameters
    ----------
    columns : dict of arrays
        On the even grid of `evidence.grid_of`.
    named : mapping, optional
        What the columns' texts call them: ``speed_mps``, ``wheel_speed``, ``yaw_rate_radps`` …
    """
    named = named or {}
    group = companions(columns)
    if not group:
        return Motion()
    called = [k for k in group if named.get(k) == "speed_mps"]
    middle = called[0] if len(called) == 1 else None
    speed = columns[middle] if middle else _middle(columns, group)
    free = {k: v for k, v in columns.items() if k not in group and np.nanstd(v) > 0}
    distances = {k: f for k, v in free.items() if (f := covers_distance(v, speed))}
    free = {k: v for k, v in free.items() if k not in distances}
    signed = {k: v for k, v in free.items() if not is_one_sided(v)}
    accel = _accel(signed, speed)
    path = _path({k: v for k, v in free.items() if k != accel[0]}, speed)
    for used in (accel[0], *(path[0] or ())):
        signed.pop(used or "", None)
    coasting = off_power(speed)
    yaw, lateral, slope = _yaw(signed, columns, group, speed, coasting, named)
    turning = yaw or lateral
    share: dict[str, float] = {}
    if turning is not None:
        turn = columns[turning] if yaw else columns[turning] / np.maximum(speed, 1e-9)
        share = {k: yaw_share(columns[k], speed, turn, coasting) for k in group}
        middle = middle or _unmoved(share)
    wheels = _wheels(group, middle, share, named)
    if not wheels:
        return Motion()
    if middle is not None:
        speed = columns[middle]
        accel = _accel({accel[0]: columns[accel[0]]}, speed) if accel[0] else accel
        path = _path({k: columns[k] for k in path[0]}, speed) if path[0] else path
        if yaw and lateral:
            slope = line(speed * columns[yaw], columns[lateral]).slope
    steering, steering_sign = _steering(signed, columns, speed, yaw, lateral)
    return Motion(
        speed=middle,
        wheels=wheels,
        driven=driven_pair(columns, wheels, speed, columns[yaw] if yaw else None),
        share={k: v for k, v in share.items() if k in wheels},
        turning=turning,
        yaw=yaw,
        lateral=lateral,
        lateral_slope=slope,
        accel=accel[0],
        accel_slope=accel[1],
        steering=steering,
        steering_sign=steering_sign,
        path=path[0],
        path_scale=path[1],
        distances=distances,
        path_turn=_path_turn(columns, path, speed, turning, is_yaw=yaw is not None),
    )


def _middle(columns: dict[str, FloatArray], group: list[str]) -> FloatArray:
    """Middle of the speeds in the first one's unit: near the car's own, whichever they are."""
    first = columns[group[0]]
    return np.median([columns[k] / ratio_of(columns[k], first) for k in group], axis=0)


def _accel(signed: Mapping[str, FloatArray], speed: FloatArray) -> tuple[str | None, float]:
    change = rate_of_change(speed)
    lines = {k: line(change, over_stretch(v)) for k, v in signed.items()}
    best = max(lines, key=lambda k: abs(lines[k].correlation), default=None)
    if best is None or abs(lines[best].correlation) < _ACCELERATION:
        return None, 0.0
    return best, lines[best].slope


_Path = tuple[tuple[str, str] | None, tuple[float, float]]


def _path(free: Mapping[str, FloatArray], speed: FloatArray) -> _Path:
    best: _Path = (None, (0.0, 0.0))
    most = _PATH
    for pair in itertools.combinations(free, 2):
        a, b, correlation = path_scales(speed, free[pair[0]], free[pair[1]])
        if correlation > most:
            best, most = (pair, (a, b)), correlation
    return best


def _yaw(
    signed: Mapping[str, FloatArray],
    columns: Mapping[str, FloatArray],
    group: list[str],
    speed: FloatArray,
    coasting: BoolArray,
    named: Mapping[str, str],
) -> tuple[str | None, str | None, float]:
    """Yaw rate and lateral acceleration: the pair that keeps to ``lateral = speed × yaw``."""
    turns = {k: _difference_agrees(v, columns, group, coasting) for k, v in signed.items()}
    most, best = 0.0, None
    for yaw, lateral in itertools.permutations(signed, 2):
        if turns[yaw] < _DIFFERENCE:
            continue
        found = abs(line(speed * signed[yaw], signed[lateral]).correlation)
        # By both: two torques of one drive line may make a pair, but do not turn with the wheels.
        if found > _LATERAL_PAIR and found * turns[yaw] > most:
            most, best = found * turns[yaw], (yaw, lateral)
    if best is not None:
        return *best, line(speed * signed[best[0]], signed[best[1]]).slope
    # One alone turns with the wheels as steering does, too: only its name tells which it is.
    alone = {"yaw_rate_radps": None, "accel_lat_mps2": None} | {named.get(k, ""): k for k in signed}
    if (found_yaw := alone["yaw_rate_radps"]) and turns[found_yaw] > _DIFFERENCE:
        return found_yaw, None, 0.0
    return None, alone["accel_lat_mps2"], 0.0


def _difference_agrees(
    turn: FloatArray, columns: Mapping[str, FloatArray], group: list[str], where: BoolArray
) -> float:
    """Best correlation of a column with the difference of any two of the wheel speeds."""
    best = 0.0
    for one, other in itertools.combinations(group, 2):
        difference = columns[one] - columns[other] * ratio_of(columns[one], columns[other])
        best = max(best, abs(line(difference, turn, where).correlation))
    return best


def _wheels(
    group: list[str], middle: str | None, share: Mapping[str, float], named: Mapping[str, str]
) -> tuple[str, ...]:
    """The wheels of a group of speeds; without names only where none can be the car's own speed."""
    rest = tuple(k for k in group if k != middle)
    sizes = sorted(abs(share.get(k, 0.0)) for k in rest)
    two_and_two = len(rest) == 4 and sum(share.get(k, 0.0) > 0 for k in rest) == 2
    if middle is not None or (two_and_two and sizes[0] > _LEAST_SHARE * sizes[-1]):
        return rest
    return tuple(k for k in rest if named.get(k) == "wheel_speed")


def _unmoved(share: Mapping[str, float]) -> str | None:
    """The speed in the middle of the car: it alone of five does not run faster in corners."""
    sizes = sorted((abs(v), k) for k, v in share.items() if np.isfinite(v))
    if len(sizes) != 5 or sizes[0][0] > 0.5 * sizes[1][0]:
        return None
    return sizes[0][1]


def driven_pair(
    columns: Mapping[str, FloatArray],
    wheels: tuple[str, ...],
    speed: FloatArray,
    yaw: FloatArray | None,
    rate_hz: float = GRID_HZ,
) -> tuple[str, ...]:
    """The two of four wheels that slip under drive; none when no two clearly do."""
    change = rate_of_change(speed, rate_hz)
    if len(wheels) != 4 or not np.isfinite(change).any():
        return ()
    slip = {k: slip_under_drive(columns[k], speed, yaw, change) for k in wheels}
    ranked = sorted(wheels, key=lambda k: slip[k])
    if not all(np.isfinite(value) for value in slip.values()):
        return ()
    if slip[ranked[2]] - slip[ranked[1]] < _DRIVEN_SLIP:
        return ()
    return tuple(k for k in wheels if k in ranked[2:])


def _steering(
    signed: Mapping[str, FloatArray],
    columns: Mapping[str, FloatArray],
    speed: FloatArray,
    yaw: str | None,
    lateral: str | None,
) -> tuple[str | None, int]:
    if yaw is None and lateral is None:
        return None, 1
    rolling = speed > 0.2 * np.nanmax(speed)
    safe = np.where(rolling, speed, 1.0)
    bend = columns[yaw] / safe if yaw else columns[lateral or ""] / safe**2
    lines = {k: line(bend, v, rolling) for k, v in signed.items() if k not in (yaw, lateral)}
    best = max(lines, key=lambda k: abs(lines[k].correlation), default=None)
    if best is None or abs(lines[best].correlation) < _STEERING:
        return None, 1
    return best, 1 if lines[best].slope > 0 else -1


def _path_turn(
    columns: Mapping[str, FloatArray],
    path: _Path,
    speed: FloatArray,
    turning: str | None,
    *,
    is_yaw: bool,
) -> float:
    pair, scale = path
    if pair is None or turning is None:
        return 0.0
    rate = heading_rate(columns[pair[0]] * scale[0], columns[pair[1]] * scale[1])
    turn = columns[turning] if is_yaw else columns[turning] / np.maximum(speed, 1e-9)
    found = line(rate, over_stretch(turn), speed > 0.3 * np.nanmax(speed))
    return found.slope if abs(found.correlation) > _STEERING else 0.0


def shaft_torques(
    columns: Mapping[str, FloatArray], free: list[str], speed: FloatArray
) -> tuple[str, str] | None:
    """The two columns that drive the car alike: the half-shaft torques."""
    change = rate_of_change(speed)
    pulling = (speed > 0.1 * np.nanmax(speed)) & (change > 0.3 * np.nanmin(change))
    driving = {
        k: columns[k]
        for k in free
        if abs(line(change, over_stretch(columns[k]), pulling).correlation) > _DRIVING
        and not is_one_sided(columns[k])
    }
    most, best = _SHAFT_PAIR, None
    for one, other in itertools.combinations(driving, 2):
        sizes = [float(np.nanpercentile(np.abs(driving[k]), 98)) for k in (one, other)]
        found = line(driving[one], driving[other])
        if found.correlation > most and 0.6 < sizes[0] / sizes[1] < 1.67:
            most, best = found.correlation, (one, other)
    return best


def shaft_on_side_of(
    torques: tuple[FloatArray, FloatArray], wheels: tuple[FloatArray, FloatArray]
) -> int:
    """1 when the first torque is of the first wheel, -1 when of the second, 0 when unclear."""
    difference = torques[0] - torques[1]
    difference = difference - np.nanmedian(difference)
    slip = wheels[0] - wheels[1] * ratio_of(wheels[0], wheels[1])
    share, _ = opposes_slip(difference, slip, wheels[0] > 0.1 * np.nanmax(wheels[0]))
    return int(np.sign(share)) if abs(share) > _SIDE_SHARE else 0


def opposes_slip(
    difference: FloatArray, slip: FloatArray, where: BoolArray | None = None
) -> tuple[float, int]:
    """1 when the torque difference opposes the slip, as a lock's does, -1 when it goes with it.

    Parameters
    ----------
    difference, slip : array, shape (n,)
        Of the same two wheels, one minus the other.

    Notes
    -----
    Packs give the slower wheel the greater torque. As in `evidence.accord`, with how many samples.
    """
    share, samples = accord(difference, slip, where)
    return -share, samples
