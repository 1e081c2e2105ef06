"""What a logbook's sessions say together: the lives of its packs, their drift and condition.

The exposure that wears a pack is the energy its plates have turned into heat since it was built.
One value per session enters; nothing before a build or a re-shim enters what comes after it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench_agreement import Agreement, BenchBeside, agreements
from pipeline.courses import TRACKED, Course, course_of, odds_of
from pipeline.estimate import Estimate, Grade
from pipeline.season_session import SeasonSession, Undated, read_session
from pipeline.service_record import Entry, ServiceEntry, breakaway_of
from pipeline.signature import QUANTITIES

FloatArray = NDArray[np.float64]


class Condition(StrEnum):
    """How a pack is."""

    SOUND = "sound"
    WATCH = "watch"
    SERVICE_DUE = "service due"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class BenchPoint:
    """A bench check on the way through a pack's life, as a breakaway torque."""

    on: date
    exposure_mj: float
    breakaway_nm: float
    """Of a steady reading; one taken while breaking loose is of static friction, and higher."""
    method: str


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
    bench: tuple[Agreement, ...] = ()
    """Bench checks against the log, by method, over all lives."""
    teardowns: tuple[ServiceEntry, ...] = ()
    """What was looked at with a unit apart, in order of date."""


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
        found = read_session(result, stated)
        (undated if isinstance(found, Undated) else sessions).append(found)  # type: ignore[arg-type]
    sessions.sort(key=lambda each: (each.on, each.name))
    lives = [_life(stretch, record, limits or {}) for stretch in _cut(sessions, record)]
    checks = [each for life in lives for each in _beside_the_log(life)]
    apart = tuple(each for each in record if each.entry is Entry.TEARDOWN and each.method)
    return Season(tuple(lives), tuple(undated), agreements(checks), apart)


def _beside_the_log(life: PackLife) -> Iterator[BenchBeside]:
    course = life.courses["breakaway_torque_nm"]
    for check in life.bench_checks:
        first_mj = 0.0 if course.step is None else course.step.first_mj
        told = course.line is not None and check.exposure_mj >= first_mj
        log, half = course.line.at(check.exposure_mj) if course.line and told else (None, 0.0)
        grade = course.grade if course.points else Grade.MEASURED
        yield BenchBeside(check.on, check.method, check.breakaway_nm, log, half, grade)


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
    courses = {name: course_of(name, sessions, middles) for name in TRACKED}
    found, why = odds_of(courses)
    forecast = _forecast(courses["breakaway_torque_nm"], sessions, float(ends[-1]), limits)
    condition, reason = _condition(courses, forecast, limits, record)
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
            at = float(ends[done - 1]) if done else 0.0
            points.append(BenchPoint(entry.on, at, torque, entry.method))
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
    courses: Mapping[str, Course],
    forecast: Forecast | None,
    limits: Mapping[str, float],
    record: Sequence[ServiceEntry],
) -> tuple[Condition, str]:
    told = [courses[name] for name in QUANTITIES if courses[name].series is not None]
    for course in told:
        limit = limits.get(course.quantity)
        if limit is not None and isinstance(now := course.now, Estimate) and now.high < limit:
            return Condition.SERVICE_DUE, f"{SAID[course.quantity]} is below its limit for service"
    if not told:
        return Condition.CANNOT_TELL, courses[QUANTITIES[0]].why_no_line
    drifting = [course for course in told if course.drifts]
    if drifting:
        said = f"{_and(drifting)} drifts" if len(drifting) == 1 else f"{_and(drifting)} drift"
        typical = _typical_session_mj(drifting[0])
        if forecast is not None and forecast.earliest_mj <= typical and _falls(drifting):
            return Condition.SERVICE_DUE, f"{said} and may reach a limit within one session"
        return Condition.WATCH, said
    stepped = [course for course in told if course.step is not None]
    if stepped:
        return Condition.WATCH, f"{_and(stepped)} changed at once {_when(stepped[0], record)}"
    unresolved = [course for course in told if course.unresolved]
    if unresolved:
        return Condition.CANNOT_TELL, (
            f"too few sessions yet to tell wear from {unresolved[0].unresolved}, which differed too"
        )
    return Condition.SOUND, "nothing drifts beyond what sessions differ by anyhow"


def _and(courses: Sequence[Course]) -> str:
    *first, last = (SAID[course.quantity] for course in courses)
    return f"{', '.join(first)} and {last}" if first else last


def _when(course: Course, record: Sequence[ServiceEntry]) -> str:
    """Between which days a step lies, and what the service record says of them."""
    step = course.step
    assert step is not None
    done = [
        f"{entry.entry} on {entry.on.isoformat()}"
        for entry in record
        if step.last_before <= entry.on <= step.first_after
        and entry.entry not in (Entry.SESSION_DATE, Entry.BENCH_CHECK)
    ]
    noted = f" ({', '.join(done)})" if done else ""
    return f"between {step.last_before.isoformat()} and {step.first_after.isoformat()}{noted}"


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
    "friction_by_drive_ramps": "the plates' friction",
    "spring_force_n": "the washers' force",
    "energy_per_lap_j": "the energy per lap",
    "plates_peak_c": "the plates' peak temperature",
    "oil_peak_c": "the oil's peak temperature",
    "judder_amplitude_radps": "the judder",
}
"""Each tracked quantity in words."""
