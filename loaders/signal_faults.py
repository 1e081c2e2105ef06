"""What one signal shows of its own faults: frozen, spiking, at its stop, coarse, cut off in time.

Pure functions on arrays. A hole is NaN; nothing is repaired here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Spans = NDArray[np.intp]
"""First sample and one past the last of every stretch, shape (stretches, 2)."""

# A value that stands this long is frozen, if it also stands so many times longer than this signal
# is used to. Chosen by us.
FROZEN_S = 1.0
_FROZEN_SAMPLES = 20
_FROZEN_TO_HABIT = 5.0
_HABIT_SHARE = 0.99
_FEWEST_RUNS = 50
# A wheel locked by the brakes reads exactly zero for as long as the driver lets it.
_FROZEN_AT_ZERO_S = 4.0
# A spike stands out by so many mean steps of the samples around it, and by this share of what the
# signal visits at all. Ten mean steps of normal noise are eleven of its standard deviations.
_SPIKE_STEPS = 10.0
_SPIKE_SHARE = 0.15
_SPIKE_BLOCK = 128
# Steps looked at together; of a long log, all would need much memory.
_AT_ONCE = 1 << 16
# A gear shift dips a torque for 20 ms and more; what comes and goes faster is no part of the car.
_WIDEST_SPIKE_S = 0.012
_SLOWEST_SPIKING_HZ = 40.0
_RETURN = 0.4
# At a stop: so many equal samples in a row.
STOP_RUN = 5
_LONG_STOP_RUN = 30
_NEAR_STOP_SHARE = 0.01
_TO_NEXT_LEVEL = 3
# Enough samples to see the step in which a signal is written.
_STEP_SAMPLES = 8_000
_WHOLE = 0.05
_MOSTLY = 0.95


def spans_of(mask: BoolArray) -> Spans:
    """Stretches of True.

    >>> spans_of(np.array([True, True, False, True])).tolist()
    [[0, 2], [3, 4]]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).view(np.int8)))
    return edges.reshape(-1, 2)


