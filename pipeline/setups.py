"""A day's runs of two setups side by side: every measure with its difference and a verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any

import numpy as np

from pipeline.comparison import (
    NO_HISTORY,
    CannotCompareError,
    Difference,
    Run,
    RunPlan,
    Scatter,
    difference,
    false_discoveries_held,
    plan_of,
    plan_runs,
    scatter_of,
)
from pipeline.season_session import date_in

Result = Mapping[str, Any]
"""A published session result, ``sidegear.session/1``."""
Seen = tuple[float, float] | None
"""A run's value and how unsure its own laps leave it."""


@dataclass(frozen=True, slots=True)
class Measure:
    """Something that a setup may change."""

    name: str
    said: str
    unit: str
    margin: float
    """Smaller differences are of no practical use. Chosen by us; the user may state another."""
    of: Callable[[Result], Seen]
    margin_is_share: bool = False
    """Whether the margin is a share of setup A's value."""


def _estimate(name: str) -> Callable[[Result], Seen]:
    return lambda result: _seen(result["estimates"].get(name, {}))


def _seen(answer: Mapping[str, Any]) -> Seen:
    """Value and standard deviation of an estimate; None of what is bounded or missing."""
    if "value" not in answer or "low" not in answer:
        return None
    return answer["value"], (answer["high"] - answer["low"]) / 2 / 1.96


def _fitted(name: str) -> Callable[[Result], Seen]:
    """A temperature of the heat model; one that the build sheet's ranges assume tells no run."""

    def of(result: Result) -> Seen:
        answer = result.get("heat", {}).get(name, {})
        return _seen(answer) if "grade" in answer else None

    return of


def _lap_time(result: Result) -> Seen:
    return _mean([lap["lap_time_s"] for lap in result["laps"] if lap["valid"]])


def _mean(values: Sequence[float]) -> Seen:
    if len(values) < 2:
        return None
    return float(np.mean(values)), float(np.std(values, ddof=1)) / math.sqrt(len(values))


MEASURES: tuple[Measure, ...] = (
    Measure("breakaway_torque_nm", "breakaway torque", "N m", 10.0,
            _estimate("breakaway_torque_nm")),
    Measure("lock_drive", "lock on drive", "1", 0.03, _estimate("lock_drive")),
    Measure("lock_overrun", "lock on overrun", "1", 0.03, _estimate("lock_overrun")),
    Measure("energy_per_lap_j", "energy per lap", "J", 0.10, _estimate("energy_per_lap_j"), True),
    Measure("peak_power_w", "peak power", "W", 0.10, _estimate("peak_power_w"), True),
    Measure("held_s_per_lap", "axle held, per lap", "s", 0.5, _estimate("held_s_per_lap")),
    Measure("inside_overspeed_s_per_lap", "inside overspeed, per lap", "s", 0.3,
            _estimate("inside_overspeed_s_per_lap")),
    Measure("axle_overspeed_s_per_lap", "axle overspeed, per lap", "s", 0.3,
            _estimate("axle_overspeed_s_per_lap")),
    Measure("inside_drag_s_per_lap", "inside drag, per lap", "s", 0.3,
            _estimate("inside_drag_s_per_lap")),
    Measure("plates_peak_c", "plates' peak temperature", "degC", 10.0, _fitted("plates_peak_c")),
    Measure("oil_peak_c", "oil's peak temperature", "degC", 5.0, _fitted("oil_peak_c")),
    Measure("oil_mean_c", "oil temperature", "degC", 5.0, _estimate("oil_mean_c")),
    Measure("lap_time_s", "lap time", "s", 0.10, _lap_time),
)  # fmt: skip

MEASURE_BY_NAME = {measure.name: measure for measure in MEASURES}


class Verdict(StrEnum):
    """What the runs say of a measure."""

    DIFFERS = "differs"
    NOTHING = "no practical difference"
    OPEN = "open"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Row:
    """One measure of both setups."""

    name: str
    said: str
    unit: str
    corner: int | None
    a: float | None
    b: float | None
    difference: Difference | None
    margin: float
    verdict: Verdict
    reason: str
    """Why it cannot be told, or what would settle it."""


@dataclass(frozen=True, slots=True)
class SetupDay:
    """The comparison of two setups on one day."""

    on: date
    build_a: str
    build_b: str
    order: str
    runs: tuple[str, ...]
    """Session ids in the order of the runs."""
    hours_known: bool
    """Whether the logs say the time of day; else the runs stand in order of their names."""
    rows: tuple[Row, ...]
    corner_rows: tuple[Row, ...]
    """Over all of them together the false share of claims is held at 5 %."""


