"""How each quantity of a pack runs over its life: a line, a step, or nothing beyond chance."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from pipeline.conditions import Conditions, conditions
from pipeline.drift import Line, TooFewUnitsError, by_unit, single_break, step_at, straight_line
from pipeline.estimate import Answer, Estimate, Grade, Missing
from pipeline.regression import student_t
from pipeline.season_session import SeasonSession
from pipeline.signature import QUANTITIES, odds

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

FRICTION = "friction_by_drive_ramps"
FORCE = "spring_force_n"
OIL = "oil_mean_c"
JUDDER, JUDDER_HZ = "judder_amplitude_radps", "judder_frequency_hz"
TEMPERATURES = ("plates_peak_c", "oil_peak_c")
TRACKED = (
    *QUANTITIES, "lock_overrun_to_drive", FRICTION, FORCE, "energy_per_lap_j", *TEMPERATURES,
    JUDDER,
)  # fmt: skip
"""Quantities whose course is shown; only `QUANTITIES` can raise an alarm, since the driving sets
energy and temperatures, and the plates' friction is read off the lock."""

READ = (*TRACKED, OIL, JUDDER_HZ, "stack_loss_m", "lock_hysteresis_drive")
"""What a season reads of a session's numbers."""

# So improbable must a slope or a step be without one, at one look, for all three quantities
# together. A season is looked at after every session and a robust fit has wider tails than
# Student's t; with this at most one steady season of 24 sessions in a hundred raises a false alarm
# (tests/test_pipeline_season.py).
CLAIM_P = 0.0002

# What is claimed to drift or step; friction goes with the lock, and raises no alarm of its own.
_CLAIMED = (*QUANTITIES, FRICTION)
# What the driving sets.
_DRIVEN = ("energy_per_lap_j", *TEMPERATURES)
# What the warmth of the oil moves.
_WARM = (*QUANTITIES, "lock_overrun_to_drive", FRICTION)


@dataclass(frozen=True, slots=True)
class Point:
    """A session's value on the way through a pack's life."""

    session: str
    on: date
    exposure_mj: float
    value: Estimate


@dataclass(frozen=True, slots=True)
class Series:
    """What a course is judged by, one value a unit, in order; arrays of shape (n,)."""

    units: str
    """What one value stands for: ``"sessions"``, ``"test days"``, ``"circuits"``."""
    days: tuple[tuple[date, date], ...]
    """First and last."""
    exposure_mj: FloatArray
    value: FloatArray
    sd: FloatArray
    beside: FloatArray
    """What else differed, fitted along, shape (n, k)."""

    @property
    def freedom(self) -> int:
        """Units beyond those that a line or a step needs."""
        return len(self.value) - 2 - int(self.beside.shape[1])


@dataclass(frozen=True, slots=True)
class Step:
    """A change all at once that chance does not explain, and a straight line explains less well."""

    after: int
    """It lies between this unit, counted from 0, and the next."""
    last_before: date
    first_after: date
    first_mj: float
    """Where the values after it begin."""
    by: Estimate
    p: float


class Movement(StrEnum):
    """What may be said of a slope."""

    DRIFTS = "drifts"
    MAY_DRIFT = "may drift, too little to claim it"
    MOVES = "moves"
    """Of what the driving sets: it needs no proof against a season of false ones."""
    FOLLOWS = "changes with breakaway torque and lock"
    """Of the washers' force, which is the one over the other: those two are judged."""
    STEADY = "no drift beyond chance"


@dataclass(frozen=True, slots=True)
class Course:
    """One quantity over a pack's life."""

    quantity: str
    points: tuple[Point, ...]
    line: Line | None
    """Through all units, or through those after a step."""
    why_no_line: str
    units: str
    drifts: bool
    """Whether the slope is claimed to be real."""
    step: Step | None
    beside: tuple[str, ...] = ()
    """What else differed, and whether it was taken out, a clause each."""
    unresolved: str = ""
    """What cannot be told from wear, so that nothing is claimed; empty when nothing."""
    warmth: Estimate | None = None
    """What 10 K more of the oil do, where that was taken out."""
    series: Series | None = field(default=None, compare=False)

    @property
    def now(self) -> Answer:
        """The quantity at the latest session, by the line."""
        if self.line is None:
            return Missing(self.why_no_line)
        last = self.points[-1]
        return self._by_line(*self.line.at(last.exposure_mj), last.value.unit)

    @property
    def change_per_mj(self) -> Answer:
        """Slope along the energy. [unit/MJ]"""
        if self.line is None:
            return Missing(self.why_no_line)
        unit = f"{self.points[-1].value.unit}/MJ"
        return self._by_line(self.line.slope, self.line.slope_half_width(), unit)

    @property
    def movement(self) -> Movement:
        """What may be said of the slope."""
        change = self.change_per_mj
        if self.drifts:
            return Movement.DRIFTS
        if isinstance(change, Missing) or change.low <= 0 <= change.high:
            return Movement.STEADY
        if self.quantity == FORCE:
            return Movement.FOLLOWS
        return Movement.MOVES if self.quantity in _DRIVEN else Movement.MAY_DRIFT

    @property
    def grade(self) -> Grade:
        """The weakest of the sessions' grades."""
        return max((point.value.grade for point in self.points), key=list(Grade).index)

    def _by_line(self, value: float, half: float, unit: str) -> Estimate:
        assert self.line is not None
        count = self.line.units
        method = f"robust line through {count} {self.units}"
        return Estimate(value, value - half, value + half, unit, count, self.grade, method)


