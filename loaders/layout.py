"""Where the table of a text file is, and how it is written: delimiter, decimal mark, header, units.

Delimiter, decimal mark and first data row are found together, by scoring how consistently the
lines read as rows of numbers; what was chosen is kept in `Dialect` and shown to the user.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from loaders.errors import InputError
from loaders.units import is_known_unit

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
DECIMAL_MARKS = {".": "point", ",": "comma"}
# How far into the file the layout is looked for: enough for any preamble, little to read.
_HEAD_BYTES = 1 << 18
_HEAD_LINES = 2000
# So many lines of numbers in a row make a table; fewer are a figure in a text.
_ENOUGH_ROWS = 5
# So many lines of the table tell how consistently it reads.
_SCORED_ROWS = 200
# A line is a row of numbers when at least this share of its filled cells are numbers.
_MOSTLY = 0.5


@dataclass(frozen=True, slots=True)
class Dialect:
    """How the file writes its table."""

    encoding: str
    delimiter: str
    decimal_mark: str
    header_line: int
    """Line number of the column names, counted from 1."""
    unit_line: int | None
    first_data_line: int

    def __str__(self) -> str:
        units = f", units on line {self.unit_line}" if self.unit_line else ""
        return (
            f"{DELIMITERS[self.delimiter]} between cells, "
            f"decimal {DECIMAL_MARKS[self.decimal_mark]}, {self.encoding}, "
            f"column names on line {self.header_line}{units}, data from line {self.first_data_line}"
        )


@dataclass(frozen=True, slots=True)
class Layout:
    """The part of a file above its data, read but not yet parsed further."""

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    metadata: Mapping[str, str]
    dialect: Dialect
    data_offset: int
    """Byte at which the first data row starts, in UTF-8."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    delimiter: str
    decimal_mark: str
    first_row: int
    width: int
    score: float


def find_layout(path: Path, text: bytes, encoding: str) -> Layout:
    """Delimiter, decimal mark, header, units and preamble, from the head of the file.

    Raises
    ------
    InputError
        If there is no table of numbers, no row of column names above it, or two ways to part the
        cells fit equally well.
    """
    head = text[:_HEAD_BYTES]
    # Of bytes, because str.splitlines would also split at form feeds and other rare signs.
    lines = head.splitlines(keepends=True)[:_HEAD_LINES]
    if len(text) > _HEAD_BYTES and len(lines) > 1:
        lines = lines[:-1]
    texts = [line.decode("utf-8", errors="replace").rstrip("\r\n") for line in lines]
    tied = _best_candidates(path, texts)
    best = tied[0]
    offset = sum(map(len, lines[: best.first_row]))
    names_row, unit_row, above = _header(path, texts, best)
    names = tuple(cell.strip() for cell in above[names_row])
    stated = [_bare(cell) or None for cell in above[unit_row]] if unit_row is not None else []
    return Layout(
        names=names,
        units=tuple(
            stated[i] if i < len(stated) and stated[i] else bracketed_unit(name)
            for i, name in enumerate(names)
        ),
        metadata=_preamble(above[:names_row]),
        dialect=Dialect(
            encoding,
            best.delimiter,
            _decimal_mark(tied, text, offset),
            names_row + 1,
            None if unit_row is None else unit_row + 1,
            best.first_row + 1,
        ),
        data_offset=offset,
    )


def _best_candidates(path: Path, lines: list[str]) -> list[_Candidate]:
    """The best way to read the lines; more than one when only the decimal mark is open."""
    candidates = [
        candidate
        for delimiter in DELIMITERS
        for mark in DECIMAL_MARKS
        if mark != delimiter
        if (candidate := _candidate(lines, delimiter, mark)) is not None
    ]
    if not candidates:
        hint = (
            "It holds NUL bytes, so it is no plain text, or UTF-16 without its mark."
            if any("\0" in line for line in lines)
            else "Is this a log?"
        )
        msg = (
            f"{path.name}: no table of numbers in the first {len(lines)} lines; expected at least "
            f"{_ENOUGH_ROWS} rows of two or more numbers with comma, semicolon, tab or pipe "
            f"between them. {hint} Export the log as delimited text."
        )
        raise InputError(msg)
    top = max(candidate.score for candidate in candidates)
    tied = [candidate for candidate in candidates if candidate.score == top]
    delimiters = dict.fromkeys(candidate.delimiter for candidate in tied)
    if len(delimiters) > 1:
        said = " or ".join(DELIMITERS[delimiter] for delimiter in delimiters)
        msg = (
            f"{path.name}: line {tied[0].first_row + 1}: the cells could be parted by {said} "
            "equally well. Export the log with another delimiter."
        )
        raise InputError(msg)
    return tied


def _decimal_mark(tied: Sequence[_Candidate], text: bytes, offset: int) -> str:
    """The decimal mark; when the head has whole numbers only, the one that comes further down."""
    marks = [candidate.decimal_mark for candidate in tied]
    if len(marks) > 1 and text.find(b",", offset) >= 0 and text.find(b".", offset) < 0:
        return ","
    return marks[0]


