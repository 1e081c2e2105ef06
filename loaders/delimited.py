"""From the bytes of a delimited text file to a raw table: no meaning yet, nothing guessed silently.

Delimiter, decimal mark and first data row are found together, by scoring how consistently the
lines read as rows of numbers; what was chosen is kept in `Dialect` and shown to the user.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv as arrow_csv

from loaders.errors import InputError
from loaders.units import is_known_unit

FloatArray = NDArray[np.float64]

_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
_DECIMAL_MARKS = {".": "point", ",": "comma"}
# How far into the file the layout is looked for: enough for any preamble, little to read.
_HEAD_BYTES = 1 << 18
_HEAD_LINES = 2000
# So many lines of numbers in a row make a table; fewer are a figure in a text.
_ENOUGH_ROWS = 5


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
            f"{_DELIMITERS[self.delimiter]} between cells, "
            f"decimal {_DECIMAL_MARKS[self.decimal_mark]}, {self.encoding}, "
            f"column names on line {self.header_line}{units}, data from line {self.first_data_line}"
        )


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table of numbers as the file has it."""

    path: Path
    names: tuple[str, ...]
    """Exact column texts, in file order."""
    units: tuple[str | None, ...]
    """Unit text of each column where the file states one."""
    columns: Mapping[str, FloatArray]
    """The columns that were asked for; a blank cell is NaN."""
    rows: int
    metadata: Mapping[str, str]
    dialect: Dialect
    sha256: str
    size_bytes: int
    notes: tuple[str, ...]
    """What was left out on the way, in words."""


@dataclass(frozen=True, slots=True)
class Layout:
    """The part of a file above its data, read but not yet parsed further."""

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    metadata: Mapping[str, str]
    dialect: Dialect
    data_offset: int
    """Byte at which the first data row starts, in UTF-8."""


def read_raw_table(path: Path, choose: Callable[[Layout], set[str]]) -> RawTable:
    """Read the columns that ``choose`` wants out of a delimited text file.

    Parameters
    ----------
    path : Path
        The log.
    choose : callable
        Given the layout (column names, units, metadata), the exact names of the columns to
        read; may raise `InputError` when the layout does not fit.

    Raises
    ------
    InputError
        If the file cannot be read, is empty, holds no table of numbers, has two wanted columns
        of one name, or a row or cell that does not fit; the message names line and column.
    """
    raw = _read_bytes(path)
    text, encoding = _as_utf8(raw)
    layout = find_layout(path, text, encoding)
    wanted = choose(layout)
    _refuse_repeated_names(path, layout, wanted)
    body, notes = _guarded_body(path, text, layout)
    columns, rows = _parse(path, body, layout, wanted)
    return RawTable(
        path=path,
        names=layout.names,
        units=layout.units,
        columns=columns,
        rows=rows,
        metadata=layout.metadata,
        dialect=layout.dialect,
        sha256=hashlib.sha256(raw).hexdigest(),
        size_bytes=len(raw),
        notes=notes,
    )


def _read_bytes(path: Path) -> bytes:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        msg = f"{path}: no such file. Check the name and the folder."
        raise InputError(msg) from None
    except IsADirectoryError:
        msg = f"{path}: is a folder; expected a log file. Name the file inside it."
        raise InputError(msg) from None
    except PermissionError:
        msg = f"{path}: may not be read. Check the file's permissions."
        raise InputError(msg) from None
    if not raw.strip():
        msg = (
            f"{path.name}: the file is empty; expected a header and rows of numbers. "
            "Export the log again."
        )
        raise InputError(msg)
    return raw


def _as_utf8(raw: bytes) -> tuple[bytes, str]:
    """The file's text as UTF-8 bytes without mark, and the encoding it came in.

    Byte-order mark, else strict UTF-8, else Windows-1252: general charset guessers turn unit
    signs into other alphabets.
    """
    if raw.startswith(codecs.BOM_UTF8):
        return raw[len(codecs.BOM_UTF8) :], "UTF-8 with mark"
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw.decode("utf-16", errors="replace").encode(), "UTF-16"
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace").encode(), "Windows-1252"
    return raw, "UTF-8"


@dataclass(frozen=True, slots=True)
class _Candidate:
    delimiter: str
    decimal_mark: str
    first_row: int
    width: int
    score: float


