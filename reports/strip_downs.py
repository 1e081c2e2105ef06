"""Strip-downs and wear on a page: findings, and the table of what was held against what."""

from __future__ import annotations

from pipeline.published_strip_downs import strip_down_sentence, verdict_of, wear_sentence
from pipeline.strip_downs import Worn
from reports.document import Align, Cell, Column, Note, Row, Section, Statement, Table


def strip_down_statements(worn: Worn) -> tuple[Statement, ...]:
    """A finding for each observation that contradicts model or log."""
    return tuple(
        Statement(
            strip_down_sentence(each).removesuffix(f" {each.consequence}"),
            " ".join((each.consequence, *(("The pack was built anew since.",) * each.rebuilt))),
            needs_attention=not each.rebuilt,
            grade="seen, against assumed ranges" if each.assumed else "seen",
        )
        for each in worn.strip_downs
        if each.agrees is False
    )


def strip_down_section(worn: Worn) -> Section:
    """What every teardown's observation was held against, and how fast the stack wears."""
    table = Table(
        "strip-downs",
        "What was seen with the unit apart",
        (
            Column("Date", align=Align.TEXT),
            Column("Build", align=Align.TEXT),
            Column("Seen", align=Align.TEXT, sortable=False),
            Column("Model and log", align=Align.TEXT, sortable=False),
            Column("Verdict", align=Align.TEXT),
        ),
        tuple(
            Row((
                Cell(each.entry.on.isoformat(), sort=each.entry.on.isoformat()),
                Cell(each.build),
                Cell(each.seen, small=each.entry.note),
                Cell(each.against),
                Cell(verdict_of(each), small=each.consequence),
            ))
            for each in worn.strip_downs
        ),
        empty="Nothing measured yet. Note temper colours, temperature washers and heights with "
        "'sidegear service add teardown'.",
        stacks=True,
    )  # fmt: skip
    how = (
        "Wear follows the energy of friction (Archard): strip-downs and the course of the washers' "
        "force together give the height lost for each megajoule, weighted by their intervals."
    )
    return Section(
        "wear", "Strip-downs and wear", "", (table, Note("Wear", (wear_sentence(worn.wear), how)))
    )
