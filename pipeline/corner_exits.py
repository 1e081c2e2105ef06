"""How fast the car leaves each corner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.evidence import Evidence
from pipeline.result import CornerSummary
from pipeline.summaries import mean_answer

FloatArray = NDArray[np.float64]

# The gain of speed at the exit is taken over so many metres either way. Chosen by us.
_EITHER_WAY_M = 10.0


def with_exits(
    corners: Sequence[CornerSummary],
    evidence: Evidence,
    distance_m: FloatArray,
    speed_mps: FloatArray,
) -> tuple[CornerSummary, ...]:
    """The corners with the speed at their ends over the counted laps.

    Parameters
    ----------
    corners : sequence of CornerSummary
    evidence : Evidence
    distance_m, speed_mps : array, shape (n,)
        Distance from the start line, and speed over ground.
    """
    ends = np.array([corner.end_m for corner in corners])
    places = ends + np.array([[0.0], [-_EITHER_WAY_M], [_EITHER_WAY_M]])
    passes = []
    for at in evidence.counted:
        span = evidence.laps[at].samples
        known = np.isfinite(speed_mps[span])
        if known.any():
            passes.append(np.interp(places, distance_m[span][known], speed_mps[span][known]))
    if not passes:
        return tuple(corners)
    at_end, before, after = np.moveaxis(np.array(passes), 1, 0)
    gain = np.mean(after - before, axis=0) / (2 * _EITHER_WAY_M)
    shared = np.zeros(len(passes))
    return tuple(
        replace(
            corner,
            exit_speed_mps=mean_answer(at_end[:, c], shared, "m/s", evidence.grade, "passes"),
            exit_gain_mps_per_m=float(gain[c]),
        )
        for c, corner in enumerate(corners)
    )
