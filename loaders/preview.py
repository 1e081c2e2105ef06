"""What is in a log, column by column, and which channel each column looks like."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from loaders.channels import CHANNEL_BY_NAME, Quantity
from loaders.errors import InputError, nearest
from loaders.evidence import FloatArray
from loaders.judging import Car
from loaders.layout import BY_EVIDENCE, TextHabits
from loaders.mapping import ChannelMap
from loaders.proposals import Proposals
from loaders.propose import propose
from loaders.rawtable import Chunk
from loaders.readers import open_raw_log
from loaders.units import canonical, unit_of

_BARS = "▁▂▃▄▅▆▇█"
_SPARK_WIDTH = 12
_WIDTHS = (80, 120)
# So many rows of a log tell what its columns are: an hour and more at 100 Hz.
_MOST_ROWS = 500_000


@dataclass(frozen=True, slots=True)
class ColumnView:
    """One column of a log as the user sees it."""

    name: str
    unit: str | None
    kind: str
    """``number``, ``text``, ``blank`` or ``repeated name``."""
    rate_hz: float | None = None
    low: float | None = None
    high: float | None = None
    share_missing: float | None = None
    sparkline: str = ""
    looks_like: str = ""
    confidence: str = ""


@dataclass(frozen=True, slots=True)
class Preview:
    """All columns of a log, the map that fits it, and what is proposed when none does."""

    log: Path
    views: tuple[ColumnView, ...]
    proposals: Proposals
    stated: dict[str, str | None]
    fitting: tuple[ChannelMap, ...]
    habits: TextHabits = BY_EVIDENCE
    """What had to be stated of its text to read it."""
    looked_at_rows: int | None = None
    """From how many rows at its beginning this is; None: from all."""

    @property
    def accepted(self) -> ChannelMap | None:
        """The map that ``add`` would use, when there is exactly one."""
        found = [each for each in self.fitting if each.accepted]
        return found[0] if len(found) == 1 else None

    @property
    def pending(self) -> ChannelMap | None:
        """The first fitting map that waits to be accepted."""
        return next((each for each in self.fitting if not each.accepted), None)


def look_at(
    log: Path, maps: Sequence[ChannelMap], car: Car, known: Mapping[str, str] | None = None
) -> Preview:
    """Say what is in a log; of a very long one, in its first hours.

    Raises
    ------
    InputError
        If the log cannot be read, or ``known`` names a column that it does not have.
    """
    raw = _read_as_stated(log, maps)
    _refuse_unknown(log, raw.names, known or {})
    stated = dict(zip(raw.names, raw.units, strict=True))
    names = list(dict.fromkeys(raw.names))
    proposals = propose(names, [stated[k] for k in names], raw.columns, car, known)
    proposals = _with_date(proposals, raw.time_formats)
    time = raw.columns[proposals.time.column] if proposals.time else None
    fitting = tuple(each for each in maps if each.columns <= set(raw.columns))
    likeness = _likeness(proposals, fitting)
    views = tuple(
        _view(name, stated[name], raw, time, *likeness.get(name, ("", ""))) for name in names
    )
    looked_at = None if raw.whole else raw.rows
    return Preview(log, views, proposals, stated, fitting, raw.habits, looked_at)


def _with_date(proposals: Proposals, formats: Mapping[str, str]) -> Proposals:
    """With the column of dates beside a column of clock times, where there is one."""
    dates = [name for name, kind in formats.items() if kind == "date"]
    time = proposals.time
    if time is None or formats.get(time.column) != "clock" or len(dates) != 1:
        return proposals
    reason = f"{time.reason}; '{dates[0]}' holds its dates"
    return replace(proposals, time=replace(time, date_column=dates[0], reason=reason))


def stated_channels(statements: Sequence[str]) -> dict[str, str]:
    """Channels by column from texts ``COLUMN=CHANNEL``.

    Raises
    ------
    InputError
        If a text is no such pair, or its channel is not known.

    >>> stated_channels(["c2=speed_mps"])
    {'c2': 'speed_mps'}
    """
    found: dict[str, str] = {}
    for statement in statements:
        column, equals, channel = statement.rpartition("=")
        if not equals or not column or channel not in CHANNEL_BY_NAME:
            msg = (
                f"--is '{statement}': expected COLUMN=CHANNEL.{nearest(channel, CHANNEL_BY_NAME)} "
                f"Channels: {', '.join(CHANNEL_BY_NAME)}."
            )
            raise InputError(msg)
        found[column] = channel
    return found


@dataclass(frozen=True, slots=True)
class Head:
    """A log's columns of numbers, from its first row on."""

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    columns: Mapping[str, FloatArray]
    rows: int
    whole: bool
    """Whether that is all of the log."""
    habits: TextHabits
    """What had to be stated of its text."""
    time_formats: Mapping[str, str]


