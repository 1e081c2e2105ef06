"""From a log and a channel map to a session in SI units on one time base.

The only place that does. Every sample that is dropped, clamped, filled, resampled or missing is
counted; nothing is repaired silently. A log passes through chunk by chunk; what only all of it
tells is known in the end for a short log, and for a long one assumed from its beginning and
verified: where it turns out otherwise, the log is carried again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Protocol

import numpy as np

from loaders.ahead import ahead
from loaders.conversion import Conversion, Facts, SiRows
from loaders.errors import InputError
from loaders.mapping import ChannelMap, TextTable, choose_map
from loaders.rawtable import Chunk, FloatArray, Layout, RawLog, RawTable
from loaders.readers import open_raw_log
from loaders.session import BoolArray, Line, SampleCount, Session, Source, Treatment
from loaders.stretches import Block, Carrying, WrongPlanError

__all__ = ["SampleCount", "Session", "Source", "Treatment", "load_session", "normalise"]

# As much of a log is held back until it has ended or is known to be long. [cells]
_HELD_CELLS = 4_000_000


class Sink(Protocol):
    """Where the points of a session go."""

    def __call__(self, block: Block, /) -> None:
        """Take the next points."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What is known of a session beside its samples."""

    name: str
    rate_hz: float
    start_s: float | None
    """Of an even time base; none where the stamps themselves are stored."""
    points: int
    counts: tuple[SampleCount, ...]
    source: Source
    metadata: dict[str, str]

    def session(self, time_s: FloatArray, channels: dict[str, FloatArray],
                suspect: dict[str, BoolArray]) -> Session:  # fmt: skip
        """The session with these samples."""
        return Session(
            self.name, self.rate_hz, time_s, channels, suspect, self.counts, self.source,
            self.metadata,
        )  # fmt: skip


def load_session(log: Path, maps: list[ChannelMap]) -> Session:
    """Read a log with the one map that fits it.

    Raises
    ------
    InputError
        If the log or the map cannot be used; see `open_raw_log` and `choose_map`.
    """
    raw, channel_map = open_with_map(log, maps)
    held: list[Chunk] = []
    gathered = Gathered()
    outcome = carried(raw, channel_map, held.append, gathered.started, lambda: held)
    return gathered.session(outcome)


def normalise(raw: RawTable, channel_map: ChannelMap) -> Session:
    """The session that a raw table and its channel map describe.

    Raises
    ------
    InputError
        If a unit is not known, or the time does not rise evenly enough to be a time base.
    """
    gathered = Gathered()
    log = raw.log()
    outcome = carried(log, channel_map, lambda _: None, gathered.started, lambda: raw.log().chunks)
    return gathered.session(outcome)


def open_with_map(
    log: Path, maps: list[ChannelMap], *, spare: bool = False
) -> tuple[RawLog, ChannelMap]:
    """A log, not yet read, and the one map that fits it.

    Raises
    ------
    InputError
        If none does, more than one does, or the log cannot be read.
    """

    def opened(text: TextTable) -> tuple[RawLog, ChannelMap]:
        chosen: list[ChannelMap] = []

        def columns_of_fitting_map(layout: Layout) -> set[str]:
            chosen.append(choose_map([each for each in maps if each.text == text], layout, log))
            return chosen[0].columns

        raw = open_raw_log(log, columns_of_fitting_map, text.habits, spare=spare)
        return raw, chosen[0]

    # What maps state of the text is needed to read it, before it is known which map fits.
    fitting: list[TextTable] = []
    problems: list[InputError] = []
    found: list[tuple[RawLog, ChannelMap]] = []
    for text in dict.fromkeys(each.text for each in maps) or [TextTable()]:
        try:
            found.append(opened(text))
            fitting.append(text)
        except InputError as problem:
            problems.append(problem)
    if not found:
        raise problems[0]
    if len(found) == 1:
        return found[0]
    # Read as one map states it, the cells further down may be no numbers.
    readable = [text for text, (raw, _) in zip(fitting, found, strict=True) if _reads(raw)]
    if len(readable) > 1:
        names = " and ".join(channel_map.path.name for _, channel_map in found)
        msg = f"{log.name}: the channel maps {names} both fit. Name one with --map."
        raise InputError(msg)
    return opened((readable or fitting)[0])


def _reads(raw: RawLog) -> bool:
    try:
        for _ in raw.chunks:
            pass
    except InputError:
        return False
    return True


