"""From the bytes of a delimited text file to a raw table: no meaning yet, nothing guessed silently.

The fast parser passes some damage without a word; what it passes is looked for before, and what
it refuses is read again slowly to name line and column.
"""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv as arrow_csv

from loaders.errors import InputError
from loaders.layout import DECIMAL_MARKS, Dialect, Layout, find_layout, number_pattern

FloatArray = NDArray[np.float64]

# Cells of this many blanks or fewer are blank; fixed-width exports fill them up.
_WIDEST_BLANK = 32


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
    _refuse_empty(path, text)
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
        return path.read_bytes()
    except FileNotFoundError:
        msg = f"{path}: no such file. Check the name and the folder."
    except OSError as problem:
        if path.is_dir():
            msg = f"{path}: is a folder; expected a log file. Name the file inside it."
        else:
            msg = f"{path}: cannot be read ({problem.strerror}). Name a log that you may read."
    raise InputError(msg)


def _refuse_empty(path: Path, text: bytes) -> None:
    if not text[:4096].strip() and not text.strip():
        msg = (
            f"{path.name}: the file is empty; expected a header and rows of numbers. "
            "Export the log again."
        )
        raise InputError(msg)


def _as_utf8(raw: bytes) -> tuple[bytes, str]:
    """The file's text as UTF-8 bytes without mark, and the encoding it came in.

    Byte-order mark, else strict UTF-8, else Windows-1252: general charset guessers turn unit
    signs into other alphabets.
    """
    if raw.startswith(codecs.BOM_UTF8):
        return raw[len(codecs.BOM_UTF8) :], "UTF-8 with mark"
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw.decode("utf-16", errors="replace").encode("utf-8", errors="replace"), "UTF-16"
    if raw.isascii():
        return raw, "UTF-8"
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError as problem:
        # A file cut short inside a character is still UTF-8; its last line goes anyway.
        if problem.reason != "unexpected end of data":
            return raw.decode("cp1252", errors="replace").encode(), "Windows-1252"
    return raw, "UTF-8"


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
            line = layout.dialect.first_data_line + len((body[:at] + b".").splitlines()) - 1
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
                null_values=[" " * i for i in range(_WIDEST_BLANK + 1)],
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
    number = number_pattern(dialect.decimal_mark)
    for i, line in enumerate(body.splitlines()):
        cells = line.decode(errors="replace").split(dialect.delimiter)
        place = f"{path.name}: line {dialect.first_data_line + i}"
        if line and len(cells) != len(layout.names):
            return InputError(
                f"{place}: found {len(cells)} cells; expected {len(layout.names)}, as in the row "
                "of column names. Repair or cut the line, or export the log again."
            )
        for name, cell in zip(layout.names, cells, strict=False):
            text = cell.strip()
            odd = text and not number.fullmatch(text) and not _is_spelt_out(text)
            if odd and name in wanted:
                return InputError(
                    f"{place}, column '{name}': found '{text[:40]}'; expected a number with "
                    f"decimal {DECIMAL_MARKS[dialect.decimal_mark]} or a blank cell. "
                    "Correct or blank the cell."
                )
    return InputError(f"{path.name}: the rows of numbers cannot be read. Export the log again.")


def _is_spelt_out(text: str) -> bool:
    """Whether it is one of the words that the parser reads as no number or as infinite."""
    return text.lower().lstrip("+-") in {"nan", "inf", "infinity"}


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