def frozen_spans(
    values: FloatArray, moving: BoolArray, rate_hz: float, shortest_s: float = FROZEN_S
) -> Spans:
    """Stretches in which a signal repeats one value far longer than is its habit.

    Parameters
    ----------
    values : array, shape (n,)
    moving : array of bool, shape (n,)
        Where the car moves, judged by other signals than this one.
    rate_hz : float
    shortest_s : float
        Shortest freeze that is told; a steering wheel may well be held still for a second. [s]

    Notes
    -----
    How long a sound signal stands still depends on its resolution and its sampling rate, so the
    limit is five times the length that 99 of 100 of its own stretches keep, and at least
    ``shortest_s`` and 20 samples.
    A signal that never changes while the car moves has no habit and is frozen throughout.
    Not seen: a freeze shorter than the limit, and one that repeats noise.

    >>> wave = np.sin(np.arange(1000.0))
    >>> wave[300:600] = wave[300]
    >>> frozen_spans(wave, np.ones(1000, dtype=bool), 100.0).tolist()
    [[300, 600]]
    """
    shortest = max(shortest_s * rate_hz, _FROZEN_SAMPLES)
    if not _ever_stands(values, moving, max(1, int(shortest - 1) // 2)):
        return np.empty((0, 2), dtype=np.intp)
    same = (values[1:] == values[:-1]) & moving[1:] & moving[:-1]
    changes = np.flatnonzero(np.concatenate(([True], ~same, [True])))
    lengths = np.diff(changes)
    if lengths.max() < shortest:
        return np.empty((0, 2), dtype=np.intp)
    counted = np.sort(lengths[moving[changes[:-1]] & np.isfinite(values[changes[:-1]])])
    habit = 0.0
    if len(counted) >= _FEWEST_RUNS:
        habit = float(counted[int(_HABIT_SHARE * (len(counted) - 1))])
    limit = np.full(len(lengths), max(shortest, _FROZEN_TO_HABIT * habit))
    limit[values[changes[:-1]] == 0] = max(
        _FROZEN_AT_ZERO_S * rate_hz, shortest, _FROZEN_TO_HABIT * habit
    )
    long = lengths >= limit
    return np.column_stack((changes[:-1][long], changes[1:][long]))


def _ever_stands(values: FloatArray, moving: BoolArray, apart: int) -> bool:
    """Whether one value is repeated from one of every so many samples to the next.

    A stretch of twice as many holds such two. Most signals are done with here.
    """
    at = apart * np.flatnonzero(values[apart::apart] == values[:-apart:apart])
    block = at[:, None] + np.arange(apart + 1)
    return bool(np.any(np.all((values[block] == values[at, None]) & moving[block], axis=1)))


def spike_spans(values: FloatArray, rate_hz: float) -> Spans:
    """Single samples, or up to 12 ms, that leave the signal and come back to it.

    Parameters
    ----------
    values : array, shape (n,)
        The sensor's own samples, not those carried in from a slower rate.
    rate_hz : float

    Notes
    -----
    A jump and its return are both larger than ten mean steps of the block of 128 samples around
    and than 15 % of what the signal visits between its 1st and 99th percentile; what is left of
    them together is under 0.4 of the smaller one. Not seen: spikes below these limits, wider ones,
    those at the ends of a hole, and any of a signal slower than 40 Hz, where a gear shift looks
    the same.

    >>> wave = np.sin(0.01 * np.arange(1000.0))
    >>> wave[500] += 1.0
    >>> spike_spans(wave, 100.0).tolist()
    [[500, 501]]
    """
    if len(values) <= _SPIKE_BLOCK or rate_hz < _SLOWEST_SPIKING_HZ:
        return np.empty((0, 2), dtype=np.intp)
    limit = _SPIKE_SHARE * _visited(values)
    jumps = np.concatenate([
        start + np.flatnonzero(_steps(values[start : start + _AT_ONCE + 1]) > limit)
        for start in range(0, len(values) - 1, _AT_ONCE)
    ])  # fmt: skip
    size = np.abs(values[jumps + 1] - values[jumps])
    above = size > _SPIKE_STEPS * _mean_near(values, jumps)
    jumps, size = jumps[above], size[above]
    first, last = jumps[:-1], jumps[1:]
    widest = max(1, int(_WIDEST_SPIKE_S * rate_hz))
    smaller = np.minimum(size[:-1], size[1:])
    left_over = np.abs(values[last + 1] - values[first])
    rises = values[first + 1] > values[first]
    spikes = (last - first <= widest) & (rises != (values[last + 1] > values[last]))
    spikes &= left_over < _RETURN * smaller
    return np.column_stack((first[spikes] + 1, last[spikes] + 1))


def _steps(values: FloatArray) -> FloatArray:
    """Size of each step to the next sample; NaN at a hole, which is no jump."""
    size = np.diff(values)
    return np.abs(size, out=size)


def _mean_near(values: FloatArray, at: NDArray[np.intp]) -> FloatArray:
    """Mean size of the steps in the blocks of 128 that hold ``at``; a hole is no step."""
    blocks, where = np.unique(
        np.minimum(at // _SPIKE_BLOCK, (len(values) - 1) // _SPIKE_BLOCK - 1), return_inverse=True
    )
    samples = blocks[:, None] * _SPIKE_BLOCK + np.arange(_SPIKE_BLOCK)
    size = np.abs(values[samples + 1] - values[samples])
    return np.asarray(np.fmax(size, 0.0).mean(axis=1)[where])


def _visited(values: FloatArray) -> float:
    """Width between the 1st and the 99th percentile of up to 8,000 samples."""
    some = values[:: max(1, len(values) // _STEP_SAMPLES)]
    some = some[np.isfinite(some)]
    if not len(some):
        return 0.0
    low, high = int(0.01 * (len(some) - 1)), int(0.99 * (len(some) - 1))
    some = np.partition(some, (low, high))
    return float(some[high] - some[low])


def stop_spans(values: FloatArray, *, upper: bool) -> Spans:
    """Stretches pinned at the signal's largest (or smallest) value.

    Notes
    -----
    A stop is reached again and again: two stretches or more of five equal samples at the very end,
    or one of thirty; half as many samples there as in the 1 % of the range next to it, and three
    times as many as at the next value, where a rounded peak spends its time. One short visit to a
    stop is not seen here.

    >>> wave = np.minimum(np.sin(0.03 * np.arange(2000.0)), 0.8)
    >>> len(stop_spans(wave, upper=True)), len(stop_spans(wave, upper=False))
    (10, 0)
    """
    none = np.empty((0, 2), dtype=np.intp)
    high, low = np.fmax.reduce(values), np.fmin.reduce(values)
    if not high > low:
        return none
    end = high if upper else low
    at_end = values == end
    if np.count_nonzero(at_end) < 2 * STOP_RUN:
        return none
    spans = spans_of(at_end)
    lengths = spans[:, 1] - spans[:, 0]
    spans = spans[lengths >= STOP_RUN]
    if len(spans) < 2 and not np.any(lengths >= _LONG_STOP_RUN):
        return none
    here = np.count_nonzero(at_end)
    away = np.abs(values - end)
    near = np.sort(away[(away > 0) & (away < _NEAR_STOP_SHARE * (high - low))])
    next_level = np.searchsorted(near, near[0] * (1 + 1e-6), side="right") if len(near) else 0
    return spans if here >= max(0.5 * len(near), _TO_NEXT_LEVEL * next_level) else none


def written_step(values: FloatArray, suspect: BoolArray | None = None) -> float | None:
    """The step in which a signal is written, in its own unit; None where it has no even one.

    Parameters
    ----------
    values : array, shape (n,)
    suspect : array of bool, shape (n,), optional
        Samples that are not the sensor's own.

    Notes
    -----
    The smallest gap between neighbouring values of up to 8,000 samples, if 95 of 100 gaps are whole
    multiples of it. With fewer values visited than steps the answer can be a multiple of the step.

    >>> round(written_step(np.round(np.random.default_rng(1).normal(0, 3, 5000), 2)), 6)
    0.01
    """
    every = max(1, len(values) // _STEP_SAMPLES)
    some = values[::every] if suspect is None else values[::every][~suspect[::every]]
    levels = np.sort(some[np.isfinite(some)])
    gaps = np.diff(levels)
    if not len(gaps) or levels[-1] == levels[0]:
        return None
    gaps = gaps[gaps > 1e-9 * max(abs(levels[0]), abs(levels[-1]))]
    step = float(gaps.min())
    multiples = gaps / step
    if np.mean(np.abs(multiples - np.rint(multiples)) < _WHOLE) < _MOSTLY:
        return None
    # The mean over gaps of one step is finer than a single difference of two rounded numbers.
    return float(np.mean(gaps[multiples < 1.5]))
