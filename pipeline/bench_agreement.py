"""How far bench checks and the log agree: what the bench reads beside it, how well it repeats.

Both tell one and the same breakaway torque. What the bench reads beside the log's course is the
bias of that method on this car; readings of one day by one method tell its repeatability.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from pipeline.estimate import Answer, Estimate, Grade, Missing
from pipeline.regression import mean_interval

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BenchBeside:
    """A bench check as a breakaway torque, and what the log's course says at that place."""

    on: date
    method: str
    breakaway_nm: float
    log_nm: float | None
    """None where the course says nothing there."""
    log_half_nm: float
    grade: Grade


@dataclass(frozen=True, slots=True)
class Agreement:
    """What the checks by one method say together."""

    method: str
    checks: int
    bias_nm: Answer
    """Bench less log, as breakaway torques."""
    repeatability_nm: Answer
    """Standard deviation of readings of one day."""


def agreements(checks: Sequence[BenchBeside]) -> tuple[Agreement, ...]:
    """Bench against log, by method."""
    methods = dict.fromkeys(check.method for check in checks)
    return tuple(
        _agreement(method, [check for check in checks if check.method == method])
        for method in methods
    )


def _agreement(method: str, checks: Sequence[BenchBeside]) -> Agreement:
    return Agreement(method, len(checks), _bias(checks), _repeatability(checks))


def _bias(checks: Sequence[BenchBeside]) -> Answer:
    days: dict[date, list[float]] = {}
    beside = [check for check in checks if check.log_nm is not None]
    for check in beside:
        days.setdefault(check.on, []).append(check.breakaway_nm - (check.log_nm or 0.0))
    if not days:
        return Missing("the log has no course where the bench was read")
    value = float(np.mean([np.mean(each) for each in days.values()]))
    # What the log's line is unsure of is shared by the checks beside it.
    half = float(np.mean([check.log_half_nm for check in beside]))
    method = "one day of checks; interval of the log's course alone"
    if len(days) > 1:
        scatter = mean_interval(np.array([np.mean(each) for each in days.values()]))[1]
        half = float(np.hypot(half, scatter))
        method = "mean over days; interval from their scatter and the log's course"
    grade = max((check.grade for check in beside), key=list(Grade).index)
    return Estimate(value, value - half, value + half, "N m", len(days), grade, method)


def _repeatability(checks: Sequence[BenchBeside]) -> Answer:
    groups = [
        np.array([each.breakaway_nm for each in checks if each.on == day])
        for day in dict.fromkeys(check.on for check in checks)
    ]
    try:
        sd, low, high, freedom = repeatability(groups)
    except ValueError as problem:
        return Missing(str(problem))
    # A bench needs no log: its torque is measured, whatever the log's evidence.
    return Estimate(
        sd, low, high, "N m", freedom, Grade.MEASURED,
        "standard deviation within days, pooled by their degrees of freedom",
    )  # fmt: skip


def repeatability(groups: Sequence[FloatArray]) -> tuple[float, float, float, int]:
    """Standard deviation of repeated readings, its 95 % interval, and degrees of freedom.

    Parameters
    ----------
    groups : sequence of array
        Readings of one and the same thing, group by group.

    Raises
    ------
    ValueError
        If nothing was read twice.

    Notes
    -----
    Squares within groups over their degrees of freedom; the interval is that of chi-square. The
    "equipment variation" of Automotive Industry Action Group, Measurement Systems Analysis.
    """
    freedom = sum(len(group) - 1 for group in groups)
    if freedom < 1:
        msg = "no day with two readings by one method"
        raise ValueError(msg)
    squares = sum(float(np.sum(np.square(group - np.mean(group)))) for group in groups)
    low, high = (float(np.sqrt(squares / chdtri(freedom, tail))) for tail in (0.025, 0.975))
    return float(np.sqrt(squares / freedom)), low, high, freedom
