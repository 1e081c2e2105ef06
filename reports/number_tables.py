"""The tables of a session's numbers: the pack beside its build sheet, its kinds, all others."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.estimate import (
    Answer,
    Bound,
    Estimate,
    Missing,
    Predicted,
    Prediction,
    SessionAnswer,
    Side,
)
from pipeline.estimate import Choice as Kind
from pipeline.printed import odds_words
from pipeline.result import SessionResult
from reports.document import Align, Cell, Column, Row, Table, Whisker
from reports.numbers import count, number, written, written_bound
from reports.session_tables import NOT_OBSERVABLE
from reports.wording import CHOICES, FURTHER_GROUPS, KEY_NUMBERS, Quantity, quantity


def whisker(answer: Estimate, sheet: Prediction | None) -> Whisker:
    """Value and interval on a scale from zero to a little beyond the highest end."""
    expected = sheet if isinstance(sheet, Predicted) else None
    ends = [answer.low, answer.high, 0.0]
    ends += [] if expected is None else [expected.low, expected.high]
    low, high = min(ends), max(ends)
    span = 1.06 * (high - low) or 1.0

    def place(value: float) -> float:
        return min(max((value - low) / span, 0.0), 1.0)

    mine = (place(answer.value), place(answer.low), place(answer.high))
    if expected is None:
        return Whisker(*mine, zero=place(0.0))
    theirs = (place(expected.value), place(expected.low), place(expected.high))
    return Whisker(*mine, *theirs, zero=place(0.0))


def against_sheet(answer: SessionAnswer, sheet: Prediction | None) -> str:
    """Whether the interval and the build sheet's range share any value, in words."""
    if isinstance(answer, Bound) and isinstance(sheet, Predicted):
        if answer.side is Side.AT_LEAST:
            return "above its range" if answer.value > sheet.high else "within the bound"
        return "below its range" if answer.value < sheet.low else "within the bound"
    if not isinstance(answer, Estimate) or not isinstance(sheet, Predicted):
        return ""
    if answer.high < sheet.low:
        return "below its range"
    if answer.low > sheet.high:
        return "above its range"
    return "the ranges overlap"


def key_number_table(result: SessionResult) -> Table:
    """The numbers that describe the pack, each beside what the build sheet's parts should give."""
    names = [name for name in KEY_NUMBERS if name in result.estimates]
    columns = (
        Column("Number", align=Align.TEXT, sortable=False),
        Column("Value", sortable=False),
        Column("95 % interval", align=Align.TEXT, sortable=False),
        Column("From zero", align=Align.TEXT, sortable=False),
        Column("Build sheet", align=Align.TEXT, sortable=False),
        Column("Evidence", align=Align.TEXT, sortable=False),
    )
    return Table(
        id="numbers",
        title="Numbers",
        columns=columns,
        rows=tuple(_number_row(name, result) for name in names),
        caption="Filled dot and solid bar: this log. Open diamond and dashed bar: the range that "
        "the build sheet's parts allow.",
        empty="The analysis gave no numbers.",
        stacks=True,
    )


def _number_row(name: str, result: SessionResult) -> Row:
    answer, sheet = result.estimates[name], result.predictions.get(name)
    shown = quantity(name, "" if isinstance(answer, Missing) else answer.unit)
    label = Cell(shown.label, small=shown.meaning)
    sheet_cell = _sheet_cell(answer, sheet, shown)
    if isinstance(answer, Missing):
        missing = Cell(f"{NOT_OBSERVABLE}: {answer.reason}", span=3)
        return Row((label, missing, sheet_cell, Cell("")), anchor=f"n-{name}")
    if isinstance(answer, Bound):
        bound = Cell(
            written_bound(answer, shown.unit, shown.factor), small=_bound_note(answer), span=3
        )
        return Row((label, bound, sheet_cell, _evidence_cell(answer)), anchor=f"n-{name}")
    return Row(
        (
            label,
            *_value_cells(answer, shown),
            Cell("", whisker=whisker(answer, sheet)),
            sheet_cell,
            _evidence_cell(answer),
        ),
        anchor=f"n-{name}",
    )


def _value_cells(answer: Estimate, shown: Quantity) -> tuple[Cell, Cell]:
    text = written(answer, shown.unit, shown.factor)
    level = "" if answer.level == 0.95 else f"{100.0 * answer.level:.0f} % interval"
    value = Cell(f"{text.value} {shown.unit}".rstrip(), small=answer.at)
    return value, Cell(text.interval, small=level)


