"""From times written as text, or typed as times by the file, to seconds.

Whole columns at once: a loop over the rows would cost more than reading them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from loaders.rawtable import FloatArray, floats, holes_of, numbers_of

_NS = 1_000_000_000
_DAY_S = 86_400
_CLOCK = r"^(?:(?P<h>\d{1,4}):)?(?P<m>\d{1,4}):(?P<s>\d\d(?:\.\d+)?)$"
_DATE_TIME = (
    r"^(?P<date>\d{4}-\d\d-\d\d)[T ](?P<time>\d\d:\d\d:\d\d(?:\.\d{1,9})?)"
    r"(?P<zone>Z|[+-]\d\d(?::?\d\d)?)?$"
)


@dataclass(frozen=True, slots=True)
class Seconds:
    """A column of times as seconds, and how they are counted."""

    values: FloatArray
    """NaN where the cell is blank. [s]"""
    said: str | None = None
    """What the reader should know of it: where seconds count from, nights run over."""
    bad_row: int | None = None
    """The first row that is no time, or of another kind than those before."""
    expected: str = ""


def seconds_of(texts: pa.ChunkedArray, kind: str) -> Seconds:
    """Seconds from a column of texts.

    Parameters
    ----------
    texts : ChunkedArray of string
        Null where the cell is blank.
    kind : str
        "clock", m:ss or h:mm:ss with decimals; or "iso", date and time of ISO 8601 with or
        without zone.

    >>> seconds_of(pa.chunked_array([["0:59.5", "1:00,25", None]]), "clock").values.tolist()
    [59.5, 60.25, nan]
    """
    texts = pc.replace_substring(pc.utf8_trim_whitespace(texts), ",", ".")
    return _date_times(texts) if kind == "iso" else _clock_times(texts)


def _clock_times(texts: pa.ChunkedArray) -> Seconds:
    parts = pc.extract_regex(texts, _CLOCK)
    wrong = holes_of(parts) & ~holes_of(texts)
    expected = "a clock time, m:ss or h:mm:ss"
    if wrong.any():
        return Seconds(np.empty(0), None, int(np.argmax(wrong)), expected)
    hours, minutes, seconds = (_part(parts, name) for name in ("h", "m", "s"))
    has_hours = np.nan_to_num(hours) != 0
    wrong = (seconds >= 60) | ((minutes >= 60) & has_hours)
    if wrong.any():
        return Seconds(np.empty(0), None, int(np.argmax(wrong)), expected)
    values = np.nan_to_num(hours) * 3600 + minutes * 60 + seconds
    return over_midnight(values)


def _part(parts: pa.ChunkedArray, name: str) -> FloatArray:
    texts = pc.struct_field(parts, name)
    return floats(pc.cast(pc.if_else(pc.equal(texts, ""), None, texts), pa.float64()))


def over_midnight(values: FloatArray) -> Seconds:
    """Seconds that go on rising where a clock of 24 hours starts again.

    A step back of more than half a day between two rows is midnight: no fault of a clock that
    rises is as large. A smaller step back is left for the time base to count.

    >>> over_midnight(np.array([86399.99, 0.0, 0.01])).values.tolist()
    [86399.99, 86400.0, 86400.01]
    """
    known = np.flatnonzero(~np.isnan(values))
    nights = np.flatnonzero(np.diff(values[known]) < -_DAY_S / 2)
    if not len(nights) or np.nanmax(values) >= _DAY_S:
        return Seconds(values)
    days = np.zeros(len(values))
    days[known[nights + 1]] = 1
    said = f"the clock runs over midnight {len(nights)} times" if len(nights) > 1 else (
        "the clock runs over midnight once"
    )  # fmt: skip
    return Seconds(values + _DAY_S * np.cumsum(days), said)


def _date_times(texts: pa.ChunkedArray) -> Seconds:
    parts = pc.extract_regex(texts, _DATE_TIME)
    blank = holes_of(texts)
    wrong = holes_of(parts) & ~blank
    expected = "date and time as 2026-04-18T10:15:00.000, with or without zone"
    if wrong.any():
        return Seconds(np.empty(0), None, int(np.argmax(wrong)), expected)
    if blank.all():
        return Seconds(np.full(len(texts), np.nan))
    zones = pc.struct_field(parts, "zone").combine_chunks().dictionary_encode()
    zone_texts = [text or "" for text in zones.dictionary.to_pylist()]
    which = np.where(blank, 0, numbers_of(pa.chunked_array([pc.cast(
        pc.fill_null(zones.indices, 0), pa.int64())]), np.int64)[0])  # fmt: skip
    first = int(np.argmin(blank))
    aware = np.array([text != "" for text in zone_texts])[which] | blank
    if aware[first] != aware[~blank].all() or (not aware[first] and aware[~blank].any()):
        odd = np.flatnonzero(~blank & (aware != aware[first]))
        one = "with its zone" if aware[first] else "without zone"
        return Seconds(np.empty(0), None, int(odd[0]), f"date and time {one}, as in the first row")
    plain = pc.binary_join_element_wise(
        pc.struct_field(parts, "date"), pc.struct_field(parts, "time"), " "
    )
    try:
        stamps = pc.cast(plain, pa.timestamp("ns"))
    except pa.ArrowInvalid:
        return Seconds(np.empty(0), None, _first_no_date(plain), expected)
    local = numbers_of(pc.cast(stamps, pa.int64()), np.int64)[0].astype(np.int64)
    offsets = np.array([_offset_s(text) for text in zone_texts], dtype=np.int64)[which] * _NS
    return counted_from_midnight(
        local - offsets, blank, int(offsets[first]), zone_texts[which[first]]
    )


def counted_from_midnight(
    utc_ns: NDArray[np.int64], blank: NDArray[np.bool_], offset_ns: int = 0, zone: str = ""
) -> Seconds:
    """Seconds since the first stamp's own midnight, so that dates cost no digits. [s]"""
    first = utc_ns[np.argmin(blank)] + offset_ns
    midnight = first // (_DAY_S * _NS) * (_DAY_S * _NS)
    values = (utc_ns - (midnight - offset_ns)) / _NS
    date = np.datetime_as_string(np.datetime64(int(midnight), "ns"), unit="s")
    return Seconds(np.where(blank, np.nan, values), f"seconds count from {date}{zone}")


def _offset_s(zone: str) -> int:
    if zone in ("", "Z"):
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
