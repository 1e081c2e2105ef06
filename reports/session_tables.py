"""The tables of a session's laps and corners."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from pipeline.estimate import (
    Answer,
    Estimate,
    Missing,
)
from pipeline.result import (
    SLIP_STATES,
    AxleState,
    CornerSummary,
    LapSummary,
    Phase,
    SessionResult,
)
from reports.document import Align, Cell, Choice, Column, Row, Table
from reports.figures import side
from reports.numbers import lap_time, number, sort_value, written
from reports.wording import (
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