def compare(
    results: Sequence[Result],
    build_a: str,
    build_b: str,
    on: date | None = None,
    margins: Mapping[str, float] | None = None,
) -> SetupDay:
    """Setup B against setup A over the runs of one day.

    Parameters
    ----------
    results : sequence of Result
        All sessions of the logbook: other days tell how far runs of one setup differ.
    build_a, build_b : str
        Names of the builds, as in the build sheets.
    on : date, optional
        The day; the latest on which both ran when left out.
    margins : mapping, optional
        Margin of no practical difference by measure.

    Raises
    ------
    CannotCompareError
        If there is no day on which both were run.
    """
    builds = sorted({_build(result) for result in results})
    unknown = [build for build in (build_a, build_b) if build not in builds]
    if unknown or build_a == build_b:
        there = ", ".join(f"'{build}'" for build in builds) or "none"
        why = f"no session is of build '{unknown[0]}'" if unknown else "name two different builds"
        msg = f"{why}; the logbook's builds: {there}"
        raise CannotCompareError(msg)
    by_day = _days(results)
    both = [
        day for day, held in by_day.items() if {build_a, build_b} <= {_build(one) for one in held}
    ]
    if on is not None and on not in both:
        msg = f"builds {build_a} and {build_b} were not both run on {on.isoformat()}"
        raise CannotCompareError(msg)
    if not both:
        msg = f"builds {build_a} and {build_b} were never run on one day"
        raise CannotCompareError(msg)
    on = on or max(both)
    today = [result for result in by_day[on] if _build(result) in (build_a, build_b)]
    before = [held for day, held in by_day.items() if day != on]
    hours, known = _hours(today)
    pairs = [(result, _build(result) == build_b) for result in today]
    rows = [
        _row(measure, pairs, hours, _history(measure, before), (margins or {}).get(measure.name))
        for measure in MEASURES
    ]
    return SetupDay(
        on=on,
        build_a=build_a,
        build_b=build_b,
        order=plan_of(
            [Run(is_b, hour, 0.0, 0.0) for (_, is_b), hour in zip(pairs, hours, strict=True)]
        ),
        runs=tuple(result["session"]["id"] for result, _ in pairs),
        hours_known=known,
        rows=tuple(rows),
        corner_rows=_corner_rows(pairs, hours),
    )


def _build(result: Result) -> str:
    return str(result["session"]["build"])


def _days(results: Sequence[Result]) -> dict[date, list[Result]]:
    """Results of each day, in order of their time of day or name."""
    days: dict[date, list[Result]] = {}
    for result in sorted(results, key=lambda one: (_clock(one) or 0.0, one["session"]["name"])):
        on = date_in(result["session"]["date"])
        if on is not None:
            days.setdefault(on, []).append(result)
    return days


def _clock(result: Result) -> float | None:
    """Time of day that a session's date tells. [h]"""
    text = str(result["session"]["date"]).strip()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    has_time = len(text) > len("2026-04-12")
    return moment.hour + moment.minute / 60 + moment.second / 3600 if has_time else None


def _hours(results: Sequence[Result]) -> tuple[list[float], bool]:
    """Time of each run [h], and whether the logs tell it; else runs are an hour apart."""
    clocks = [_clock(result) for result in results]
    known = [clock for clock in clocks if clock is not None]
    if len(known) == len(clocks) == len(set(known)):
        return known, True
    return [float(i) for i in range(len(results))], False


def _history(measure: Measure, days: Sequence[Sequence[Result]]) -> Scatter:
    return scatter_of([runs for day in days for runs in _runs_by_build(measure, day)])


def _runs_by_build(measure: Measure, day: Sequence[Result]) -> Iterator[list[Run]]:
    hours, _ = _hours(day)
    builds: dict[str, list[Run]] = {}
    for result, hour in zip(day, hours, strict=True):
        if (seen := measure.of(result)) is not None:
            builds.setdefault(_build(result), []).append(Run(False, hour, *seen))
    yield from builds.values()


def _row(
    measure: Measure,
    pairs: Sequence[tuple[Result, bool]],
    hours: Sequence[float],
    history: Scatter,
    margin: float | None,
    corner: int | None = None,
) -> Row:
    runs = [
        Run(is_b, hour, *seen)
        for (result, is_b), hour in zip(pairs, hours, strict=True)
        if (seen := measure.of(result)) is not None
    ]
    a, b = (_level(runs, is_b=is_b) for is_b in (False, True))
    if margin is None:
        margin = measure.margin * abs(a or 0.0) if measure.margin_is_share else measure.margin
    try:
        found = difference(runs, history)
    except CannotCompareError as problem:
        why = "no run tells it" if not runs else str(problem)
        return Row(
            measure.name, measure.said, measure.unit, corner, a, b, None, margin,
            Verdict.CANNOT_TELL, why,
        )  # fmt: skip
    verdict, reason = _verdict(found, margin)
    return Row(
        measure.name, measure.said, measure.unit, corner, a, b, found, margin, verdict, reason
    )


def _level(runs: Sequence[Run], *, is_b: bool) -> float | None:
    values = [run.value for run in runs if run.is_b == is_b]
    return float(np.mean(values)) if values else None


