"""What a logbook's sessions say together: the lives of its packs, their drift and condition.

The exposure that wears a pack is the energy its plates have turned into heat since it was built.
One value per session enters; nothing before a build or a re-shim enters what comes after it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.drift import (
    Break,
    Line,
    TooFewUnitsError,
    by_unit,
    single_break,
    straight_line,
)
from pipeline.estimate import Answer, Estimate, Grade, Missing
from pipeline.regression import student_t
from pipeline.service_record import Entry, ServiceEntry, breakaway_of
from pipeline.signature import QUANTITIES, odds

FloatArray = NDArray[np.float64]

TRACKED = (*QUANTITIES, "lock_overrun_to_drive", "energy_per_lap_j")
"""Quantities whose course is shown; only `QUANTITIES` can raise an alarm, since the driving sets
the energy."""

# So improbable must a slope be without drift, at one look, for all three quantities together. A
# season is looked at after every session and a robust fit has wider tails than Student's t; with
# this at most one steady season of 24 sessions in a hundred raises a false alarm
# (tests/test_pipeline_season.py).
CLAIM_P = 0.0002
_BREAK_P = 0.0005
_SEED = 20260412


class Condition(StrEnum):
    """How a pack is."""

    SOUND = "sound"
    WATCH = "watch"
    SERVICE_DUE = "service due"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class SeasonSession:
    """One session as the season sees it."""

    id: str
    name: str
    on: date
    build: str
    circuit: str
    laps: int
    hours: float
    energy_j: float | None
    """All of the log, counted laps or not; None when no lap's energy is known."""
    estimates: Mapping[str, Estimate]


@dataclass(frozen=True, slots=True)
class Undated:
    """A session that has no place in time."""

    id: str
    reason: str


@dataclass(frozen=True, slots=True)
class Point:
    """A session's value on the way through a pack's life."""

    session: str
    on: date
    exposure_mj: float
    value: Estimate


@dataclass(frozen=True, slots=True)
class BenchPoint:
    """A bench check on the way through a pack's life, as a breakaway torque."""

    on: date
    exposure_mj: float
    breakaway_nm: float
    """Of a steady reading; one taken while breaking loose is of static friction, and higher."""


@dataclass(frozen=True, slots=True)
class Course:
    """One quantity over a pack's life."""

    quantity: str
    points: tuple[Point, ...]
    line: Line | None
    why_no_line: str
    units: str
    """What the line goes through: ``"sessions"`` or ``"test days"``."""
    drifts: bool
    """Whether the slope is claimed to be real."""
    step: Break | None
    """A step that chance does not explain; counted in sessions."""

    @property
    def now(self) -> Answer:
        """The quantity at the latest session, by the line."""
        if self.line is None:
            return Missing(self.why_no_line)
        last = self.points[-1]
        value, half = self.line.at(last.exposure_mj)
        return _estimate(value, half, last.value.unit, self)

    @property
    def change_per_mj(self) -> Answer:
        """Slope along the energy. [unit/MJ]"""
        if self.line is None:
            return Missing(self.why_no_line)
        half = self.line.slope_half_width()
        return _estimate(self.line.slope, half, f"{self.points[-1].value.unit}/MJ", self)


