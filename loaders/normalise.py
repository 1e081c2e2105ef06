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

from loaders.channels import CHANNEL_BY_NAME, TIME, Between, Channel, Quantity
from loaders.delimited import RawTable, read_raw_table
from loaders.errors import InputError
from loaders.layout import Layout
from loaders.mapping import ChannelMap, choose_map, time_unit, unit_for

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Time stamps closer than this share of a step to an even grid are that grid's stamps, written
# with too few digits.
_ON_GRID = 0.3
# So many equal samples in a row at a torque channel's largest value mean that it hit its stop.
_CLAMPED_RUN = 5
# More rows than this share without a time of their own are no small fault of the clock.
_MOST_LOST = 0.05
_FEW_ROWS = 10
# Holes in time may take this much: three times the log, or hours of a logger left on.
_MOST_HOLES = 3
_HOLES_AT_LEAST = 2_000_000
_SLOWEST_HZ, _FASTEST_HZ = 0.1, 1e5
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
    chosen: list[ChannelMap] = []

    def columns_of_fitting_map(layout: Layout) -> set[str]:
        chosen.append(choose_map(maps, layout, log))
        return chosen[0].columns

    raw = read_raw_table(log, columns_of_fitting_map)
    return normalise(raw, chosen[0])


def normalise(raw: RawTable, channel_map: ChannelMap) -> Session:
    """The session that a raw table and its channel map describe.

    Raises
    ------
    InputError
        If a unit is not known, or the time does not rise evenly enough to be a time base.
    """
    stamps = _stamps(raw, channel_map)
    rows, counts = _forward_rows(raw, channel_map, stamps)
    grid = _grid(raw, channel_map, stamps[rows])
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
        column = raw.names.index(entry.column)
        place = f"{raw.path.name}: column '{entry.column}'"
        unit = unit_for(name, entry, raw.units[column], place, channel_map.path.name)
        values = raw.columns[entry.column]
        with np.errstate(over="ignore"):  # what overflows is outside every limit
            si = (values if len(rows) == len(values) else values[rows]) * unit.factor + unit.offset
        carried = _carry(CHANNEL_BY_NAME[name], si, grid)
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
            str(raw.dialect),
            channel_map.path.name,
            raw.notes,
        ),
        metadata=raw.metadata,
    )


def _text(name: str) -> str:
    """A file name that can be written as UTF-8; on some systems it may hold any bytes."""
    return name.encode("utf-8", "replace").decode("utf-8")


def _stamps(raw: RawTable, channel_map: ChannelMap) -> FloatArray:
    """The time of each row, NaN where there is none. [s]"""
    entry = channel_map.time
    stated = raw.units[raw.names.index(entry.column)]
    unit = time_unit(entry, stated, _time_place(raw, channel_map), channel_map.path.name)
    with np.errstate(over="ignore"):
        stamps = raw.columns[entry.column] * unit.factor
    return np.where(np.isfinite(stamps), stamps, np.nan)


def _time_place(raw: RawTable, channel_map: ChannelMap) -> str:
    return f"{raw.path.name}: column '{channel_map.time.column}'"


def _forward_rows(
    raw: RawTable, channel_map: ChannelMap, stamps: FloatArray
) -> tuple[NDArray[np.intp], list[SampleCount]]:
    """Indices of the rows whose time stamp is later than all before, and what the others are."""
    latest = np.fmax.accumulate(stamps)
    before = np.concatenate(([np.nan], latest[:-1]))
    blank, repeated, backward = np.isnan(stamps), stamps == before, stamps < before
    place = _time_place(raw, channel_map)
    for wrong, what, cure in (
        (repeated, "repeat the time before them", "Export the time with more digits."),
        (backward, "lie before an earlier row", "Two recordings in one file? Export each alone."),
    ):
        if wrong.sum() > max(_FEW_ROWS, _MOST_LOST * len(stamps)):
            at = int(np.argmax(wrong))
            msg = (
                f"{place}: {wrong.sum()} of {len(stamps)} rows {what}, the first at data row "
                f"{at + 1}, where {before[at]:.10g} s is followed by {stamps[at]:.10g} s; expected "
                f"a time that rises. {cure}"
            )
            raise InputError(msg)
    counts = [
        SampleCount(TIME, Treatment.DROPPED, int(lost.sum()), _when(latest, lost), f"rows {what}")
        for lost, what in (
            (blank, "without a time stamp"),
            (repeated, "whose time stamp repeats the one before"),
            (backward, "whose time stamp runs backward"),
        )
        if lost.any()
    ]
    return np.flatnonzero(~(blank | repeated | backward)), counts


def _when(latest: FloatArray, rows: BoolArray) -> float:
    """The latest time known at the first of the rows, or the first time of all. [s]"""
    known = latest[np.argmax(rows) :]
    known = known[np.isfinite(known)]
    return float(known[0]) if len(known) else 0.0


@dataclass(frozen=True, slots=True)
class _Grid:
    """The session's time base and how the log's rows meet it."""

    time_s: FloatArray
    rate_hz: float
    even: bool
    """Whether every row stands on a point of the grid."""
    stamps_s: FloatArray
    index: NDArray[np.intp]
    """Grid point nearest to each row."""


def _grid(raw: RawTable, channel_map: ChannelMap, stamps: FloatArray) -> _Grid:
    place = _time_place(raw, channel_map)
    if len(stamps) < 2:
        msg = (
            f"{place}: found {len(stamps)} usable time stamps; expected at least two. "
            f"Check [time] in {channel_map.path.name}."
        )
        raise InputError(msg)
    with np.errstate(over="ignore"):
        steps = np.diff(stamps)
    typical = float(np.median(steps))
    if not 1 / _FASTEST_HZ <= typical <= 1 / _SLOWEST_HZ:
        msg = (
            f"{place}: the time rises in steps of {typical:.6g} s; expected {1 / _FASTEST_HZ:g} to "
            f"{1 / _SLOWEST_HZ:g} s. Check its unit under [time] in {channel_map.path.name}."
        )
        raise InputError(msg)
    # The mean over ordinary steps is finer than one stamp's last digit.
    step = float(np.mean(steps[steps < 1.5 * typical]))
    longest = max(_HOLES_AT_LEAST, _MOST_HOLES * len(stamps)) + len(stamps)
    if (span := float(np.sum(steps))) / step > longest:
        at = int(np.argmax(steps))
        msg = (
            f"{place}: {len(stamps)} rows in steps of {step:.4g} s span {span:.6g} s, most of it "
            f"between {stamps[at]:.10g} s and {stamps[at + 1]:.10g} s; expected holes of no more "
            f"than {_MOST_HOLES} times the log. Cut the log there, or correct the time stamps."
        )
        raise InputError(msg)
    count = round(span / step) + 1
    time_s = stamps[0] + step * np.arange(count)
    index = np.rint((stamps - stamps[0]) / step).astype(np.intp)
    off = np.abs(stamps - time_s[np.minimum(index, count - 1)])
    even = bool(index[-1] < count and off.max() <= _ON_GRID * step and np.all(np.diff(index) > 0))
    return _Grid(time_s, round(1 / step, 6), even, stamps, np.minimum(index, count - 1))


_Counter = Callable[[Treatment, FloatArray, str], None]


@dataclass(frozen=True, slots=True)
class _Carried:
    values: FloatArray
    suspect: BoolArray
    counts: list[SampleCount]


def _carry(channel: Channel, si: FloatArray, grid: _Grid) -> _Carried:
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
    grid: _Grid,
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