def _bound_note(answer: Bound) -> str:
    sure = f"{100.0 * answer.level:.0f} % sure"
    return f"{answer.at}; {sure}" if answer.at else sure


def _evidence_cell(answer: Estimate | Bound) -> Cell:
    return Cell(f"{answer.grade}, n {number(answer.n, 0)}", small=answer.method)


def _sheet_cell(answer: SessionAnswer, sheet: Prediction | None, shown: Quantity) -> Cell:
    if isinstance(sheet, Predicted):
        text = written(sheet, shown.unit, shown.factor)
        return Cell(
            f"{text.interval} {shown.unit}", small=against_sheet(answer, sheet), hint=sheet.method
        )
    if isinstance(sheet, Missing):
        return Cell("", small=f"gives none: {sheet.reason}")
    return Cell("")


def choice_table(result: SessionResult) -> Table:
    """What kind of differential it is, with the odds of each kind."""
    columns = (
        Column("Question", align=Align.TEXT, sortable=False),
        Column("Answer", align=Align.TEXT, sortable=False),
        Column("Odds", align=Align.TEXT, sortable=False),
        Column("Evidence", align=Align.TEXT, sortable=False),
    )
    rows = tuple(_choice_row(name, found) for name, found in result.choices.items())
    return Table("choices", "Kinds", columns, rows, empty="None is told from this log.",
                 stacks=True)  # fmt: skip


def _choice_row(name: str, found: Kind | Missing) -> Row:
    words, meaning = CHOICES.get(name, (name.replace("_", " "), ""))
    label = Cell(words, small=meaning)
    if isinstance(found, Missing):
        return Row((label, Cell(f"{NOT_OBSERVABLE}: {found.reason}", span=3)))
    odds = ", ".join(f"{option} {odds_words(share)}" for option, share in found.odds.items())
    if found.chosen and len(set(found.odds.values())) == 1:
        odds = "not judged"
    answer = Cell(found.chosen) if found.chosen else Cell("cannot be told", small=found.reason)
    evidence = Cell(f"{found.grade}, n {number(found.n, 0)}", small=found.method)
    return Row((label, answer, Cell(odds), evidence))


def _grouped(names: list[str]) -> list[tuple[str, list[str]]]:
    """Names under the heading that each belongs to, in the order of the headings."""
    groups = [
        (heading, [name for name in names if name.startswith(beginnings)])
        for heading, beginnings in FURTHER_GROUPS
    ]
    known = {name for _, group in groups for name in group}
    others = [name for name in names if name not in known]
    return [*((h, group) for h, group in groups if group), *([("Other", others)] if others else [])]


def _further_row(name: str, answer: Answer | Bound) -> Row:
    shown = quantity(name, "" if isinstance(answer, Missing) else answer.unit)
    label = Cell(shown.label, small=shown.meaning)
    if isinstance(answer, Missing):
        cells: tuple[Cell, ...] = (label, Cell(f"{NOT_OBSERVABLE}: {answer.reason}", span=3))
    elif isinstance(answer, Bound):
        words = written_bound(answer, shown.unit, shown.factor)
        bound = Cell(words, small=_bound_note(answer), span=2)
        cells = (label, bound, _evidence_cell(answer))
    else:
        cells = (label, *_value_cells(answer, shown), _evidence_cell(answer))
    return Row(cells, anchor=f"n-{name}")


def number_rows(result: SessionResult, names: Iterable[str]) -> tuple[Row, ...]:
    """A row for each of these numbers: value, interval, evidence; or why there is none."""
    known = (name for name in names if name in result.estimates)
    return tuple(_further_row(name, result.estimates[name]) for name in known)


def further_tables(result: SessionResult) -> tuple[Table, ...]:
    """All other numbers of the session, a folded table for each group."""
    names = [name for name in result.estimates if name not in KEY_NUMBERS]
    columns = (
        Column("Number", align=Align.TEXT, sortable=False),
        Column("Value", sortable=False),
        Column("95 % interval", align=Align.TEXT, sortable=False),
        Column("Evidence", align=Align.TEXT, sortable=False),
    )
    return tuple(
        Table(
            f"further-{number_of_group}",
            heading,
            columns,
            number_rows(result, group),
            stacks=True,
            fold=_held([result.estimates[name] for name in group]),
        )
        for number_of_group, (heading, group) in enumerate(_grouped(names), 1)
    )


def _held(answers: list[SessionAnswer]) -> str:
    """How many numbers a folded table holds, and how many of them cannot be observed."""
    missing = sum(isinstance(answer, Missing) for answer in answers)
    told = count(len(answers), "number")
    return f"{told}, {missing} of them not observable" if missing else told
