"""What stands above the numbers of a text file: names, units, and lines about the session."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from loaders.cells import comment_sign, is_quantity
from loaders.errors import InputError
from loaders.units import is_known_unit

BLANKS = " "
"""The delimiter that is a run of blanks."""


@dataclass(frozen=True, slots=True)
class Header:
    """The lines above the data, told apart."""

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    metadata: dict[str, str]
    names_row: int
    """Row of the names, or the lower of two, counted from 0."""
    group_row: int | None
    unit_row: int | None
    repeated: int
    """Lines that say once more what the line above them says."""


def split_cells(line: str, delimiter: str) -> list[str]:
    """The cells of one line, quotes taken off where they come in pairs."""
    if delimiter == BLANKS:
        return line.split()
    if line.count('"') % 2 or '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a cell longer than the reader takes: no header of ours
        return line.split(delimiter)


def read_header(
    path: Path, lines: Sequence[str], first_row: int, delimiter: str, width: int
) -> Header:
    """Names, units and metadata from the lines above the data.

    Parameters
    ----------
    lines : sequence of str
        The head of the file; the data begin at ``lines[first_row]``.
    width : int
        Number of columns of the data.

    Raises
    ------
    InputError
        If there is no row of as many names as there are columns.
    """
    above = [_split_above(line, delimiter, width) for line in lines[:first_row]]
    ends_blank = delimiter != BLANKS and all(
        not line or line.endswith(delimiter) for line in lines[first_row : first_row + 200]
    )
    rows = {i: _to_width(row, width, ends_blank=ends_blank) for i, row in enumerate(above)}
    filled = [
        i
        for i, row in enumerate(above)
        if any(cell.strip() for cell in row)
        and (rows[i] is not None or not comment_sign(lines[i], delimiter))
    ]
    if not filled or rows[filled[-1]] is None:
        raise _no_header(path, above, filled, first_row, width)
    repeated = 0
    while len(filled) > 1 and _same(above[filled[-1]], above[filled[-2]]):
        del filled[-1]
        repeated += 1
    fitted = [(i, row) for i in filled[-3:] if (row := rows[i]) is not None]
    units: list[str] = []
    unit_row = None
    if _two_rows(fitted, filled) and _looks_like_units(fitted[-1][1], fitted[-2][1]):
        unit_row, row = fitted.pop()
        units = [_bare(cell) for cell in row]
        filled.pop()
    names_row, lower = fitted[-1]
    names, group_row = [cell.strip() for cell in lower], None
    if _two_rows(fitted, filled):
        joined = _joined(fitted[-2][1], names)
        if joined is not None:
            names, group_row = joined, fitted[-2][0]
    first = names_row if group_row is None else group_row
    return Header(
        names=tuple(names),
        units=tuple(
            units[i] if units and units[i] else bracketed_unit(name) for i, name in enumerate(names)
        ),
        metadata=_preamble(above[:first]),
        names_row=names_row,
        group_row=group_row,
        unit_row=unit_row,
        repeated=repeated,
    )


def _two_rows(fitted: list[tuple[int, list[str]]], filled: list[int]) -> bool:
    """Whether the last two filled lines are both as wide as the table."""
    return len(fitted) > 1 and [i for i, _ in fitted[-2:]] == filled[-2:]


def _split_above(line: str, delimiter: str, width: int) -> list[str]:
    """Cells of a line above the data; between blanks, names may hold single ones."""
    cells = split_cells(line, delimiter)
    if delimiter != BLANKS or len(cells) == width:
        return cells
    if len(cells) == width + 1 and comment_sign(cells[0], delimiter) == cells[0]:
        return cells[1:]
    wide = re.split(r"\s{2,}|\t", line.strip())
    return wide if len(wide) == width else [cells[0], " ".join(cells[1:])] if cells else []


def _no_header(
    path: Path, above: list[list[str]], filled: list[int], first_row: int, width: int
) -> InputError:
    found = (
        f"line {filled[-1] + 1}, the last above them, has {len(above[filled[-1]])}"
        if filled
        else "there is no line above them"
    )
    return InputError(
        f"{path.name}: line {first_row + 1}: rows of {width} numbers begin here, but {found}; "
        f"expected a row of {width} column names. Export the log with its header."
    )


def _to_width(row: list[str], width: int, *, ends_blank: bool) -> list[str] | None:
    """The row with as many cells as the data, or None.

    The header and the data may differ in a trailing delimiter.
    """
    if len(row) == width + 1 and not row[-1].strip():
        return row[:-1]
    if len(row) == width - 1 and ends_blank:
        return [*row, ""]
    return row if len(row) == width else None


def _same(row: list[str], other: list[str]) -> bool:
    return [cell.strip() for cell in row] == [cell.strip() for cell in other]


def _joined(upper: list[str], names: list[str]) -> list[str] | None:
    """Names that run over two rows, or None when the lower row names the columns by itself.

    It does not when a name is blank or comes twice although the row above tells them apart.
    """
    texts = [cell.strip() for cell in upper]
    if any(is_quantity(text, ".") for text in texts if text):
        return None
    filled = [name for name in names if name]
    lacking = (
        len(set(filled)) < len(filled)
        or any(above and not name for above, name in zip(texts, names, strict=True))
        or (not texts[0] and any(texts))  # a line about the session begins with its key
    )
    joined = [f"{above} {name}".strip() for above, name in zip(texts, names, strict=True)]
    told_apart = [name for name in joined if name]
    return joined if lacking and len(set(told_apart)) == len(told_apart) else None


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
