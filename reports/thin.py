"""How few strokes draw a long trace so that no logged sample lies visibly off the line."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.result import FloatArray, IntArray

LEVELS = 7
BLOCK = 1 << LEVELS
"""Samples that the longest stroke spans; a stroke spans this or a half, a quarter … of it."""
VALUE_BITS = 13
GAP_CODE = (1 << VALUE_BITS) - 1
"""Code of a sample that is absent; the values take the codes below it."""
FINEST = 0.0025
"""Share of a figure's height that is less than a pixel. Chosen here: figures are 400 px high."""


def evenly(size: int, limit: int) -> IntArray:
    """Indices of at most ``limit`` samples spread evenly over ``size``, ends included."""
    if size <= limit:
        return np.arange(size, dtype=np.int64)
    return np.unique(np.linspace(0, size - 1, limit).round().astype(np.int64))


@dataclass(frozen=True, slots=True)
class Blocks:
    """Where the samples of all laps stand, cut into blocks of one length."""

    index: IntArray
    """Samples of each block and the first one after it, shape (blocks, BLOCK + 1)."""
    first: IntArray
    """First block of each lap, and one past the last lap's, shape (laps + 1,)."""


def blocks(laps: Sequence[IntArray]) -> Blocks:
    """Cut each lap, given as the indices of its samples, into blocks; the last is filled up.

    >>> blocks([np.arange(200), np.arange(200, 260)]).first.tolist()
    [0, 2, 3]
    """
    counts = [max(1, -(-(lap.size - 1) // BLOCK)) for lap in laps]
    steps = np.arange(BLOCK + 1)
    index = [
        lap[np.minimum(np.arange(n)[:, None] * BLOCK + steps, lap.size - 1)]
        for lap, n in zip(laps, counts, strict=True)
    ]
    return Blocks(np.concatenate(index), np.concatenate(([0], np.cumsum(counts))))


def bends(values: FloatArray) -> list[NDArray[np.float32]]:
    """How far samples can lie off straight strokes, from strokes of two samples to whole blocks.

    Parameters
    ----------
    values : array, shape (blocks, BLOCK + 1)
        NaN where the trace has a gap.

    Returns
    -------
    list of array, shapes (blocks, BLOCK / 2), (blocks, BLOCK / 4) … (blocks, 1)
        An upper bound, in the unit of the values; infinite where a gap begins or ends.

    Notes
    -----
    Derived here: a stroke over two halves leaves the two shorter strokes by at most what their
    common point lies off it, since the difference is linear on each half and zero at the ends.
    The bound of a stroke is therefore that distance plus the larger bound of its halves.
    """
    gap = np.isnan(values)
    gappy = bool(gap.any())
    level = np.where(gap, 0.0, values).astype(np.float32)
    below: NDArray[np.float32] = np.zeros((values.shape[0], BLOCK), dtype=np.float32)
    bounds = []
    for _ in range(LEVELS):
        low, middle, high = level[:, :-1:2], level[:, 1::2], level[:, 2::2]
        off = np.abs(middle - 0.5 * (low + high))
        if gappy:
            off[(gap[:, :-1:2] != gap[:, 1::2]) | (gap[:, 1::2] != gap[:, 2::2])] = np.inf
            gap = gap[:, ::2]
        below = off + np.maximum(below[:, ::2], below[:, 1::2])
        bounds.append(below)
        level = level[:, ::2]
    return bounds


def keep(bounds: list[NDArray[np.float32]], places: IntArray) -> None:
    """Make strokes begin at these places, counted through all blocks, in what `bends` returned."""
    row, spot = np.divmod(places, BLOCK)
    for level, bound in enumerate(bounds, start=1):
        inside = spot % (1 << level) != 0
        bound[row[inside], spot[inside] >> level] = np.inf


def tolerance(bounds: Sequence[list[NDArray[np.float32]]], limit: int) -> float:
    """The least tolerance with which all traces together take at most so many strokes.

    Each stroke that is off by more is drawn as two, so the number of strokes is the number of
    blocks and of bounds above the tolerance.
    """
    every = np.concatenate([bound.ravel() for trace in bounds for bound in trace])
    splits = max(0, limit - sum(trace[-1].size for trace in bounds))
    if splits >= every.size:
        return FINEST
    largest = np.partition(every, every.size - splits - 1)[-splits - 1]
    return max(FINEST, min(float(largest), float(np.finfo(np.float32).max)))


def strokes(bounds: list[NDArray[np.float32]], allowed: float) -> tuple[IntArray, IntArray]:
    """Where strokes begin, counted through all blocks, and the power of two that each spans."""
    taken = np.zeros((bounds[0].shape[0], BLOCK), dtype=np.int8)
    whole = np.zeros((bounds[0].shape[0], 1), dtype=bool)  # a longer stroke already holds it
    for level in range(LEVELS, -1, -1):
        fits = bounds[level - 1] <= allowed if level else np.ones_like(whole)
        taken[:, :: 1 << level][fits & ~whole] = level + 1
        whole = np.repeat(whole | fits, 2, axis=1)
    places = np.flatnonzero(taken)
    return places, taken.ravel()[places].astype(np.int64) - 1


def packed(values: FloatArray, spans: IntArray) -> list[object]:
    """Offset, step and base64 codes of two bytes: the stroke's span, then the value at its start.

    ``value = offset + step * (code % 8192)``, and the next stroke begins ``2 ** (code // 8192)``
    samples on. The highest code stands for a gap.
    """
    known = np.isfinite(values)
    low, high = (values[known].min(), values[known].max()) if known.any() else (0.0, 0.0)
    step = float(f"{(high - low) / (GAP_CODE - 1):.6g}") or 1.0
    codes = np.full(values.size, GAP_CODE, dtype="<u2")
    codes[known] = np.clip(np.rint((values[known] - low) / step), 0, GAP_CODE - 1)
    codes |= (spans << VALUE_BITS).astype("<u2")
    return [float(f"{low:.8g}"), step, base64.b64encode(codes.tobytes()).decode("ascii")]


def lap_lines(
    traces: Mapping[str, FloatArray],
    reach: Mapping[str, float],
    laps: Sequence[IntArray],
    limit: int,
) -> tuple[list[dict[str, list[object]]], float]:
    """Every trace of every lap as packed strokes, and how far samples may lie off them.

    Parameters
    ----------
    traces : mapping of array, shape (n,)
    reach : mapping of float
        Height of the figure that shows the trace, in the trace's unit.
    laps : sequence of array
        Indices of each lap's samples.
    limit : int
        Most strokes in all; about so many.

    Returns
    -------
    list of dict, float
        For each lap its traces that have a value; the tolerance as a share of the reach.
    """
    where = blocks(laps)
    cut = {name: values[where.index] for name, values in traces.items()}
    bounds = {name: bends(values / reach[name]) for name, values in cut.items()}
    for name, values in cut.items():
        keep(bounds[name], _extremes(values, where.first))
    allowed = tolerance(list(bounds.values()), limit)
    lines: list[dict[str, list[object]]] = [{} for _ in laps]
    for name, values in cut.items():
        places, spans = strokes(bounds[name], allowed)
        begin = values[:, :-1].ravel()[places]
        cuts = np.searchsorted(places, where.first * BLOCK)
        for line, lap, first, stop in zip(lines, laps, cuts[:-1], cuts[1:], strict=True):
            drawn = np.append(begin[first:stop], traces[name][lap[-1]])
            if np.isfinite(drawn).any():
                line[name] = packed(drawn, np.append(spans[first:stop], 0))
    return lines, allowed


def _extremes(values: FloatArray, first: IntArray) -> IntArray:
    """Where each lap is highest and lowest, counted through all blocks."""
    flat = values[:, :-1].ravel()
    places = []
    for start, stop in zip(first[:-1] * BLOCK, first[1:] * BLOCK, strict=True):
        lap = flat[start:stop]
        if np.isfinite(lap).any():
            places += [start + np.nanargmin(lap), start + np.nanargmax(lap)]
    return np.array(places, dtype=np.int64)
