"""Whether the half-shaft torques sit on their own sides, and what they read where little passes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loaders.agreement import Sign
from loaders.evidence import LEAST_ACCORD
from loaders.roles import opposes_slip
from loaders.sides import Poll
from pipeline.cross_checks import driven_swapped
from pipeline.learn import Learnt
from pipeline.regression import student_t
from pipeline.result import QualityNote
from pipeline.signals import Signals
from pipeline.stretches import by_stretch

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

_MOVING_MPS = 8.0
_STRAIGHT_MPS2 = 1.0
_SHUT = 0.05
_LEAST_COASTING_S = 3.0
_LEAST_SLIDING_S = 1.0
_FEWEST_CLUSTERS = 3
# Of more sliding samples, as many evenly spread ones tell which way they point.
_MOST_SAMPLES = 1_000_000
_LEFT, _RIGHT = "shaft_torque_left_nm", "shaft_torque_right_nm"


def swapped_torques(
    signals: Signals, learnt: Learnt, sides: Poll, signs: dict[str, Sign], channel_map: str
) -> list[QualityNote]:
    """Whether the half-shaft torques sit on each other's sides: sliding packs oppose the slip.

    Notes
    -----
    By `roles.opposes_slip` over the samples at which the packs slide for sure; driven wheels that
    are themselves swapped, and torques of the wrong sign, are put right for this check only.
    """
    if signals.torque is None:
        return []
    torque = signals.torque
    chosen = learnt.sliding & np.isfinite(torque.left_nm) & np.isfinite(torque.right_nm)
    if np.count_nonzero(chosen) < _LEAST_SLIDING_S * signals.rate_hz:
        why = "not observable: the packs hardly slide in this log"
        return [QualityNote(_LEFT, "swapped sides", 0, None, why, "taken as mapped")]
    wrong = [name in signs and signs[name].wrong for name in (_LEFT, _RIGHT)]
    if wrong[0] != wrong[1]:
        return []  # their difference is a sum; said with the sign
    at = np.flatnonzero(chosen)
    every = 1 + len(at) // _MOST_SAMPLES
    at = at[::every]
    difference, slip = torque[at].difference_nm, learnt.flange_radps[at]
    share, samples = opposes_slip(difference, slip)
    samples *= every
    side = -1.0 if driven_swapped(sides) != wrong[0] else 1.0
    if side * share > -LEAST_ACCORD:
        return []
    excess, half, clusters = _mean_of_clusters(
        side * difference * np.sign(slip), learnt.clusters.label[at]
    )
    return [
        QualityNote(
            _LEFT, "swapped sides", samples, None,
            f"left and right half-shaft torque look swapped: in {samples / signals.rate_hz:.0f} s "
            f"of sliding the faster wheel gets {excess:.0f} N·m more than the slower one "
            f"({excess - half:.0f} to {excess + half:.0f}, {clusters} {learnt.clusters.name}), "
            "which friction cannot do",
            "breakaway torque, lock and energy come out negative and mean nothing",
            serious=True, untrusted=True,
            remedy=f"Exchange the columns of [channels.{_LEFT}] and [channels.{_RIGHT}] in "
            f"{channel_map}.",
        )
    ]  # fmt: skip


def coasting(
    channels: Mapping[str, FloatArray], signals: Signals, learnt: Learnt
) -> list[QualityNote]:
    """What the torques read on straight coasting, where little torque passes."""
    if signals.torque is None:
        return []
    torque, throttle, gear = signals.torque, channels.get("throttle_ratio"), channels.get("gear")

    def coasts(here: slice) -> BoolArray:
        speed = signals.speed_mps[here]
        free = signals.steady[here] & signals.brakes_off[here] & (speed > _MOVING_MPS)
        if signals.yaw_rate_radps is not None:
            free &= np.abs(speed * signals.yaw_rate_radps[here]) < _STRAIGHT_MPS2
        shut = torque[here].input_nm < 0 if throttle is None else throttle[here] < _SHUT
        return free & shut

    free = by_stretch(coasts, len(signals.time_s))
    where, channel = "coasting straight on", _LEFT
    neutral = None if gear is None else free & (gear == 0)
    in_neutral = neutral is not None and np.count_nonzero(neutral) > signals.rate_hz
    if neutral is not None and in_neutral:
        free, where = neutral, "rolling in neutral"
    free &= learnt.clusters.label >= 0
    free &= np.isfinite(torque.left_nm) & np.isfinite(torque.right_nm)
    seconds = np.count_nonzero(free) / signals.rate_hz
    cluster = learnt.clusters.label[free]
    if seconds < _LEAST_COASTING_S or len(np.unique(cluster)) < _FEWEST_CLUSTERS:
        why = f"not observable: {seconds:.1f} s of straight coasting in the counted laps"
        return [QualityNote(channel, "zero while coasting", 0, None, why, "none")]
    mean, half, m = _mean_of_clusters(torque[free].difference_nm, cluster)
    total, total_half, _ = _mean_of_clusters(torque[free].input_nm, cluster)
    clear = abs(mean) > half
    return [
        QualityNote(
            channel, "zero while coasting", int(np.count_nonzero(free)), None,
            f"left minus right reads {mean:+.1f} N·m ({mean - half:+.1f} to {mean + half:+.1f}), "
            f"both together {total:+.0f} N·m ({total - total_half:+.0f} to "
            f"{total + total_half:+.0f}) while {where}, {seconds:.0f} s in {m} "
            f"{learnt.clusters.name}",
            "not taken out: a preloaded pack may hold it against unequal tyres; compare with the "
            "offset between the sensors"
            if clear
            else "none: the difference cannot be told from zero",
        )
    ]  # fmt: skip


def _mean_of_clusters(values: FloatArray, cluster: IndexArray) -> tuple[float, float, int]:
    """Mean of the clusters' means, its 95 % half width, and how many clusters."""
    _, where, counts = np.unique(cluster, return_inverse=True, return_counts=True)
    means = np.bincount(where, values) / counts
    m = len(means)
    if m < _FEWEST_CLUSTERS:
        return float(means.mean()) if m else 0.0, np.inf, m
    half = student_t(m - 1) * float(means.std(ddof=1)) / np.sqrt(m)
    return float(means.mean()), half, m
