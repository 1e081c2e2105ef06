"""The documented, versioned JSON object of a season, and its sentences."""

from __future__ import annotations

import math
from typing import Any

from pipeline.estimate import Answer, Missing
from pipeline.season import SAID, Course, Forecast, PackLife, Season
from pipeline.service_record import ServiceEntry

SCHEMA = "sidegear.season/1"
"""Name and version. Within version 1 keys are only added, never renamed or removed."""


def to_object(season: Season) -> dict[str, Any]:
    """The season as plain JSON types; a missing number carries its reason."""
    return {
        "schema": SCHEMA,
        "lives": [_life(life) for life in season.lives],
        "undated": [{"id": each.id, "reason": each.reason} for each in season.undated],
    }


def _life(life: PackLife) -> dict[str, Any]:
    return {
        "build": life.build,
        "since": life.since.isoformat(),
        "started_by": life.started_by,
        "ended": None if life.ended is None else life.ended.isoformat(),
        "condition": str(life.condition),
        "reason": life.reason,
        "exposure_mj": life.exposure_mj,
        "sessions_of_guessed_energy": life.energy_guessed,
        "laps": life.laps,
        "hours": life.hours,
        "sessions": [session.id for session in life.sessions],
        "service_entries": [_entry(entry) for entry in life.entries],
        "bench_checks": [
            {
                "date": point.on.isoformat(),
                "exposure_mj": point.exposure_mj,
                "breakaway_torque_nm": point.breakaway_nm,
            }
            for point in life.bench_checks
        ],
        "courses": {name: _course(course) for name, course in life.courses.items()},
        "explanations": {"missing": life.why_no_odds} if life.odds is None else dict(life.odds),
        "forecast": None if life.forecast is None else _forecast(life.forecast),
    }


def _entry(entry: ServiceEntry) -> dict[str, Any]:
    return {
        "date": entry.on.isoformat(),
        "entry": str(entry.entry),
        "value": entry.value,
        "unit": entry.unit,
        "method": entry.method,
        "note": entry.note,
    }


def _course(course: Course) -> dict[str, Any]:
    step = course.step
    return {
        "points": [
            {
                "session": point.session,
                "date": point.on.isoformat(),
                "exposure_mj": point.exposure_mj,
                "value": point.value.value,
                "low": point.value.low,
                "high": point.value.high,
                "grade": str(point.value.grade),
            }
            for point in course.points
        ],
        "now": answer(course.now),
        "change_per_mj": answer(course.change_per_mj),
        "drifts": course.drifts,
        "step": None if step is None else {"after": step.after, "by": step.step, "p": step.p},
    }


def answer(number: Answer) -> dict[str, Any]:
    """A number with its interval, or its reason."""
    if isinstance(number, Missing):
        return {"missing": number.reason}
    return {
        "value": number.value,
        "low": number.low,
        "high": number.high,
        "unit": number.unit,
        "level": number.level,
        "n": number.n,
        "grade": str(number.grade),
        "method": number.method,
    }


def _forecast(forecast: Forecast) -> dict[str, Any]:
    ends = {"earliest_mj": forecast.earliest_mj, "latest_mj": forecast.latest_mj}
    return {
        "limit_nm": forecast.limit_nm,
        **{name: end if math.isfinite(end) else None for name, end in ends.items()},
        "j_per_lap": forecast.j_per_lap,
    }


def sentences(life: PackLife) -> list[str]:
    """What a pack's life says, a sentence a line, the condition first."""
    said = [f"{str(life.condition).capitalize()}: {life.reason}."]
    said += [_course_said(course) for course in life.courses.values() if course.line is not None]
    if life.odds is not None and any(course.drifts for course in life.courses.values()):
        name = max(life.odds, key=life.odds.__getitem__)
        said.append(f"Most likely {name} ({_percent(life.odds[name])}).")
    if life.forecast is not None:
        said.append(_forecast_said(life.forecast))
    if life.energy_guessed:
        said.append(
            f"The energy of {life.energy_guessed} sessions is not known and was taken as the "
            "others' per lap."
        )
    return said


_SHOWN = {
    "breakaway_torque_nm": (1.0, " N·m", 1),
    "lock_drive": (100.0, " %", 1),
    "lock_overrun": (100.0, " %", 1),
    "lock_overrun_to_drive": (1.0, "", 2),
    "energy_per_lap_j": (1e-3, " kJ", 1),
}
"""Factor, unit and decimals in which each tracked quantity is printed."""


def _percent(odds: float) -> str:
    return "over 99 %" if odds > 0.99 else f"{100 * odds:.0f} %"


def _course_said(course: Course) -> str:
    now, change = course.now, course.change_per_mj
    name = SAID[course.quantity]
    if isinstance(now, Missing) or isinstance(change, Missing):
        return f"{name[:1].upper()}{name[1:]} has no course yet; {course.why_no_line}."
    scale, unit, places = _SHOWN[course.quantity]
    ends = f"{scale * now.low:.{places}f} to {scale * now.high:.{places}f}"
    drift = f"{scale * change.low:+.2f} to {scale * change.high:+.2f}{unit} per MJ"
    return (
        f"{name[:1].upper()}{name[1:]} is {scale * now.value:.{places}f}{unit} ({ends}); it "
        f"{'drifts by' if course.drifts else 'shows no drift beyond chance:'} {drift} "
        f"({now.n} {course.units}, {now.grade})."
    )


def _forecast_said(forecast: Forecast) -> str:
    limit = f"its limit of {forecast.limit_nm:.0f} N·m"
    if forecast.latest_mj <= 0:
        return f"The breakaway torque has passed {limit}."
    if math.isinf(forecast.earliest_mj):
        return f"The breakaway torque has {limit} not in sight."
    laps = forecast.laps(forecast.earliest_mj)
    at_pace = "" if laps is None else f", {laps:.0f} laps at today's pace"
    soonest = f"The breakaway torque reaches {limit} in {forecast.earliest_mj:.1f} MJ{at_pace}"
    if math.isinf(forecast.latest_mj):
        return f"{soonest}, at the soonest; it may never."
    later = forecast.laps(forecast.latest_mj)
    at_pace = "" if later is None else f" ({later:.0f} laps)"
    return f"{soonest}, at the soonest, and in {forecast.latest_mj:.1f} MJ{at_pace} at the latest."