def find_layout(path: Path, text: bytes, encoding: str) -> Layout:
    """Delimiter, decimal mark, header, units and preamble, from the head of the file."""
    head = text[:_HEAD_BYTES]
    lines = head.decode("utf-8", errors="replace").splitlines(keepends=True)[:_HEAD_LINES]
    if len(text) > _HEAD_BYTES and len(lines) > 1:
        lines = lines[:-1]
    best = _best_candidate(path, [line.rstrip("\r\n") for line in lines])
    above = [_cells(line, best.delimiter) for line in lines[: best.first_row]]
    names_row = _names_row(path, above, best)
    unit_row = best.first_row - 1 if names_row < best.first_row - 1 else None
    names = tuple(cell.strip() for cell in above[names_row])
    in_row = [cell.strip() or None for cell in above[unit_row]] if unit_row is not None else []
    units = tuple(
        in_row[i] if i < len(in_row) and in_row[i] else bracketed_unit(name)
        for i, name in enumerate(names)
    )
    return Layout(
        names=names,
        units=units,
        metadata=_preamble(above[:names_row]),
        dialect=Dialect(
            encoding,
            best.delimiter,
            best.decimal_mark,
            names_row + 1,
            None if unit_row is None else unit_row + 1,
            best.first_row + 1,
        ),
        data_offset=sum(len(line.encode()) for line in lines[: best.first_row]),
    )


def _best_candidate(path: Path, lines: list[str]) -> _Candidate:
    candidates = [
        candidate
        for delimiter in _DELIMITERS
        for mark in _DECIMAL_MARKS
        if mark != delimiter
        if (candidate := _candidate(lines, delimiter, mark)) is not None
    ]
    if not candidates:
        msg = (
            f"{path.name}: no table of numbers in the first {len(lines)} lines; expected at least "
            f"{_ENOUGH_ROWS} rows of two or more numbers with comma, semicolon, tab or pipe "
            "between them. Is this a log? Export it as delimited text."
        )
        raise InputError(msg)
    top = max(candidate.score for candidate in candidates)
    tied = [candidate for candidate in candidates if candidate.score == top]
    # Whole numbers only: either decimal mark reads them alike, so the choice changes nothing.
    if len({candidate.delimiter for candidate in tied}) > 1:
        said = " or ".join(_DELIMITERS[candidate.delimiter] for candidate in tied)
        msg = (
            f"{path.name}: the cells could be parted by {said} equally well. "
            "Export the log with another delimiter."
        )
        raise InputError(msg)
    return tied[0]


def _candidate(lines: list[str], delimiter: str, mark: str) -> _Candidate | None:
    """How well the lines read as rows of numbers with this delimiter and decimal mark."""
    number = re.compile(rf"[+-]?(\d+({re.escape(mark)}\d*)?|{re.escape(mark)}\d+)([eE][+-]?\d+)?")
    shares = [_numeric_share(_cells(line, delimiter), number) for line in lines]
    widths = [line.count(delimiter) + 1 for line in lines]
    for first in range(len(lines) - _ENOUGH_ROWS + 1):
        width = widths[first]
        if width < 2 or shares[first] < 0.5:
            continue
        alike = [
            share if wide == width else 0.0
            for share, wide in zip(shares[first:], widths[first:], strict=True)
        ]
        if all(alike[:_ENOUGH_ROWS]):
            score = sum(alike) / len(alike) * (1 - 1 / width)
            return _Candidate(delimiter, mark, first, width, round(score, 6))
    return None


