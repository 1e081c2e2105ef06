"""What to measure better: where the intervals come from, input by input."""

from __future__ import annotations

import math

from pipeline.estimate import Estimate
from pipeline.result import BudgetLine, SessionResult
from reports.document import Align, Cell, Column, Row, Section, Table
from reports.numbers import count, decimals_for, number
from reports.wording import MEASURE_BETTER, Quantity, quantity

# What adds less than this to a variance is not worth a line. Chosen by us.
_LEAST_SHARE = 0.01
# A quarter of the variance is an eighth of the interval: less would hardly be seen. Chosen by us.
_WORTH_IT = 0.25
_LAPS = "scatter of the laps"


def budget_section(result: SessionResult) -> Section:
    """The section with the one measurement that would help most, and the whole table."""
    return Section("budget", "What to measure better", _advice(result), (budget_table(result),))


def budget_table(result: SessionResult) -> Table:
    """Every input of every main interval: what it gives alone, and what is left without it."""
    columns = (
        Column("Interval of", align=Align.TEXT, sortable=False),
        Column("Comes from", align=Align.TEXT, sortable=False),
        Column("Share", "%", sortable=False),
        Column("Alone it gives", sortable=False),
        Column("Without it", sortable=False),
    )
    rows = [
        _row(name, lines, line)
        for name, lines in result.budgets.items()
        for line in lines
        if line.share >= _LEAST_SHARE
    ]
    return Table(
        "budget-table",
        "Where the intervals come from",
        columns,
        tuple(rows),
        caption="Shares are of the interval's variance, so that they add up to 100 %; halving an "
        "input with a small share changes next to nothing. What gives less than 1 % is not listed.",
        empty="No interval of this session can be taken apart.",
        stacks=True,
        fold=count(len(result.budgets), "interval"),
    )


def _row(name: str, lines: tuple[BudgetLine, ...], line: BudgetLine) -> Row:
    shown = quantity(name, "")
    first = line is lines[0]
    better = "" if line.input == _LAPS else MEASURE_BETTER.get(line.input, "")
    return Row(
        (
            Cell(shown.label if first else ""),
            Cell(line.input, small=better),
            Cell(number(100.0 * line.share, 0), sort=line.share),
            Cell(_half(line.half_width, shown)),
            Cell(_half(_left(lines, line), shown)),
        )
    )


def _half(half_width: float, shown: Quantity) -> str:
    half = shown.factor * half_width
    return f"± {number(half, decimals_for(half))} {shown.unit}".rstrip()


def _left(lines: tuple[BudgetLine, ...], without: BudgetLine) -> float:
    """Half width that would be left if one input were known exactly."""
    return math.sqrt(sum(line.half_width**2 for line in lines if line is not without))


def _advice(result: SessionResult) -> str:
    """The one measurement that would narrow an interval most, in a sentence."""
    known = [
        (name, lines, line)
        for name, lines in result.budgets.items()
        if isinstance(result.estimates.get(name), Estimate)
        for line in lines
        if line.input != _LAPS and line.input in MEASURE_BETTER
    ]
    name, lines, line = max(known, key=lambda each: each[2].share, default=("", (), None))
    if line is None or line.share < _WORTH_IT:
        if not result.budgets:
            return ""
        top = [(name, each[0]) for name, each in result.budgets.items() if each[0].input != _LAPS]
        if top:
            name, line = max(top, key=lambda each: each[1].share)
            return (
                f"{quantity(name, '').label}: {100 * line.share:.0f} % of the interval comes from "
                f"the {line.input}, which no measurement narrows."
            )
        return (
            "The intervals come from the laps' own scatter: more laps, alike in line and pace, "
            "narrow them; better sensors would not."
        )
    shown = quantity(name, "")
    whole = math.sqrt(sum(each.half_width**2 for each in lines))
    return (
        f"{shown.label}: {100 * line.share:.0f} % of the interval comes from the {line.input}. "
        f"{MEASURE_BETTER[line.input]}: known exactly, it would narrow the interval from "
        f"{_half(whole, shown)} to {_half(_left(lines, line), shown)}."
    )
