"""The tables that say what was left out, what is wrong with the signals, and which limits hold."""

from __future__ import annotations

from pipeline.result import Exclusion, QualityNote, Threshold
from reports.document import Align, Cell, Column, Row, Table
from reports.numbers import number


def _text(label: str) -> Column:
    return Column(label, align=Align.TEXT)


def exclusion_table(exclusions: tuple[Exclusion, ...]) -> Table:
    """What was left out, how much of how much, and what follows."""
    columns = (
        _text("Left out"), Column("Count"), Column("of"), Column("Share", "%"),
        _text("Because"), _text("So"),
    )  # fmt: skip
    rows = tuple(
        Row(
            (
                Cell(entry.what, sort=entry.what),
                Cell(number(entry.count, 0), sort=float(entry.count), small=_unit(entry)),
                Cell(number(entry.of, 0), sort=float(entry.of)),
                Cell(number(_share(entry), 1), sort=_share(entry)),
                Cell(entry.reason, sort=entry.reason),
                Cell(entry.consequence, sort=entry.consequence),
            )
        )
        for entry in exclusions
    )
    return Table("exclusions", "Left out", columns, rows, empty="Nothing was left out.",
                 stacks=True)  # fmt: skip


def _unit(entry: Exclusion) -> str:
    return entry.unit.removesuffix("s") if entry.count == 1 else entry.unit


def _share(entry: Exclusion) -> float:
    return 100.0 * entry.count / entry.of if entry.of else 0.0


def quality_table(notes: tuple[QualityNote, ...]) -> Table:
    """What is wrong with the log's own signals, and what that means; like with like."""
    columns = (
        _text("What"), _text("Detail"), _text("Channel and count"), Column("First at", "s"),
        _text("So"),
    )  # fmt: skip
    groups: dict[tuple[str, str, str], list[QualityNote]] = {}
    for note in notes:
        groups.setdefault((note.kind, note.detail, note.consequence), []).append(note)
    rows = tuple(_quality_row(kind, detail, consequence, alike)
                 for (kind, detail, consequence), alike in groups.items())  # fmt: skip
    return Table(
        "quality", "Signals", columns, rows,
        empty="Nothing conspicuous was found in the signals.", stacks=True,
    )  # fmt: skip


def _quality_row(kind: str, detail: str, consequence: str, alike: list[QualityNote]) -> Row:
    channels = ", ".join(f"{note.channel} {number(note.count, 0)}" for note in alike)
    begins = [note.first_s for note in alike if note.first_s is not None]
    first = min(begins, default=None)
    return Row(
        (
            Cell(kind, sort=kind),
            Cell(detail, sort=detail),
            Cell(channels, sort=channels),
            Cell("" if first is None else number(first, 1), sort=first),
            Cell(consequence, sort=consequence),
        )
    )


def threshold_table(thresholds: tuple[Threshold, ...]) -> Table:
    """The limits that tell the axle states apart, and where they come from."""
    columns = (_text("Limit"), Column("Value"), _text("Unit"), _text("Where it comes from"))
    rows = tuple(
        Row(
            (
                Cell(limit.name.replace("_", " "), sort=limit.name),
                Cell(_significant(limit.value), sort=limit.value),
                Cell(limit.unit, sort=limit.unit),
                Cell(limit.source, sort=limit.source),
            )
        )
        for limit in thresholds
    )
    return Table("thresholds", "Limits between the axle states", columns, rows,
                 empty="No limits were used.", stacks=True)  # fmt: skip


def _significant(value: float) -> str:
    """Three significant figures without an exponent."""
    size = abs(value)
    decimals = 3 if size < 1.0 else 2 if size < 10.0 else 1 if size < 100.0 else 0
    text = number(value, decimals)
    return text.rstrip("0").rstrip(".") if "." in text else text
