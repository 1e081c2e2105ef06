"""From a raw table and a channel map to a session in SI units on one time base.

The only place that does. Every sample that is dropped, clamped, filled, resampled or missing is
counted; nothing is repaired silently.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from loaders.cells import SAID_FORMATS
from loaders.channels import CHANNEL_BY_NAME, TIME, Between, Channel, Quantity
from loaders.delay import advanced
from loaders.errors import InputError
from loaders.mapping import ChannelMap, TextTable, TimeColumn, choose_map, time_unit, unit_for
from loaders.rawtable import Layout, RawTable
from loaders.readers import read_raw_table
from loaders.timebase import TimeBase, forward_rows, time_base
from loaders.units import Unit

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# So many equal samples in a row at a torque channel's largest value mean that it hit its stop.
_CLAMPED_RUN = 5
# A channel so much slower than its gap rule allows is not drawn across.
_SLOWEST_TO_GAP = 10.0


class Treatment(StrEnum):
    """What happened to samples on the way in."""

    DROPPED = "dropped"
    """Outside the channel's physical limits; treated as missing."""
    CLAMPED = "clamped"
    """Pinned at the channel's largest value; kept and marked."""
    FILLED = "filled"
    """A short hole, bridged by the channel's rule and marked."""
    MISSING = "missing"
    """A hole too long to bridge; left open."""
    RESAMPLED = "resampled"
    """Carried from uneven stamps or a slower channel to the time base."""


@dataclass(frozen=True, slots=True)
class SampleCount:
    """How many samples of a channel were treated in one way."""

    channel: str
    treatment: Treatment
    count: int
    first_s: float
    detail: str


@dataclass(frozen=True, slots=True)
class Source:
    """Where a session comes from, and how it was read."""

    file: str
    sha256: str
    size_bytes: int
    rows: int
    dialect: str
    channel_map: str
    notes: tuple[str, ...] = ()
    maps_sha256: str = ""
    """Of the channel maps that the log was read with; empty when it was not read from a file."""


@dataclass(frozen=True, slots=True)
class Session:
    """One log in SI units on one even time base. A hole is NaN and counted."""

    name: str
    rate_hz: float
    time_s: FloatArray
    channels: Mapping[str, FloatArray]
    suspect: Mapping[str, BoolArray]
    """Per channel, the samples that were filled or clamped; absent when there are none."""
    counts: tuple[SampleCount, ...]
    source: Source
    metadata: Mapping[str, str] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """Name of the log and the first digits of its content's hash: one log, one id.

        Only letters, digits, dot, dash and underscore of the name are kept.
        """
        safe = "".join(c if c.isalnum() or c in "._-" else "_" for c in self.name)
        # A leading dot would hide the files.
        return f"{safe[:60].lstrip('.') or 'log'}-{self.source.sha256[:8]}"


def load_session(log: Path, maps: list[ChannelMap]) -> Session:
    """Read a log with the one map that fits it.

    Raises
    ------
    InputError
        If the log or the map cannot be used; see `read_raw_table` and `choose_map`.
    """
    # What maps state of the text is needed to read it, before it is known which map fits.
    statements = list(dict.fromkeys(each.text for each in maps)) or [TextTable()]
    read: list[tuple[RawTable, ChannelMap]] = []
    problems: list[InputError] = []
    for text in statements:
        try:
            read.append(_read_with([each for each in maps if each.text == text], text, log))
        except InputError as problem:
            problems.append(problem)
    if not read:
        raise problems[0]
    if len(read) > 1:
        names = " and ".join(channel_map.path.name for _, channel_map in read)
        msg = f"{log.name}: the channel maps {names} both fit. Name one with --map."
        raise InputError(msg)
    return normalise(*read[0])


def _read_with(maps: list[ChannelMap], text: TextTable, log: Path) -> tuple[RawTable, ChannelMap]:
    """The raw table and the one of the maps, all of which state ``text``, that fits it."""
    chosen: list[ChannelMap] = []

    def columns_of_fitting_map(layout: Layout) -> set[str]:
        chosen.append(choose_map(maps, layout, log))
        return chosen[0].columns

    return read_raw_table(log, columns_of_fitting_map, text.habits), chosen[0]


