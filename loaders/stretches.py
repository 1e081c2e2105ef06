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


class Carrying:
    """Carries rows to the time base that the facts tell, and counts what is done to them."""

    def __init__(self, facts: Facts, channel_map: ChannelMap) -> None:
        self._facts, self._map = facts, channel_map
        self._margin_s = max(
            margin_s(CHANNEL_BY_NAME[name], facts.channels[name], facts.base, entry.delay_s)
            for name, entry in channel_map.channels.items()
        )
        self._stamps = np.empty(0)
        self._channels = {name: np.empty(0) for name in channel_map.channels}
        self._first_row = 0
        self._next_point = 0
        self._done: dict[str, dict[tuple[str, str], Done]] = {n: {} for n in channel_map.channels}

    def blocks(self, rows: Iterable[SiRows]) -> Iterator[Block]:
        """The session's points, as far as the rows so far settle them; at the end, all."""
        base = self._facts.base
        for each in rows:
            if not len(each.stamps_s):
                continue
            self._append(each)
            settled = np.floor((self._stamps[-1] - self._margin_s - base.start_s) / base.step_s)
            yield from self._up_to(int(settled), ends=False)
            self._forget()
        if len(self._stamps):
            yield from self._up_to(int(base.index(self._stamps[-1:])[0]) + 1, ends=True)

    def counts(self, name: str) -> list[SampleCount]:
        """What was done to a channel."""
        return [
            SampleCount(name, each.treatment, each.count, each.first_s, each.detail)
            for each in self._done[name].values()
        ]

    def _append(self, rows: SiRows) -> None:
        if not len(self._stamps):
            self._stamps, self._channels = rows.stamps_s, rows.channels
            return
        self._stamps = np.concatenate((self._stamps, rows.stamps_s))
        self._channels = {
            name: np.concatenate((values, rows.channels[name]))
            for name, values in self._channels.items()
        }

    def _forget(self) -> None:
        """Let go of the rows that can matter no more, but for one before those that can."""
        time_s = self._facts.base.time_s(self._next_point, self._next_point + 1)[0]
        gone = max(0, int(np.searchsorted(self._stamps, time_s - self._margin_s)) - 1)
        self._stamps = self._stamps[gone:].copy()
        self._channels = {name: values[gone:].copy() for name, values in self._channels.items()}
        self._first_row += gone

    def _up_to(self, end: int, *, ends: bool) -> Iterator[Block]:
        if end > most_points(self._first_row + len(self._stamps)):
            raise WrongPlanError
        index = self._facts.base.index(self._stamps)
        while self._next_point < end:
            first, stop = self._next_point, min(end, self._next_point + _MOST_POINTS)
            time_s = self._facts.base.time_s(first, stop)
            around = (time_s[0] - self._margin_s, time_s[-1] + self._margin_s)
            low, high = np.searchsorted(self._stamps, around)
            # The row after tells how far away it is.
            low, high = max(0, int(low) - 1), min(len(self._stamps), int(high) + 1)
            mine = np.searchsorted(index[low:high], (first, stop))
            stretch = Stretch(
                self._facts.base,
                time_s,
                self._stamps[low:high],
                index[low:high] - first,
                slice(int(mine[0]), int(mine[1])),
                self._first_row + low,
                begins=self._first_row + low == 0,
                ends=ends and high == len(self._stamps),
            )
            yield self._block(stretch, low, high)
            self._next_point = stop

    def _block(self, stretch: Stretch, low: int, high: int) -> Block:
        channels, suspect = {}, {}
        for name, entry in self._map.channels.items():
            facts = self._facts.channels[name]
            si = self._channels[name][low:high]
            carried = carry(CHANNEL_BY_NAME[name], si, stretch, facts, entry.delay_s)
            channels[name], suspect[name] = carried.values, carried.suspect
            known = self._done[name]
            for done in carried.done:
                key = (done.treatment, done.detail)
                before = known.get(key)
                known[key] = done if before is None else replace(
                    before, count=before.count + done.count
                )  # fmt: skip
        return Block(stretch.time_s, channels, suspect)
