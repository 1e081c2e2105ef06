"""Which column of a log is which channel, in which unit and with which sign: the channel map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from loaders.cells import DECIMAL_MARKS
from loaders.channels import CHANNEL_BY_NAME, Channel, Quantity
from loaders.checked_toml import (
    build,
    read_toml,
    refuse_other_schema,
    refuse_unknown_tables,
    said_of,
    setting,
    table_of,
)
from loaders.errors import InputError, closest, nearest
from loaders.layout import DELIMITERS, TextHabits
from loaders.rawtable import Layout
from loaders.units import Unit, linear_speed_unit, unit_of

MAP_SCHEMA = 1


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """The column that holds the time, or the rate of a log that has none."""

    column: str | None = setting("exact column text of the time", default=None)
    unit: str | None = setting("unit; left out, the log's own unit row counts", default=None)
    format: Literal["number", "clock", "iso"] | None = setting(
        "how the log writes the time; left out, its cells tell", default=None
    )
    date_column: str | None = setting(
        "exact column text of the date, for a clock time beside it", default=None
    )
    rate_hz: float | None = setting(
        "rows per second, for a log without a column of times", low=0.1, high=1e5, default=None
    )


@dataclass(frozen=True, slots=True)
class TextTable:
    """How text logs are written, where their cells leave it open."""

    delimiter: Literal["comma", "semicolon", "tab", "pipe", "blanks"] | None = setting(
        "what parts the cells", default=None
    )
    decimal_mark: Literal["point", "comma"] | None = setting("the decimal mark", default=None)

    @property
    def habits(self) -> TextHabits:
        """The same for the reader of text."""
        delimiters = {word: sign for sign, word in DELIMITERS.items()}
        marks = {word: sign for sign, word in DECIMAL_MARKS.items()}
        return TextHabits(delimiters.get(self.delimiter or ""), marks.get(self.decimal_mark or ""))


def text_table(habits: TextHabits) -> TextTable:
    """What a map states under [text] for such habits of the reader.

    >>> text_table(TextHabits(";", None)).delimiter
    'semicolon'
    """
    delimiter = DELIMITERS.get(habits.delimiter or "")
    mark = DECIMAL_MARKS.get(habits.decimal_mark or "")
    return TextTable(delimiter, mark)  # type: ignore[arg-type]


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
    gain: float = setting("factor to put the sensor's calibration right", above=0.0, default=1.0)
    offset: float = setting("added last, in the channel's own unit and sign", default=0.0)
    delay_s: float = setting(
        "how long after the fact the logger stamps this column", low=-10.0, high=10.0, default=0.0
    )


@dataclass(frozen=True, slots=True)
class ChannelMap:
    """One channel map, as written by the user."""

    path: Path
    time: TimeColumn
    channels: Mapping[str, ChannelColumn]
    accepted: bool = True
    """False for a proposal that nobody has looked over yet; it is never used."""
    text: TextTable = TextTable()

    @property
    def columns(self) -> set[str]:
        """Exact texts of all columns it names."""
        time = {each for each in (self.time.column, self.time.date_column) if each is not None}
        return time | {entry.column for entry in self.channels.values()}


def read_channel_map(path: Path) -> ChannelMap:
    """A channel map from TOML.

    Raises
    ------
    InputError
        Listing every unknown key, unknown channel, missing setting and column named twice.
    """
    tables = read_toml(path)
    problems: list[str] = []
    known = ["schema", "accepted", "time", "text", "channels"]
    refuse_unknown_tables(tables, known, path.name, problems)
    refuse_other_schema(tables, MAP_SCHEMA, path.name, problems)
    accepted = tables.get("accepted", True)
    if not isinstance(accepted, bool):
        problems.append(f"{path.name}: accepted = {said_of(accepted)}; expected true or false.")
    time_table = table_of(tables, "time", path.name, problems)
    time = build(TimeColumn, time_table, f"{path.name}: [time]", problems)
    if accepted is not False or time != TimeColumn():  # a proposal may leave it open
        problems += _time_stated_once(path, time)
    text_table = table_of(tables, "text", path.name, problems)
    text = build(TextTable, text_table, f"{path.name}: [text]", problems)
    entries: dict[str, ChannelColumn] = {}
    for name, table in table_of(tables, "channels", path.name, problems).items():
        place = f"{path.name}: [channels.{name}]"
        if name not in CHANNEL_BY_NAME:
            names = ", ".join(CHANNEL_BY_NAME)
            problems.append(
                f"{place}: no such channel.{nearest(name, CHANNEL_BY_NAME)} Known: {names}."
            )
        elif not isinstance(table, dict):
            problems.append(f"{place}: must be a table with 'column'.")
        elif (entry := build(ChannelColumn, table, place, problems)) is not None:
            entries[name] = entry
            if entry.rolling_radius_m is not None and not _is_wheel(name):
                problems.append(
                    f"{place}: rolling_radius_m is for wheel speeds only. Remove it here."
                )
    if not tables.get("channels"):
        problems.append(
            f"{path.name}: no channel is mapped. Write a table [channels.NAME] with its column for "
            "each; both wheel speeds of the driven axle are needed."
        )
    problems += _columns_named_twice(path, time, entries)
    if problems or time is None or text is None:
        raise InputError.gathered(problems)
    return ChannelMap(path, time, entries, accepted, text)


def _time_stated_once(path: Path, time: TimeColumn | None) -> list[str]:
    """What is wrong with [time], which has a column or a rate."""
    if time is None:
        return []
    place = f"{path.name}: [time]"
    if time.column is None and time.rate_hz is None:
        said = "Add it, or rate_hz = 100 or what it is for a log without a column of times."
        return [f"{place}: 'column' is not set (exact column text of the time). {said}"]
    if time.column is not None and time.rate_hz is not None:
        return [f"{place}: column and rate_hz are both set. Remove the one that does not hold."]
    if time.rate_hz is not None and (time.unit or time.format or time.date_column):
        return [f"{place}: unit, format and date_column say nothing beside rate_hz. Remove them."]
    return []


def _is_wheel(name: str) -> bool:
    return name.startswith("wheel_speed_")


def _columns_named_twice(
    path: Path, time: TimeColumn | None, entries: Mapping[str, ChannelColumn]
) -> list[str]:
    first: dict[str, str] = {}
    problems: list[str] = []
    if time is not None and time.column is not None:
        first[time.column] = "the time"
        if time.date_column == time.column:
            problems.append(
                f"{path.name}: [time]: column and date_column are both '{time.column}'. Remove "
                "date_column: a column that holds date and time needs none."
            )
        elif time.date_column is not None:
            first[time.date_column] = "the date"
    for name, entry in entries.items():
        if entry.column in first:
            problems.append(
                f"{path.name}: column '{entry.column}' is mapped to both {first[entry.column]} "
                f"and {name}. Remove one."
            )
        first.setdefault(entry.column, name)
    return problems


def choose_map(maps: list[ChannelMap], layout: Layout, log: Path) -> ChannelMap:
    """The one accepted map whose columns are all in the log.

    Raises
    ------
    InputError
        If no map fits (the message is about the nearest one), more than one does, or the one that
        does is a proposal that nobody has accepted.
    """
    fitting = [each for each in maps if each.columns <= set(layout.names)]
    proposed = [each.path.name for each in fitting if not each.accepted]
    fitting = [each for each in fitting if each.accepted]
    if proposed and not fitting:
        msg = (
            f"{log.name}: the channel map {' and '.join(proposed)} fits but is only a proposal. "
            f"Look it over, then run 'sidegear channels {log.name} --accept' or write "
            "accepted = true at its top."
        )
        raise InputError(msg)
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
    said = ", ".join(f"'{name}'" for name in absent)
    free = [name for name in layout.names if name not in channel_map.columns]
    close = "".join(
        f" Did you mean '{near}' for '{name}'?" for name in absent if (near := closest(name, free))
    )
    return (
        f"{log.name}: {layout.dialect.names_place}no column is called {said}, as "
        f"{channel_map.path.name} expects.{close} The log's columns are {_listed(layout.names)}. "
        f"Correct the column text in {channel_map.path.name}, remove the channels that this log "
        f"does not have, or have a map proposed: 'sidegear channels {log.name}'."
    )


def _listed(names: tuple[str, ...], most: int = 60) -> str:
    said = ", ".join(f"'{name}'" for name in names[:most])
    return said if len(names) <= most else f"{said} and {len(names) - most} more"


def unit_for(
    name: str, entry: ChannelColumn, stated_in_log: str | None, place: str, map_name: str
) -> Unit:
    """Factor and offset from the column's unit to the channel's: sign, gain, offset included.

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
    scale = entry.sign * entry.gain
    return Unit(unit.factor * scale, unit.offset * scale + entry.offset)


