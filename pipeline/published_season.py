"""The documented, versioned JSON object of a season, and its sentences."""

from __future__ import annotations

import math
from typing import Any

from pipeline.courses import JUDDER, JUDDER_HZ, Course, Movement
from pipeline.estimate import Estimate, Missing
from pipeline.printed import counted, odds_words
from pipeline.published import answer_object
from pipeline.season import SAID, Forecast, PackLife, Season
from pipeline.service_record import ServiceEntry

SCHEMA = "sidegear.season/1"
"""Name and version. Within version 1 keys are only added, never renamed or removed."""


def to_object(season: Season) -> dict[str, Any]:
    """The season as plain JSON types; a missing number carries its reason."""
    return {
        "schema": SCHEMA,
        "lives": [_life(life) for life in season.lives],
        "undated": [{"id": each.id, "reason": each.reason} for each in season.undated],
        "bench_against_log": [
            {
                "method": each.method,
                "checks": each.checks,
                "bias": answer_object(each.bias_nm),
                "repeatability": answer_object(each.repeatability_nm),
            }
            for each in season.bench
        ],
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
        "now": answer_object(course.now),
        "change_per_mj": answer_object(course.change_per_mj),
        "drifts": course.drifts,
        "step": None
        if step is None
        else {
            "after": step.after,
            "last_before": step.last_before.isoformat(),
            "first_after": step.first_after.isoformat(),
            "by": step.by.value,
            "low": step.by.low,
            "high": step.by.high,
            "p": step.p,
        },
        "units": course.units,
        "beside": list(course.beside),
        "per_10_k_of_oil": None if course.warmth is None else answer_object(course.warmth),
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
    courses = life.courses.values()
    if life.odds is not None and any(course.drifts or course.step for course in courses):
        name = max(life.odds, key=life.odds.__getitem__)
        said.append(f"Most likely {name} ({odds_words(life.odds[name])}).")
    if life.forecast is not None:
        said.append(_forecast_said(life.forecast))
    said += [_course_said(course) for course in courses if course.series is not None]
    said += [text for text in (_beside_said(life), _judder_said(life)) if text]
    if life.energy_guessed:
        said.append(
            f"The energy of {life.energy_guessed} of the sessions is not known and was taken as "
            "the others' per lap."
        )
    return said


_SHOWN = {
    "breakaway_torque_nm": (1.0, " N·m", 1),
    "lock_drive": (100.0, " %", 1),
    "lock_overrun": (100.0, " %", 1),
    "lock_overrun_to_drive": (1.0, "", 2),
    "friction_by_drive_ramps": (1.0, "", 3),
    "spring_force_n": (1.0, " N", 0),
    "energy_per_lap_j": (1e-3, " kJ", 1),
    "plates_peak_c": (1.0, " °C", 0),
    "oil_peak_c": (1.0, " °C", 0),
}
"""Factor, unit and decimals in which each tracked quantity is printed."""


_MOVEMENT = {
    Movement.DRIFTS: "drifts by",
    Movement.MAY_DRIFT: "may drift, too little to claim it:",
    Movement.MOVES: "moves by",
    Movement.FOLLOWS: "changes with breakaway torque and lock by",
    Movement.STEADY: "shows no drift beyond chance:",
}


def _course_said(course: Course) -> str:
    now, change = course.now, course.change_per_mj
    name = f"{SAID[course.quantity][:1].upper()}{SAID[course.quantity][1:]}"
    scale, unit, places = _SHOWN[course.quantity]
    said = ""
    if course.step is not None:
        by = course.step.by
        ends = f"{scale * by.low:+.{places}f} to {scale * by.high:+.{places}f}"
        said = (
            f"{name} changed at once by {scale * by.value:+.{places}f}{unit} ({ends}) between "
            f"{course.step.last_before.isoformat()} and {course.step.first_after.isoformat()}"
        )
    if isinstance(now, Missing) or isinstance(change, Missing):
        return f"{said or name + ' has no course yet'}; {course.why_no_line}."
    ends = f"{scale * now.low:.{places}f} to {scale * now.high:.{places}f}"
    drift = f"{scale * change.low:+.{places + 1}f} to {scale * change.high:+.{places + 1}f}{unit}"
    return (
        f"{said + '; since then it' if said else name} is {scale * now.value:.{places}f}{unit} "
        f"({ends}); it {_MOVEMENT[course.movement]} {drift} per MJ "
        f"({now.n} {course.units}, {now.grade})."
    )


def bench_sentences(season: Season) -> list[str]:
    """How bench checks and the log agree, a sentence a method."""
    said = []
    for each in season.bench:
        if not isinstance(each.bias_nm, Estimate):
            continue
        bias = each.bias_nm
        count = f"{counted(each.checks, 'check')}, {counted(bias.n, 'day')} with a course"
        text = (
            f"Bench against log, {each.method}: the bench reads {bias.value:+.1f} N·m "
            f"({bias.low:+.1f} to {bias.high:+.1f}) beside the log, {count}"
        )
        if isinstance(each.repeatability_nm, Estimate):
            sd = each.repeatability_nm
            text += f"; readings of one day scatter by {sd.value:.1f} N·m ({sd.low:.1f} to "
            text += f"{sd.high:.1f}, one standard deviation)"
        said.append(f"{text}.")
    return said


def _beside_said(life: PackLife) -> str:
    """What else differed between the sessions, and what warmth did."""
    courses = life.courses.values()
    course = next((each for each in courses if each.series is not None and each.beside), None)
    if course is None:
        return ""
    effects = [
        f"{SAID[each.quantity]} {scale * each.warmth.low:+.{places + 1}f} to "
        f"{scale * each.warmth.high:+.{places + 1}f}{unit}"
        for each in courses
        if each.warmth is not None
        for scale, unit, places in (_SHOWN[each.quantity],)
    ]
    warm = f" With 10 K warmer oil: {', '.join(effects)}." if effects else ""
    first, *rest = course.beside
    return f"{'; '.join([first[:1].upper() + first[1:], *rest])}.{warm}"


def _judder_said(life: PackLife) -> str:
    points = life.courses[JUDDER].points
    if not points:
        return ""
    frequency = life.sessions[-1].estimates.get(JUDDER_HZ)
    last = "" if frequency is None else f", in the latest at {frequency.value:.1f} Hz"
    return (
        f"The packs judder in {len(points)} of {len(life.sessions)} sessions, first on "
        f"{points[0].on.isoformat()}{last}."
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
