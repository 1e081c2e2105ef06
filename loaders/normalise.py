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

from loaders.channels import CHANNEL_BY_NAME, Between, Channel, Quantity
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
_MOST_SAMPLES = 20_000_000


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
        return f"{safe[:60]}-{self.source.sha256[:8]}"


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
    """The session that a raw table and its channel map describe."""
    stamps = _stamps(raw, channel_map)
    order, dropped = _forward_rows(stamps)
    grid = _grid(raw, stamps[order])
    counts: list[SampleCount] = []
    if dropped:
        counts.append(
            SampleCount(
                "time_s", Treatment.DROPPED, dropped, float(grid.time_s[0]),
                "rows whose time stamp is blank, repeated or runs backward",
            )
        )  # fmt: skip
    if not grid.even:
        counts.append(
            SampleCount(
                "time_s", Treatment.RESAMPLED, len(order), float(grid.time_s[0]),
                f"uneven time stamps carried to an even {grid.rate_hz:g} Hz",
            )
        )  # fmt: skip
    channels: dict[str, FloatArray] = {}
    suspect: dict[str, BoolArray] = {}
    for name, entry in channel_map.channels.items():
        column = raw.names.index(entry.column)
        place = f"{raw.path.name}: column '{entry.column}'"
        unit = unit_for(name, entry, raw.units[column], place, channel_map.path.name)
        si = raw.columns[entry.column][order] * unit.factor + unit.offset
        carried = _carry(CHANNEL_BY_NAME[name], si, grid)
        channels[name] = carried.values
        counts += carried.counts
        if carried.suspect.any():
            suspect[name] = carried.suspect
    return Session(
        name=raw.path.stem,
        rate_hz=grid.rate_hz,
        time_s=grid.time_s,
        channels=channels,
        suspect=suspect,
        counts=tuple(counts),
        source=Source(
            raw.path.name,
            raw.sha256,
            raw.size_bytes,
            raw.rows,
            str(raw.dialect),
            channel_map.path.name,
            raw.notes,
        ),
        metadata=raw.metadata,
    )


def _stamps(raw: RawTable, channel_map: ChannelMap) -> FloatArray:
    entry = channel_map.time
    place = f"{raw.path.name}: column '{entry.column}'"
    unit = time_unit(entry, raw.units[raw.names.index(entry.column)], place, channel_map.path.name)
    return raw.columns[entry.column] * unit.factor


def _forward_rows(stamps: FloatArray) -> tuple[NDArray[np.intp], int]:
    """Indices of the rows whose time stamp is later than all before, and how many are not."""
    latest = np.fmax.accumulate(stamps)
    later = np.isfinite(stamps)
    later[1:] &= ~(latest[1:] <= latest[:-1])
    rows = np.flatnonzero(later)
    return rows, len(stamps) - len(rows)


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


def _grid(raw: RawTable, stamps: FloatArray) -> _Grid:
    if len(stamps) < 2:
        msg = (
            f"{raw.path.name}: {len(stamps)} usable time stamps; a session needs at least two. "
            "Check the time column in the channel map."
        )
        raise InputError(msg)
    steps = np.diff(stamps)
    typical = float(np.median(steps))
    # The mean over ordinary steps is finer than one stamp's last digit.
    step = float(np.mean(steps[steps < 1.5 * typical]))
    count = round((stamps[-1] - stamps[0]) / step) + 1
    if count > _MOST_SAMPLES:
        msg = (
            f"{raw.path.name}: the time column spans {stamps[-1] - stamps[0]:.0f} s in steps of "
            f"{step:g} s: {count} samples, more than {_MOST_SAMPLES}. Check its unit in the map."
        )
        raise InputError(msg)
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
    nothing = np.zeros(len(grid.time_s), dtype=bool)
    if not own.any():
        count(Treatment.MISSING, grid.time_s, "the column is blank")
        return _Carried(np.full(len(grid.time_s), np.nan), nothing, counts)
    clamped = _clamped(channel, si)
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
    longest = max(channel.longest_gap_s, 1.5 * own_step)
    edge = np.maximum(stamps[0] - grid.time_s, grid.time_s - stamps[-1]) > 0.5 * grid_step
    missing = ~has_own & ((hole > longest) | edge)
    filled = ~has_own & ~missing & (hole > 1.5 * max(own_step, grid_step))
    values = np.where(missing, np.nan, values)
    if own_step > 1.5 * grid_step:
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