def normalise(raw: RawTable, channel_map: ChannelMap) -> Session:
    """The session that a raw table and its channel map describe.

    Raises
    ------
    InputError
        If a unit is not known, or the time does not rise evenly enough to be a time base.
    """
    to_seconds, to_si = _units(raw, channel_map)
    stamps = _stamps(raw, channel_map, to_seconds)
    place = _time_place(raw, channel_map)
    rows, lost = forward_rows(stamps, place)
    grid = time_base(stamps[rows], place, channel_map.path.name)
    counts = [
        SampleCount(TIME, Treatment.DROPPED, each.count, each.first_s, each.what) for each in lost
    ]
    if not grid.even:
        counts.append(
            SampleCount(
                TIME, Treatment.RESAMPLED, len(rows), float(grid.time_s[0]),
                f"uneven time stamps carried to an even {grid.rate_hz:g} Hz",
            )
        )  # fmt: skip
    channels: dict[str, FloatArray] = {}
    suspect: dict[str, BoolArray] = {}
    for name, entry in channel_map.channels.items():
        unit, values = to_si[name], raw.columns[entry.column]
        with np.errstate(over="ignore"):  # what overflows is outside every limit
            si = (values if len(rows) == len(values) else values[rows]) * unit.factor + unit.offset
        carried = _carry(CHANNEL_BY_NAME[name], si, grid, entry.delay_s)
        channels[name] = carried.values
        counts += carried.counts
        if carried.suspect.any():
            suspect[name] = carried.suspect
    return Session(
        name=_text(raw.path.stem),
        rate_hz=grid.rate_hz,
        time_s=grid.time_s,
        channels=channels,
        suspect=suspect,
        counts=tuple(counts),
        source=Source(
            _text(raw.path.name),
            raw.sha256,
            raw.size_bytes,
            raw.rows,
            raw.read_as,
            channel_map.path.name,
            raw.notes,
        ),
        metadata=raw.metadata,
    )


def _text(name: str) -> str:
    """A file name that can be written as UTF-8; on some systems it may hold any bytes."""
    return name.encode("utf-8", "replace").decode("utf-8")


def _units(raw: RawTable, channel_map: ChannelMap) -> tuple[Unit, dict[str, Unit]]:
    """Units of the time and of every channel, or one error with every problem of them."""
    map_name, problems = channel_map.path.name, []
    stated = dict(zip(raw.names, raw.units, strict=True))
    to_seconds, to_si = Unit(1.0), {}
    try:
        if (column := channel_map.time.column) is not None:
            place = _time_place(raw, channel_map)
            _refuse_other_format(raw, channel_map.time, place, map_name)
            to_seconds = time_unit(channel_map.time, stated[column], place, map_name)
    except InputError as problem:
        problems.append(str(problem))
    for name, entry in channel_map.channels.items():
        try:
            place = f"{raw.path.name}: column '{entry.column}'"
            to_si[name] = unit_for(name, entry, stated[entry.column], place, map_name)
        except InputError as problem:
            problems.append(str(problem))
    if problems:
        raise InputError.gathered(problems)
    return to_seconds, to_si


def _stamps(raw: RawTable, channel_map: ChannelMap, to_seconds: Unit) -> FloatArray:
    """The time of each row, NaN where there is none. [s]"""
    column, rate_hz = channel_map.time.column, channel_map.time.rate_hz
    if column is None:
        return np.arange(raw.rows) / (rate_hz or 1.0)
    with np.errstate(over="ignore"):
        stamps = raw.columns[column] * to_seconds.factor
    return np.where(np.isfinite(stamps), stamps, np.nan)


def _refuse_other_format(raw: RawTable, time: TimeColumn, place: str, map_name: str) -> None:
    """Raise when the map states another form of time than the cells have."""
    found = raw.time_formats.get(time.column or "", "number")
    if time.format not in (None, found):
        msg = (
            f"{place} holds {SAID_FORMATS[found]}, but {map_name} states format = "
            f'"{time.format}". Set format = "{found}" under [time], or take it out.'
        )
        raise InputError(msg)
    if found != "number" and time.unit not in (None, "s"):
        msg = (
            f"{place} holds {SAID_FORMATS[found]}, which is read in seconds, but {map_name} states "
            f'unit = "{time.unit}". Take unit out under [time].'
        )
        raise InputError(msg)


def _time_place(raw: RawTable, channel_map: ChannelMap) -> str:
    if channel_map.time.column is None:
        return f"{raw.path.name}: the time by [time] rate_hz"
    return f"{raw.path.name}: column '{channel_map.time.column}'"


_Counter = Callable[[Treatment, FloatArray, str], None]


@dataclass(frozen=True, slots=True)
class _Carried:
    values: FloatArray
    suspect: BoolArray
    counts: list[SampleCount]


