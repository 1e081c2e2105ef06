"""What the samples themselves say of a column: proportion, sign, steps. Arrays in, numbers out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Faster than a driver does anything that is looked for here, and slow enough to calm sensor noise.
GRID_HZ = 10.0
_SMOOTH_S = 0.3
# A circuit leads back to its start: it goes either way about as much.
_BOTH_WAYS = 0.1
# A position of 0.15 m noise gives the speed within 1 % over so long a stretch at 20 m/s.
_STRETCH_S = 1.0
# Fewer samples say nothing of a sign. It is told where the other one is above this share of its own
# 95th percentile, and not at all when less than this much speaks for it.
_LEAST_SAMPLES = 100
# Of more than so many, evenly spread ones tell it as well.
_MOST_SAMPLES = 500_000
_TURNING = 0.3
LEAST_ACCORD = 0.6
# Wheel speeds and ground speed keep so much to one ratio, tight corners and wheelspin included; an
# engine changes gear, by a quarter and more.
_SAME_RATIO_SPREAD = 0.12


@dataclass(frozen=True, slots=True)
class Line:
    """``y = slope * x`` through the origin, and how well it holds."""

    slope: float
    correlation: float


def even(time_s: FloatArray, values: FloatArray) -> FloatArray:
    """A column at an even, low rate, smoothed; NaN throughout when it has no two samples."""
    own = np.isfinite(values) & np.isfinite(time_s)
    grid = grid_of(time_s)
    if own.sum() < 2:
        return np.full(len(grid), np.nan)
    stamps, samples = time_s[own], values[own]
    half = 0.5 * _SMOOTH_S
    total = np.concatenate(([0.0], np.cumsum(samples)))
    first = np.searchsorted(stamps, grid - half)
    last = np.searchsorted(stamps, grid + half, side="right")
    count = last - first
    mean = (total[last] - total[first]) / np.maximum(count, 1)
    return np.where(count > 0, mean, np.interp(grid, stamps, samples))


def grid_of(time_s: FloatArray) -> FloatArray:
    """The even time base that the evidence is looked for on. [s]"""
    known = time_s[np.isfinite(time_s)]
    return np.arange(known[0], known[-1], 1 / GRID_HZ)


def line(y: FloatArray, x: FloatArray, where: BoolArray | None = None) -> Line:
    """Proportion of ``y`` to ``x`` by least squares, and their correlation about zero."""
    use = np.isfinite(x) & np.isfinite(y)
    use &= True if where is None else where
    x, y = x[use], y[use]
    # Not np.dot: on some machines its threads cost more than the sums.
    xx, yy, xy = (float(np.sum(a * b)) for a, b in ((x, x), (y, y), (x, y)))
    if xx <= 0 or yy <= 0:
        return Line(0.0, 0.0)
    return Line(xy / xx, xy / math.sqrt(xx * yy))


def rate_of_change(values: FloatArray, rate_hz: float = GRID_HZ) -> FloatArray:
    """Change per second over the stretch of a second around each sample."""
    half = max(1, round(0.5 * _STRETCH_S * rate_hz))
    out = np.full(len(values), np.nan)
    out[half:-half] = (values[2 * half :] - values[: -2 * half]) / (2 * half / rate_hz)
    return out


def over_stretch(values: FloatArray, rate_hz: float = GRID_HZ) -> FloatArray:
    """Mean over the same stretch that `rate_of_change` takes."""
    half = max(1, round(0.5 * _STRETCH_S * rate_hz))
    weights = np.full(2 * half + 1, 1.0)
    weights[[0, -1]] = 0.5
    out = np.full(len(values), np.nan)
    if len(values) > 2 * half:
        out[half:-half] = np.convolve(values, weights / weights.sum(), mode="valid")
    return out


def accord(
    values: FloatArray, reference: FloatArray, where: BoolArray | None = None
) -> tuple[float, int]:
    """From -1 (always of opposite sign) to 1 (always of the same), and from how many samples.

    Notes
    -----
    Told where the reference is above 0.3 of its own 95th percentile, each sample with the size of
    its value; one far out counts no more than three usual ones.

    >>> accord(np.full(200, -2.0), np.full(200, 1.0))
    (-1.0, 200)
    """
    known = np.isfinite(values) & np.isfinite(reference)
    known &= True if where is None else where
    every = 1 + int(np.count_nonzero(known)) // _MOST_SAMPLES
    chosen = np.flatnonzero(known)[::every]
    values, reference = values[chosen], reference[chosen]
    if len(values) < _LEAST_SAMPLES:
        return 0.0, 0
    size = np.abs(reference)
    at = int(0.95 * (len(size) - 1))
    told = size > _TURNING * np.partition(size, at)[at]
    if not told.any():
        return 0.0, 0
    signed = np.copysign(values[told], values[told] * reference[told])
    limit = 3 * float(np.median(np.abs(signed))) + 1e-12
    signed = np.clip(signed, -limit, limit)
    weight = float(np.sum(np.abs(signed)))
    return (float(np.sum(signed)) / weight, every * len(signed)) if weight else (0.0, 0)


def off_power(speed: FloatArray, rate_hz: float = GRID_HZ) -> BoolArray:
    """Slowing down, but rolling: neither wheelspin nor the lock holds the wheels together."""
    change = rate_of_change(speed, rate_hz)
    if not np.isfinite(change).any():
        return np.zeros(len(speed), dtype=bool)
    slowing = -np.nanpercentile(change, 2)
    rolling = speed > 0.1 * np.nanmax(speed)
    found: BoolArray = rolling & (change < -0.02 * slowing) & (change > -0.5 * slowing)
    return found


def keeps_ratio(one: FloatArray, other: FloatArray) -> bool:
    """Whether two columns that are never far below zero keep to one ratio while they are large."""
    ratio = _ratios(one, other)
    if len(ratio) < 20 * GRID_HZ:
        return False
    low, middle, high = np.percentile(ratio, [15, 50, 85])
    return bool(middle > 0 and (high - low) / middle < _SAME_RATIO_SPREAD)


def ratio_of(one: FloatArray, other: FloatArray) -> float:
    """Median of ``one / other`` while both are large."""
    ratio = _ratios(one, other)
    return float(np.median(ratio)) if len(ratio) else math.nan


def _ratios(one: FloatArray, other: FloatArray) -> FloatArray:
    large = (one > 0.35 * np.nanmax(one)) & (other > 0.35 * np.nanmax(other))
    return one[large] / other[large]


def is_one_sided(values: FloatArray) -> bool:
    """Whether a column stays above zero, but for noise."""
    low, high = np.nanmin(values), np.nanmax(values)
    return bool(high > 0 and low > -0.05 * high)


def companions(columns: dict[str, FloatArray]) -> list[str]:
    """The largest set of columns that all keep to one ratio with each other, in file order."""
    names = [name for name, values in columns.items() if _is_speed_like(values)]
    best: list[str] = []
    for name in names:
        found = [name]
        for other in names:
            if other != name and all(keeps_ratio(columns[other], columns[k]) for k in found):
                found.append(other)
        if len(found) > len(best):
            best = found
    return [name for name in names if name in best] if len(best) > 1 else []


def _is_speed_like(values: FloatArray) -> bool:
    if not np.isfinite(values).any() or not is_one_sided(values):
        return False
    middle, high = np.nanpercentile(values, [30, 99])
    # It moves: neither a constant nor a counter that only rises.
    return bool(high > 0 and middle < 0.9 * high and np.nanmean(np.diff(values) < 0) > 0.1)


def yaw_share(wheel: FloatArray, speed: FloatArray, yaw: FloatArray, calm: BoolArray) -> float:
    """How much faster a wheel runs than the middle of the car, for each unit of yaw rate."""
    excess = wheel / ratio_of(wheel, speed) - speed
    use = calm & np.isfinite(excess) & np.isfinite(yaw)
    design = np.column_stack([yaw[use], speed[use]])
    if len(design) < 20:
        return math.nan
    return float(np.linalg.lstsq(design, excess[use], rcond=None)[0][0])


def slip_under_drive(
    wheel: FloatArray, speed: FloatArray, yaw: FloatArray | None, accel: FloatArray
) -> float:
    """Slip of a wheel against the ground at full drive, above that at no drive."""
    large = speed > 0.2 * np.nanmax(speed)
    slip = np.where(large, wheel / np.where(large, speed, 1.0), np.nan)
    straight = large if yaw is None else large & (np.abs(yaw) < np.nanpercentile(np.abs(yaw), 60))
    strong = straight & (accel > 0.5 * np.nanpercentile(accel, 98))
    none = straight & (np.abs(accel) < 0.15 * np.nanpercentile(accel, 98))
    strong, none = strong & np.isfinite(slip), none & np.isfinite(slip)
    if strong.sum() < 10 or none.sum() < 10:
        return math.nan
    rolling = float(np.median(slip[none]))
    return float(np.median(slip[strong])) / rolling - 1 if rolling > 0 else math.nan


def path_scales(
    speed: FloatArray, first: FloatArray, second: FloatArray
) -> tuple[float, float, float]:
    """Factors a, b with ``speed² = (a d first/dt)² + (b d second/dt)²``, and the correlation.

    The factors are NaN when no real ones do.
    """
    v, u, w = over_stretch(speed), rate_of_change(first), rate_of_change(second)
    use = np.isfinite(v + u + w) & (v > 0.2 * np.nanmax(v))
    if use.sum() < 50:
        return math.nan, math.nan, 0.0
    design = np.column_stack([u[use] ** 2, w[use] ** 2])
    size = np.maximum(np.abs(design).max(axis=0), 1e-300)
    factors = np.linalg.lstsq(design / size, v[use] ** 2, rcond=None)[0] / size
    if (factors <= 0).any():
        return math.nan, math.nan, 0.0
    both = design * factors
    if both.mean(axis=0).min() < _BOTH_WAYS * both.mean():
        return math.nan, math.nan, 0.0
    made = np.sqrt(design @ factors)
    correlation = float(np.corrcoef(made, v[use])[0, 1])
    return math.sqrt(factors[0]), math.sqrt(factors[1]), correlation


def covers_distance(values: FloatArray, speed: FloatArray) -> float:
    """Speed over the column's change a second, 0 when it does not grow in step with the speed."""
    change, mean = rate_of_change(values), over_stretch(speed)
    use = np.isfinite(change) & (mean > 0.3 * np.nanmax(speed)) & (change > 0)
    if use.sum() < 0.8 * (mean > 0.3 * np.nanmax(speed)).sum() or use.sum() < 50:
        return 0.0
    low, middle, high = np.percentile(change[use] / mean[use], [10, 50, 90])
    return float(1 / middle) if high - low < 0.1 * middle else 0.0


