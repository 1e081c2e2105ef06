"""The tables of a session's page: key numbers, laps, corners, what was left out, thresholds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from pipeline.estimate import Answer, Estimate, Missing
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
from reports.numbers import lap_time, number, sort_value, written
from reports.wording import KEY_NUMBERS, STATE_LETTER, STATE_MEANING, Quantity, quantity

NOT_OBSERVABLE = "not observable"


@dataclass
class Footnotes:
    """Collects the reasons of one table, each under one letter."""

    marks: dict[str, str] = field(default_factory=dict)

    def mark(self, reason: str) -> str:
        """The letter of this reason, a new one when it is new."""
        return self.marks.setdefault(reason, _letter(len(self.marks)))

    def lines(self) -> tuple[tuple[str, str], ...]:
        """Pairs of letter and reason in order."""
        return tuple((mark, f"{NOT_OBSERVABLE}: {reason}") for reason, mark in self.marks.items())


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


def answer_cell(answer: Answer, shown: Quantity, common: Shared, notes: Footnotes) -> Cell:
    """A number with its interval; grade and count beside it where the heading cannot say them."""
    if isinstance(answer, Missing):
        return Cell(NOT_OBSERVABLE, mark=notes.mark(answer.reason), hint=answer.reason)
    text = written(answer, shown.unit, shown.factor)
    small = [
        "" if common.n is not None else f"n {answer.n}",
        "" if common.grade else str(answer.grade),
        "" if common.level is not None else f"{100.0 * answer.level:.0f} %",
    ]
    hint = f"{text.interval} {shown.unit}, {answer.grade}, n = {answer.n}: {answer.method}"
    return Cell(
        text.with_interval,
        sort=sort_value(answer),
        small=" · ".join(part for part in small if part),
        hint=hint,
    )


def event_columns() -> tuple[Column, ...]:
    """One narrow column per kind of slip event."""
    return tuple(
        Column(STATE_LETTER[state], meaning=f"{state.value}: {STATE_MEANING[state]}")
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
    counted = [lap for lap in result.laps if lap.valid]
    commons = [shared(answer(lap) for lap in counted) for _, _, answer in LAP_COLUMNS]
    columns = (
        Column("Lap"),
        Column("Time", "min:s"),
        *(
            Column(label, column_note(shown.unit, common), meaning=shown.meaning)
            for (label, shown, _), common in zip(LAP_COLUMNS, commons, strict=True)
        ),
        *event_columns(),
        Column("Left out because", align=Align.TEXT, sortable=False),
    )
    rows = []
    for lap in result.laps:
        numbers = [
            answer_cell(answer(lap), shown, common, notes) if lap.valid else Cell("")
            for (_, shown, answer), common in zip(LAP_COLUMNS, commons, strict=True)
        ]
        events = event_cells(lap.event_counts) if lap.valid else (Cell(""),) * len(SLIP_STATES)
        cells = (
            Cell(str(lap.number), sort=float(lap.number)),
            Cell(lap_time(lap.lap_time_s), sort=lap.lap_time_s),
            *numbers,
            *events,
            Cell(lap.reason),
        )
        rows.append(Row(cells, key=lap.number, counted=lap.valid))
    if all(not lap.reason for lap in result.laps):
        columns, rows = columns[:-1], [Row(r.cells[:-1], r.key, r.counted) for r in rows]
    return Table(
        id="lap-table",
        title="",
        columns=columns,
        rows=tuple(rows),
        caption=f"Value ± 95 % interval; n is what the interval was taken over. {EVENT_KEY} "
        "Laps in grey italics do not count.",
        chooses=Choice.LAP,
        footnotes=notes.lines(),
        empty="No lap was found in this log.",
    )


def yaw_words(answer: Answer, notes: Footnotes) -> Cell:
    """Yaw moment of the differential in words: turns the car in, holds it out, or unclear."""
    if isinstance(answer, Missing):
        return Cell(NOT_OBSERVABLE, mark=notes.mark(answer.reason), hint=answer.reason)
    text = written(answer, "N m", 1.0)
    if answer.low <= 0.0 <= answer.high:
        words = "no clear sign"
    else:
        words = "turns in" if answer.value > 0.0 else "holds out"
    return Cell(
        words,
        sort=answer.value,
        small=f"{text.with_interval} · n {answer.n} · {answer.grade}",
        hint=f"{text.interval} N m: {answer.method}",
    )


def corner_table(result: SessionResult) -> Table:
    """Every corner with its heat, its slip events and which way the differential pushes the car."""
    notes = Footnotes()
    energy = Quantity("", "", "kJ", 1e-3)
    common = shared(corner.energy_j for corner in result.corners)
    columns = (
        Column("Corner"),
        Column("Turns", align=Align.TEXT),
        Column("Radius", "m"),
        Column("Passes"),
        Column("Energy per pass", column_note("kJ", common)),
        *event_columns(),
        *(Column(f"Yaw, {phase}", "N m", align=Align.TEXT) for phase in Phase),
    )
    rows = tuple(_corner_row(corner, energy, common, notes) for corner in result.corners)
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
    corner: CornerSummary, energy: Quantity, common: Shared, notes: Footnotes
) -> Row:
    absent = Missing("the log holds no sample of this phase in the corner")
    yaw = (yaw_words(corner.yaw_moment_nm.get(phase, absent), notes) for phase in Phase)
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


def whisker(answer: Estimate, sheet: Answer | None) -> Whisker:
    """Value and interval on a scale from zero to a little beyond the highest end."""
    expected = sheet if isinstance(sheet, Estimate) else None
    ends = [answer.low, answer.high, 0.0]
    ends += [] if expected is None else [expected.low, expected.high]
    low, high = min(ends), max(ends)
    span = 1.06 * (high - low) or 1.0

    def place(value: float) -> float:
        return min(max((value - low) / span, 0.0), 1.0)

    if expected is None:
        return Whisker(place(answer.value), place(answer.low), place(answer.high))
    return Whisker(
        place(answer.value),
        place(answer.low),
        place(answer.high),
        place(expected.value),
        place(expected.low),
        place(expected.high),
    )


def against_sheet(answer: Answer, sheet: Answer | None) -> str:
    """Whether the two intervals share any value, in words."""
    if not isinstance(answer, Estimate) or not isinstance(sheet, Estimate):
        return ""
    if answer.high < sheet.low:
        return "below the sheet"
    if answer.low > sheet.high:
        return "above the sheet"
    return "intervals overlap"


def key_number_table(result: SessionResult) -> Table:
    """The five numbers that describe the pack, then all others, each beside the build sheet's."""
    names = [name for name in KEY_NUMBERS if name in result.estimates]
    names += [name for name in result.estimates if name not in KEY_NUMBERS]
    columns = (
        Column("Number", align=Align.TEXT, sortable=False),
        Column("Value", sortable=False),
        Column("95 % interval", sortable=False),
        Column("Unit", align=Align.TEXT, sortable=False),
        Column("From zero", align=Align.TEXT, sortable=False),
        Column("Build sheet", sortable=False),
        Column("Against the sheet", align=Align.TEXT, sortable=False),
        Column("Evidence", align=Align.TEXT, sortable=False),
    )
    return Table(
        id="numbers",
        title="Numbers",
        columns=columns,
        rows=tuple(_number_row(name, result) for name in names),
        caption="Filled dot and solid bar: this log. Open diamond and dashed bar: what the build "
        "sheet's parts should give.",
        empty="The analysis gave no numbers.",
    )