def _numeric_share(cells: list[str], number: re.Pattern[str]) -> float:
    """Share of the non-blank cells that are numbers; 0 for a row without any."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    if not filled:
        return 0.0
    return sum(number.fullmatch(cell) is not None for cell in filled) / len(filled)


def _cells(line: str, delimiter: str) -> list[str]:
    return next(csv.reader(io.StringIO(line.rstrip("\r\n")), delimiter=delimiter), [])


def _names_row(path: Path, above: list[list[str]], best: _Candidate) -> int:
    """Index of the row of column names: the last above the data, or the one above a unit row."""
    last = best.first_row - 1
    if last < 0 or len(above[last]) != best.width:
        msg = (
            f"{path.name}: line {best.first_row + 1}: rows of {best.width} numbers begin here "
            "without a row of column names above them. Export the log with its header."
        )
        raise InputError(msg)
    if last > 0 and len(above[last - 1]) == best.width and _looks_like_units(above[last]):
        return last - 1
    return last


def _looks_like_units(row: list[str]) -> bool:
    filled = [cell for cell in (cell.strip().strip("[]()") for cell in row) if cell]
    return bool(filled) and sum(map(is_known_unit, filled)) > len(filled) / 2


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


def _refuse_repeated_names(path: Path, layout: Layout, wanted: set[str]) -> None:
    repeated = sorted(name for name in wanted if layout.names.count(name) > 1)
    if repeated:
        said = ", ".join(f"'{name}'" for name in repeated)
        msg = (
            f"{path.name}: line {layout.dialect.header_line}: more than one column is called "
            f"{said}; the channel map cannot tell them apart. Rename one in the export."
        )
        raise InputError(msg)


def _guarded_body(path: Path, text: bytes, layout: Layout) -> tuple[bytes, tuple[str, ...]]:
    """The data rows, after the checks that the fast parser does not make."""
    body = text[layout.data_offset :]
    for bad, what in ((b"\x00", "a NUL byte"), (b'"', "a quote sign")):
        at = body.find(bad)
        if at >= 0:
            line = layout.dialect.first_data_line + body.count(b"\n", 0, at)
            msg = (
                f"{path.name}: line {line}: {what} among the numbers; expected numbers and blank "
                "cells only. The file is damaged or not a plain export; export the log again."
            )
            raise InputError(msg)
    if body.endswith((b"\n", b"\r")):
        return body, ()
    # A line without its end may have lost digits: 6.1 of 6.125 is still a number.
    cut = max(body.rfind(b"\n"), body.rfind(b"\r")) + 1
    return body[:cut], ("the last line has no line end and may be cut short; it was left out",)


def _parse(
    path: Path, body: bytes, layout: Layout, wanted: set[str]
) -> tuple[dict[str, FloatArray], int]:
    keys = [f"c{i}" for i in range(len(layout.names))]
    wanted_keys = {keys[layout.names.index(name)]: name for name in layout.names if name in wanted}
    dialect = layout.dialect
    try:
        table = arrow_csv.read_csv(
            pa.py_buffer(body),
            read_options=arrow_csv.ReadOptions(column_names=keys, block_size=1 << 20),
            parse_options=arrow_csv.ParseOptions(delimiter=dialect.delimiter, quote_char=False),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(wanted_keys, pa.float64()),
                include_columns=list(wanted_keys),
                null_values=[""],
                decimal_point=dialect.decimal_mark,
                check_utf8=False,
            ),
        )
    except pa.ArrowInvalid as problem:
        raise _located(path, body, layout, wanted) from problem
    return {name: _floats(table.column(key)) for key, name in wanted_keys.items()}, table.num_rows


def _located(path: Path, body: bytes, layout: Layout, wanted: set[str]) -> InputError:
    """The first row or cell that does not fit, found by reading again slowly."""
    dialect = layout.dialect
    for i, line in enumerate(body.decode(errors="replace").splitlines()):
        cells = line.split(dialect.delimiter)
        place = f"{path.name}: line {dialect.first_data_line + i}"
        if line and len(cells) != len(layout.names):
            return InputError(
                f"{place}: {len(cells)} cells where the header has {len(layout.names)}. "
                "Repair or cut the line, or export the log again."
            )
        for name, cell in zip(layout.names, cells, strict=False):
            if name in wanted and cell and not _is_number(cell, dialect.decimal_mark):
                return InputError(
                    f"{place}, column '{name}': found '{cell[:40]}'; expected a number with "
                    f"decimal {_DECIMAL_MARKS[dialect.decimal_mark]} or a blank cell. "
                    "Correct or blank the cell."
                )
    return InputError(f"{path.name}: the rows of numbers cannot be read. Export the log again.")


def _is_number(cell: str, decimal_mark: str) -> bool:
    try:
        float(cell.replace(decimal_mark, "."))
    except ValueError:
        return False
    return True


def _floats(column: pa.ChunkedArray) -> FloatArray:
    """A column as float64 with NaN for blanks, read from the buffers themselves.

    ``to_numpy`` would import pandas, a third of a second that this stage does not need.
    """
    parts = [np.empty(0)]
    for chunk in column.chunks:
        validity, data = chunk.buffers()
        span = slice(chunk.offset, chunk.offset + len(chunk))
        values = np.frombuffer(data, np.float64)[span]
        if chunk.null_count:
            bits = np.unpackbits(np.frombuffer(validity, np.uint8), bitorder="little")
            values = np.where(bits[span], values, np.nan)
        parts.append(values)
    return np.concatenate(parts)