def _candidate(lines: list[str], delimiter: str, mark: str) -> _Candidate | None:
    """How well the lines read as rows of numbers with this delimiter and decimal mark."""
    number = number_pattern(mark)

    @cache
    def share(i: int) -> float:
        return _numeric_share(lines[i].split(delimiter), number)

    filled = [i for i, line in enumerate(lines) if line.replace(delimiter, "").strip()]
    widths = {i: lines[i].count(delimiter) + 1 for i in filled}

    def is_row(i: int) -> bool:
        return widths[i] > 1 and share(i) >= _MOSTLY

    def is_start(k: int) -> bool:
        run = filled[k : k + _ENOUGH_ROWS]
        return all(is_row(i) and widths[i] == widths[run[0]] for i in run)

    # Pairs may be `key, number` lines of a preamble; wider rows are never passed over.
    last = len(filled) - _ENOUGH_ROWS
    k = next((k for k in range(last + 1) if widths[filled[k]] > 2 and is_start(k)), -1)
    if k < 0:
        k = next((k for k in range(last + 1) if is_start(k)), -1)
    if k < 0:
        return None
    width = widths[filled[k]]
    scored = filled[k : k + _SCORED_ROWS]
    alike = sum(share(i) for i in scored if widths[i] == width)
    # Ragged rows right under the header are data too: the parser will name them.
    while k > 0 and is_row(filled[k - 1]) and (widths[filled[k - 1]] > 2 or width == 2):
        k -= 1
    score = alike / len(scored) * (1 - 1 / width)
    return _Candidate(delimiter, mark, filled[k], width, round(score, 6))


def number_pattern(mark: str) -> re.Pattern[str]:
    """A decimal number with this decimal mark, as a log writes it."""
    point = re.escape(mark)
    return re.compile(rf"[+-]?([0-9]+({point}[0-9]*)?|{point}[0-9]+)([eE][+-]?[0-9]+)?")


def _numeric_share(cells: list[str], number: re.Pattern[str]) -> float:
    """Share of the non-blank cells that are numbers; 0 for a row without any."""
    filled = [stripped for cell in cells if (stripped := cell.strip())]
    if not filled:
        return 0.0
    return sum(number.fullmatch(cell) is not None for cell in filled) / len(filled)


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a cell longer than the reader takes: no header of ours
        return line.split(delimiter)


def _header(
    path: Path, lines: list[str], best: _Candidate
) -> tuple[int, int | None, list[list[str]]]:
    """Rows of the column names and of the units, and all lines above the data as cells."""
    above = [_cells(line, best.delimiter) for line in lines[: best.first_row]]
    filled = [i for i, row in enumerate(above) if any(cell.strip() for cell in row)]
    ends_blank = all(
        not line or line.endswith(best.delimiter)
        for line in lines[best.first_row : best.first_row + _SCORED_ROWS]
    )
    fitted = {i: _to_width(above[i], best.width, ends_blank=ends_blank) for i in filled[-2:]}
    last = fitted.get(filled[-1]) if filled else None
    if last is None:
        found = (
            f"line {filled[-1] + 1}, the last above them, has {len(above[filled[-1]])}"
            if filled
            else "there is no line above them"
        )
        msg = (
            f"{path.name}: line {best.first_row + 1}: rows of {best.width} numbers begin here, but "
            f"{found}; expected a row of {best.width} column names. Export the log with its header."
        )
        raise InputError(msg)
    above[filled[-1]] = last
    before = fitted.get(filled[-2]) if len(filled) > 1 else None
    if before is None or not _looks_like_units(last, before):
        return filled[-1], None, above
    above[filled[-2]] = before
    return filled[-2], filled[-1], above


def _to_width(row: list[str], width: int, *, ends_blank: bool) -> list[str] | None:
    """The row with as many cells as the data, or None.

    The header and the data may differ in a trailing delimiter.
    """
    if len(row) == width + 1 and not row[-1].strip():
        return row[:-1]
    if len(row) == width - 1 and ends_blank:
        return [*row, ""]
    return row if len(row) == width else None


def _looks_like_units(row: list[str], names: list[str]) -> bool:
    """Whether a row below one as wide states units: mostly known ones, or repeated over columns."""
    filled = [text for cell in row if (text := _bare(cell))]
    known = sum(map(is_known_unit, filled))
    texts = [name for cell in names if (name := cell.strip())]
    repeats = len(set(filled)) < len(filled) and len(set(texts)) == len(texts)
    return known > len(filled) / 2 or (known > 0 and repeats)


def _bare(cell: str) -> str:
    """A unit without the brackets that a unit row may put round it."""
    return cell.strip().strip("[]()").strip()


def bracketed_unit(name: str) -> str | None:
    """The unit in brackets at the end of a column's text.

    >>> bracketed_unit("Wheel RL [km/h]"), bracketed_unit("Wheel RL")
    ('km/h', None)
    """
    found = re.search(r"[\[(]([^\[\]()]*)[\])]\s*$", name)
    return found.group(1).strip() if found else None


def _preamble(rows: list[list[str]]) -> dict[str, str]:
    """`key, value` lines above the header; a line with a key alone keeps an empty value."""
    return {
        cells[0].strip(): " ".join(cell.strip() for cell in cells[1:] if cell.strip())
        for cells in rows
        if cells and cells[0].strip()
    }
