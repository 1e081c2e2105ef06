"""How much harder the packs hold at rest than they drag: the peak where a held axle lets go."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.regression import ratio_interval
from pipeline.runs import runs
from pipeline.torque import ShaftTorque

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

# An axle that was held for so long and then slides for so long has let go. Chosen by us.
_HELD_S = 0.20
_SLIDING_S = 0.15
# Where the peak is looked for, from the first sample that is seen to slide: toothed wheels and the
# averaging of the speeds show the sliding late.
_PEAK_FROM_S, _PEAK_TO_S = -0.04, 0.01
# Noise of the input torque is averaged over this much of it.
_AVERAGED_S = 0.04
_LEAST_HZ = 50.0
_FEWEST_EVENTS = 12
# A peak that lasts a few hundredths of a second is rounded off by sampling and by events that are
# not quite in line: on simulated logs a quarter of what it stands above the running friction.
_ROUNDED_OFF = 0.35
# The highest of some averages stands this much above what it is an average of.
_CHOSEN = 0.015
# Peaks that scatter by more than this, in parts of the running friction, are the sensors' noise:
# the highest average of such is above one by chance. Chosen by us.
_MOST_SCATTER = 1.0
# An interval wider than this says nothing. Chosen by us.
_MOST_HALF = 0.4


@dataclass(frozen=True, slots=True)
class StaticFriction:
    """Friction at break-loose over running friction at the same input torque. [1]"""

    ratio: float
    low: float
    high: float
    events: int
    laps: int


def static_friction(
    torque: ShaftTorque,
    running: Callable[[FloatArray], FloatArray],
    difference_radps: FloatArray,
    usable: BoolArray,
    lap: IndexArray,
    threshold_radps: float,
    rate_hz: float,
) -> StaticFriction | str:
    """Static over running friction, or why the log does not show it.

    Parameters
    ----------
    torque : ShaftTorque
        Arrays of shape (n,).
    running : callable
        Locking torque while sliding at an input torque, any shape. [N m]
    difference_radps : array, shape (n,)
        Smoothed left minus right speed. [rad/s]
    usable : array of bool, shape (n,)
        Clean and steady.
    lap : array of int, shape (n,)
        -1 where a sample counts nowhere.
    threshold_radps : float
        From where the packs are seen to slide. [rad/s]

    Notes
    -----
    Averaged over all events at each time from the first sliding sample on, so that sensor noise
    does not pass for a peak; the highest of the averages around that sample is the answer, its
    interval from the laps' own sums.
    """
    if rate_hz < _LEAST_HZ:
        return f"the log has only {rate_hz:.3g} samples a second, a peak would be gone between two"
    starts, sides = _events(difference_radps, usable, lap, threshold_radps, rate_hz)
    if len(starts) < _FEWEST_EVENTS:
        return (
            f"the axle is seen to let go {len(starts)} times; at least {_FEWEST_EVENTS} are needed"
        )
    labels, group = np.unique(lap[starts], return_inverse=True)
    if len(labels) < 3:
        return f"the axle lets go in {len(labels)} laps only; at least 3 are needed"
    at = starts[:, None] + np.arange(round(_PEAK_FROM_S * rate_hz), round(_PEAK_TO_S * rate_hz) + 1)
    reach = round(0.5 * _AVERAGED_S * rate_hz)
    around = at[..., None] + np.arange(-reach, reach + 1)
    law = running((torque.left_nm[around] + torque.right_nm[around]).mean(axis=-1))
    if law.min() <= 0:
        return "the running law is not clear of zero where the axle lets go"
    shares = -sides[:, None] * (torque.left_nm[at] - torque.right_nm[at]) / law
    at_peak = shares[:, int(np.argmax(shares.mean(axis=0)))]
    if np.std(at_peak) > _MOST_SCATTER:
        return "single peaks scatter by more than all of the friction that the axle lets go of"
    ratio, half = ratio_interval(
        np.bincount(group, at_peak).astype(np.float64), np.bincount(group).astype(np.float64)
    )
    half = math.hypot(half, _CHOSEN)
    if half > _MOST_HALF * abs(ratio):
        return f"the peaks where the axle lets go are told no better than within {100 * half:.0f} %"
    rounded = _ROUNDED_OFF * max(ratio - 1, 0.0)
    return StaticFriction(ratio, ratio - half, ratio + half + rounded, len(starts), len(labels))


def _events(
    difference: FloatArray,
    usable: BoolArray,
    lap: IndexArray,
    threshold: float,
    rate_hz: float,
) -> tuple[IndexArray, FloatArray]:
    """First sliding sample of each letting go, and the side that slides, -1 for the right one."""
    held, sliding = round(_HELD_S * rate_hz), round(_SLIDING_S * rate_hz)
    spans = runs(np.abs(difference) < threshold)
    starts = spans[spans[:, 1] - spans[:, 0] >= held][:, 1]
    starts = starts[(starts >= held) & (starts + sliding < len(difference))]
    around = starts[:, None] + np.arange(-held, sliding)
    after = difference[starts[:, None] + np.arange(sliding)]
    side = np.sign(after[:, 0]) if len(starts) else np.empty(0)
    one_way = np.all(after * side[:, None] > threshold, axis=1)
    whole = np.all(usable[around], axis=1) & (lap[starts] >= 0)
    kept = one_way & whole
    return starts[kept], side[kept]
