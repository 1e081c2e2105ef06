"""A channel that its logger stamps too late, put back to when it was measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loaders.channels import Between

FloatArray = NDArray[np.float64]

# A step this much longer than the channel's own is a hole: no value is drawn across it.
_HOLE_STEPS = 1.5


def advanced(
    values: FloatArray, stamps_s: FloatArray, delay_s: float, between: Between
) -> FloatArray:
    """The column as if every sample had been stamped ``delay_s`` earlier, on the same rows.

    Parameters
    ----------
    values : array, shape (n,)
        Samples as logged; NaN where the channel has none.
    stamps_s : array, shape (n,)
        Rising time of each row. [s]
    delay_s : float
        How far the column lags behind; negative when it leads. [s]
    between : Between
        How the channel runs between its samples.

    Notes
    -----
    Each sample goes to the row nearest to its true time and takes the channel's value there: by
    the straight line between its neighbours, or unchanged for a channel that holds. Beside a hole
    it goes there unchanged; it is then off by less than half a row. What leaves the log at its
    ends is lost, and the rows it leaves are holes.

    >>> rows = np.arange(5) * 0.01
    >>> advanced(np.array([1.0, 2.0, 4.0, 8.0, 16.0]), rows, 0.02, Between.LINEAR)
    array([ 4.,  8., 16., nan, nan])
    """
    moved = np.full(len(values), np.nan)
    own = np.isfinite(values)
    if own.sum() < 2:
        return moved
    samples, true_s = values[own], stamps_s[own] - delay_s
    row = _nearest_row(stamps_s, true_s)
    inside = _inside(stamps_s, true_s)
    taken = samples
    if between is Between.LINEAR:
        at = stamps_s[row]
        taken = np.where(_beside_hole(true_s, at), samples, np.interp(at, true_s, samples))
    moved[row[inside]] = taken[inside]
    return moved


def _nearest_row(stamps_s: FloatArray, true_s: FloatArray) -> NDArray[np.intp]:
    after = np.clip(np.searchsorted(stamps_s, true_s), 1, len(stamps_s) - 1)
    # Half-way goes to the row before, whatever the rounding: else two samples may meet in one row.
    step = stamps_s[after] - stamps_s[after - 1]
    nearer_before = true_s - stamps_s[after - 1] <= (0.5 + 1e-6) * step
    return after - nearer_before


def _inside(stamps_s: FloatArray, true_s: FloatArray) -> NDArray[np.bool_]:
    half_row = 0.5 * float(np.median(np.diff(stamps_s)))
    low, high = stamps_s[0] - half_row, stamps_s[-1] + half_row
    inside: NDArray[np.bool_] = (true_s >= low) & (true_s <= high)
    return inside


def _beside_hole(true_s: FloatArray, at_s: FloatArray) -> NDArray[np.bool_]:
    """Whether the row that a sample goes to lies in a hole of the channel, or beyond its ends."""
    steps = np.diff(true_s)
    longest = _HOLE_STEPS * float(np.median(steps))
    before = np.searchsorted(true_s, at_s, side="right") - 1
    inside = (before >= 0) & (before < len(steps))
    step = steps[np.clip(before, 0, len(steps) - 1)]
    exact = np.isin(at_s, true_s)
    return ~exact & (~inside | (step > longest))
