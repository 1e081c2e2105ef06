"""From raw rows to rows in SI units, chunk by chunk, and what all of them together tell."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from loaders.cells import SAID_FORMATS
from loaders.channels import CHANNEL_BY_NAME, TIME, Channel, Quantity
from loaders.errors import InputError
from loaders.mapping import ChannelMap, TimeColumn, time_unit, unit_for
from loaders.rawtable import Chunk, FloatArray, RawLog
from loaders.session import BoolArray, Line, SampleCount, Treatment
from loaders.timebase import ForwardRows, TimeBase, time_base, usual_step
from loaders.units import Unit

# So many equal samples in a row at a torque channel's largest value mean that it hit its stop.
_CLAMPED_RUN = 5


_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class SiRows:
    """Rows with a time of their own, in SI units; what is outside the limits is NaN."""

    stamps_s: FloatArray
    channels: dict[str, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class ChannelFacts:
    """What only all rows of a channel tell."""

    samples: int
    """Inside the limits."""
    own_step_s: float
    """The usual step from one sample to the next."""
    clamped: NDArray[np.intp]
    """Rows whose sample is pinned at the channel's largest value."""
    peak: float
    outside: int

    def agrees_with(self, other: ChannelFacts) -> bool:
        """Whether the channel is carried to the time base alike by both."""
        return (
            self.own_step_s == other.own_step_s
            and min(self.samples, 2) == min(other.samples, 2)
            and (self.samples > 0 or (self.outside > 0) == (other.outside > 0))
            and np.array_equal(self.clamped, other.clamped)
        )


@dataclass(frozen=True, slots=True)
class Facts:
    """What only all rows of a log tell."""

    base: TimeBase
    channels: dict[str, ChannelFacts]
    lines: dict[str, Line]
    """The channels with nothing left out, moved or filled: column and unit tell all of them."""

    def agrees_with(self, other: Facts) -> bool:
        """Whether both make the same session of the same rows."""
        return (
            self.base == other.base
            and self.lines == other.lines
            and all(each.agrees_with(other.channels[name]) for name, each in self.channels.items())
        )


@dataclass(slots=True)
class _Seen:
    """What was seen of one channel; masks are kept as bits, None where they are plain."""

    channel: Channel
    own: list[NDArray[np.uint8] | None] = field(default_factory=list)
    at_peak: list[NDArray[np.uint8] | None] = field(default_factory=list)
    peak: float = 0.0
    samples: int = 0
    outside: int = 0
    first_outside_s: float = 0.0


