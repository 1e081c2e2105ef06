"""The table of temperatures: how warm plates and oil got, and what a race would make of it."""

from __future__ import annotations

from pipeline.estimate import Estimate, Missing
from pipeline.result import HeatAnswer, SessionResult
from reports.document import Align, Cell, Column, Row, Table
from reports.numbers import number

_ROWS: tuple[tuple[str, str, str, str], ...] = (
    ("plates_peak_c", "Plates, hottest", "in this session", "°C"),
    ("oil_peak_c", "Oil, hottest", "in this session", "°C"),
    ("plates_above_limit_s", "Plates above their limit", "in this session", "s"),
    ("oil_above_limit_s", "Oil above its limit", "in this session", "s"),
    (
        "oil_steady_c",
        "Oil, in the end",
        "if the car kept running at this pace",
        "°C",
    ),
    ("oil_time_constant_s", "Oil, time constant", "two thirds of the way there", "s"),
    ("oil_race_end_c", "Oil at the end of the race", "of the build sheet's length", "°C"),
    ("plates_race_end_c", "Plates at the end of the race", "hottest place of the lap", "°C"),
    ("oil_margin_k", "Oil, margin to its limit", "at the end of the race", "K"),
    ("plates_margin_k", "Plates, margin to their limit", "at the end of the race", "K"),
)


def heat_table(result: SessionResult) -> Table:
    """Every temperature with its interval, and whether it is fitted or assumed."""
    heat = result.heat
    rows: tuple[Row, ...] = ()
    caption = empty = ""
    if isinstance(heat, Missing):
        empty = f"Not observable: {heat.reason}."
    else:
        rows = tuple(_row(heat.answers[name], *words) for name, *words in _ROWS)
        caption = f"Two lumps of heat, plates and housing with oil; {heat.basis}."
    return Table(
        id="heat-table",
        title="How warm do plates and oil get?",
        columns=(
            Column("Number", align=Align.TEXT, sortable=False),
            Column("Value", align=Align.TEXT, sortable=False),
            Column("95 % interval", align=Align.TEXT, sortable=False),
            Column("Evidence", align=Align.TEXT, sortable=False),
        ),
        rows=rows,
        caption=caption,
        empty=empty,
        stacks=True,
    )


def _row(answer: HeatAnswer, label: str, meaning: str, unit: str) -> Row:
    name = Cell(label, small=meaning)
    if isinstance(answer, Missing):
        return Row((name, Cell(f"not observable: {answer.reason}", span=2), Cell("")))
    evidence = f"fitted, n {answer.n}" if isinstance(answer, Estimate) else "assumed"
    return Row(
        (
            name,
            Cell(f"{number(answer.value, 0)} {unit}"),
            Cell(f"{number(answer.low, 0)} to {number(answer.high, 0)}"),
            Cell(evidence),
        )
    )