def carried(
    log: RawLog,
    channel_map: ChannelMap,
    see: Callable[[Chunk], None],
    started: Callable[[Mapping[str, Line]], Sink],
    again: Callable[[], Iterable[Chunk]],
) -> Outcome:
    """Carry a log to its time base, chunk by chunk.

    Parameters
    ----------
    see : callable
        Is shown each chunk.
    started : callable
        Where the points go, given the channels of a long log that its columns tell; asked again
        when what was sent so far does not hold.
    again : callable
        The chunks that were seen, from the first.

    Raises
    ------
    InputError
        If the log cannot be read to its end, a unit is not known, or the time does not rise evenly
        enough to be a time base.
    """
    conversion = Conversion(log, channel_map)

    def converted() -> Iterator[SiRows]:
        for chunk in ahead(log.chunks):
            see(chunk)
            yield conversion.rows(chunk)

    rows = converted()
    held, ended = _held_back(rows)
    plan = _plan(conversion) if not ended else conversion.facts()
    carrying = None
    if plan is not None:
        sink = started({} if ended else plan.lines)
        carrying = _carried_as_planned(plan, channel_map, sink, chain(held, rows))
    del held
    for _ in rows:  # what is left where the plan was given up
        pass
    facts = plan if ended and plan is not None else conversion.facts()
    if carrying is None or plan is None or not plan.agrees_with(facts):
        carrying = Carrying(facts, channel_map)
        fresh, sink = Conversion(log, channel_map), started(facts.lines)
        for block in carrying.blocks(fresh.rows(chunk) for chunk in again()):
            sink(block)
    counts = conversion.counts_of_time(facts.base)
    for name in channel_map.channels:
        of_channel = [
            *conversion.count_outside(name),
            *conversion.count_clamped(name, facts.channels[name]),
            *carrying.counts(name),
        ]
        counts += sorted(of_channel, key=_order)
    account = log.account()
    source = Source(
        _text(log.path.name), account.sha256, account.size_bytes, conversion.rows_read,
        log.read_as, channel_map.path.name, account.notes,
    )  # fmt: skip
    return Outcome(
        _text(log.path.stem), facts.base.rate_hz, facts.base.start_s, facts.base.points,
        tuple(counts), source, dict(log.layout.metadata),
    )  # fmt: skip


def _held_back(rows: Iterator[SiRows]) -> tuple[list[SiRows], bool]:
    """The first rows, and whether they are all."""
    held: list[SiRows] = []
    cells = 0
    for each in rows:
        held.append(each)
        cells += len(each.stamps_s) * (1 + len(each.channels))
        if cells > _HELD_CELLS:
            return held, False
    return held, True


def _plan(conversion: Conversion) -> Facts | None:
    """What the beginning of a log tells of all of it; nothing when its time makes no time base."""
    try:
        return conversion.facts()
    except InputError:
        return None


def _carried_as_planned(
    plan: Facts, channel_map: ChannelMap, sink: Sink, rows: Iterable[SiRows]
) -> Carrying | None:
    carrying = Carrying(plan, channel_map)
    try:
        for block in carrying.blocks(rows):
            sink(block)
    except WrongPlanError:
        return None
    return carrying


def _order(count: SampleCount) -> int:
    """The order in which a channel's samples are treated."""
    stated_delay = count.detail.startswith("stamped")
    if count.treatment is Treatment.RESAMPLED and stated_delay:
        return 1
    order = (Treatment.DROPPED, None, Treatment.CLAMPED, Treatment.RESAMPLED, Treatment.FILLED)
    return order.index(count.treatment) if count.treatment in order else len(order)


class Gathered:
    """A session's points in memory."""

    def __init__(self) -> None:
        self._blocks: list[Block] = []

    def started(self, lines: Mapping[str, Line]) -> Sink:
        """Ready for the first points; of all channels."""
        del lines
        self._blocks = []
        return self._blocks.append

    def session(self, outcome: Outcome) -> Session:
        """The session of all of them; of the marks, those that mark anything."""
        blocks, names = self._blocks, self._blocks[0].channels
        suspect = {name: _joined([each.suspect[name] for each in blocks]) for name in names}
        return outcome.session(
            _joined([each.time_s for each in blocks]),
            {name: _joined([each.channels[name] for each in blocks]) for name in names},
            {name: marks for name, marks in suspect.items() if marks.any()},
        )


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def with_maps(outcome: Outcome, maps_sha256: str) -> Outcome:
    """The outcome with the digest of the channel maps that the log was read with."""
    return replace(outcome, source=replace(outcome.source, maps_sha256=maps_sha256))


def _text(name: str) -> str:
    """A file name that can be written as UTF-8; on some systems it may hold any bytes."""
    return name.encode("utf-8", "replace").decode("utf-8")
