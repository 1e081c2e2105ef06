"""The session's time base: which rows have a time of their own, and the even grid they stand on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loaders.errors import InputError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Time stamps closer than this share of a step to an even grid are that grid's stamps, written
# with too few digits.
_ON_GRID = 0.3
# More rows than this share without a time of their own are no small fault of the clock.
_MOST_LOST = 0.05
_FEW_ROWS = 10
# Holes in time may take this much: three times the log, or hours of a logger left on.
_MOST_HOLES = 3
_HOLES_AT_LEAST = 2_000_000
_SLOWEST_HZ, _FASTEST_HZ = 0.1, 1e5


@dataclass(frozen=True, slots=True)
class LostRows:
    """Rows that cannot be placed in time."""

    count: int
    first_s: float
    what: str


def forward_rows(stamps: FloatArray, place: str) -> tuple[NDArray[np.intp], list[LostRows]]:
    """Indices of the rows whose time stamp is later than all before, and what the others are.

    Parameters
    ----------
    stamps : array, shape (n,)
        Time of each row, NaN where there is none. [s]
    place : str
        File and column, for messages.

    Raises
    ------
    InputError
        If so many stamps are repeated or run backward that this is no small fault of the clock.

    >>> rows, lost = forward_rows(np.array([0.0, 0.1, 0.1, 0.2, np.nan, 0.3]), "run3.csv")
    >>> rows.tolist(), [each.what for each in lost]
    ([0, 1, 3, 5], ['rows without a time stamp', 'rows whose time stamp repeats the one before'])
    """
    latest = np.fmax.accumulate(stamps)
    before = np.concatenate(([np.nan], latest[:-1]))
    blank, repeated, backward = np.isnan(stamps), stamps == before, stamps < before
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
        LostRows(int(lost.sum()), _when(latest, lost), f"rows {what}")
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
class TimeBase:
    """The session's time base and how the log's rows meet it."""

    time_s: FloatArray
    rate_hz: float
    even: bool
    """Whether every row stands on a point of the grid."""
    stamps_s: FloatArray
    index: NDArray[np.intp]
    """Grid point nearest to each row."""


def time_base(stamps: FloatArray, place: str, map_name: str) -> TimeBase:
    """The even time base that rising stamps stand on.

    Parameters
    ----------
    stamps : array, shape (n,)
        Rising time stamps. [s]
    place, map_name : str
        File and column, and the channel map, for messages.

    Raises
    ------
    InputError
        If there are fewer than two stamps, their steps are no sampling rate of a log, or holes
        would take far more room than the log itself.
    """
    if len(stamps) < 2:
        msg = (
            f"{place}: found {len(stamps)} usable time stamps; expected at least two. "
            f"Check [time] in {map_name}."
        )
        raise InputError(msg)
    with np.errstate(over="ignore"):
        steps, span = np.diff(stamps), float(stamps[-1] - stamps[0])
    typical = float(np.median(steps))
    if not 1 / _FASTEST_HZ <= typical <= 1 / _SLOWEST_HZ:
        msg = (
            f"{place}: the time rises in steps of {typical:.6g} s; expected {1 / _FASTEST_HZ:g} to "
            f"{1 / _SLOWEST_HZ:g} s. Check its unit under [time] in {map_name}."
        )
        raise InputError(msg)
    # The mean over ordinary steps is finer than one stamp's last digit.
    step = float(np.mean(steps[steps < 1.5 * typical]))
    longest = max(_HOLES_AT_LEAST, _MOST_HOLES * len(stamps)) + len(stamps)
    if span / step > longest:
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
    return TimeBase(time_s, round(1 / step, 6), even, stamps, np.minimum(index, count - 1))