def _estimate(value: float, half: float, unit: str, course: Course) -> Estimate:
    grades = {point.value.grade for point in course.points}
    weakest = max(grades, key=list(Grade).index)
    assert course.line is not None
    return Estimate(
        value, value - half, value + half, unit, course.line.units, weakest,
        f"robust line through {course.line.units} {course.units}",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the breakaway torque reaches its limit, as an interval ahead of the latest session."""

    limit_nm: float
    earliest_mj: float
    latest_mj: float
    """Infinite when the line may never come there."""
    j_per_lap: float | None

    def laps(self, energy_mj: float) -> float | None:
        """Laps at today's pace, None when that is not known."""
        return None if self.j_per_lap is None else energy_mj * 1e6 / self.j_per_lap


@dataclass(frozen=True, slots=True)
class PackLife:
    """A pack from its build to its strip-down or to today."""

    build: str
    since: date
    started_by: str
    ended: date | None
    """When the service record says that the pack was built or shimmed anew."""
    sessions: tuple[SeasonSession, ...]
    entries: tuple[ServiceEntry, ...]
    bench_checks: tuple[BenchPoint, ...]
    """Drawn beside the course, not part of it: the bench turns slowly and cold."""
    exposure_mj: float
    energy_guessed: int
    """Sessions whose energy is not known and was taken as the others' mean per lap."""
    laps: int
    hours: float
    courses: Mapping[str, Course]
    odds: Mapping[str, float] | None
    why_no_odds: str
    condition: Condition
    reason: str
    forecast: Forecast | None


@dataclass(frozen=True, slots=True)
class Season:
    """Every life of a logbook's packs, the latest last."""

    lives: tuple[PackLife, ...]
    undated: tuple[Undated, ...] = ()


def season(
    results: Sequence[Mapping[str, Any]],
    record: Sequence[ServiceEntry] = (),
    limits: Mapping[str, float] | None = None,
) -> Season:
    """The season that published session results and the service record tell.

    Parameters
    ----------
    results : sequence of mapping
        Objects of the schema ``sidegear.session/1``.
    record : sequence of ServiceEntry
    limits : mapping
        Lowest value allowed of any of `QUANTITIES`, from the build sheet.
    """
    stated = {entry.note: entry.on for entry in record if entry.entry is Entry.SESSION_DATE}
    sessions: list[SeasonSession] = []
    undated: list[Undated] = []
    for result in results:
        found = _session(result, stated)
        (undated if isinstance(found, Undated) else sessions).append(found)  # type: ignore[arg-type]
    sessions.sort(key=lambda each: (each.on, each.name))
    lives = [_life(stretch, record, limits or {}) for stretch in _cut(sessions, record)]
    return Season(tuple(lives), tuple(undated))


def _session(result: Mapping[str, Any], stated: Mapping[str, date]) -> SeasonSession | Undated:
    about = result["session"]
    on = stated.get(about["id"]) or date_in(about["date"])
    if on is None:
        found = f"'{about['date']}' is no date that reads one way only" if about["date"] else ""
        return Undated(about["id"], found or "its log says no date")
    energies = [lap["energy_j"] for lap in result["laps"] if isinstance(lap["energy_j"], float)]
    return SeasonSession(
        id=about["id"],
        name=about["name"],
        on=on,
        build=about["build"],
        circuit=about["circuit"],
        laps=len(result["laps"]),
        hours=about["duration_s"] / 3600,
        energy_j=sum(energies) if energies else None,
        estimates={
            name: _read_estimate(answer)
            for name, answer in result["estimates"].items()
            if "low" in answer  # a bound from one side has no place in a course
        },
    )


def _read_estimate(answer: Mapping[str, Any]) -> Estimate:
    return Estimate(
        answer["value"], answer["low"], answer["high"], answer["unit"],
        answer["n"], Grade(answer["grade"]), answer["method"], answer["level"],
    )  # fmt: skip


_ISO = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?=\D|$)")
_DOTTED = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?=\D|$)")


