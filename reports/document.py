"""What a report consists of: sections, tables, figures and notes as plain data, without HTML."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

JsonDict = dict[str, object]


def no_laps(dark_by_light: Mapping[str, str]) -> JsonDict:
    """What the page's script needs of a page that has no laps to choose from."""
    return {
        "length": 1,
        "laps": {},
        "notCounted": {},
        "corners": [],
        "bounds": None,
        "states": [],
        "darkByLight": dict(dark_by_light),
    }


class Align(StrEnum):
    """How the cells of a column stand under its heading."""

    TEXT = "text"
    NUMBER = "number"


class Choice(StrEnum):
    """What choosing a row of a table, or a place in a figure, chooses on the whole page."""

    NOTHING = "nothing"
    LAP = "lap"
    CORNER = "corner"


class Along(StrEnum):
    """What the horizontal axis of a figure is, so that the page can mark one place in all."""

    DISTANCE = "distance"
    MAP = "map"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Whisker:
    """A value with its interval on a scale of 0 to 1, and the build sheet's below it."""

    value: float
    low: float
    high: float
    sheet_value: float | None = None
    sheet_low: float | None = None
    sheet_high: float | None = None
    zero: float = 0.0

    def __post_init__(self) -> None:
        places = (
            self.low,
            self.value,
            self.high,
            self.sheet_low,
            self.sheet_value,
            self.sheet_high,
        )
        if not all(0.0 <= place <= 1.0 for place in places if place is not None):
            msg = f"a whisker lies on a scale of 0 to 1, got {places}"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    label: str
    unit: str = ""
    align: Align = Align.NUMBER
    sortable: bool = True
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: what is read, what it is sorted by, and what stands small beside it."""

    text: str
    sort: float | str | None = None
    """Sort value; None sorts last in either direction."""
    small: str = ""
    hint: str = ""
    mark: str = ""
    """Letter of the table's footnote that explains the cell."""
    whisker: Whisker | None = None
    span: int = 1
    """How many columns the cell covers."""
    page: str = ""
    """Another page of the logbook that the text leads to, relative to this one."""
    blank: bool = False
    """Whether the cell is a box to be filled by hand on the printed page."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row; ``key`` is the lap or corner number that choosing the row chooses."""

    cells: tuple[Cell, ...]
    key: int | None = None
    counted: bool = True
    anchor: str = ""
    """Id that links on the page lead to."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table that prints as it stands and sorts on screen."""

    id: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    caption: str = ""
    chooses: Choice = Choice.NOTHING
    footnotes: tuple[tuple[str, str], ...] = ()
    """Pairs of mark and text."""
    empty: str = "Nothing to list."
    stacks: bool = False
    """Whether a row becomes a small list on a narrow screen: for few rows with much text."""
    fold: str = ""
    """What a folded table holds, said beside its title; without it the table stands open."""

    def __post_init__(self) -> None:
        for row in self.rows:
            covered = sum(cell.span for cell in row.cells)
            if covered != len(self.columns):
                msg = f"table {self.id}: {covered} cells under {len(self.columns)} columns"
                raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class LegendKey:
    """One line of a figure's legend; with ``bind`` it also reads the value at the marked place."""

    label: str
    swatch: str
    """Name of the line or point sample, drawn by the style sheet."""
    bind: str = ""
    unit: str = ""
    decimals: int = 0
    letter: str = ""


@dataclass(frozen=True, slots=True)
class FigureSpec:
    """A figure that answers the one question in its title, or the reason why it is absent."""

    id: str
    number: int
    title: str
    caption: str
    description: str
    """What a reader who cannot see the figure needs to know."""
    figure: JsonDict | None
    absent: str = ""
    along: Along = Along.OTHER
    legend: tuple[LegendKey, ...] = ()

    @property
    def tells_numbers(self) -> bool:
        """Whether the page can list what is drawn: along the lap, on the map, or named traces."""
        traces = (self.figure or {}).get("data", [])
        assert isinstance(traces, list)
        return self.along is not Along.OTHER or any("name" in trace for trace in traces)

    def __post_init__(self) -> None:
        if (self.figure is None) != bool(self.absent):
            msg = f"figure {self.id}: give either the figure or the reason why it is absent"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Link:
    """A place on the same page."""

    target: str
    text: str


@dataclass(frozen=True, slots=True)
class Statement:
    """One finding in a sentence, what follows from it, and where its evidence stands."""

    sentence: str
    consequence: str
    needs_attention: bool
    grade: str
    links: tuple[Link, ...] = ()


@dataclass(frozen=True, slots=True)
class Statements:
    """The findings, those that need attention first."""

    id: str
    items: tuple[Statement, ...]
    empty: str


@dataclass(frozen=True, slots=True)
class Note:
    """A short text with a heading."""

    title: str
    paragraphs: tuple[str, ...]
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Terms:
    """Pairs of term and meaning: provenance, glossary."""

    title: str
    items: tuple[tuple[str, str], ...]
    code: bool = False
    """Whether the meanings are file names, hashes or versions."""
    fold: str = ""
    """What the folded list holds, said beside its title; without it the list stands open."""


Block = Statements | Table | FigureSpec | Note | Terms


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the page."""

    id: str
    title: str
    lead: str
    blocks: tuple[Block, ...]
    hint: str = ""
    """What can be done here on a screen; not printed."""

    @property
    def all_folded(self) -> bool:
        """Whether nothing but handles is seen until the reader opens one."""
        return bool(self.blocks) and all(getattr(block, "fold", "") for block in self.blocks)


@dataclass(frozen=True, slots=True)
class Option:
    """One entry of the lap or corner picker."""

    value: int
    text: str


@dataclass(frozen=True, slots=True)
class Report:
    """A whole page as data."""

    title: str
    heading: str
    facts: tuple[str, ...]
    evidence: str
    sections: tuple[Section, ...]
    laps: tuple[Option, ...] = ()
    corners: tuple[Option, ...] = ()
    first_lap: int | None = None
    data: Mapping[str, object] | None = None
    """What the page's script needs: per-lap columns, corner stretches, map bounds."""
    one_sheet: bool = False
    """Whether the page is made to be printed on a single sheet and taken along."""

    def figures(self) -> dict[str, JsonDict]:
        """The figures that are present, by their id."""
        return {
            block.id: block.figure
            for section in self.sections
            for block in section.blocks
            if isinstance(block, FigureSpec) and block.figure is not None
        }
