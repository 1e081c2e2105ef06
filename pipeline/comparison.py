"""Whether setup B differs from setup A: run against run over a test day, drift of the day apart.

Laps of a run share tyres, fuel and weather, so the run is the unit that repeats; laps only make a
run's own value surer. What drifts evenly over the day is taken out where the order of runs allows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

FloatArray = NDArray[np.float64]

# A setup effect that shares more of its variance than this with an even drift of the day cannot be
# told from it. 1 would be "B after A, nothing else"; ABAB has 0.2, ABBA 0. Chosen by us.
_MOST_SHARED = 0.5


@dataclass(frozen=True, slots=True)
class Run:
    """One run's value of one measure."""

    is_b: bool
    hour: float
    """Middle of the run. [h]"""
    value: float
    sd: float
    """How unsure the run's own laps leave it."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """How far runs of one setup differ beyond their own unsureness, from days before."""

    variance: float
    degrees_of_freedom: int


NO_HISTORY = Scatter(0.0, 0)


@dataclass(frozen=True, slots=True)
class Difference:
    """Setup B minus setup A."""

    value: float
    sd: float
    degrees_of_freedom: int
    runs_a: int
    runs_b: int

    def half_width(self, level: float = 0.95) -> float:
        """Half the width of the interval."""
        return self.sd * float(stdtrit(self.degrees_of_freedom, 0.5 + 0.5 * level))

    @property
    def p(self) -> float:
        """Two-sided probability of a difference as large when there is none."""
        return float(2 * stdtr(self.degrees_of_freedom, -abs(self.value) / self.sd))

    def is_nothing(self, margin: float) -> bool:
        """Whether the difference is shown to lie within the margin, at 95 %.

        Two one-sided tests at 5 % each (Schuirmann, J. Pharmacokin. Biopharm. 15, 1987, 657; from
        memory): the 90 % interval lies inside.
        """
        half = self.half_width(0.90)
        return abs(self.value) + half < margin


class CannotCompareError(ValueError):
    """The runs do not allow a comparison; the message says why."""


def plan_of(runs: Sequence[Run]) -> str:
    """The order in which the setups were run.

    >>> plan_of([Run(b, hour, 0.0, 0.0) for hour, b in enumerate((False, True, True, False))])
    'ABBA'
    """
    return "".join("B" if run.is_b else "A" for run in sorted(runs, key=lambda run: run.hour))


def difference(runs: Sequence[Run], history: Scatter = NO_HISTORY) -> Difference:
    """B minus A from the runs of one day.

    Parameters
    ----------
    runs : sequence of Run
    history : Scatter
        How far this car's runs of one setup differed on other days.

    Raises
    ------
    CannotCompareError
        If one setup was not run, the order of runs hides a drift of the day, or there are too few
        runs to see how far runs of one setup differ.

    Notes
    -----
    Least squares on setup and an even drift over the day. The scatter of runs is pooled from this
    day's residuals and from days before by their degrees of freedom and is never less than what the
    runs' own intervals ask for; intervals use Student's t.
    """
    is_b = np.array([run.is_b for run in runs], dtype=np.float64)
    count_b = int(is_b.sum())
    if not 0 < count_b < len(runs):
        msg = f"only setup {'B' if count_b else 'A'} was run"
        raise CannotCompareError(msg)
    hour = np.array([run.hour for run in runs])
    hour = hour - hour.mean()
    side = is_b - is_b.mean()
    shared = float(side @ hour) ** 2 / (float(side @ side) * max(float(hour @ hour), 1e-300))
    if shared > _MOST_SHARED:
        msg = (
            f"the runs went {plan_of(runs)}: what changed over the day (track, tyres, fuel) cannot "
            "be told from the setup"
        )
        raise CannotCompareError(msg)
    design = np.column_stack((np.ones(len(runs)), is_b, hour))
    freedom = len(runs) - 3
    if freedom + history.degrees_of_freedom < 1:
        msg = (
            f"{len(runs)} runs leave nothing to see how far runs of one setup differ; four are "
            "needed, or days before"
        )
        raise CannotCompareError(msg)
    value = np.array([run.value for run in runs])
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ value
    residual = value - design @ coefficients
    own = float(np.mean([run.sd**2 for run in runs]))
    seen = float(residual @ residual)
    pooled = seen + (history.variance + own) * history.degrees_of_freedom
    total = freedom + history.degrees_of_freedom
    variance = max(pooled / total, own)
    return Difference(
        value=float(coefficients[1]),
        sd=math.sqrt(max(variance, 1e-300) * float(inverse[1, 1])),
        degrees_of_freedom=total,
        runs_a=len(runs) - count_b,
        runs_b=count_b,
    )


def scatter_of(days: Sequence[Sequence[Run]]) -> Scatter:
    """How far runs of one setup differ beyond their own unsureness, pooled over days.

    Each day gives what is left of its runs after the setups' means and an even drift.
    """
    squares, own, freedom = 0.0, 0.0, 0
    for runs in days:
        hour = np.array([run.hour for run in runs])
        hour = hour - hour.mean()
        is_b = np.array([run.is_b for run in runs], dtype=np.float64)
        columns = [np.ones(len(runs))]
        columns += [is_b] if 0 < is_b.sum() < len(runs) else []
        columns += [hour] if hour.any() else []
        design = np.column_stack(columns)
        left = len(runs) - int(np.linalg.matrix_rank(design))
        if left < 1:
            continue
        value = np.array([run.value for run in runs])
        residual = value - design @ np.linalg.lstsq(design, value)[0]
        squares += float(residual @ residual)
        own += left * float(np.mean([run.sd**2 for run in runs]))
        freedom += left
    if not freedom:
        return NO_HISTORY
    return Scatter(max(0.0, (squares - own) / freedom), freedom)


def false_discoveries_held(p: FloatArray, rate: float = 0.05) -> NDArray[np.bool_]:
    """Which of many differences may be claimed with a false share of at most ``rate``.

    Source: Benjamini & Hochberg, J. Roy. Stat. Soc. B 57, 1995, 289.

    >>> false_discoveries_held(np.array([0.001, 0.04, 0.03, 0.9])).tolist()
    [True, False, False, False]
    """
    order = np.argsort(p)
    allowed = rate * np.arange(1, len(p) + 1) / len(p)
    under = np.flatnonzero(p[order] <= allowed)
    claimed = np.zeros(len(p), dtype=np.bool_)
    if len(under):
        claimed[order[: under[-1] + 1]] = True
    return claimed


@dataclass(frozen=True, slots=True)
class RunPlan:
    """What it takes to see a difference."""

    order: str
    laps_per_run: int
    power: float


def plan_runs(
    wanted: float,
    lap_sd: float,
    scatter: Scatter,
    laps_per_run: int,
    power: float = 0.9,
    most_runs: int = 24,
) -> RunPlan | None:
    """The shortest order of runs that shows a difference with the wanted power; None if none does.

    Parameters
    ----------
    wanted : float
        Difference that must be seen, in the measure's unit.
    lap_sd : float
        How far laps of one run scatter.
    scatter : Scatter
        How far runs of one setup differ beyond that.
    laps_per_run : int
    power : float
        Probability of a claim at 95 % when the difference is there.
    most_runs : int
    """
    for blocks in range(1, most_runs // 4 + 1):
        order = ("ABBA" + "BAAB") * (blocks // 2) + "ABBA" * (blocks % 2)
        reached = power_of(order, wanted, lap_sd, scatter, laps_per_run)
        if reached >= power:
            return RunPlan(order, laps_per_run, reached)
    return None


def power_of(
    order: str, wanted: float, lap_sd: float, scatter: Scatter, laps_per_run: int
) -> float:
    """Probability that a difference is claimed at 95 % after runs in this order.

    >>> 0.9 < power_of("ABBABAAB", 0.02, 0.01, Scatter(0.005**2, 6), 8) < 1.0
    True
    """
    is_b = np.array([letter == "B" for letter in order], dtype=np.float64)
    hour = np.arange(len(order), dtype=np.float64)
    design = np.column_stack((np.ones(len(order)), is_b, hour))
    unit = float(np.linalg.inv(design.T @ design)[1, 1])
    sd = math.sqrt((scatter.variance + lap_sd**2 / laps_per_run) * unit)
    freedom = len(order) - 3 + scatter.degrees_of_freedom
    if sd == 0:
        return 1.0
    from scipy.stats import nct  # not before it is needed: a second to import

    limit, shift = float(stdtrit(freedom, 0.975)), abs(wanted) / sd
    return float(nct.sf(limit, freedom, shift) + nct.cdf(-limit, freedom, shift))


def smallest_difference(
    order: str, lap_sd: float, scatter: Scatter, laps_per_run: int, power: float = 0.9
) -> float:
    """The smallest difference that runs in this order show with the wanted power."""
    from scipy.optimize import brentq

    unit = max(math.sqrt(scatter.variance + lap_sd**2 / laps_per_run), 1e-300)

    def short(size: float) -> float:
        return power_of(order, size * unit, lap_sd, scatter, laps_per_run) - power

    high = 1.0
    while short(high) < 0 and high < 1e6:
        high *= 2
    return unit * float(brentq(short, 0.0, high, xtol=1e-6))