def _carry(channel: Channel, si: FloatArray, grid: TimeBase, delay_s: float = 0.0) -> _Carried:
    """One channel on the session's time base, with what was done to it."""
    outside = (si < channel.low) | (si > channel.high)
    si = np.where(outside, np.nan, si)
    own = np.isfinite(si)
    counts: list[SampleCount] = []

    def count(treatment: Treatment, times: FloatArray, detail: str) -> None:
        if len(times):
            counts.append(SampleCount(channel.name, treatment, len(times), float(times[0]), detail))

    count(
        Treatment.DROPPED, grid.stamps_s[outside],
        f"outside {channel.low:g} to {channel.high:g} {channel.unit}",
    )  # fmt: skip
    if delay_s:
        si = advanced(si, grid.stamps_s, delay_s, channel.between)
        own = np.isfinite(si)
        count(Treatment.RESAMPLED, grid.stamps_s[own], f"stamped {delay_s:g} s too late, as stated")
    if not own.any():
        why = "no sample is inside the limits" if outside.any() else "the column is blank"
        count(Treatment.MISSING, grid.time_s, why)
        hole = np.full(len(grid.time_s), np.nan)
        return _Carried(hole, np.zeros(len(hole), dtype=bool), counts)
    # Of its own samples: in a log of several rates they do not stand in neighbouring rows.
    clamped = np.zeros(len(si), dtype=bool)
    clamped[own] = _clamped(channel, si[own])
    count(Treatment.CLAMPED, grid.stamps_s[clamped], f"at its stop {_peak(si):g} {channel.unit}")
    if grid.even and own.all() and len(si) == len(grid.time_s):
        return _Carried(si, clamped, counts)
    values, suspect = _onto_grid(channel, si, own, clamped, grid, count)
    return _Carried(values, suspect, counts)


def _onto_grid(
    channel: Channel,
    si: FloatArray,
    own: BoolArray,
    clamped: BoolArray,
    grid: TimeBase,
    count: _Counter,
) -> tuple[FloatArray, BoolArray]:
    stamps, samples = grid.stamps_s[own], si[own]
    own_step = float(np.median(np.diff(stamps))) if len(stamps) > 1 else 0.0
    grid_step = 1 / grid.rate_hz
    after = np.searchsorted(stamps, grid.time_s + 0.5 * grid_step * grid.even, side="right")
    before = np.maximum(after - 1, 0)
    following = np.minimum(after, len(stamps) - 1)
    hole = stamps[following] - stamps[before]
    if channel.between is Between.HOLD:
        values = samples[before]
    else:
        values = np.interp(grid.time_s, stamps, samples)
    has_own = np.zeros(len(grid.time_s), dtype=bool)
    has_own[grid.index[own]] = True
    if grid.even:
        values[grid.index[own]] = samples
    # A slower channel's own step is no hole, unless it is far too slow to be bridged at all.
    longest = max(
        channel.longest_gap_s, min(1.5 * own_step, _SLOWEST_TO_GAP * channel.longest_gap_s)
    )
    edge = np.maximum(stamps[0] - grid.time_s, grid.time_s - stamps[-1]) > 0.5 * grid_step
    missing = ~has_own & ((hole > longest) | edge)
    slower_rate = own_step > 1.5 * grid_step
    # Between uneven stamps a point without a sample of its own is no hole yet.
    ordinary = 1.5 * max(own_step, grid_step) if slower_rate or not grid.even else 0.0
    filled = ~has_own & ~missing & (hole > ordinary)
    values = np.where(missing, np.nan, values)
    if slower_rate:
        slower = ~has_own & ~missing & ~filled
        count(
            Treatment.RESAMPLED, grid.time_s[slower],
            f"channel of {1 / own_step:.4g} Hz carried to {grid.rate_hz:g} Hz ({channel.between})",
        )  # fmt: skip
    count(Treatment.FILLED, grid.time_s[filled], f"holes up to {longest:.3g} s, {channel.between}")
    count(Treatment.MISSING, grid.time_s[missing], f"holes longer than {longest:.3g} s")
    pinned = np.zeros(len(grid.time_s), dtype=bool)
    pinned[grid.index[clamped]] = True
    return values, filled | pinned


def _clamped(channel: Channel, si: FloatArray) -> BoolArray:
    """Samples pinned at the largest magnitude for several samples in a row."""
    if channel.quantity is not Quantity.TORQUE:
        return np.zeros(len(si), dtype=bool)
    at_peak = np.abs(si) == _peak(si)
    if not 0 < _CLAMPED_RUN <= at_peak.sum() or _peak(si) == 0:
        return np.zeros(len(si), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], at_peak.view(np.int8), [0]))))
    pinned = np.zeros(len(si), dtype=bool)
    for start, stop in edges.reshape(-1, 2):
        pinned[start:stop] = stop - start >= _CLAMPED_RUN
    return pinned


def _peak(si: FloatArray) -> float:
    return float(np.nanmax(np.abs(si)))