class Conversion:
    """Takes a log's chunks in their order; knows in the end what all of them together tell.

    Raises
    ------
    InputError
        At the start, if a unit is not known.
    """

    def __init__(self, log: RawLog, channel_map: ChannelMap) -> None:
        self._map = channel_map
        self._place = _time_place(log, channel_map)
        self._to_seconds, to_si = _units(log, channel_map)
        self._lines = {
            name: Line(entry.column, to_si[name].factor, to_si[name].offset)
            for name, entry in channel_map.channels.items()
        }
        self._forward = ForwardRows()
        self._stamps: list[FloatArray] = []
        self._seen = {name: _Seen(CHANNEL_BY_NAME[name]) for name in channel_map.channels}

    @property
    def rows_read(self) -> int:
        """Those without a time of their own included."""
        return self._forward.total

    def rows(self, chunk: Chunk) -> SiRows:
        """The next chunk in SI units."""
        stamps = self._chunk_stamps(chunk)
        kept = self._forward.kept(stamps)
        stamps = stamps if kept is None else stamps[kept]
        self._stamps.append(stamps)
        channels = {}
        for name, line in self._lines.items():
            values = chunk.columns[line.column]
            values = line.of(values if kept is None else values[kept])
            channels[name] = _inside_limits(self._seen[name], values, stamps)
        return SiRows(stamps, channels)

    def _chunk_stamps(self, chunk: Chunk) -> FloatArray:
        """The time of each row, NaN where there is none. [s]"""
        column, rate_hz = self._map.time.column, self._map.time.rate_hz
        if column is None:
            first = self._forward.total
            counted: FloatArray = np.arange(first, first + chunk.rows) / (rate_hz or 1.0)
            return counted
        with np.errstate(over="ignore"):
            stamps = chunk.columns[column] * self._to_seconds.factor
        if self._map.time.date_column is not None:
            stamps = chunk.columns[self._map.time.date_column] + stamps % _DAY_S
        return np.where(np.isfinite(stamps), stamps, np.nan)

    def facts(self) -> Facts:
        """What the rows so far tell.

        Raises
        ------
        InputError
            If the time does not rise evenly enough to be a time base.
        """
        self._forward.refuse_too_many(self._place)
        ends = np.cumsum([len(part) for part in self._stamps])
        stamps = np.concatenate([np.empty(0), *self._stamps])
        # From here on parts of one array: a day's time stamps are held once.
        self._stamps = np.split(stamps, ends[:-1]) if len(ends) else []
        base = time_base(stamps, self._place, self._map.path.name)
        channels = {name: self._channel_facts(s, base) for name, s in self._seen.items()}
        row_by_row = base.even and base.points == self.rows_read
        lines = {
            name: line
            for name, line in self._lines.items()
            if row_by_row
            and channels[name].samples == base.points
            and not self._map.channels[name].delay_s
        }
        return Facts(base, channels, lines)

    def _channel_facts(self, seen: _Seen, base: TimeBase) -> ChannelFacts:
        clamped = np.empty(0, np.intp)
        own_step_s = base.row_step_s
        if any(each is not None for each in seen.own):
            parts = [
                stamps if bits is None else stamps[_mask(bits, len(stamps))]
                for stamps, bits in zip(self._stamps, seen.own, strict=True)
            ]
            own_step_s = usual_step(np.concatenate([np.empty(0), *parts]))
        if seen.peak > 0 and any(each is not None for each in seen.at_peak):
            clamped = self._clamped(seen)
        return ChannelFacts(seen.samples, own_step_s, clamped, seen.peak, seen.outside)

    def _clamped(self, seen: _Seen) -> NDArray[np.intp]:
        """Rows pinned at the largest magnitude for several samples in a row.

        Of the channel's own samples: in a log of several rates they are not in neighbouring rows.
        """
        at_top = sum(int(np.unpackbits(bits).sum()) for bits in seen.at_peak if bits is not None)
        if at_top < _CLAMPED_RUN:
            return np.empty(0, np.intp)
        lengths = [len(stamps) for stamps in self._stamps]
        peaks = zip(seen.at_peak, lengths, strict=True)
        at_peak = np.concatenate([_mask(bits, n, absent=False) for bits, n in peaks])
        own = np.concatenate([_mask(bits, n) for bits, n in zip(seen.own, lengths, strict=True)])
        edges = np.diff(at_peak[own].view(np.int8), prepend=0, append=0)
        starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        long = stops - starts >= _CLAMPED_RUN
        if not long.any():
            return np.empty(0, np.intp)
        rows = np.flatnonzero(own)
        runs = [rows[a:b] for a, b in zip(starts[long], stops[long], strict=True)]
        return np.concatenate(runs)

    def counts_of_time(self, base: TimeBase) -> list[SampleCount]:
        """What was done to the rows."""
        counts = [
            SampleCount(TIME, Treatment.DROPPED, lost.count, lost.first_s, lost.what)
            for lost in self._forward.lost()
        ]
        if not base.even:
            what = f"uneven time stamps carried to an even {base.rate_hz:g} Hz"
            rows = sum(map(len, self._stamps))
            counts.append(SampleCount(TIME, Treatment.RESAMPLED, rows, base.start_s, what))
        return counts

    def count_outside(self, name: str) -> list[SampleCount]:
        """The samples of a channel that were dropped."""
        seen, channel = self._seen[name], CHANNEL_BY_NAME[name]
        what = f"outside {channel.low:g} to {channel.high:g} {channel.unit}"
        first_s = seen.first_outside_s
        one = SampleCount(name, Treatment.DROPPED, seen.outside, first_s, what)
        return [one] if seen.outside else []

    def count_clamped(self, name: str, facts: ChannelFacts) -> list[SampleCount]:
        """The samples of a channel that are pinned."""
        if not len(facts.clamped):
            return []
        what = f"at its stop {facts.peak:g} {CHANNEL_BY_NAME[name].unit}"
        row = int(facts.clamped[0])
        for stamps in self._stamps:
            if row < len(stamps):
                break
            row -= len(stamps)
        first_s = float(stamps[row])
        return [SampleCount(name, Treatment.CLAMPED, len(facts.clamped), first_s, what)]


