"""The session's time base: which rows have a time of their own, and the even grid they stand on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

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
# Digits that a rate is known to: over a day at 100 Hz the last one is half a hundredth of a step.
_RATE_DIGITS = 9
# Stamps that are looked at together: as many as stay near the processor.
_AT_ONCE = 1 << 16


@dataclass(frozen=True, slots=True)
class LostRows:
    """Rows that cannot be placed in time."""

    count: int
    first_s: float
    what: str


@dataclass(slots=True)
class _Lost:
    what: str
    complaint: str
    cure: str
    count: int = 0
    row: int = 0
    before_s: float = np.nan
    stamp_s: float = np.nan
    latest_s: float = np.nan
    """The latest time known at the first of the rows, or else the first time after it."""


class ForwardRows:
    """The rows whose time stamp is later than all before, chunk by chunk; the others are counted.

    >>> rows = ForwardRows()
    >>> rows.kept(np.array([0.0, 0.1, 0.1, 0.2, np.nan, 0.3])).nonzero()[0].tolist()
    [0, 1, 3, 5]
    >>> [each.what for each in rows.lost()]
    ['rows without a time stamp', 'rows whose time stamp repeats the one before']
    """

    def __init__(self) -> None:
        self.total = 0
        self._latest_s = np.nan
        self._blank = _Lost("without a time stamp", "", "")
        self._repeated = _Lost(
            "whose time stamp repeats the one before",
            "repeat the time before them",
            "Export the time with more digits.",
        )
        self._backward = _Lost(
            "whose time stamp runs backward",
            "lie before an earlier row",
            "Two recordings in one file? Export each alone.",
        )

    def kept(self, stamps: FloatArray) -> BoolArray | None:
        """Which of the next rows have a time of their own; None when all do.

        Parameters
        ----------
        stamps : array, shape (n,)
            Time of each row, NaN where there is none. [s]
        """
        start = self.total
        self.total += len(stamps)
        if not len(stamps):
            return None
        rises = bool((stamps[1:] > stamps[:-1]).all()) and not np.isnan(stamps[0])
        if rises and not stamps[0] <= self._latest_s:
            self._latest_s = float(stamps[-1])
            self._place_pending(stamps)
            return None
        latest = np.fmax(np.fmax.accumulate(stamps), self._latest_s)
        before = np.concatenate(([self._latest_s], latest[:-1]))
        blank, repeated, backward = np.isnan(stamps), stamps == before, stamps < before
        for lost, where in (
            (self._blank, blank), (self._repeated, repeated), (self._backward, backward)
        ):  # fmt: skip
            if not lost.count and where.any():
                at = int(np.argmax(where))
                lost.row, lost.before_s, lost.stamp_s = start + at, before[at], stamps[at]
                lost.latest_s = _first_known(latest[at:])
            lost.count += int(where.sum())
        self._place_pending(latest)
        self._latest_s = float(latest[-1])
        kept: BoolArray = ~(blank | repeated | backward)
        return kept

    def _place_pending(self, latest: FloatArray) -> None:
        if self._blank.count and np.isnan(self._blank.latest_s):
            self._blank.latest_s = _first_known(latest)

    def lost(self) -> list[LostRows]:
        """How many rows have no time of their own so far, and why."""
        return [
            LostRows(each.count, float(np.nan_to_num(each.latest_s)), f"rows {each.what}")
            for each in (self._blank, self._repeated, self._backward)
            if each.count
        ]

    def refuse_too_many(self, place: str) -> None:
        """Raise when so many stamps are lost that this is no small fault of the clock.

        Raises
        ------
        InputError
            Beginning with ``place``, file and column.
        """
        for lost in (self._repeated, self._backward):
            if lost.count > max(_FEW_ROWS, _MOST_LOST * self.total):
                msg = (
                    f"{place}: {lost.count} of {self.total} rows {lost.complaint}, the first at "
                    f"data row {lost.row + 1}, where {lost.before_s:.10g} s is followed by "
                    f"{lost.stamp_s:.10g} s; expected a time that rises. {lost.cure}"
                )
                raise InputError(msg)


def _first_known(times: FloatArray) -> float:
    known = times[np.isfinite(times)]
    return float(known[0]) if len(known) else np.nan


def even_times(start_s: float, rate_hz: float, first: int, stop: int) -> FloatArray:
    """Times of some points of an even grid. [s]"""
    times = np.arange(first, stop, dtype=np.float64)
    times *= 1 / rate_hz
    times += start_s
    return times


@dataclass(frozen=True, slots=True)
class TimeBase:
    """The even grid of a session and how the log's rows meet it."""

    start_s: float
    rate_hz: float
    even: bool
    """Whether every row stands on a point of the grid."""
    row_step_s: float
    """The usual step from row to row."""
    points: int = field(compare=False)
    """Rows that follow add to it, and change nothing else."""

    @property
    def step_s(self) -> float:
        """From point to point."""
        return 1 / self.rate_hz

    def time_s(self, first: int, stop: int) -> FloatArray:
        """Times of some points. [s]"""
        return even_times(self.start_s, self.rate_hz, first, stop)

    def index(self, stamps: FloatArray) -> NDArray[np.intp]:
        """Grid point nearest to each row, of the points there are."""
        index: NDArray[np.intp] = np.rint((stamps - self.start_s) / self.step_s).astype(np.intp)
        return index


