"""Contiguous runs of samples: found with hysteresis, closed over short gaps, freed of blips."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.stretches import around, by_stretch

BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]


def runs(mask: BoolArray) -> IndexArray:
    """First sample and one past the last of every run of True, shape (runs, 2).

    >>> runs(np.array([True, True, False, True])).tolist()
    [[0, 2], [3, 4]]
    """
    turns = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    first = [0] if len(mask) and mask[0] else []
    last = [len(mask)] if len(mask) and mask[-1] else []
    return np.concatenate((first, turns, last)).astype(np.intp).reshape(-1, 2)


def mask_of(spans: IndexArray, n: int) -> BoolArray:
    """The mask of shape (n,) that is True in the given runs."""
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    ends = np.maximum.accumulate(spans[:, 1])
    # Runs that overlap or touch become one, so that False and True take turns.
    apart = spans[1:, 0] > ends[:-1]
    one = np.ones(min(len(spans), 1), dtype=bool)
    edges = np.zeros(2 * (np.count_nonzero(apart) + len(one)) + 2, dtype=np.intp)
    edges[1:-1:2] = spans[np.concatenate((one, apart)), 0]
    edges[2:-1:2] = ends[np.concatenate((apart, one))]
    edges[-1] = n
    return np.repeat(np.arange(len(edges) - 1) % 2 == 1, np.diff(edges))


def with_hysteresis(enter: BoolArray, stay: BoolArray) -> BoolArray:
    """Runs of ``stay`` that hold at least one sample of ``enter``.

    >>> enter = np.array([False, True, False, False, False])
    >>> stay = np.array([True, True, True, False, True])
    >>> with_hysteresis(enter, stay).tolist()
    [True, True, True, False, False]
    """
    return mask_of(_entered(enter, stay), len(enter))


def _entered(enter: BoolArray, stay: BoolArray) -> IndexArray:
    spans = runs(stay | enter)
    entered = np.flatnonzero(enter)
    held = np.searchsorted(entered, spans[:, 1]) > np.searchsorted(entered, spans[:, 0])
    return spans[held]


def lasting(enter: BoolArray, stay: BoolArray, gap: int, shortest: int) -> IndexArray:
    """Runs of `with_hysteresis`, gaps of fewer samples than ``gap`` closed, short ones dropped.

    >>> stay = np.array([True, True, False, True, True, False, False, True])
    >>> lasting(stay, stay, 2, 2).tolist()
    [[0, 5]]
    """
    spans = _entered(enter, stay)
    parted = np.flatnonzero(spans[1:, 0] - spans[:-1, 1] >= gap)
    firsts = np.concatenate((spans[:1, 0], spans[parted + 1, 0]))
    lasts = np.concatenate((spans[parted, 1], spans[-1:, 1]))
    long = lasts - firsts >= shortest
    return np.column_stack((firsts[long], lasts[long]))


def close_gaps(mask: BoolArray, shortest: int) -> BoolArray:
    """The mask with holes of fewer than ``shortest`` samples between two runs filled."""
    spans = runs(mask)
    gaps = np.column_stack((spans[:-1, 1], spans[1:, 0]))
    short = gaps[:, 1] - gaps[:, 0] < shortest
    return mask | mask_of(gaps[short], len(mask))


def drop_short(mask: BoolArray, shortest: int) -> BoolArray:
    """The mask without runs of fewer than ``shortest`` samples."""
    spans = runs(mask)
    return mask_of(spans[spans[:, 1] - spans[:, 0] >= shortest], len(mask))


def erode(mask: BoolArray, samples: int) -> BoolArray:
    """The mask with so many samples taken off both ends of every run."""
    spans = runs(mask)
    inner = np.column_stack((spans[:, 0] + samples, spans[:, 1] - samples))
    return mask_of(inner[inner[:, 1] > inner[:, 0]], len(mask))


def widen(mask: BoolArray, samples: int) -> BoolArray:
    """The mask with so many samples added at both ends of every run."""
    spans = runs(mask)
    outer = np.column_stack(
        (np.maximum(spans[:, 0] - samples, 0), np.minimum(spans[:, 1] + samples, len(mask)))
    )
    return mask_of(outer, len(mask))


def moving_mean(values: NDArray[np.float64], samples: int) -> NDArray[np.float64]:
    """Centred mean over an odd number of samples; NaN where any of them is missing.

    The ends take the mean of what is there.

    >>> moving_mean(np.array([0.0, 3.0, 6.0, 9.0]), 3).tolist()
    [1.5, 3.0, 6.0, 7.5]
    """
    return by_stretch(lambda here: mean_over(values, samples, here), len(values))


def mean_over(values: NDArray[np.float64], samples: int, here: slice) -> NDArray[np.float64]:
    """`moving_mean` over one stretch of the signal.

    >>> mean_over(np.array([0.0, 3.0, 6.0, 9.0]), 3, slice(2, 4)).tolist()
    [6.0, 7.5]
    """
    wide, within = around(here, samples // 2, len(values))
    return _mean_around(values[wide], samples // 2)[within]


def mean_at(values: NDArray[np.float64], samples: int, at: NDArray[np.intp]) -> NDArray[np.float64]:
    """`moving_mean` at some samples only, shape of ``at``.

    >>> mean_at(np.array([0.0, 3.0, 6.0, 9.0]), 3, np.array([0, 2])).tolist()
    [1.5, 6.0]
    """
    half, n = samples // 2, len(values)
    mean = np.zeros(len(at))
    for step in range(-half, half + 1):
        mean += values[np.clip(at + step, 0, n - 1)]
    mean /= samples
    for i in np.flatnonzero((at < half) | (at >= n - half)):
        mean[i] = np.mean(values[max(0, at[i] - half) : at[i] + half + 1])
    return mean


def _mean_around(values: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    n = len(values)
    held = np.isnan(values)
    has_holes = bool(held.any())
    sums = np.zeros(n + 1)
    np.cumsum(np.where(held, 0.0, values) if has_holes else values, out=sums[1:])
    edge = np.r_[0 : min(half, n), max(n - half, min(half, n)) : n]
    low, high = np.maximum(edge - half, 0), np.minimum(edge + half + 1, n)
    at_edge = (sums[high] - sums[low]) / (high - low)
    mean = np.empty(n)
    if n > 2 * half:
        np.subtract(sums[2 * half + 1 :], sums[: n - 2 * half], out=mean[half : n - half])
        mean[half : n - half] /= 2 * half + 1
    mean[edge] = at_edge
    if has_holes:
        mean[widen(held, half)] = np.nan
    return mean


def bridge(values: NDArray[np.float64], longest: int) -> NDArray[np.float64]:
    """The values with holes of at most ``longest`` samples closed by straight lines.

    >>> bridge(np.array([1.0, np.nan, 3.0, np.nan, np.nan]), 1).tolist()
    [1.0, 2.0, 3.0, nan, nan]
    """
    known = np.isfinite(values)
    if known.all() or not known.any():
        return values
    holes = runs(~known)
    inner = (holes[:, 0] > 0) & (holes[:, 1] < len(values))
    short = mask_of(holes[inner & (holes[:, 1] - holes[:, 0] <= longest)], len(values))
    index = np.arange(len(values))
    bridged = values.copy()
    bridged[short] = np.interp(index[short], index[known], values[known])
    return bridged


def earlier(values: NDArray[np.float64], rows: float) -> NDArray[np.float64]:
    """Values as so many rows earlier, between rows by a straight line, shape (n,).

    What leaves at one end is lost; the rows that nothing comes to are NaN, and so is what would
    have to be drawn into a hole.

    >>> earlier(np.array([1.0, 2.0, 4.0, 8.0]), 1.5).tolist()
    [3.0, 6.0, nan, nan]
    """
    n = len(values)
    whole = int(np.floor(rows))
    share = rows - whole
    before, after = np.full(n, np.nan), np.full(n, np.nan)
    for target, shift in ((before, whole), (after, whole + 1)):
        first, stop = max(0, -shift), min(n, n - shift)
        if first < stop:
            target[first:stop] = values[first + shift : stop + shift]
    moved = before if share == 0 else (1 - share) * before + share * after
    return np.asarray(moved, dtype=np.float64)
