"""The tables of a session's page: key numbers, laps, corners, what was left out, thresholds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

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
from pipeline.result import (
    SLIP_STATES,
    AxleState,
    CornerSummary,
    LapSummary,
    Phase,
    SessionResult,
)
from reports.document import Align, Cell, Choice, Column, Row, Table, Whisker
from reports.figures import side
from reports.numbers import count, lap_time, number, sort_value, written, written_bound
from reports.wording import (
    CHOICES,
    FURTHER_GROUPS,
    KEY_NUMBERS,
    STATE_LETTER,
    STATE_MEANING,
    STATE_SHORT,
    Quantity,
    quantity,
)

NOT_OBSERVABLE = "not observable"
_NO_PHASE = Missing("the log holds no sample of this phase in the corner")


@dataclass
class Footnotes:
    """Collects the footnotes of one table, each under one letter."""

    marks: dict[str, str] = field(default_factory=dict)

    def mark(self, text: str) -> str:
        """The letter of this footnote, a new one when it is new."""
        return self.marks.setdefault(text, _letter(len(self.marks)))

    def lines(self) -> tuple[tuple[str, str], ...]:
        """Pairs of letter and footnote in order."""
        return tuple((mark, text) for text, mark in self.marks.items())


def _letter(index: int) -> str:
    """a, b … z, aa, ab …"""
    head, tail = divmod(index, 26)
    return (_letter(head - 1) if head else "") + "abcdefghijklmnopqrstuvwxyz"[tail]


@dataclass(frozen=True, slots=True)
class Shared:
    """What all answers of one table column have in common, said once in its heading."""

    grade: str
    n: int | None
    level: float | None


def shared(answers: Iterable[Answer]) -> Shared:
    """Grade, count and level when all the column's estimates agree in them."""
    known = [answer for answer in answers if isinstance(answer, Estimate)]
    grades = {str(answer.grade) for answer in known}
    counts = {answer.n for answer in known}
    levels = {answer.level for answer in known}
    return Shared(
        grade=grades.pop() if len(grades) == 1 else "",
        n=counts.pop() if len(counts) == 1 else None,
        level=levels.pop() if len(levels) == 1 else None,
    )


def column_note(unit: str, common: Shared) -> str:
    """The small line under a heading: unit, grade, count, level."""
    parts = [unit, common.grade, "" if common.n is None else f"n {common.n}"]
    if common.level is not None and common.level != 0.95:
        parts.append(f"{100.0 * common.level:.0f} % interval")
    return " · ".join(part for part in parts if part)


def missing_cell(answer: Missing, notes: Footnotes) -> Cell:
    """No number: the words for it, and the reason below the table."""
    mark = notes.mark(f"{NOT_OBSERVABLE}: {answer.reason}")
    return Cell(NOT_OBSERVABLE, mark=mark, hint=answer.reason)


def answer_cell(answer: Answer, shown: Quantity, common: Shared, notes: Footnotes) -> Cell:
    """A number with its interval; grade and count beside it where the heading cannot say them."""
    if isinstance(answer, Missing):
        return missing_cell(answer, notes)
    text = written(answer, shown.unit, shown.factor)
    hint = f"{text.interval} {shown.unit}, {answer.grade}, n = {answer.n}: {answer.method}"
    return Cell(
        text.with_interval,
        sort=sort_value(answer),
        small=" · ".join(_unsaid(answer, common)),
        hint=hint,
    )


def _unsaid(answer: Estimate, common: Shared) -> list[str]:
    """Count, grade and level where the column's heading does not say them."""
    said = (
        "" if common.n is not None else f"n {answer.n}",
        "" if common.grade else str(answer.grade),
        "" if common.level is not None else f"{100.0 * answer.level:.0f} %",
    )
    return [part for part in said if part]


def event_columns() -> tuple[Column, ...]:
    """One narrow column per kind of slip event."""
    return tuple(
        Column(
            STATE_LETTER[state],
            STATE_SHORT[state],
            meaning=f"{state.value}: {STATE_MEANING[state]}",
        )
        for state in SLIP_STATES
    )


def event_cells(counts: Mapping[AxleState, int]) -> tuple[Cell, ...]:
    """How many slip events of each kind."""
    return tuple(
        Cell(str(counts.get(state, 0)), sort=float(counts.get(state, 0))) for state in SLIP_STATES
    )


EVENT_KEY = "Slip events: " + ", ".join(f"{STATE_LETTER[s]} {s.value}" for s in SLIP_STATES) + "."

_LapAnswer = Callable[[LapSummary], Answer]
LAP_COLUMNS: tuple[tuple[str, Quantity, _LapAnswer], ...] = (
    ("Energy", quantity("energy_per_lap_j", "J"), lambda lap: lap.energy_j),
    ("Peak power", quantity("peak_power_w", "W"), lambda lap: lap.peak_power_w),
    (
        "Effective lock, drive",
        Quantity("", "", "%", 100.0),
        lambda lap: lap.effective_lock_drive,
    ),
    (
        "Effective lock, overrun",
        Quantity("", "", "%", 100.0),
        lambda lap: lap.effective_lock_overrun,
    ),
)