def _number_row(name: str, result: SessionResult) -> Row:
    answer, sheet = result.estimates[name], result.predictions.get(name)
    unit = answer.unit if isinstance(answer, Estimate) else ""
    shown = quantity(name, unit)
    label = Cell(shown.label, small=shown.meaning)
    sheet_cell = _sheet_cell(sheet, shown)
    if isinstance(answer, Missing):
        missing = Cell(f"{NOT_OBSERVABLE}: {answer.reason}", span=4)
        return Row((label, missing, sheet_cell, Cell("", span=2)), anchor=f"n-{name}")
    text = written(answer, shown.unit, shown.factor)
    level = "" if answer.level == 0.95 else f"{100.0 * answer.level:.0f} %"
    return Row(
        (
            label,
            Cell(text.value),
            Cell(text.interval, small=level),
            Cell(shown.unit),
            Cell("", whisker=whisker(answer, sheet)),
            sheet_cell,
            Cell(against_sheet(answer, sheet)),
            Cell(f"{answer.grade}, n {number(answer.n, 0)}", small=answer.method),
        ),
        anchor=f"n-{name}",
    )


def _sheet_cell(sheet: Answer | None, shown: Quantity) -> Cell:
    if isinstance(sheet, Estimate):
        text = written(sheet, shown.unit, shown.factor)
        return Cell(text.value, small=text.interval, hint=sheet.method)
    if isinstance(sheet, Missing):
        return Cell("", small=f"not given: {sheet.reason}")
    return Cell("")
