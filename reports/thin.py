"""Which samples of a long trace must be drawn so that the drawing shows every extreme."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.result import FloatArray, IntArray

HALF_CODES = 32_767
"""Two-byte codes on either side of the middle; one more, the lowest, stands for a gap."""
GAP_CODE = -32_768


def extremes(values: FloatArray, limit: int) -> IntArray:
    """Indices that keep the lowest and highest value of every stretch, and every gap.

    Parameters
    ----------
    values : array, shape (n,)
        NaN where the trace has a gap.
    limit : int
        Most indices to return, at least 8.

    Returns
    -------
    array, shape (m,)
        Increasing indices, m <= limit, first and last sample among them.

    >>> extremes(np.array([0.0, 9.0, 1.0, 2.0, -5.0, 0.0]), 8).tolist()
    [0, 1, 2, 3, 4, 5]
    """
    size = values.size
    if size <= limit:
        return np.arange(size, dtype=np.int64)
    gaps = np.isnan(values)
    has_gaps = bool(gaps.any())
    bins = (limit - 2) // (3 if has_gaps else 2)
    width = -(-size // bins)
    rows = -(-size // width)
    padded = np.full(rows * width, np.nan)
    padded[:size] = values
    grid = padded.reshape(rows, width)
    hollow = np.isnan(grid)
    start = np.arange(rows) * width
    parts = [
        start + np.where(hollow, np.inf, grid).argmin(axis=1),
        start + np.where(hollow, -np.inf, grid).argmax(axis=1),
        np.array([0, size - 1]),
    ]
    if has_gaps:
        parts.append(start[hollow.any(axis=1)] + hollow[hollow.any(axis=1)].argmax(axis=1))
    kept = np.unique(np.concatenate(parts))
    return kept[kept < size].astype(np.int64)


def evenly(size: int, limit: int) -> IntArray:
    """Indices of at most ``limit`` samples spread evenly over ``size``, ends included."""
    if size <= limit:
        return np.arange(size, dtype=np.int64)
    return np.unique(np.linspace(0, size - 1, limit).round().astype(np.int64))


def two_byte_codes(values: FloatArray) -> tuple[NDArray[np.int16], float, float]:
    """The values as two-byte codes with offset and step: ``value = offset + step * code``.

    Notes
    -----
    The step is 1/65 534 of the range, so the rounding is far below a pixel even in a trace
    zoomed to one corner. The code -32 768 marks a gap.

    >>> codes, offset, step = two_byte_codes(np.array([0.0, 65534.0, np.nan]))
    >>> codes.tolist(), offset, step
    ([-32767, 32767, -32768], 32767.0, 1.0)
    """
    finite = np.isfinite(values)
    known = values[finite]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    step = (high - low) / (2 * HALF_CODES) or 1.0
    offset = 0.5 * (low + high)
    codes = np.full(values.shape, GAP_CODE, dtype=np.int16)
    codes[finite] = np.rint((known - offset) / step).astype(np.int16)
    return codes, offset, step
