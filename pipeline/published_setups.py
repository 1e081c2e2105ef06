"""The documented, versioned JSON object of a comparison of setups, and its lines of text."""

from __future__ import annotations

from typing import Any

from pipeline.printed import counted, odds_words
from pipeline.setups import Proposal, Row, SetupDay, Verdict

SCHEMA = "sidegear.setups/1"
"""Name and version. Within version 1 keys are only added, never renamed or removed."""

# Factor and unit in which a measure is printed; JSON stays SI.
_PRINTED = {"N m": (1.0, "N·m"), "1": (100.0, "%"), "J": (1e-3, "kJ"), "W": (1e-3, "kW"),
            "degC": (1.0, "°C"), "m/s": (3.6, "km/h")}  # fmt: skip


def to_object(day: SetupDay) -> dict[str, Any]:
    """The comparison as plain JSON types."""
    return {
        "schema": SCHEMA,
        "date": day.on.isoformat(),
        "build_a": day.build_a,
        "build_b": day.build_b,
        "order": day.order,
        "runs": list(day.runs),
        "time_of_day_known": day.hours_known,
        "measures": [_row(row) for row in day.rows],
        "corners": [_row(row) for row in day.corner_rows],
    }


def _row(row: Row) -> dict[str, Any]:
    found = row.difference
    number: dict[str, Any] = {"missing": row.reason}
    if found is not None:
        half = found.half_width()
        number = {
            "value": found.value,
            "low": found.value - half,
            "high": found.value + half,
            "level": 0.95,
            "unit": row.unit,
            "n": found.runs_a + found.runs_b,
            "degrees_of_freedom": found.degrees_of_freedom,
            "p": found.p,
        }
    return {
        "measure": row.name,
        "corner": row.corner,
        "unit": row.unit,
        "a": row.a,
        "b": row.b,
        "difference": number,
        "margin": row.margin,
        "verdict": str(row.verdict),
        "reason": row.reason,
    }


def lines(day: SetupDay) -> list[str]:
    """The comparison as lines of text: the day, the measures, and the corners that differ."""
    first = (
        f"{day.build_b} against {day.build_a} on {day.on.isoformat()}, {len(day.runs)} runs as "
        f"{day.order} (A is {day.build_a}, B is {day.build_b})"
    )
    said = [first]
    if not day.hours_known:
        said.append("The logs say no time of day: the runs stand in order of their names.")
    said += [_line(row) for row in day.rows if row.a is not None or row.b is not None]
    apart = [row for row in day.corner_rows if row.verdict is Verdict.DIFFERS]
    said += [f"corner {row.corner}, {_line(row)}" for row in apart]
    if day.corner_rows and not apart:
        said.append(f"No corner stands out among {len(day.corner_rows)} differences looked at.")
    return said


def _line(row: Row) -> str:
    scale, unit = _PRINTED.get(row.unit, (1.0, row.unit))
    a, b = ("–" if value is None else f"{scale * value:.2f}" for value in (row.a, row.b))
    found = row.difference
    if found is None:
        return f"{row.said}: A {a}, B {b} {unit}: {row.verdict}, {row.reason}"
    half = found.half_width()
    ends = f"{scale * (found.value - half):+.2f} to {scale * (found.value + half):+.2f}"
    reason = f"; {row.reason}" if row.reason else ""
    return (
        f"{row.said}: A {a}, B {b} {unit}, difference {scale * found.value:+.2f} ({ends}), "
        f"{row.verdict}{reason}"
    )


def proposal_line(proposal: Proposal) -> str:
    """The planned runs in a sentence, with what they rest on."""
    scale, unit = _PRINTED.get(proposal.measure.unit, (1.0, proposal.measure.unit))
    points = "percentage points" if unit == "%" else unit
    wanted = f"a difference of {scale * proposal.wanted:g} {points} in {proposal.measure.said}"
    sessions = f"{counted(proposal.sessions, 'session')} of this logbook"
    freedom = proposal.scatter.degrees_of_freedom
    rests = (
        f"from {sessions}, {freedom} of them beyond one a setup and day"
        if freedom
        else f"from {sessions}; no day repeats a setup three "
        "times, so runs are taken to differ no more than their laps do"
    )
    if proposal.plan is None:
        return f"No day of up to 24 runs shows {wanted} for sure, {rests}."
    plan = proposal.plan
    return (
        f"Run {' '.join(plan.order)} with {plan.laps_per_run} counted laps each: {wanted} is then "
        f"seen with a probability of {odds_words(plan.power)}, {rests}."
    )