def _verdict(found: Difference, margin: float) -> tuple[Verdict, str]:
    if found.is_nothing(margin):
        return Verdict.NOTHING, ""
    if found.p < 0.05:
        return Verdict.DIFFERS, ""
    # What the day showed of the scatter, all in all, is what further runs will show too.
    per_run = found.sd * math.sqrt(found.runs_a * found.runs_b / (found.runs_a + found.runs_b))
    plan = plan_runs(margin, 0.0, Scatter(per_run**2, found.degrees_of_freedom), 1)
    if plan is None:
        return Verdict.OPEN, "even six rounds of ABBA would not settle it"
    return Verdict.OPEN, f"{len(plan.order)} further runs as {plan.order} would settle it"


def _corner_rows(pairs: Sequence[tuple[Result, bool]], hours: Sequence[float]) -> tuple[Row, ...]:
    """Every corner's energy, exit speed and yaw moments; at most 5 % of the claims are false."""
    corners = [corner for result, _ in pairs for corner in result["corners"]]
    ends = {
        number: float(np.median([one["end_m"] for one in corners if one["number"] == number]))
        for number in sorted({corner["number"] for corner in corners})
    }
    rows = [
        _row(measure, pairs, hours, NO_HISTORY, None, number)
        for number, end_m in ends.items()
        for measure in _corner_measures(number, end_m)
    ]
    told = [i for i, row in enumerate(rows) if row.difference is not None]
    p = np.array([row.difference.p for row in rows if row.difference is not None])
    claimed = false_discoveries_held(p)
    for i, holds in zip(told, claimed.tolist(), strict=True):
        if rows[i].verdict is Verdict.DIFFERS and not holds:
            why = "among so many corners one as large turns up by chance"
            rows[i] = replace(rows[i], verdict=Verdict.OPEN, reason=why)
    return tuple(rows)


def _corner_measures(number: int, end_m: float) -> Iterator[Measure]:
    def energy(result: Result) -> Seen:
        corner = _corner(result, number)
        valid = {str(lap["number"]) for lap in result["laps"] if lap["valid"]}
        known = [] if corner is None else corner["energy_by_lap_j"].items()
        return _mean([energy for lap, energy in known if lap in valid])

    yield Measure("corner_energy_j", "energy per passage", "J", 0.15, energy, margin_is_share=True)
    yield Measure("corner_exit_mps", "exit speed", "m/s", 0.3, _exit_speed(number, end_m))
    for phase in ("overrun", "neutral", "drive"):
        yield Measure(
            f"corner_yaw_moment_{phase}_nm", f"yaw moment under {phase}", "N m", 30.0,
            _yaw_moment(number, phase),
        )  # fmt: skip


def _exit_speed(number: int, end_m: float) -> Callable[[Result], Seen]:
    """Speed at one place for all runs: each finds the corner's end a metre or two elsewhere."""

    def of(result: Result) -> Seen:
        corner = _corner(result, number) or {}
        seen = _seen(corner.get("exit_speed_mps", {}))
        if seen is None:
            return None
        return seen[0] + corner["exit_gain_mps_per_m"] * (end_m - corner["end_m"]), seen[1]

    return of


def _yaw_moment(number: int, phase: str) -> Callable[[Result], Seen]:
    def of(result: Result) -> Seen:
        corner = _corner(result, number)
        return None if corner is None else _seen(corner["yaw_moment_nm"].get(phase, {}))

    return of


def _corner(result: Result, number: int) -> Mapping[str, Any] | None:
    return next((each for each in result["corners"] if each["number"] == number), None)


@dataclass(frozen=True, slots=True)
class Proposal:
    """A plan of runs for one measure, and what it rests on."""

    measure: Measure
    wanted: float
    plan: RunPlan | None
    lap_sd: float
    scatter: Scatter
    sessions: int


def propose(
    results: Sequence[Result], name: str, wanted: float, laps_per_run: int, power: float
) -> Proposal:
    """The order of runs that shows a difference in a measure, from this car's own scatter.

    Raises
    ------
    CannotCompareError
        If no session of the logbook tells the measure, or none shows how far runs differ.
    """
    measure = MEASURE_BY_NAME[name]
    seen = [
        (value, sum(lap["valid"] for lap in result["laps"]))
        for result in results
        if (value := measure.of(result)) is not None
    ]
    if not seen:
        msg = f"no session of this logbook tells the {measure.said}"
        raise CannotCompareError(msg)
    # A run's own unsureness falls with the root of its laps.
    lap_sd = math.sqrt(float(np.mean([sd**2 * max(laps, 1) for (_, sd), laps in seen])))
    scatter = _history(measure, list(_days(results).values()))
    return Proposal(
        measure, wanted, plan_runs(wanted, lap_sd, scatter, laps_per_run, power),
        lap_sd, scatter, len(seen),
    )  # fmt: skip
