"""Which column of a log is which channel, in which unit and with which sign: the channel map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from loaders.channels import CHANNEL_BY_NAME, TIME, Channel, Quantity
from loaders.checked_toml import build, read_toml, refuse_unknown_tables, setting, table_of
from loaders.delimited import Layout
from loaders.errors import InputError, nearest
from loaders.units import Unit, linear_speed_unit, unit_of

MAP_SCHEMA = 1


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """The column that holds the time."""

    column: str = setting("exact column text of the time")
    unit: str | None = setting("unit; left out, the log's own unit row counts", default=None)


@dataclass(frozen=True, slots=True)
class ChannelColumn:
    """The column that holds one channel."""

    column: str = setting("exact column text")
    unit: str | None = setting("unit; left out, the log's own unit row counts", default=None)
    sign: Literal[1, -1] = setting("-1 when the log counts the other way round", default=1)
    rolling_radius_m: float | None = setting(
        "radius the logger used, for a wheel speed stored as km/h or m/s",
        above=0.0,
        high=1.0,
        default=None,
    )


@dataclass(frozen=True, slots=True)
class ChannelMap:
    """One channel map, as written by the user."""

    path: Path
    time: TimeColumn
    channels: Mapping[str, ChannelColumn]

    @property
    def columns(self) -> set[str]:
        """Exact texts of all columns it names."""
        return {self.time.column, *(entry.column for entry in self.channels.values())}


def read_channel_map(path: Path) -> ChannelMap:
    """A channel map from TOML.

    Raises
    ------
    InputError
        Listing every unknown key, unknown channel, missing setting and column named twice.
    """
    tables = read_toml(path)
    problems: list[str] = []
    refuse_unknown_tables(tables, ["schema", "time", "channels"], path.name, problems)
    if tables.get("schema") != MAP_SCHEMA:
        problems.append(f"{path.name}: schema = {tables.get('schema')!r}; expected {MAP_SCHEMA}.")
    time = build(
        TimeColumn, table_of(tables, "time", path.name, problems), f"{path.name}: [time]", problems
    )
    entries: dict[str, ChannelColumn] = {}
    for name, table in table_of(tables, "channels", path.name, problems).items():
        place = f"{path.name}: [channels.{name}]"
        if name not in CHANNEL_BY_NAME:
            known = ", ".join(CHANNEL_BY_NAME)
            problems.append(
                f"{place}: no such channel.{nearest(name, CHANNEL_BY_NAME)} Known: {known}."
            )
        elif not isinstance(table, dict):
            problems.append(f"{place}: must be a table with 'column'.")
        elif (entry := build(ChannelColumn, table, place, problems)) is not None:
            entries[name] = entry
    problems += _columns_named_twice(path, entries)
    if problems or time is None:
        raise InputError.gathered(problems)
    return ChannelMap(path, time, entries)


def _columns_named_twice(path: Path, entries: Mapping[str, ChannelColumn]) -> list[str]:
    first: dict[str, str] = {}
    problems = []
    for name, entry in entries.items():
        if entry.column in first:
            problems.append(
                f"{path.name}: column '{entry.column}' is mapped to both {first[entry.column]} "
                f"and {name}. Remove one."
            )
        first.setdefault(entry.column, name)
    return problems


def choose_map(maps: list[ChannelMap], layout: Layout, log: Path) -> ChannelMap:
    """The one map whose columns are all in the log.

    Raises
    ------
    InputError
        If no map fits (the message is about the nearest one) or more than one does.
    """
    fitting = [each for each in maps if each.columns <= set(layout.names)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        names = " and ".join(each.path.name for each in fitting)
        msg = f"{log.name}: the channel maps {names} both fit. Name one with --map."
        raise InputError(msg)
    if not maps:
        msg = f"{log.name}: no channel map given. Write one as channels.toml in the logbook."
        raise InputError(msg)
    closest = max(maps, key=lambda each: len(each.columns & set(layout.names)) / len(each.columns))
    raise InputError(unfit_map(closest, layout, log))


def unfit_map(channel_map: ChannelMap, layout: Layout, log: Path) -> str:
    """What is wrong between a map and a log, in one paragraph."""
    absent = sorted(channel_map.columns - set(layout.names))
    said = " ".join(f"'{name}'.{nearest(name, layout.names)}" for name in absent)
    return (
        f"{channel_map.path.name}: the log {log.name} has no column {said} Its columns are: "
        f"{', '.join(layout.names)}. Correct the column text in {channel_map.path.name}."
    )


def unit_for(
    name: str, entry: ChannelColumn, stated_in_log: str | None, place: str, map_name: str
) -> Unit:
    """Factor and offset from the column's unit to the channel's, sign included.

    Raises
    ------
    InputError
        If no unit is stated anywhere, it is not one of the channel's, or a wheel speed in km/h
        comes without the radius the logger used.
    """
    channel = CHANNEL_BY_NAME[name]
    text = entry.unit if entry.unit is not None else stated_in_log
    if text is None:
        if channel.quantity is Quantity.COUNT:
            text = "1"
        else:
            msg = (
                f"{place} has no unit in the log and none in {map_name}. "
                f'Set unit = "{channel.unit}" or what it is under [channels.{name}].'
            )
            raise InputError(msg)
    unit = _wheel_unit(channel, entry, text, place, map_name)
    return Unit(unit.factor * entry.sign, unit.offset * entry.sign)


def _wheel_unit(
    channel: Channel, entry: ChannelColumn, text: str, place: str, map_name: str
) -> Unit:
    linear = linear_speed_unit(text)
    if channel.quantity is not Quantity.ANGULAR_SPEED or linear is None:
        return unit_of(text, channel.quantity, place)
    if entry.rolling_radius_m is None:
        msg = (
            f"{place} is a wheel speed in '{text}'; turning it back into rotation needs the radius "
            f"the logger used. Set rolling_radius_m under [channels.{channel.name}] in {map_name}."
        )
        raise InputError(msg)
    return Unit(linear.factor / entry.rolling_radius_m)


def time_unit(entry: TimeColumn, stated_in_log: str | None, place: str) -> Unit:
    """Factor from the time column's unit to seconds; seconds when nothing says otherwise."""
    text = entry.unit if entry.unit is not None else (stated_in_log or "s")
    return unit_of(text, Quantity.TIME, f"{place} ({TIME})")
