"""Find the corners from the path's curvature, with the same numbers on every lap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.laps import Lap
from pipeline.runs import close_gaps, moving_mean, runs, with_hysteresis

FloatArray = NDArray[np.float64]

# A bend counts as a corner when it is tighter than 250 m somewhere and turns the car by at least
# 12 degrees; it lasts while it is tighter than 500 m. Chosen by us for circuit cars.
_ENTER_PER_M = 1 / 250
_STAY_PER_M = 1 / 500
_LEAST_TURN_RAD = np.radians(12.0)
_GRID_M = 2.0
_SMOOTH_M = 14.0
_GAP_M = 15.0
_SLOWEST_MPS = 3.0


@dataclass(frozen=True, slots=True)
class Corner:
    """One corner; distances run from the start line along the median lap."""

    number: int
    left: bool
    start_m: float
    apex_m: float
    end_m: float
    radius_m: float
    """Of the tightest point."""


def lap_distance(
    laps: tuple[Lap, ...], time_s: FloatArray, speed_mps: FloatArray
) -> tuple[FloatArray, float]:
    """Distance of each sample from the start line, shape (n,), and the circuit's length. [m]

    Every complete lap is scaled to the median length of the counted ones, so that one distance is
    one place on the circuit. An unfinished lap is not scaled; the one before the first crossing is
    counted back from the line. Holes in the speed are bridged.
    """
    known = np.isfinite(speed_mps)
    if not known.any():
        return np.zeros(len(time_s)), 0.0
    speed = speed_mps if known.all() else np.interp(time_s, time_s[known], speed_mps[known])
    step = time_s[1] - time_s[0]
    travelled = np.zeros(len(time_s))
    np.cumsum(0.5 * step * (speed[1:] + speed[:-1]), out=travelled[1:])
    # Crossings fall between samples; a lap's distance starts at the line itself.
    ends = [np.interp([lap.start_s, lap.end_s], time_s, travelled) for lap in laps]
    lengths = [b - a for lap, (a, b) in zip(laps, ends, strict=True) if lap.valid] or [
        b - a for lap, (a, b) in zip(laps, ends, strict=True) if lap.complete
    ]
    length = float(np.median(lengths)) if lengths else float(travelled[-1])
    distance = travelled.copy()
    for i, (lap, (a, b)) in enumerate(zip(laps, ends, strict=True)):
        since_line = travelled[lap.samples] - a
        if lap.complete:
            distance[lap.samples] = since_line * length / max(b - a, 1e-9)
        elif i == 0 and len(laps) > 1:
            distance[lap.samples] = np.maximum(length - (b - travelled[lap.samples]), 0.0)
        else:
            distance[lap.samples] = since_line
    return distance, length


def path_curvature(
    laps: tuple[Lap, ...],
    distance_m: FloatArray,
    length_m: float,
    speed_mps: FloatArray,
    yaw_rate_radps: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Median curvature of the counted laps on an even grid of distance.

    Returns
    -------
    grid : array, shape (m,)
        Distance from the start line. [m]
    curvature : array, shape (m,)
        Positive to the left. [1/m]
    """
    grid = np.arange(0.0, length_m, _GRID_M)
    rows = []
    for lap in (lap for lap in laps if lap.valid):
        place, speed = distance_m[lap.samples], speed_mps[lap.samples]
        curvature = yaw_rate_radps[lap.samples] / np.maximum(speed, _SLOWEST_MPS)
        known = np.isfinite(curvature) & np.isfinite(place)
        if known.any():
            rows.append(np.interp(grid, place[known], curvature[known]))
    if not rows:
        return grid, np.zeros(len(grid))
    samples = int(_SMOOTH_M / _GRID_M) | 1
    return grid, moving_mean(np.median(rows, axis=0), samples)


def find_corners(grid_m: FloatArray, curvature_per_m: FloatArray) -> tuple[Corner, ...]:
    """Corners in the order of the lap, numbered from 1.

    Parameters
    ----------
    grid_m, curvature_per_m : array, shape (m,)
        See `path_curvature`.
    """
    found = []
    for left in (True, False):
        signed = curvature_per_m if left else -curvature_per_m
        mask = with_hysteresis(signed > _ENTER_PER_M, signed > _STAY_PER_M)
        for start, stop in runs(close_gaps(mask, int(_GAP_M / _GRID_M))):
            if np.sum(signed[start:stop]) * _GRID_M >= _LEAST_TURN_RAD:
                apex = start + int(np.argmax(signed[start:stop]))
                found.append((int(start), apex, int(stop), left))
    return tuple(
        Corner(
            number=i,
            left=left,
            start_m=float(grid_m[start]),
            apex_m=float(grid_m[apex]),
            end_m=float(grid_m[stop - 1]),
            radius_m=float(1 / abs(curvature_per_m[apex])),
        )
        for i, (start, apex, stop, left) in enumerate(sorted(found), start=1)
    )


def corner_index(corners: tuple[Corner, ...], distance_m: FloatArray) -> NDArray[np.int32]:
    """Position in ``corners`` of the corner at each distance, shape (n,); -1 between corners."""
    index = np.full(len(distance_m), -1, dtype=np.int32)
    for i, corner in enumerate(corners):
        index[(distance_m >= corner.start_m) & (distance_m < corner.end_m)] = i
    return index