def _read_as_stated(log: Path, maps: Sequence[ChannelMap]) -> Head:
    """Read as the log's cells tell, or where they leave it open as one of the maps states."""
    try:
        return read_head(log, BY_EVIDENCE)
    except InputError:
        for habits in dict.fromkeys(each.text.habits for each in maps):
            with suppress(InputError):
                return read_head(log, habits)
        raise


def read_head(log: Path, habits: TextHabits) -> Head:
    """The columns that hold numbers, of half a million rows from the first one on."""
    opened = open_raw_log(log, lambda _: set(), habits, spare=True)
    parts: list[Chunk] = []
    rows, whole = 0, False
    for chunk in opened.chunks:
        if rows >= _MOST_ROWS:
            break
        parts.append(chunk)
        rows += chunk.rows
    else:
        whole = True
    columns = {
        name: np.concatenate([np.empty(0), *(part.columns[name] for part in parts)])
        for name in opened.columns
    }
    return Head(
        opened.layout.names, opened.layout.units, columns, rows, whole, habits, opened.time_formats
    )


def _refuse_unknown(log: Path, names: Sequence[str], known: Mapping[str, str]) -> None:
    absent = [name for name in known if name not in names]
    if absent:
        msg = f"{log.name}: no column is called {', '.join(map(repr, absent))}."
        raise InputError(msg)


def _likeness(proposals: Proposals, fitting: Sequence[ChannelMap]) -> dict[str, tuple[str, str]]:
    found: dict[str, tuple[str, str]] = {}
    for tie in proposals.ties:
        for each in (p for option in tie.options for p in option.proposals):
            channel = found.get(each.column, ("", ""))[0]
            both = each.channel if channel in ("", each.channel) else f"{channel} or {each.channel}"
            found[each.column] = (both, "cannot tell")
    for each in proposals.entries:
        found[each.column] = (each.channel, str(each.confidence))
    if proposals.time:
        found[proposals.time.column] = ("time", "")
        if proposals.time.date_column:
            found[proposals.time.date_column] = ("date", "")
    for channel_map in [each for each in fitting if each.accepted][:1]:
        for channel, entry in channel_map.channels.items():
            found[entry.column] = (channel, "mapped")
    return found


def _view(
    name: str,
    unit: str | None,
    raw: Head,
    time: FloatArray | None,
    looks_like: str,
    confidence: str,
) -> ColumnView:
    values = raw.columns.get(name)
    if values is None:
        return ColumnView(name, unit, "text" if raw.names.count(name) == 1 else "repeated name")
    own = values[np.isfinite(values)]
    if not len(own):
        return ColumnView(name, unit, "blank", share_missing=1.0)
    own_rate, missing = None, 1 - len(own) / max(len(values), 1)
    if time is not None:
        stamps = time[np.isfinite(values) & np.isfinite(time)]
        step = float(np.median(np.diff(stamps))) if len(stamps) > 1 else 0.0
        span, base = float(np.ptp(stamps)), float(np.median(np.diff(time[np.isfinite(time)])))
        own_rate = 1 / step if step > 0 else None
        # A slower channel's blank cells are no holes.
        missing = max(0.0, 1 - len(own) * step / (float(np.ptp(time[np.isfinite(time)])) + base))
        missing = missing if span else 0.0
    return ColumnView(
        name, unit, "number", own_rate, float(own.min()), float(own.max()), missing,
        sparkline(own), looks_like, confidence,
    )  # fmt: skip


