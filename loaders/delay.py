"""A channel that its logger stamps too late, put back to when it was measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loaders.channels import Between

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A step this much longer than the channel's own is a hole: no value is drawn across it.
_HOLE_STEPS = 1.5


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What some rows of a log do not tell by themselves."""

    row_step_s: float
    """The usual step from row to row in the whole log."""
    own_step_s: float
    """The usual step from one of the channel's own samples to the next."""
    begins: bool = True
    """Whether no row comes before these."""
    ends: bool = True
    """Whether no row comes after these."""


def reach_s(delay_s: float, own_step_s: float) -> float:
    """How far around a row the samples lie that may come to it. [s]"""
    return 2 * abs(delay_s) + _HOLE_STEPS * own_step_s


def advanced(
    values: FloatArray,
    marks: BoolArray,
    stamps_s: FloatArray,
    delay_s: float,
    between: Between,
    around: Surroundings,
) -> tuple[FloatArray, BoolArray]:
    """The column as if every sample had been stamped ``delay_s`` earlier, on the same rows.

    Parameters
    ----------
    values : array, shape (n,)
        Samples as logged; NaN where the channel has none.
    marks : array, shape (n,)
        Samples that are marked; the marks go with them.
    stamps_s : array, shape (n,)
        Rising time of each row. [s]
    delay_s : float
        How far the column lags behind; negative when it leads. [s]
    between : Between
        How the channel runs between its samples.
    around : Surroundings
        What is known of the rest of the log. Rows within ``reach_s`` of an end where the log goes
        on may miss samples.

    Notes
    -----
    Each sample goes to the row nearest to its true time and takes the channel's value there: by
    the straight line between its neighbours, or unchanged for a channel that holds. Beside a hole
    it goes there unchanged; it is then off by less than half a row. What leaves the log at its
    ends is lost, and the rows it leaves are holes.

    >>> rows, values = np.arange(5) * 0.01, np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    >>> around = Surroundings(row_step_s=0.01, own_step_s=0.01)
    >>> advanced(values, values < 0, rows, 0.02, Between.LINEAR, around)[0]
    array([ 4.,  8., 16., nan, nan])
    """
    moved, moved_marks = np.full(len(values), np.nan), np.zeros(len(values), dtype=bool)
    own = np.isfinite(values)
    if not own.any() or len(stamps_s) < 2:
        return moved, moved_marks
    samples, true_s = values[own], stamps_s[own] - delay_s
    row = _nearest_row(stamps_s, true_s)
    inside = _inside(stamps_s, true_s, around)
    taken = samples
    if between is Between.LINEAR:
        at = stamps_s[row]
        beside_hole = _beside_hole(true_s, at, around.own_step_s)
        taken = np.where(beside_hole, samples, np.interp(at, true_s, samples))
    moved[row[inside]] = taken[inside]
    moved_marks[row[inside]] = marks[own][inside]
    return moved, moved_marks


def _nearest_row(stamps_s: FloatArray, true_s: FloatArray) -> NDArray[np.intp]:
    after = np.clip(np.searchsorted(stamps_s, true_s), 1, len(stamps_s) - 1)
    # Half-way goes to the row before, whatever the rounding: else two samples may meet in one row.
    step = stamps_s[after] - stamps_s[after - 1]
    nearer_before = true_s - stamps_s[after - 1] <= (0.5 + 1e-6) * step
    return after - nearer_before


def _inside(stamps_s: FloatArray, true_s: FloatArray, around: Surroundings) -> BoolArray:
    half_row = 0.5 * around.row_step_s
    low = stamps_s[0] - half_row * around.begins
    high = stamps_s[-1] + half_row * around.ends
    inside: BoolArray = (true_s >= low) & (true_s <= high)
    return inside


def _beside_hole(true_s: FloatArray, at_s: FloatArray, own_step_s: float) -> BoolArray:
    """Whether the row that a sample goes to lies in a hole of the channel, or beyond its ends."""
    if len(true_s) < 2:
        return np.ones(len(at_s), dtype=bool)
    steps = np.diff(true_s)
    before = np.searchsorted(true_s, at_s, side="right") - 1
    inside = (before >= 0) & (before < len(steps))
    step = steps[np.clip(before, 0, len(steps) - 1)]
    exact = np.isin(at_s, true_s)
    return ~exact & (~inside | (step > _HOLE_STEPS * own_step_s))
