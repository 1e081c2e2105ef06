"""From a log's columns to proposals: the roles found are given units, signs, sides and reasons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from loaders import scales, singles
from loaders.channels import CHANNEL_BY_NAME
from loaders.evidence import FloatArray, even, rate_of_change, ratio_of
from loaders.four_shafts import four_shafts, of_four_shafts
from loaders.judging import Car, Look, judged, stated_unit, torque
from loaders.proposals import (
    Confidence,
    Proposal,
    Proposals,
    Rate,
    Time,
    in_map_order,
    without_doubles,
)
from loaders.roles import motion_of, shaft_torques
from loaders.sided import moving
from loaders.sides import METRES
from loaders.timecolumn import find_time, fitting_rate
from loaders.words import Axle, Hint, hint_of

# A log without a time is first looked at as if it had so many rows a second.
_SUPPOSED_HZ = 100.0


def propose(
    names: Sequence[str],
    units: Sequence[str | None],
    columns: Mapping[str, FloatArray],
    car: Car | None = None,
    known: Mapping[str, str] | None = None,
) -> Proposals:
    """What each column of a log seems to be.

    Parameters
    ----------
    names, units
        Column texts and stated units, in file order.
    columns : mapping of arrays, shape (n,)
        The numeric columns, in the log's units; a blank cell is NaN.
    car : Car
        What is known of the car from elsewhere.
    known : mapping, optional
        Channels that the user has stated, by column; they go before every other evidence.
    """
    stated = dict(zip(names, units, strict=True))
    time = find_time({k: v for k, v in columns.items() if np.isfinite(v).any()}, stated)
    hints = {k: _hint(k, known or {}) for k in columns}
    if time is None:
        return _without_time(stated, columns, hints, car or Car())
    stamps = columns[time.column]
    own = {k: v for k, v in columns.items() if k != time.column}
    return _of(_look(stated, own, stamps, hints, car or Car()), time)


def _of(log: Look, time: Time | None, rate: Rate | None = None) -> Proposals:
    entries, ties, notes = moving(log)
    entries += of_four_shafts(log)
    entries += _of_singles(log)
    placed = {each.column for each in entries}
    placed |= {each.column for tie in ties for option in tie.options for each in option.proposals}
    taken = {each.channel for each in entries}
    taken |= {each.channel for tie in ties for option in tie.options for each in option.proposals}
    entries += _by_name(log, placed, taken)
    entries, doubles = without_doubles([_with_stated_unit(log, each) for each in entries])
    return Proposals(time, in_map_order(entries), (*ties, *doubles), tuple(notes), rate)


def _without_time(
    stated: Mapping[str, str | None],
    columns: Mapping[str, FloatArray],
    hints: Mapping[str, Hint],
    car: Car,
) -> Proposals:
    """The same for a log that has no time: as if it had so many rows a second as fit best."""
    none = "no column rises evenly enough to be the time"
    rows = max((len(values) for values in columns.values()), default=0)

    def as_if(rate_hz: float) -> Look:
        return _look(stated, columns, np.arange(rows) / rate_hz, hints, car)

    if rows < 2:
        return Proposals(None, (), notes=(none,))
    log = as_if(_SUPPOSED_HZ)
    fitting, why = fitting_rate(log, _SUPPOSED_HZ)
    if fitting is None:
        supposed = f"{none}; units are judged as if there were {_SUPPOSED_HZ:g} rows a second"
        made = _of(log, None, Rate(None, supposed))
        entries = tuple(replace(each, confidence=Confidence.GUESS) for each in made.entries)
        made = replace(made, entries=entries)
    else:
        made = _of(as_if(fitting), None, Rate(fitting, f"{none}; {why}"))
    return made if made.entries or made.ties else Proposals(None, (), notes=(none,))


def _hint(column: str, known: Mapping[str, str]) -> Hint:
    channel = known.get(column)
    if channel is None:
        return hint_of(column)
    corner = channel.removeprefix("wheel_speed_")[:2]
    if channel.startswith("wheel_speed_"):
        return Hint(
            "wheel_speed", "left" if corner[1] == "l" else "right",
            "front" if corner[0] == "f" else "rear",
        )  # fmt: skip
    if channel.startswith("shaft_torque_"):
        axle: Axle | None = next((each for each in ("front", "rear") if each in channel), None)
        return Hint("shaft_torque", "left" if "left" in channel else "right", axle)
    return Hint(channel)


def _look(
    stated: Mapping[str, str | None],
    columns: Mapping[str, FloatArray],
    stamps: FloatArray,
    hints: Mapping[str, Hint],
    car: Car,
) -> Look:
    own = {k: v for k, v in columns.items() if np.isfinite(v).sum() > 1}
    grid = {k: even(stamps, v) for k, v in own.items()}
    motion = motion_of(grid, {k: hint.channel for k, hint in hints.items() if hint.channel})
    used = {motion.yaw, motion.lateral, motion.accel, motion.steering, *(motion.path or ())}
    used |= set(motion.distances)
    four = four_shafts(hints)
    free = [k for k in own if k not in {motion.speed, *motion.wheels, *used}]
    log = Look(
        stated, own, stamps, grid, hints, motion, None,
        scales.Consistent({}), car,
    )  # fmt: skip
    if not motion.wheels:
        return log
    torques = None if four else shaft_torques(grid, free, log.speed)
    return replace(log, torques=torques, units=_units(log))


def _units(log: Look) -> scales.Consistent:
    motion = log.motion
    if motion.speed is None:
        return scales.Consistent({})

    def stated(column: str | None, channel: str) -> str | None:
        return log.unit(column, channel) if column else None

    scale = max(motion.path_scale)
    # Geographic: as if in metres.
    scale /= METRES["rad"] if scale > 1e6 else METRES["deg"] if scale > 1e4 else 1.0
    wheels = {
        f"wheel {k}": scales.Column(
            scales.WHEELS, None, 1 / ratio_of(log.grid[k], log.speed), 1 / len(motion.wheels)
        )
        for k in motion.wheels
    }
    path = motion.path[0] if motion.path else None
    return scales.consistent(
        scales.Column(scales.SPEEDS, stated(motion.speed, "speed_mps")),
        scales.Column(scales.YAW_RATES, stated(motion.yaw, "yaw_rate_radps")),
        scales.Column(scales.ACCELERATIONS, stated(motion.lateral, "accel_lat_mps2")),
        {
            "accel": scales.Column(
                scales.ACCELERATIONS, stated(motion.accel, "accel_long_mps2"), motion.accel_slope
            ),
            "path": scales.Column(scales.DISTANCES, stated(path, "position_x_m"), scale),
            **wheels,
        },
        lateral_slope=motion.lateral_slope if motion.yaw else 0.0,
        path_turn=motion.path_turn if motion.yaw else 0.0,
        top_speed=float(np.nanpercentile(log.speed, 99.5)),
    )


def _of_singles(log: Look) -> list[Proposal]:
    motion = log.motion
    used = {motion.speed, motion.yaw, motion.lateral, motion.accel, motion.steering}
    used |= {*motion.wheels, *(motion.path or ()), *(log.torques or ()), *motion.distances}
    used |= set(four_shafts(log.hints))
    free = [k for k in log.raw if k not in used]
    made = []
    for column in free:
        values = log.raw[column]
        for channel, test, why in (
            ("gear", singles.is_gear, "few whole numbers that change one by one"),
            ("lap_number", singles.is_lap_number, "whole numbers that rise by one each lap"),
            ("lap_beacon", singles.is_beacon, "rises shortly once a lap"),
        ):
            if test(values, log.time):
                made.append(judged(log, column, channel, why))
                break
    if not motion.wheels:
        return made
    free = [k for k in free if k not in {each.column for each in made}]
    return made + _pedals(log, free) + _engine(log, free, made)


def _pedals(log: Look, free: list[str]) -> list[Proposal]:
    change, made = rate_of_change(log.speed), []
    for column in free:
        values = log.grid[column]
        if unit := singles.throttle_unit(values, change):
            one = judged(log, column, "throttle_ratio", "stands at both ends, open while gaining")
            why = one.reason if one.unit else f"{one.reason}; {unit} by its size"
            made.append(replace(one, unit=one.unit or unit, reason=why))
        elif singles.is_brake(values, change):
            one = judged(log, column, "brake_pressure_pa", "nothing under drive, rises in braking")
            if one.unit is None:
                size = singles.by_size(values, singles.PEAK_BRAKE)
                why = f"{one.reason}; {size or 'no unit'} by its size alone"
                one = replace(one, unit=size, confidence=Confidence.GUESS, reason=why)
            made.append(one)
    return made


def _engine(log: Look, free: list[str], found: list[Proposal]) -> list[Proposal]:
    gear = next((each.column for each in found if each.channel == "gear"), None)
    wheel = log.grid[(log.motion.driven or log.motion.wheels)[0]]
    in_gear = log.grid[gear] if gear else None
    speeds = [k for k in free if singles.is_engine_speed(log.grid[k], wheel, in_gear)]
    made = []
    for column in speeds:
        one = judged(log, column, "engine_speed_radps", "one ratio to the driven wheels a gear")
        if one.unit is None:
            size = singles.by_size(log.grid[column], singles.PEAK_ENGINE)
            why = f"{one.reason}; {size or 'no unit'} by its size"
            one = replace(one, unit=size, reason=why)
        made.append(one)
    if len(speeds) == 1 and log.torques:
        total = log.grid[log.torques[0]] + log.grid[log.torques[1]]
        rest = [k for k in free if k not in speeds]
        found_torque = singles.engine_torque(log.grid, rest, log.grid[speeds[0]], total, wheel)
        if found_torque:
            why = "with the engine speed it makes the power of the half-shafts"
            made.append(torque(log, found_torque, "engine_torque_nm", why))
    return made


def _by_name(log: Look, placed: set[str], taken: set[str]) -> list[Proposal]:
    """Columns that only their names speak for."""
    made = []
    for column, hint in log.hints.items():
        channel = hint.channel
        if channel == "wheel_speed" and hint.side and hint.axle:
            channel = f"wheel_speed_{hint.axle[0]}{hint.side[0]}_radps"
        elif channel == "shaft_torque" and hint.side:
            channel = f"shaft_torque_{hint.side}_nm"
        if column in placed or channel not in CHANNEL_BY_NAME or channel in taken:
            continue
        if column not in log.raw:
            continue
        why = "its name says so; the samples neither show it nor speak against it"
        unit = stated_unit(log.stated[column], hint, channel)
        made.append(Proposal(channel, column, unit, Confidence.LIKELY, why))
    return made


def _with_stated_unit(log: Look, proposal: Proposal) -> Proposal:
    """Leave the unit to the log where the log states it itself, in a spelling that is known."""
    in_log = log.stated[proposal.column]
    stated = stated_unit(in_log, Hint(), proposal.channel)
    return replace(proposal, unit=None) if stated and stated == proposal.unit else proposal
