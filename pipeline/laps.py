"""Cut a session into laps, and say for each why it does or does not count."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# A counted lap takes no longer than this times the median lap: slower ones are in-laps, out-laps,
# traffic or a mistake. Chosen by us.
SLOWEST_TO_MEDIAN = 1.10
FASTEST_TO_MEDIAN = 0.80
# Two laps of one circuit differ in length by the line driven, not by more than this.
_SAME_LENGTH = 0.005
_STANDING_MPS = 1.0
_STANDING_S = 1.0
# A lap with a larger share of unusable samples does not give a full lap's energy. Chosen by us.
MOST_MISSING = 0.05


@dataclass(frozen=True, slots=True)
class Lap:
    """One stretch between two crossings of the start line, or outside the first or the last."""

    number: int
    start_s: float
    end_s: float
    first: int
    """First sample."""
    stop: int
    """One past the last sample."""
    complete: bool
    """Whether the log holds both of its crossings."""
    reason: str = ""
    """Why it does not count; empty for a lap that does."""

    @property
    def valid(self) -> bool:
        """Whether the lap counts."""
        return not self.reason

    @property
    def samples(self) -> slice:
        """Where its samples lie on the session's time base."""
        return slice(self.first, self.stop)


def crossings_from_lap_number(time_s: FloatArray, lap_number: FloatArray) -> FloatArray:
    """Times at which the lap number steps up. [s]"""
    known = np.isfinite(lap_number)
    steps = np.diff(lap_number[known]) > 0
    return np.asarray(time_s[known][1:][steps])


def crossings_from_beacon(time_s: FloatArray, beacon: FloatArray) -> FloatArray:
    """Times at which a beacon signal rises through half its height. [s]

    >>> crossings_from_beacon(np.arange(6.0), np.array([0.0, 0.0, 1.0, 1.0, 0.0, 1.0])).tolist()
    [2.0, 5.0]
    """
    known = np.isfinite(beacon)
    levels, times = beacon[known], time_s[known]
    if not len(levels) or levels.max() == levels.min():
        return np.empty(0)
    high = levels > 0.5 * (levels.max() + levels.min())
    return np.asarray(times[1:][high[1:] & ~high[:-1]])


def crossings_of_line(
    time_s: FloatArray,
    x_m: FloatArray,
    y_m: FloatArray,
    left_m: tuple[float, float],
    right_m: tuple[float, float],
) -> FloatArray:
    """Times at which the path crosses a line forward, its left end to the left. [s]

    Parameters
    ----------
    time_s, x_m, y_m : array, shape (n,)
        Path of the car.
    left_m, right_m : (x, y)
        Ends of the start line as the driver sees them. [m]

    Notes
    -----
    The crossing time is interpolated between the two samples on either side of the line.
    """
    along = np.subtract(left_m, right_m)
    length = float(np.hypot(*along))
    across = np.array([along[1], -along[0]]) / length
    offset_x, offset_y = x_m - right_m[0], y_m - right_m[1]
    ahead = offset_x * across[0] + offset_y * across[1]
    beside = (offset_x * along[0] + offset_y * along[1]) / length**2
    passed = (ahead[:-1] < 0) & (ahead[1:] >= 0)
    at = np.flatnonzero(passed)
    share = ahead[at] / (ahead[at] - ahead[at + 1])
    place = beside[at] + share * (beside[at + 1] - beside[at])
    within = (place >= 0) & (place <= 1)
    times = time_s[at] + share * (time_s[at + 1] - time_s[at])
    return np.asarray(times[within])


def cut(time_s: FloatArray, crossings_s: FloatArray, first_number: int = 0) -> tuple[Lap, ...]:
    """The laps between crossings, with the unfinished ones before the first and after the last.

    >>> [lap.complete for lap in cut(np.arange(10.0), np.array([2.0, 5.0]))]
    [False, True, False]
    """
    step = time_s[1] - time_s[0]
    end_s = float(time_s[-1] + step)
    edges = np.concatenate(([time_s[0]], crossings_s, [end_s]))
    # A crossing on a sample that is exact but for rounding belongs to the lap it starts.
    samples = np.searchsorted(time_s, edges - 1e-6 * step)
    laps = []
    for i in range(len(edges) - 1):
        if samples[i + 1] > samples[i]:
            laps.append(
                Lap(
                    number=first_number + i,
                    start_s=float(edges[i]),
                    end_s=float(edges[i + 1]),
                    first=int(samples[i]),
                    stop=int(samples[i + 1]),
                    complete=0 < i < len(edges) - 2,
                )
            )
    return tuple(laps)


def judge(
    laps: tuple[Lap, ...], speed_mps: FloatArray, usable: NDArray[np.bool_], rate_hz: float
) -> tuple[Lap, ...]:
    """The same laps, each with the reason why it does not count.

    Parameters
    ----------
    laps : tuple of Lap
    speed_mps : array, shape (n,)
        Ground speed. [m/s]
    usable : array of bool, shape (n,)
        Samples at which everything needed is there.
    rate_hz : float
        Samples per second. [1/s]

    Notes
    -----
    A log that begins or ends on the line itself holds one crossing too few; its first or last lap
    is complete all the same when it is as long as the others.
    """
    standing = [
        float(np.count_nonzero(speed_mps[lap.samples] < _STANDING_MPS)) / rate_hz for lap in laps
    ]
    lengths = [float(np.nansum(speed_mps[lap.samples])) / rate_hz for lap in laps]
    ordinary = [i for i, lap in enumerate(laps) if lap.complete and standing[i] < _STANDING_S]
    median_s = _median([laps[i].end_s - laps[i].start_s for i in ordinary])
    median_m = _median([lengths[i] for i in ordinary])
    whole = [
        replace(lap, complete=lap.complete or abs(length - median_m) < _SAME_LENGTH * median_m)
        for lap, length in zip(laps, lengths, strict=True)
    ]
    return tuple(
        replace(lap, reason=_reason(lap, standing[i], median_s, usable[lap.samples], i == 0))
        for i, lap in enumerate(whole)
    )


def _median(values: list[float]) -> float:
    return float(np.median(values)) if values else np.nan


def _reason(
    lap: Lap, standing_s: float, median_s: float, usable: NDArray[np.bool_], first: bool
) -> str:
    stood = f", with {standing_s:.0f} s at a standstill" if standing_s >= _STANDING_S else ""
    if not lap.complete:
        return f"the log {'begins' if first else 'ends'} within this lap{stood}"
    if stood:
        return f"the car stood still for {standing_s:.0f} s"
    lap_time = lap.end_s - lap.start_s
    if lap_time > SLOWEST_TO_MEDIAN * median_s:
        return f"{100 * (lap_time / median_s - 1):.0f} % slower than the median lap"
    if lap_time < FASTEST_TO_MEDIAN * median_s:
        return f"{100 * (1 - lap_time / median_s):.0f} % shorter than the median lap"
    missing = 1 - float(np.mean(usable))
    if missing > MOST_MISSING:
        return f"{100 * missing:.0f} % of its samples are unusable"
    return ""


def lap_index(laps: tuple[Lap, ...], n: int) -> NDArray[np.int32]:
    """Position in ``laps`` of the lap each sample belongs to, shape (n,); -1 outside them all."""
    index = np.full(n, -1, dtype=np.int32)
    for i, lap in enumerate(laps):
        index[lap.samples] = i
    return index
