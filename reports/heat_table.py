"""The table of temperatures: how warm plates and oil got, and what a race would make of it."""

from __future__ import annotations

from pipeline.estimate import Estimate, Missing
from pipeline.result import HeatAnswer, SessionResult
from reports.document import Align, Cell, Column, Row, Table
from reports.numbers import number
from reports.wording import Quantity, quantity

_ROWS = (
    "plates_peak_c",
    "oil_peak_c",
    "plates_above_limit_s",
    "oil_above_limit_s",
    "oil_steady_c",
    "oil_time_constant_s",
    "oil_race_end_c",
    "plates_race_end_c",
    "oil_margin_k",
    "plates_margin_k",
)


def heat_table(result: SessionResult) -> Table:
    """Every temperature with its interval, and whether it is fitted or assumed."""
    heat = result.heat
    rows: tuple[Row, ...] = ()
    caption = empty = ""
    if isinstance(heat, Missing):
        empty = f"Not observable: {heat.reason}."
    else:
        rows = tuple(_row(heat.answers[name], quantity(name, "")) for name in _ROWS)
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


def _row(answer: HeatAnswer, shown: Quantity) -> Row:
    name = Cell(shown.label, small=shown.meaning)
    if isinstance(answer, Missing):
        return Row((name, Cell(f"not observable: {answer.reason}", span=2), Cell("")))
    evidence = f"fitted, n {answer.n}" if isinstance(answer, Estimate) else "assumed"
    return Row(
        (
            name,
            Cell(f"{number(answer.value, 0)} {shown.unit}"),
            Cell(f"{number(answer.low, 0)} to {number(answer.high, 0)}"),
            Cell(evidence),
        )
    )