def course_of(name: str, sessions: Sequence[SeasonSession], exposure_mj: FloatArray) -> Course:
    """The course of one quantity.

    Parameters
    ----------
    name : str
        One of `TRACKED`.
    sessions : sequence of SeasonSession
        Of one life, in order of time.
    exposure_mj : array, shape (sessions,)
        Energy through the plates at the middle of each session.
    """
    told = [i for i, session in enumerate(sessions) if name in session.estimates]
    points = tuple(
        Point(sessions[i].id, sessions[i].on, float(exposure_mj[i]), sessions[i].estimates[name])
        for i in told
    )
    if name == JUDDER:
        why = "judder is told by the sessions that show it"
        return Course(name, points, None, why, "sessions", drifts=False, step=None)
    if not points and any(name in session.assumed for session in sessions):
        why = "assumed from the build sheet's ranges; a logged oil temperature would show it"
        return Course(name, (), None, why, "sessions", drifts=False, step=None)
    series, beside = _series(name, points, [sessions[i] for i in told])
    try:
        line = straight_line(series.exposure_mj, series.value, series.sd, series.beside)
    except TooFewUnitsError as problem:
        why = problem.said_of(series.units)
        return Course(name, points, None, why, series.units, False, None, beside.said)
    step = _step(name, points, series, beside)
    why = ""
    found: Line | None = line
    warmth = _warmth_effect(line, points) if beside.warmth else None
    if step is not None:
        found, why = _line_after(step, series)
        warmth = _warmth_beside(step, series, points) if beside.warmth else None
    return Course(
        quantity=name,
        points=points,
        line=found,
        why_no_line=why,
        units=series.units,
        drifts=found is not None and _is_claimed(name, found.slope_p, beside),
        step=step,
        beside=beside.said,
        unresolved=beside.unresolved,
        warmth=warmth,
        series=series,
    )


def _is_claimed(name: str, p: float, beside: Conditions) -> bool:
    return name in _CLAIMED and not beside.unresolved and p < CLAIM_P / len(QUANTITIES)


def _series(
    name: str, points: Sequence[Point], sessions: Sequence[SeasonSession]
) -> tuple[Series, Conditions]:
    """The values by unit, and what is beside them."""
    exposure = np.array([point.exposure_mj for point in points])
    value = np.array([point.value.value for point in points])
    sd = np.array([point.value.half_width / 1.96 for point in points])
    oil = np.array([_oil_c(name, session) for session in sessions])
    days, day = np.unique([point.on.toordinal() for point in points], return_inverse=True)
    units = "sessions" if len(days) == len(points) else "test days"
    places: list[str] = ["" for _ in days]
    for at, session in zip(day.tolist(), sessions, strict=True):
        if session.place not in places[at]:
            places[at] = f"{places[at]} and {session.place}" if places[at] else session.place
    if units == "test days":
        oil = np.bincount(day, oil) / np.bincount(day)
        exposure, value, sd = by_unit(exposure, value, sd, day)
    called = "circuits and tyres" if any(session.tyres for session in sessions) else "circuits"
    beside = conditions(exposure, oil, places, called)
    spans = [(date.fromordinal(int(each)), date.fromordinal(int(each))) for each in days]
    if beside.circuit is not None:
        units = called
        exposure, value, sd = by_unit(exposure, value, sd, beside.circuit)
        spans = [
            (spans[int(at[0])][0], spans[int(at[-1])][1])
            for unit in range(len(value))
            if len(at := np.flatnonzero(beside.circuit == unit))
        ]
    return Series(units, tuple(spans), exposure, value, sd, beside.columns), beside


