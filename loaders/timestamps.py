"""From times written as text, or typed as times by the file, to seconds.

Whole columns at once: a loop over the rows would cost more than reading them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from loaders.rawtable import FloatArray, floats, holes_of, numbers_of

_NS = 1_000_000_000
_DAY_S = 86_400
# A column with more odd cells than this is hardly one of times.
_MOST_ODD = 20
_CLOCK = r"^(?:(?P<h>\d{1,4}):)?(?P<m>\d{1,4}):(?P<s>\d\d(?:\.\d+)?)$"
_DATE_TIME = (
    r"^(?P<date>\d{4}-\d\d-\d\d)[Tt ](?P<time>\d\d:\d\d:\d\d(?:\.\d{1,9})?)"
    r"(?P<zone>[Zz]|[+-]\d\d(?::?\d\d)?)?$"
)
# The basic format, which has no marks inside date and time.
_BASIC = r"^(\d{4})(\d\d)(\d\d)[Tt](\d\d)(\d\d)(\d\d)"
_EXTENDED = r"\1-\2-\3T\4:\5:\6"


@dataclass(frozen=True, slots=True)
class Counting:
    """How a column's seconds are counted, as far as its rows have told."""

    kind: str
    """"clock", m:ss or h:mm:ss with decimals; "iso", date and time of ISO 8601 with or without
    zone; or "date", 2026-04-18 or 18.04.2026, whose seconds are those of its midnight."""
    latest: float = np.nan
    """The latest time of the clock. [s]"""
    nights: int = 0
    beyond_a_day: bool = False
    """Whether the clock has shown 24 hours or more, and so does not start again at midnight."""
    midnight_ns: int | None = None
    """Where seconds count from: midnight of the first date, in its zone."""
    zone: str = ""

    @property
    def said(self) -> str | None:
        """What the reader should know of it: where seconds count from, nights run over."""
        if self.midnight_ns is not None:
            date = np.datetime_as_string(np.datetime64(self.midnight_ns, "ns"), unit="s")
            return f"seconds count from {date}{self.zone}"
        if not self.nights:
            return None
        often = "once" if self.nights == 1 else f"{self.nights} times"
        return f"the clock runs over midnight {often}"


@dataclass(frozen=True, slots=True)
class Seconds:
    """Some rows of a column of times as seconds."""

    values: FloatArray
    """NaN where the cell is blank. [s]"""
    counting: Counting
    """For the rows that follow."""
    bad_row: int | None = None
    """The first row that is no time, or of another kind than those before."""
    expected: str = ""
    odd: int = 0
    """Cells that are no times and were left out."""


def seconds_of(texts: pa.ChunkedArray, counting: Counting, *, strict: bool = True) -> Seconds:
    """Seconds from some rows of a column of texts.

    Parameters
    ----------
    texts : ChunkedArray of string
        Null where the cell is blank.
    counting : Counting
        The kind of times, and what the rows before told.
    strict : bool
        Whether a cell that is no time is named; else it is left out and counted.

    >>> read = seconds_of(pa.chunked_array([["0:59.5", "1:00,25", None]]), Counting("clock"))
    >>> read.values.tolist()
    [59.5, 60.25, nan]
    """
    texts = pc.replace_substring(pc.utf8_trim_whitespace(texts), ",", ".")
    read = {"iso": _date_times, "date": _dates}.get(counting.kind, _clock_times)
    found = read(texts, counting)
    odd = 0
    while found.bad_row is not None and not strict:
        # One by one, then the rest at once: such a column is hardly one of times.
        odd += 1
        after = len(texts) if odd > _MOST_ODD else found.bad_row + 1
        blanked = pa.nulls(after - found.bad_row, pa.string())
        parts = [*texts[: found.bad_row].chunks, blanked, *texts[after:].chunks]
        texts = pa.chunked_array(parts, pa.string())
        found = read(texts, counting)
    return replace(found, odd=odd)


def _clock_times(texts: pa.ChunkedArray, counting: Counting) -> Seconds:
    parts = pc.extract_regex(texts, _CLOCK)
    wrong = holes_of(parts) & ~holes_of(texts)
    expected = "a clock time, m:ss or h:mm:ss"
    if wrong.any():
        return Seconds(np.empty(0), counting, int(np.argmax(wrong)), expected)
    hours, minutes, seconds = (_part(parts, name) for name in ("h", "m", "s"))
    has_hours = np.nan_to_num(hours) != 0
    wrong = (seconds >= 60) | ((minutes >= 60) & has_hours)
    if wrong.any():
        return Seconds(np.empty(0), counting, int(np.argmax(wrong)), expected)
    values = np.nan_to_num(hours) * 3600 + minutes * 60 + seconds
    return over_midnight(values, counting)


def _part(parts: pa.ChunkedArray, name: str) -> FloatArray:
    texts = pc.struct_field(parts, name)
    return floats(pc.cast(pc.if_else(pc.equal(texts, ""), None, texts), pa.float64()))