def sparkline(values: FloatArray, width: int = _SPARK_WIDTH) -> str:
    """The course of a column in a few signs, lowest to highest.

    >>> sparkline(np.arange(16.0), 8)
    '▁▂▃▄▅▆▇█'
    """
    parts = [part.mean() for part in np.array_split(values, width) if len(part)]
    low, high = min(parts), max(parts)
    if not high > low:
        return _BARS[0] * len(parts)
    return "".join(_BARS[min(7, int(8 * (each - low) / (high - low)))] for each in parts)


def table(preview: Preview, width: int) -> str:
    """The columns as aligned text, 80 to 120 signs wide."""
    width = min(max(width, _WIDTHS[0]), _WIDTHS[1])
    # On a narrow terminal the course is shorter, and names give way to the longest channel.
    every = 1 if width >= 100 else 2
    course_width = _SPARK_WIDTH // every
    room = width - 39 - course_width - 20
    name_width = min(max([6, *(len(view.name) for view in preview.views)]), room)
    head = f"{'column':<{name_width}} {'unit':<6} {'Hz':>5} {'min':>8} {'max':>8} {'miss':>5} "
    rows = [f"{head}{'course':<{course_width}} looks like"]
    for view in preview.views:
        head = f"{_cut(view.name, name_width):<{name_width}} {_cut(view.unit or '', 6):<6}"
        if view.kind != "number":
            rows.append(f"{head} {view.kind}")
            continue
        rate = f"{view.rate_hz * _seconds(preview):.4g}" if view.rate_hz else ""
        missing = "" if view.share_missing is None else f"{100 * view.share_missing:.1f}%"
        line = (
            f"{head} {rate:>5} {_number(view.low):>8} {_number(view.high):>8} {missing:>5} "
            f"{view.sparkline[::every]:<{course_width}} {_likely(view)}"
        )
        rows.append(_cut(line.rstrip(), width))
    if preview.looked_at_rows is not None:
        rows.append(f"from the first {preview.looked_at_rows} rows; the log goes on after them")
    return "\n".join(rows)


def _seconds(preview: Preview) -> float:
    """Units of the time column in a second."""
    time = preview.proposals.time
    unit = canonical(
        (time.unit or preview.stated[time.column] or "s") if time else "s", Quantity.TIME
    )
    return 1 / unit_of(unit or "s", Quantity.TIME, "").factor


def _likely(view: ColumnView) -> str:
    mark = {"sure": "", "mapped": " (mapped)", "": "", "likely": " (likely)"}
    return f"{view.looks_like}{mark.get(view.confidence, f' ({view.confidence})')}"


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.5g}"


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: width - 1]}…"


def as_json(preview: Preview) -> dict[str, Any]:
    """The same for machines."""
    proposals = preview.proposals

    def said(proposal: Any) -> dict[str, Any]:
        return {
            "channel": proposal.channel, "column": proposal.column, "unit": proposal.unit,
            "sign": proposal.sign, "rolling_radius_m": proposal.rolling_radius_m,
            "confidence": str(proposal.confidence), "reason": proposal.reason,
        }  # fmt: skip

    return {
        "schema": "sidegear.channels/1",
        "log": preview.log.name,
        "looked_at_rows": preview.looked_at_rows,
        "columns": [
            {
                "name": view.name, "unit": view.unit, "kind": view.kind,
                "rate_hz": view.rate_hz and view.rate_hz * _seconds(preview), "min": view.low,
                "max": view.high, "share_missing": view.share_missing,
                "looks_like": view.looks_like, "confidence": view.confidence,
            }
            for view in preview.views
        ],
        "maps": [{"name": each.path.name, "accepted": each.accepted} for each in preview.fitting],
        "time": None
        if proposals.time is None
        else {
            "column": proposals.time.column, "unit": proposals.time.unit,
            "date_column": proposals.time.date_column,
        },
        "rate_hz_open": None
        if proposals.rate is None
        else {"fitting": proposals.rate.fitting_hz, "reason": proposals.rate.reason},
        "proposals": [said(each) for each in proposals.entries],
        "ties": [
            {
                "question": tie.question,
                "options": [
                    {"if": option.label, "proposals": [said(each) for each in option.proposals]}
                    for option in tie.options
                ],
            }
            for tie in proposals.ties
        ],
        "contradictions": list(proposals.notes),
    }  # fmt: skip