def _inside_limits(seen: _Seen, si: FloatArray, stamps: FloatArray) -> FloatArray:
    """The samples inside the channel's limits, NaN for others; takes note of what is seen."""
    channel = seen.channel
    low, high = (float(si.min()), float(si.max())) if len(si) else (0.0, 0.0)
    own = None
    # NaN makes both comparisons false.
    if not (low >= channel.low and high <= channel.high):
        outside = (si < channel.low) | (si > channel.high)
        if outside.any():
            si = np.where(outside, np.nan, si)
            seen.first_outside_s = seen.first_outside_s if seen.outside else float(
                stamps[np.argmax(outside)]
            )  # fmt: skip
            seen.outside += int(outside.sum())
        own = np.isfinite(si)
        own = None if own.all() else own
    seen.own.append(None if own is None else np.packbits(own))
    seen.samples += len(si) if own is None else int(own.sum())
    _look_for_stop(seen, si, own, low, high)
    return si


def _look_for_stop(
    seen: _Seen, si: FloatArray, own: BoolArray | None, low: float, high: float
) -> None:
    at_peak = None
    if seen.channel.quantity is Quantity.TORQUE and len(si):
        if own is not None:
            low, high = (float(np.fmin.reduce(si)), float(np.fmax.reduce(si)))
        peak = max(abs(low), abs(high))
        if peak > seen.peak:
            seen.peak = peak
            seen.at_peak = [None] * len(seen.at_peak)
        if peak == seen.peak:
            at_peak = np.packbits(np.abs(si) == peak)
    seen.at_peak.append(at_peak)


def _mask(bits: NDArray[np.uint8] | None, n: int, *, absent: bool = True) -> BoolArray:
    if bits is None:
        return np.full(n, absent)
    return np.unpackbits(bits, count=n).view(np.bool_)


def _units(log: RawLog, channel_map: ChannelMap) -> tuple[Unit, dict[str, Unit]]:
    """Units of the time and of every channel, or one error with every problem of them."""
    map_name, problems = channel_map.path.name, []
    stated = dict(zip(log.layout.names, log.layout.units, strict=True))
    to_seconds, to_si = Unit(1.0), {}
    try:
        if (column := channel_map.time.column) is not None:
            place = _time_place(log, channel_map)
            _refuse_other_format(log, channel_map.time, place, map_name)
            _refuse_no_date(log, channel_map.time, map_name)
            to_seconds = time_unit(channel_map.time, stated[column], place, map_name)
    except InputError as problem:
        problems.append(str(problem))
    for name, entry in channel_map.channels.items():
        try:
            place = f"{log.path.name}: column '{entry.column}'"
            to_si[name] = unit_for(name, entry, stated[entry.column], place, map_name)
        except InputError as problem:
            problems.append(str(problem))
    if problems:
        raise InputError.gathered(problems)
    return to_seconds, to_si


def _refuse_other_format(log: RawLog, time: TimeColumn, place: str, map_name: str) -> None:
    """Raise when the map states another form of time than the cells have."""
    found = log.time_formats.get(time.column or "", "number")
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


def _refuse_no_date(log: RawLog, time: TimeColumn, map_name: str) -> None:
    """Raise when the date's column holds none, or the time's column holds dates itself."""
    found = log.time_formats.get(time.date_column or "", "number")
    if time.date_column is not None and found != "date":
        msg = (
            f"{log.path.name}: column '{time.date_column}' holds {SAID_FORMATS[found]}; expected "
            "dates as 2026-04-18 or 18.04.2026. Correct date_column under [time] in "
            f"{map_name}, or take it out."
        )
        raise InputError(msg)
    if time.date_column is not None and log.time_formats.get(time.column or "") == "iso":
        msg = (
            f"{log.path.name}: column '{time.column}' holds {SAID_FORMATS['iso']}, with a date of "
            f"its own. Take date_column out under [time] in {map_name}."
        )
        raise InputError(msg)


def _time_place(log: RawLog, channel_map: ChannelMap) -> str:
    if channel_map.time.column is None:
        return f"{log.path.name}: the time by [time] rate_hz"
    return f"{log.path.name}: column '{channel_map.time.column}'"