def date_in(text: str) -> date | None:
    """The date that a text begins with: ISO 8601, or day.month.year; None for any other.

    Slashes are read day first in some countries and month first in others, so they say no date.

    >>> date_in("2026-04-12 10:15"), date_in("12.4.2026"), date_in("04/12/2026")
    (datetime.date(2026, 4, 12), datetime.date(2026, 4, 12), None)
    """
    iso, dotted = _ISO.match(text.strip()), _DOTTED.match(text.strip())
    if iso is not None:
        parts = [int(part) for part in iso.groups()]
    elif dotted is not None:
        parts = [int(part) for part in reversed(dotted.groups())]
    else:
        return None
    try:
        return date(*parts)
    except ValueError:
        return None


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The sessions of one life, and what bounds it."""

    sessions: list[SeasonSession]
    started_by: str
    since: date
    ended: date | None


def _cut(sessions: Sequence[SeasonSession], record: Sequence[ServiceEntry]) -> list[_Stretch]:
    """The lives in order of their first sessions.

    Setups that take turns keep one life each. An entry that names a build is about that pack alone,
    any other about all; an entry of a session's own day is taken to come before the day's first
    session.
    """
    starts = [entry for entry in record if entry.starts_a_life]
    builds = {session.build for session in sessions}
    stretches: dict[tuple[str, date | None], _Stretch] = {}
    for session in sessions:
        own = [e for e in starts if e.note == session.build or e.note not in builds]
        latest = next((entry for entry in reversed(own) if entry.on <= session.on), None)
        key = (session.build, None if latest is None else latest.on)
        if key not in stretches:
            since = session.on if latest is None else latest.on
            stretches[key] = _Stretch(
                [],
                "the build sheet's build" if latest is None else f"{latest.entry}, service record",
                since,
                min((entry.on for entry in own if entry.on > since), default=None),
            )
        stretches[key].sessions.append(session)
    return list(stretches.values())


def _life(
    stretch: _Stretch, record: Sequence[ServiceEntry], limits: Mapping[str, float]
) -> PackLife:
    sessions, since, ended = stretch.sessions, stretch.since, stretch.ended
    energies, guessed = _energies(sessions)
    ends = np.cumsum(energies) / 1e6
    middles = ends - 0.5 * energies / 1e6
    courses = {name: _course(name, sessions, middles) for name in TRACKED}
    found, why = _odds(courses)
    forecast = _forecast(courses["breakaway_torque_nm"], sessions, float(ends[-1]), limits)
    condition, reason = _condition(courses, forecast, limits)
    entries = tuple(entry for entry in record if since <= entry.on < (ended or date.max))
    named = next((e.note for e in entries if e.entry is Entry.BUILD and e.on == since), "")
    return PackLife(
        build=named or sessions[0].build,
        since=since,
        started_by=stretch.started_by,
        ended=ended,
        sessions=tuple(sessions),
        entries=entries,
        bench_checks=_bench_points(entries, sessions, ends, courses),
        exposure_mj=float(ends[-1]),
        energy_guessed=guessed,
        laps=sum(session.laps for session in sessions),
        hours=sum(session.hours for session in sessions),
        courses=courses,
        odds=found,
        why_no_odds=why,
        condition=condition,
        reason=reason,
        forecast=forecast,
    )


def _bench_points(
    entries: Sequence[ServiceEntry],
    sessions: Sequence[SeasonSession],
    ends: FloatArray,
    courses: Mapping[str, Course],
) -> tuple[BenchPoint, ...]:
    locks = {
        ramps: now.value
        for ramps in ("drive", "overrun")
        if isinstance(now := courses[f"lock_{ramps}"].now, Estimate)
    }
    points = []
    for entry in entries:
        torque = breakaway_of(entry, locks)
        if torque is not None:
            done = sum(session.on < entry.on for session in sessions)
            points.append(BenchPoint(entry.on, float(ends[done - 1]) if done else 0.0, torque))
    return tuple(points)


def _energies(sessions: Sequence[SeasonSession]) -> tuple[FloatArray, int]:
    """Energy of each session [J], and how many of them had to be guessed."""
    known = [(each.energy_j, each.laps) for each in sessions if each.energy_j is not None]
    laps = sum(count for _, count in known)
    per_lap = sum(energy for energy, _ in known) / laps if laps else 0.0
    energies = [
        per_lap * each.laps if each.energy_j is None else each.energy_j for each in sessions
    ]
    return np.array(energies), len(sessions) - len(known)


def _course(name: str, sessions: Sequence[SeasonSession], exposure: FloatArray) -> Course:
    points = tuple(
        Point(session.id, session.on, float(at), session.estimates[name])
        for session, at in zip(sessions, exposure, strict=True)
        if name in session.estimates
    )
    at = np.array([point.exposure_mj for point in points])
    value = np.array([point.value.value for point in points])
    sd = np.array([point.value.half_width / 1.96 for point in points])
    days = np.array([point.on.toordinal() for point in points], dtype=np.intp)
    shared = len(np.unique(days)) < len(days)
    units = "test days" if shared else "sessions"
    step = None
    try:
        line = straight_line(*(by_unit(at, value, sd, days) if shared else (at, value, sd)))
    except TooFewUnitsError as problem:
        return Course(name, points, None, f"{units}: {problem}", units, False, None)
    drifts = name in QUANTITIES and line.slope_p < CLAIM_P / len(QUANTITIES)
    if not shared:
        trend = value - (line.slope * (at - line.centre) if drifts else 0.0)
        step = single_break(trend, sd, rng=np.random.default_rng(_SEED))
    if step is not None and step.p > _BREAK_P:
        step = None
    return Course(name, points, line, "", units, drifts, step)


def _odds(courses: Mapping[str, Course]) -> tuple[Mapping[str, float] | None, str]:
    lines = [courses[name].line for name in QUANTITIES]
    if any(line is None for line in lines):
        absent = next(courses[name] for name in QUANTITIES if courses[name].line is None)
        return None, absent.why_no_line
    known = [line for line in lines if line is not None]
    if any(line.level <= 0 for line in known):
        return None, "a quantity is not above zero, so nothing changes in proportion to it"
    span = courses[QUANTITIES[0]].points[-1].exposure_mj
    change = np.array([line.slope * span / line.level for line in known])
    # Student's t has wider tails than the normal the odds are taken from.
    wide = [student_t(line.degrees_of_freedom) / 1.96 for line in known]
    sd = np.array(
        [
            factor * math.sqrt(line.covariance[1, 1]) * span / line.level
            for factor, line in zip(wide, known, strict=True)
        ]
    )
    return odds(change, np.diag(sd**2)), ""


def _forecast(
    course: Course, sessions: Sequence[SeasonSession], now_mj: float, limits: Mapping[str, float]
) -> Forecast | None:
    limit = limits.get(course.quantity)
    if limit is None or course.line is None:
        return None
    earliest, latest = course.line.reaches(limit)
    pace = sessions[-1].estimates.get("energy_per_lap_j")
    return Forecast(
        limit, max(0.0, earliest - now_mj), max(0.0, latest - now_mj),
        None if pace is None or pace.value <= 0 else pace.value,
    )  # fmt: skip


def _condition(
    courses: Mapping[str, Course], forecast: Forecast | None, limits: Mapping[str, float]
) -> tuple[Condition, str]:
    below = [
        (name, now)
        for name in QUANTITIES
        if name in limits and isinstance(now := courses[name].now, Estimate)
        if now.high < limits[name]
    ]
    if below:
        name, now = below[0]
        return Condition.SERVICE_DUE, f"{SAID[name]} is below its limit for service"
    told = [courses[name] for name in QUANTITIES if courses[name].line is not None]
    if not told:
        return Condition.CANNOT_TELL, courses[QUANTITIES[0]].why_no_line
    drifting = [course for course in told if course.drifts]
    if not drifting:
        return Condition.SOUND, "nothing drifts beyond what sessions differ by anyhow"
    said = " and ".join(SAID[course.quantity] for course in drifting)
    typical = _typical_session_mj(drifting[0])
    if forecast is not None and forecast.earliest_mj <= typical and _falls(drifting):
        return Condition.SERVICE_DUE, f"{said} drifts and may reach its limit within one session"
    return Condition.WATCH, f"{said} drifts"


def _falls(courses: Sequence[Course]) -> bool:
    return any(
        course.quantity == "breakaway_torque_nm"
        and course.line is not None
        and course.line.slope < 0
        for course in courses
    )


def _typical_session_mj(course: Course) -> float:
    steps = np.diff([point.exposure_mj for point in course.points])
    return float(np.median(steps)) if len(steps) else 0.0


SAID = {
    "breakaway_torque_nm": "the breakaway torque",
    "lock_drive": "the lock on drive",
    "lock_overrun": "the lock on overrun",
    "lock_overrun_to_drive": "overrun lock over drive lock",
    "energy_per_lap_j": "the energy per lap",
}
"""Each tracked quantity in words."""
