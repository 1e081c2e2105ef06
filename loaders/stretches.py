"""A log's rows as they come, carried to the time base stretch by stretch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from loaders.carry import Done, Stretch, carry, margin_s
from loaders.channels import CHANNEL_BY_NAME
from loaders.conversion import Facts, SiRows
from loaders.mapping import ChannelMap
from loaders.session import BoolArray, FloatArray, SampleCount
from loaders.timebase import most_points

# Points of a stretch: so many rows are a group of rows in the stored session too.
_MOST_POINTS = 1 << 18


@dataclass(frozen=True, slots=True)
class Block:
    """Some of a session's points, one after the other."""

    time_s: FloatArray
    channels: dict[str, FloatArray]
    suspect: dict[str, BoolArray]


class WrongPlanError(Exception):
    """The rows are not as the facts say."""


@dataclass(frozen=True, slots=True)
class _Rows:
    """Neighbouring rows, and how many of the log come before them."""

    stamps_s: FloatArray
    channels: dict[str, FloatArray]
    first: int

    def part(self, start: int, stop: int | None = None) -> _Rows:
        channels = {name: values[start:stop] for name, values in self.channels.items()}
        return _Rows(self.stamps_s[start:stop], channels, self.first + start)

    def followed_by(self, other: _Rows) -> _Rows:
        return _Rows(
            np.concatenate((self.stamps_s, other.stamps_s)),
            {n: np.concatenate((v, other.channels[n])) for n, v in self.channels.items()},
            self.first,
        )

    def copied(self) -> _Rows:
        """The same with memory of their own, so that others may be let go."""
        channels = {name: values.copy() for name, values in self.channels.items()}
        return _Rows(self.stamps_s.copy(), channels, self.first)


class Carrying:
    """Carries rows to the time base that the facts tell, and counts what is done to them."""

    def __init__(self, facts: Facts, channel_map: ChannelMap) -> None:
        self._facts, self._map = facts, channel_map
        self._margin_s = max(
            margin_s(CHANNEL_BY_NAME[name], facts.channels[name], facts.base, entry.delay_s)
            for name, entry in channel_map.channels.items()
        )
        self._next_point = 0
        self._done: dict[str, dict[tuple[str, str], Done]] = {n: {} for n in channel_map.channels}

    def blocks(self, rows: Iterable[SiRows]) -> Iterator[Block]:
        """The session's points, as far as the rows so far settle them; at the end, all."""
        tail, count = None, 0
        for each in rows:
            if not len(each.stamps_s):
                continue
            fresh = _Rows(each.stamps_s, each.channels, count)
            count += len(each.stamps_s)
            settled = self._point_at(float(fresh.stamps_s[-1]) - self._margin_s)
            if tail is not None:
                # Only the seam between the rows before and these is put together anew.
                alone = self._point_at(float(fresh.stamps_s[0]) + self._margin_s) + 2
                if alone < settled:
                    until = self._time_s(alone) + self._margin_s
                    stop = int(np.searchsorted(fresh.stamps_s, until)) + 2
                    yield from self._up_to(alone, tail.followed_by(fresh.part(0, stop)))
                else:
                    fresh = tail.followed_by(fresh)
            yield from self._up_to(settled, fresh)
            since = self._time_s(self._next_point) - self._margin_s
            tail = fresh.part(max(0, int(np.searchsorted(fresh.stamps_s, since)) - 1)).copied()
        if tail is not None:
            end = int(self._facts.base.index(tail.stamps_s[-1:])[0]) + 1
            yield from self._up_to(end, tail, ends=True)

    def counts(self, name: str) -> list[SampleCount]:
        """What was done to a channel."""
        return [
            SampleCount(name, each.treatment, each.count, each.first_s, each.detail)
            for each in self._done[name].values()
        ]

    def _point_at(self, time_s: float) -> int:
        """The last point that is not later."""
        return int(np.floor((time_s - self._facts.base.start_s) / self._facts.base.step_s))

    def _time_s(self, point: int) -> float:
        return float(self._facts.base.time_s(point, point + 1)[0])

    def _up_to(self, end: int, rows: _Rows, *, ends: bool = False) -> Iterator[Block]:
        """The points before one, from rows that hold all that can matter to them."""
        if end > most_points(rows.first + len(rows.stamps_s)):
            raise WrongPlanError
        index = self._facts.base.index(rows.stamps_s)
        while self._next_point < end:
            first, stop = self._next_point, min(end, self._next_point + _MOST_POINTS)
            time_s = self._facts.base.time_s(first, stop)
            around = (time_s[0] - self._margin_s, time_s[-1] + self._margin_s)
            low, high = np.searchsorted(rows.stamps_s, around)
            # The row after tells how far away it is.
            low, high = max(0, int(low) - 1), min(len(index), int(high) + 1)
            mine = np.searchsorted(index[low:high], (first, stop))
            stretch = Stretch(
                self._facts.base,
                time_s,
                rows.stamps_s[low:high],
                index[low:high] - first,
                slice(int(mine[0]), int(mine[1])),
                rows.first + low,
                begins=rows.first + low == 0,
                ends=ends and high == len(index),
            )
            yield self._block(stretch, rows.part(low, high).channels)
            self._next_point = stop

    def _block(self, stretch: Stretch, rows: dict[str, FloatArray]) -> Block:
        channels, suspect = {}, {}
        for name, entry in self._map.channels.items():
            facts = self._facts.channels[name]
            carried = carry(CHANNEL_BY_NAME[name], rows[name], stretch, facts, entry.delay_s)
            channels[name], suspect[name] = carried.values, carried.suspect
            known = self._done[name]
            for done in carried.done:
                key = (done.treatment, done.detail)
                before = known.get(key)
                known[key] = done if before is None else replace(
                    before, count=before.count + done.count
                )  # fmt: skip
        return Block(stretch.time_s, channels, suspect)
