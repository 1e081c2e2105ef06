"""The tables that say what was left out, what is wrong with the signals, and which limits hold."""

from __future__ import annotations

from pipeline.channel_labels import label
from pipeline.result import Exclusion, QualityNote, Threshold
from reports.document import Align, Cell, Column, Row, Table
from reports.numbers import count, number

# So many stretches are placed one by one in the table; the JSON holds all.
_SHOWN_SPANS = 3


def _text(heading: str) -> Column:
    return Column(heading, align=Align.TEXT)


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
                 stacks=True, fold=count(len(rows), "reason"))  # fmt: skip


def _unit(entry: Exclusion) -> str:
    return entry.unit.removesuffix("s") if entry.count == 1 else entry.unit


def _share(entry: Exclusion) -> float:
    return 100.0 * entry.count / entry.of if entry.of else 0.0


def quality_table(notes: tuple[QualityNote, ...]) -> Table:
    """What is wrong with the log's own signals, and what that means; like with like."""
    columns = (
        _text("What"), _text("Channel and count"), _text("Detail"), _text("When"), _text("So"),
    )  # fmt: skip
    groups: dict[tuple[object, ...], list[QualityNote]] = {}
    for note in notes:
        key = (note.kind, note.detail, note.consequence, note.remedy, note.spans_s)
        groups.setdefault(key, []).append(note)
    serious = sum(any(note.serious for note in alike) for alike in groups.values())
    fold = f"{count(len(groups), 'finding')}, {serious or 'none'} to put right first"
    return Table(
        "quality", "Signals", columns, tuple(_quality_row(alike) for alike in groups.values()),
        empty="Nothing conspicuous was found in the signals.", stacks=True, fold=fold,
    )  # fmt: skip


def _quality_row(alike: list[QualityNote]) -> Row:
    note = alike[0]
    channels = ", ".join(_channel(each) for each in alike)
    begins = [each.first_s for each in alike if each.first_s is not None]
    first = min(begins, default=None)
    so = f"{note.consequence}. {note.remedy}" if note.remedy else note.consequence
    return Row(
        (
            Cell(note.kind, sort=note.kind, small="put this right first" if note.serious else ""),
            Cell(channels, sort=channels),
            Cell(note.detail, sort=note.detail),
            Cell(_when(note, first), sort=first),
            Cell(so, sort=so),
        )
    )


def _channel(note: QualityNote) -> str:
    name = label(note.channel)
    return f"{name} {number(note.count, 0)}" if note.count > 1 else name


def _when(note: QualityNote, first: float | None) -> str:
    """The first stretches, or where it begins."""
    if not note.spans_s:
        return "" if first is None else f"first at {number(first, 1)} s"
    shown = [
        f"{number(start, 1)} to {number(end, 1)} s"
        if end - start >= 0.1
        else f"{number(start, 2)} s"
        for start, end in note.spans_s[:_SHOWN_SPANS]
    ]
    more = len(note.spans_s) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


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
                 empty="No limits were used.", stacks=True,
                 fold=count(len(rows), "limit"))  # fmt: skip


def _significant(value: float) -> str:
    """Three significant figures without an exponent."""
    size = abs(value)
    decimals = 3 if size < 1.0 else 2 if size < 10.0 else 1 if size < 100.0 else 0
    text = number(value, decimals)
    return text.rstrip("0").rstrip(".") if "." in text else text