def lap_table(result: SessionResult) -> Table:
    """Every lap, counted or left out, with what the differential did in it."""
    notes = Footnotes()
    commons = [shared(answer(lap) for lap in result.laps) for _, _, answer in LAP_COLUMNS]
    columns = (
        Column("Lap"),
        Column("Time", "min:s"),
        *(
            Column(label, column_note(shown.unit, common), meaning=shown.meaning)
            for (label, shown, _), common in zip(LAP_COLUMNS, commons, strict=True)
        ),
        *event_columns(),
    )
    return Table(
        id="lap-table",
        title="",
        columns=columns,
        rows=tuple(_lap_row(lap, commons, notes) for lap in result.laps),
        caption=f"Value ± 95 % interval; n is what the interval was taken over. {EVENT_KEY} "
        "Laps in grey italics do not count: their numbers enter no estimate.",
        chooses=Choice.LAP,
        footnotes=notes.lines(),
        empty="No lap was found in this log.",
    )


def _lap_row(lap: LapSummary, commons: list[Shared], notes: Footnotes) -> Row:
    why = lap.reason or "no reason was given"
    mark = "" if lap.valid else notes.mark(f"not counted: {why}")
    numbers = (
        answer_cell(answer(lap), shown, common, notes)
        for (_, shown, answer), common in zip(LAP_COLUMNS, commons, strict=True)
    )
    cells = (
        Cell(str(lap.number), sort=float(lap.number), mark=mark),
        Cell(lap_time(lap.lap_time_s), sort=lap.lap_time_s),
        *numbers,
        *event_cells(lap.event_counts),
    )
    return Row(cells, key=lap.number, counted=lap.valid)


def yaw_words(answer: Answer, common: Shared, notes: Footnotes) -> Cell:
    """Yaw moment of the differential in words: turns the car in, holds it out, or unclear."""
    if isinstance(answer, Missing):
        return missing_cell(answer, notes)
    text = written(answer, "N·m", 1.0)
    if answer.low <= 0.0 <= answer.high:
        words = "no clear sign"
    else:
        words = "turns in" if answer.value > 0.0 else "holds out"
    return Cell(
        words,
        sort=answer.value,
        small=" · ".join((text.with_interval, *_unsaid(answer, common))),
        hint=f"{text.interval} N·m: {answer.method}",
    )


def corner_table(result: SessionResult) -> Table:
    """Every corner with its heat, its slip events and which way the differential pushes the car."""
    notes = Footnotes()
    energy = Quantity("", "", "kJ", 1e-3)
    common = shared(corner.energy_j for corner in result.corners)
    yaws = {
        phase: shared(corner.yaw_moment_nm.get(phase, _NO_PHASE) for corner in result.corners)
        for phase in Phase
    }
    columns = (
        Column("Corner"),
        Column("Turns", align=Align.TEXT),
        Column("Radius", "m"),
        Column("Passes"),
        Column("Energy per pass", column_note("kJ", common)),
        *event_columns(),
        *(
            Column(f"Yaw, {phase}", column_note("N·m", of_phase), align=Align.TEXT)
            for phase, of_phase in yaws.items()
        ),
    )
    rows = tuple(_corner_row(corner, energy, common, yaws, notes) for corner in result.corners)
    return Table(
        id="corner-table",
        title="",
        columns=columns,
        rows=rows,
        caption="Energy and yaw moment are means over the counted laps with their 95 % interval. "
        f"{EVENT_KEY} Yaw moment above zero turns the car into the corner, below zero it holds "
        "the nose out; it has no clear sign while its interval holds zero.",
        chooses=Choice.CORNER,
        footnotes=notes.lines(),
        empty="No corner was found: a path or a yaw rate is needed.",
    )


def _corner_row(
    corner: CornerSummary, energy: Quantity, common: Shared, yaws: Mapping[Phase, Shared],
    notes: Footnotes,
) -> Row:  # fmt: skip
    yaw = (
        yaw_words(corner.yaw_moment_nm.get(phase, _NO_PHASE), of_phase, notes)
        for phase, of_phase in yaws.items()
    )
    turns = side(corner)
    return Row(
        (
            Cell(str(corner.number), sort=float(corner.number)),
            Cell(turns, sort=turns),
            Cell(number(corner.radius_m, 0), sort=corner.radius_m),
            Cell(str(corner.passes), sort=float(corner.passes)),
            answer_cell(corner.energy_j, energy, common, notes),
            *event_cells(corner.event_counts),
            *yaw,
        ),
        key=corner.number,
    )


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
    told = f"{count(len(answers) - missing, 'number')}"
    return f"{told}, {missing} not observable" if missing else told