def over_midnight(values: FloatArray, counting: Counting) -> Seconds:
    """Seconds that go on rising where a clock of 24 hours starts again.

    A step back of more than half a day between two rows is midnight: no fault of a clock that
    rises is as large. A smaller step back is left for the time base to count.

    >>> over_midnight(np.array([86399.99, 0.0, 0.01]), Counting("clock")).values.tolist()
    [86399.99, 86400.0, 86400.01]
    """
    known = np.flatnonzero(~np.isnan(values))
    if not len(known):
        return Seconds(values, counting)
    times = values[known]
    steps = np.diff(times, prepend=times[0] if np.isnan(counting.latest) else counting.latest)
    beyond = np.maximum.accumulate(times >= _DAY_S) | counting.beyond_a_day
    nights = (steps < -_DAY_S / 2) & ~beyond
    days = np.zeros(len(values))
    days[known] = nights
    after = replace(
        counting,
        latest=float(times[-1]),
        nights=counting.nights + int(nights.sum()),
        beyond_a_day=bool(beyond[-1]),
    )
    if not after.nights:
        return Seconds(values, after)
    return Seconds(values + _DAY_S * (counting.nights + np.cumsum(days)), after)


def _date_times(texts: pa.ChunkedArray, counting: Counting) -> Seconds:
    if pc.any(pc.match_substring_regex(texts, _BASIC)).as_py():
        texts = pc.replace_substring_regex(texts, _BASIC, _EXTENDED)
    parts = pc.extract_regex(texts, _DATE_TIME)
    blank = holes_of(texts)
    wrong = holes_of(parts) & ~blank
    expected = "date and time as 2026-04-18T10:15:00.000, with or without zone"
    if wrong.any():
        return Seconds(np.empty(0), counting, int(np.argmax(wrong)), expected)
    if blank.all():
        return Seconds(np.full(len(texts), np.nan), counting)
    zones = pc.struct_field(parts, "zone").combine_chunks().dictionary_encode()
    zone_texts = [text or "" for text in zones.dictionary.to_pylist()]
    which = np.where(blank, 0, numbers_of(pa.chunked_array([pc.cast(
        pc.fill_null(zones.indices, 0), pa.int64())]), np.int64)[0])  # fmt: skip
    first = int(np.argmin(blank))
    aware = np.array([text != "" for text in zone_texts])[which] | blank
    zoned = bool(aware[first]) if counting.midnight_ns is None else counting.zone != ""
    odd = np.flatnonzero(~blank & (aware != zoned))
    if len(odd):
        one = "with its zone" if zoned else "without zone"
        said = f"date and time {one}, as in the first row"
        return Seconds(np.empty(0), counting, int(odd[0]), said)
    plain = pc.binary_join_element_wise(
        pc.struct_field(parts, "date"), pc.struct_field(parts, "time"), " "
    )
    try:
        stamps = pc.cast(plain, pa.timestamp("ns"))
    except pa.ArrowInvalid:
        return Seconds(np.empty(0), counting, _first_no_date(plain), expected)
    local = numbers_of(pc.cast(stamps, pa.int64()), np.int64)[0].astype(np.int64)
    offsets = np.array([_offset_s(text) for text in zone_texts], dtype=np.int64)[which] * _NS
    return counted_from_midnight(local - offsets, blank, counting, zone_texts[which[first]])


def _dates(texts: pa.ChunkedArray, counting: Counting) -> Seconds:
    year_first = pc.replace_substring_regex(
        texts, r"^(\d{1,2})\.(\d{1,2})\.(\d{4})$", r"\3-0\2-0\1"
    )
    plain = pc.replace_substring_regex(
        pc.replace_substring(year_first, "/", "-"), r"-0?(\d\d)", r"-\1"
    )
    blank = holes_of(texts)
    if blank.all():
        return Seconds(np.full(len(texts), np.nan), counting)
    try:
        days = pc.cast(plain, pa.timestamp("ns"))
    except pa.ArrowInvalid:
        return Seconds(np.empty(0), counting, _first_no_date(plain), "date, as 2026-04-18")
    ns = numbers_of(pc.cast(days, pa.int64()), np.int64)[0].astype(np.int64)
    return counted_from_midnight(ns, blank, counting)


def counted_from_midnight(
    utc_ns: NDArray[np.int64], blank: NDArray[np.bool_], counting: Counting, zone: str = ""
) -> Seconds:
    """Seconds since the first stamp's own midnight, so that dates cost no digits. [s]"""
    if counting.midnight_ns is None:
        first = int(utc_ns[np.argmin(blank)]) + _offset_s(zone) * _NS
        midnight = first // (_DAY_S * _NS) * (_DAY_S * _NS)
        counting = replace(counting, midnight_ns=midnight, zone=zone)
    start = (counting.midnight_ns or 0) - _offset_s(counting.zone) * _NS
    return Seconds(np.where(blank, np.nan, (utc_ns - start) / _NS), counting)


def _offset_s(zone: str) -> int:
    if zone in ("", "Z", "z"):
        return 0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    return (-1 if zone[0] == "-" else 1) * (int(digits[:2]) * 3600 + int(digits[2:]) * 60)


def _first_no_date(texts: pa.ChunkedArray) -> int:
    """Row of the first text that is no date of the calendar, found one by one."""
    for i, text in enumerate(texts.to_pylist()):
        try:
            pa.scalar(text).cast(pa.timestamp("ns"))
        except pa.ArrowInvalid:
            return i
    return 0