def most_points(rows: int) -> int:
    """How many points the time base of so many rows may have."""
    return max(_HOLES_AT_LEAST, _MOST_HOLES * rows) + rows


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
    typical, step = _typical_and_mean(steps)
    if not 1 / _FASTEST_HZ <= typical <= 1 / _SLOWEST_HZ:
        msg = (
            f"{place}: the time rises in steps of {typical:.6g} s; expected {1 / _FASTEST_HZ:g} to "
            f"{1 / _SLOWEST_HZ:g} s. Check its unit under [time] in {map_name}."
        )
        raise InputError(msg)
    if span / step > most_points(len(stamps)):
        at = int(np.argmax(np.diff(stamps)))
        msg = (
            f"{place}: {len(stamps)} rows in steps of {step:.4g} s span {span:.6g} s, most of it "
            f"between {stamps[at]:.10g} s and {stamps[at + 1]:.10g} s; expected holes of no more "
            f"than {_MOST_HOLES} times the log. Cut the log there, or correct the time stamps."
        )
        raise InputError(msg)
    rate_hz = float(f"{1 / step:.{_RATE_DIGITS}g}")
    base = TimeBase(float(stamps[0]), rate_hz, True, rounded_step(typical), 0)
    points = int(base.index(stamps[-1:])[0]) + 1
    return replace(base, even=all(_on_grid(stamps, base)), points=points)


def rounded_step(step_s: float) -> float:
    """A step to as many digits as stamps tell it, so that a part of a log tells the same. [s]"""
    return float(f"{step_s:.6g}")


def usual_step(stamps: FloatArray) -> float:
    """The usual step between rising stamps, 0 when there are none. [s]"""
    return rounded_step(_median_in_place(np.diff(stamps))) if len(stamps) > 1 else 0.0


def _typical_and_mean(steps: FloatArray) -> tuple[float, float]:
    """The median step, to the digits that `rounded_step` leaves, and the mean of ordinary ones.

    The mean is finer than one stamp's last digit. The order of the steps may be lost.
    """
    shortest, longest = float(steps.min()), float(steps.max())
    if rounded_step(shortest) == rounded_step(longest):  # as in most logs, and soon known
        return shortest, float(steps.mean())
    typical = _median_in_place(steps)
    return typical, float(np.mean(steps, where=steps < 1.5 * typical))


def _median_in_place(values: FloatArray) -> float:
    """Median, as `numpy.median`, of values whose order may be lost: a day's log is long."""
    middle = [(len(values) - 1) // 2, len(values) // 2]
    values.partition(middle)
    return float(np.mean(values[middle]))


def _on_grid(stamps: FloatArray, base: TimeBase) -> Iterator[bool]:
    """Whether the rows stand on points of the grid, each on its own; part by part."""
    last = -1
    for start in range(0, len(stamps), _AT_ONCE):
        part = stamps[start : start + _AT_ONCE]
        index = base.index(part)
        off = np.abs(part - (base.start_s + base.step_s * index))
        rises = index[0] > last and bool((index[1:] > index[:-1]).all())
        last = int(index[-1])
        yield rises and bool(off.max() <= _ON_GRID * base.step_s)
