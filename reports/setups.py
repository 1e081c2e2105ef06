"""The page that holds setup B against setup A: what differs, what does not, what is still open."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.setups import Row as Compared
from pipeline.setups import SetupDay, Verdict
from reports.document import (
    Align,
    Cell,
    Column,
    Note,
    Report,
    Row,
    Section,
    Statement,
    Statements,
    Table,
    Terms,
    Whisker,
    no_laps,
)
from reports.numbers import count, decimals_for, number
from reports.palette import dark_by_light
from reports.wording import CAUTIONS, GLOSSARY, UNIT_WORDS, quantity

# A whisker shows differences up to so many margins either way.
_WHISKER_MARGINS = 4.0


def setups_report(day: SetupDay, car: str) -> Report:
    """The page of a comparison as data, ready for `reports.render.render`."""
    order = day.order if day.hours_known else f"{day.order} by their names"
    return Report(
        title=f"{car}, {day.build_b} against {day.build_a}",
        heading=car or "Car without a name",
        facts=(
            day.on.isoformat(),
            f"A: {day.build_a}",
            f"B: {day.build_b}",
            f"{count(len(day.runs), 'run')} as {order}",
        ),
        evidence="",
        sections=(
            _findings(day),
            Section("measures", "The whole lap", _LEAD, (_table("measures-table", _seen(day)),)),
            _corners(day),
            _about(day),
        ),
        data=no_laps(dark_by_light()),
    )


_LEAD = (
    "B minus A, an even drift of the day taken out, with its 95 % interval. The stroke is the "
    "interval on a scale of four margins either way; the tick at its middle is no difference."
)
_MARK = {
    Verdict.DIFFERS: "differs",
    Verdict.NOTHING: "no practical difference",
    Verdict.OPEN: "open",
    Verdict.CANNOT_TELL: "cannot tell",
}


def _seen(day: SetupDay) -> list[Compared]:
    return [row for row in day.rows if row.a is not None or row.b is not None]


def _findings(day: SetupDay) -> Section:
    rows = _seen(day)
    groups = (
        (Verdict.DIFFERS, "Setup B differs from A in", "Judge it with lap time and driver.", True),
        (Verdict.NOTHING, "No practical difference in", "Choose by other reasons.", False),
        (Verdict.OPEN, "Still open:", "The table says which further runs would settle each.",
         False),
        (Verdict.CANNOT_TELL, "Cannot be told:", "The table says why.", False),
    )  # fmt: skip
    items = []
    for verdict, lead, advice, hand in groups:
        said = [_in_words(row) for row in rows if row.verdict is verdict]
        if said:
            items.append(Statement(f"{lead} {'; '.join(said)}.", advice, hand, ""))
    if not day.hours_known:
        items.append(
            Statement(
                "The logs say no time of day, so the runs are taken in order of their names.",
                "Write the time into the logs' date to be sure of the order.",
                needs_attention=True,
                grade="",
            )
        )
    statements = Statements("finding-list", tuple(items), "No measure was seen in both setups.")
    return Section("findings", "Findings", "", (statements,))


def _in_words(row: Compared) -> str:
    if row.verdict is not Verdict.DIFFERS or row.difference is None:
        return row.said
    unit, factor = _shown(row)
    half = factor * row.difference.half_width()
    places = decimals_for(half)
    value = number(factor * row.difference.value, places)
    unit = "percentage points" if unit == "%" else unit
    return f"{row.said} by {value} ± {number(half, places)} {unit}".rstrip()


def _shown(row: Compared) -> tuple[str, float]:
    known = quantity(row.name, row.unit)
    if row.name.startswith("lock_"):
        return known.unit, known.factor
    return UNIT_WORDS.get(row.unit, (row.unit, 1.0))


def _table(name: str, rows: Sequence[Compared], *, corners: bool = False) -> Table:
    return Table(
        name,
        "Corner by corner" if corners else "Measures",
        (
            *((Column("Corner"),) if corners else ()),
            Column("Measure", align=Align.TEXT),
            Column("A"),
            Column("B"),
            Column("B minus A"),
            Column("", align=Align.TEXT, sortable=False),
            Column("Margin"),
            Column("Verdict", align=Align.TEXT),
        ),
        tuple(_row(row, corners=corners) for row in rows),
        empty="Nothing was seen in both setups.",
        stacks=True,
    )


def _row(row: Compared, *, corners: bool) -> Row:
    unit, factor = _shown(row)
    # Fine enough for the margin too, which is what the difference is read against.
    places = decimals_for(factor * row.margin) if row.margin else 2
    if row.difference is not None:
        places = max(places, decimals_for(factor * row.difference.half_width()))
    first = (Cell(str(row.corner), sort=row.corner),) if corners else ()
    return Row(
        (
            *first,
            Cell(f"{row.said[:1].upper()}{row.said[1:]}", small=unit),
            *(
                Cell("–" if value is None else number(factor * value, places), sort=value)
                for value in (row.a, row.b)
            ),
            *_difference_cells(row, factor, places),
            Cell(number(factor * row.margin, max(places, 0)), sort=row.margin),
            Cell(_MARK[row.verdict], small=row.reason),
        )
    )


def _difference_cells(row: Compared, factor: float, places: int) -> tuple[Cell, Cell]:
    found = row.difference
    if found is None:
        return Cell("–"), Cell("")
    half = found.half_width()
    text = f"{number(factor * found.value, places)} ± {number(factor * half, places)}"
    runs = f"{found.runs_a} and {found.runs_b} runs, {found.degrees_of_freedom} degrees of freedom"

    def place(value: float) -> float:
        scaled = 0.5 + 0.5 * value / (_WHISKER_MARGINS * max(row.margin, 1e-300))
        return min(max(scaled, 0.0), 1.0)

    whisker = Whisker(
        place(found.value), place(found.value - half), place(found.value + half), zero=0.5
    )
    return Cell(text, sort=found.value, hint=runs), Cell("", whisker=whisker)


def _corners(day: SetupDay) -> Section:
    rows = [row for row in day.corner_rows if row.difference is not None]
    claimed = [row for row in rows if row.verdict is Verdict.DIFFERS]
    lead = (
        f"{count(len(claimed), 'difference')} claimed of {len(rows)} looked at; over all of them "
        "together the share of false claims is held at 5 %."
    )
    return Section("corners", "Corners", lead, (_table("corner-table", rows, corners=True),))


def _about(day: SetupDay) -> Section:
    judged = (
        "The run is the unit, because its laps share tyres, fuel and weather. Days before tell how "
        "far runs of one setup differ anyhow. 'No practical difference' means that the difference "
        "is shown to lie within the margin (two one-sided tests at 5 % each)."
    )
    drift = (
        "An even drift over the day is taken out. What changes unevenly, such as rain or a new set "
        "of tyres for one setup only, is not."
    )
    return Section(
        "about",
        "About this page",
        "",
        (
            Note("Cautions", CAUTIONS, strong=True),
            Note("How it is judged", (judged, drift)),
            Terms("Runs", tuple((letter, run) for letter, run in zip(day.order, day.runs,
                                                                   strict=True)), code=True),
            Terms("Words", GLOSSARY, fold=f"{len(GLOSSARY)} words"),
        ),
    )  # fmt: skip