def _wheel_unit(
    channel: Channel, entry: ChannelColumn, text: str, place: str, map_name: str
) -> Unit:
    linear = linear_speed_unit(text)
    if not _is_wheel(channel.name) or linear is None:
        unit = unit_of(text, channel.quantity, place)
        if entry.rolling_radius_m is not None:
            msg = (
                f"{place} is in '{text}', which is a rotational speed already, but "
                f"[channels.{channel.name}] in {map_name} sets rolling_radius_m. Remove that, or "
                "correct the unit."
            )
            raise InputError(msg)
        return unit
    if entry.rolling_radius_m is None:
        msg = (
            f"{place} is a wheel speed in '{text}'; turning it back into rotation needs the radius "
            f"the logger used. Set rolling_radius_m under [channels.{channel.name}] in {map_name}."
        )
        raise InputError(msg)
    return Unit(linear.factor / entry.rolling_radius_m)


def time_unit(entry: TimeColumn, stated_in_log: str | None, place: str, map_name: str) -> Unit:
    """Factor from the time column's unit to seconds.

    Raises
    ------
    InputError
        If no unit is stated anywhere or it is not one of time.
    """
    text = entry.unit if entry.unit is not None else stated_in_log
    if text is None:
        msg = (
            f"{place} is the time and has no unit in the log and none in {map_name}. "
            'Set unit = "s" or what it is under [time].'
        )
        raise InputError(msg)
    return unit_of(text, Quantity.TIME, place)