def _oil_c(name: str, session: SeasonSession) -> float:
    oil = session.estimates.get(OIL)
    return math.nan if oil is None or name not in _WARM else oil.value


def _step(name: str, points: Sequence[Point], series: Series, beside: Conditions) -> Step | None:
    if name not in _CLAIMED:
        return None
    found = single_break(series.exposure_mj, series.value, series.sd, series.beside)
    if found is None or found.over_line <= 0 or not _is_claimed(name, found.p, beside):
        return None
    half = found.sd * student_t(series.freedom)
    grade = max((point.value.grade for point in points), key=list(Grade).index)
    by = Estimate(
        found.step, found.step - half, found.step + half, points[-1].value.unit,
        len(series.value), grade, f"difference of the mean {series.units} before and after",
    )  # fmt: skip
    behind = found.after + 1
    return Step(
        found.after, series.days[found.after][1], series.days[behind][0],
        float(series.exposure_mj[behind]), by, found.p,
    )  # fmt: skip


def _line_after(step: Step, series: Series) -> tuple[Line | None, str]:
    """A line through what came after a step; what came before it was another state of the pack."""
    behind = slice(step.after + 1, None)
    beside = series.beside[behind] - np.mean(series.beside[behind], axis=0)
    beside = beside[:, np.ptp(beside, axis=0) > 0]
    if np.linalg.matrix_rank(beside) < beside.shape[1]:
        return None, f"{series.units} since the step: too few for what else differed"
    values = series.exposure_mj[behind], series.value[behind], series.sd[behind]
    try:
        return straight_line(*values, beside), ""
    except TooFewUnitsError as problem:
        return None, problem.said_of(f"{series.units} since the step")


def _warmth_beside(step: Step, series: Series, points: Sequence[Point]) -> Estimate | None:
    """What warmth does, the step taken out as well."""
    stepped = (np.arange(len(series.value)) > step.after).astype(np.float64)
    beside = np.column_stack((stepped - stepped.mean(), series.beside))
    try:
        line = straight_line(series.exposure_mj, series.value, series.sd, beside)
    except TooFewUnitsError:
        return None
    return _warmth_effect(line, points)


def _warmth_effect(line: Line, points: Sequence[Point]) -> Estimate:
    value, half = float(line.effects[-1]), float(line.effects_sd[-1])
    half *= student_t(line.degrees_of_freedom)
    last = points[-1].value
    return Estimate(
        value, value - half, value + half, f"{last.unit}/10 K", line.units, last.grade,
        "fitted along with the course",
    )  # fmt: skip


def odds_of(courses: Mapping[str, Course]) -> tuple[Mapping[str, float] | None, str]:
    """The odds of what is changing, by what changes together; or why there are none."""
    told = [courses[name] for name in QUANTITIES]
    absent = next((course for course in told if course.series is None), None)
    if absent is not None:
        return None, absent.why_no_line
    stepped = [course for course in told if course.step is not None]
    if stepped:
        surest = min(stepped, key=lambda course: course.step.p if course.step else 1.0)
        assert surest.step is not None
        changes = [_relative_step(course, surest.step.first_mj) for course in told]
    else:
        changes = [_relative_drift(course) for course in told]
    known = [change for change in changes if change is not None]
    if len(known) < len(changes):
        return None, "a quantity is not above zero or has too few values to change in proportion"
    return odds(np.array([each for each, _ in known]), np.diag([sd**2 for _, sd in known])), ""


def _relative_drift(course: Course) -> tuple[float, float] | None:
    """Change over the life as a share of the level, with its standard deviation."""
    line = course.line
    if line is None or line.level <= 0:
        return None
    span = course.points[-1].exposure_mj / line.level
    # Student's t has wider tails than the normal the odds are taken from.
    wide = student_t(line.degrees_of_freedom) / 1.96
    return line.slope * span, wide * math.sqrt(line.covariance[1, 1]) * span


def _relative_step(course: Course, first_mj: float) -> tuple[float, float] | None:
    """The same for a change at a place that is known."""
    series = course.series
    assert series is not None
    after = int(np.searchsorted(series.exposure_mj, first_mj)) - 1
    level = float(np.mean(series.value))
    if not 0 <= after < len(series.value) - 1 or level <= 0:
        return None
    step, sd = step_at(series.value, series.sd, after, series.beside)
    return step / level, sd * student_t(series.freedom) / 1.96 / level