def heading_rate(east: FloatArray, north: FloatArray, rate_hz: float = GRID_HZ) -> FloatArray:
    """Turning of the path, positive to the left, over each stretch. [rad/s]

    >>> t = np.arange(0.0, 10.0, 0.1)
    >>> left = heading_rate(20.0 * np.cos(t), 20.0 * np.sin(t))
    >>> round(float(left[50]), 3)
    1.0
    """
    x, y = rate_of_change(east, rate_hz), rate_of_change(north, rate_hz)
    heading = np.full(len(x), np.nan)
    known = np.isfinite(x + y)
    heading[known] = np.unwrap(np.arctan2(y[known], x[known]))
    return rate_of_change(heading, rate_hz)


def is_whole(values: FloatArray) -> bool:
    """Whether all samples are whole numbers."""
    own = values[np.isfinite(values)]
    return bool(len(own)) and bool((own == np.round(own)).all())


def levels(values: FloatArray) -> Sequence[float]:
    """The different values of a column, at most a few dozen of them."""
    own = np.unique(values[np.isfinite(values)])
    return [float(each) for each in own[:64]]


def steps(values: FloatArray) -> FloatArray:
    """The changes of a column from one of its samples to the next, those of nothing left out."""
    own = np.diff(values[np.isfinite(values)])
    changed: FloatArray = own[own != 0]
    return changed
