"""From the bytes of a delimited text file to a raw table: no meaning yet, nothing guessed silently.

The fast parser passes some damage without a word; what it passes is looked for before and after.
What it refuses is rewritten plainly where it is a known habit, and else named by line and column.
"""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv

from loaders.cells import DECIMAL_MARKS, number_pattern
from loaders.errors import InputError
from loaders.header import BLANKS
from loaders.layout import BY_EVIDENCE, TextHabits, TextLayout, find_layout
from loaders.rawtable import (
    Choose,
    Contents,
    FloatArray,
    RawTable,
    floats,
    refuse_repeated_names,
)
from loaders.rows import PlainRows, plain_rows
from loaders.timestamps import seconds_of

# Cells of this many blanks or fewer are blank; fixed-width exports fill them up.
_WIDEST_BLANK = 32


def read_delimited(
    contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE
) -> RawTable:
    """Read the columns that ``choose`` wants out of a delimited text.

    Parameters
    ----------
    contents : Contents
        The file.
    choose : callable
        Given the layout (column names, units, metadata), the exact names of the columns to
        read; may raise `InputError` when the layout does not fit.
    stated : TextHabits
        What the user states about the text; the rest is found by evidence.

    Raises
    ------
    InputError
        If the file is empty, holds no table of numbers, has two wanted columns of one name, or a
        row or cell that does not fit; the message names line and column.
    """
    path = contents.path
    text, encoding = _as_utf8(contents.data)
    _refuse_empty(path, text)
    layout = find_layout(path, text, encoding, stated)
    wanted = choose(layout)
    refuse_repeated_names(path, layout.names, wanted, layout.dialect)
    body, notes = _whole_lines(text[layout.data_offset :])
    read = _read(path, body, layout, wanted)
    return RawTable(
        path=path,
        names=layout.names,
        units=layout.units,
        columns=read.values,
        rows=read.rows,
        metadata=layout.metadata,
        dialect=layout.dialect,
        sha256=contents.sha256,
        size_bytes=contents.size_bytes,
        notes=(*layout.notes, *notes, *read.notes),
        container=contents.container,
        time_formats=dict(layout.dialect.times),
    )


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


def _whole_lines(body: bytes) -> tuple[bytes, list[str]]:
    """The data rows up to the last line end, and what was left out behind it."""
    notes = []
    if body.endswith(b"\x00"):
        # Loggers reserve room and are switched off before they have filled it.
        whole = body.rstrip(b"\x00")
        notes.append(f"{len(body) - len(whole)} NUL bytes that fill up the file were left out")
        body = whole
    if body and not body.endswith((b"\n", b"\r")):
        # A line without its end may have lost digits: 6.1 of 6.125 is still a number.
        body = body[: max(body.rfind(b"\n"), body.rfind(b"\r")) + 1]
        notes.append("the last line has no line end and may be cut short; it was left out")
    if body.endswith((b"\n\n", b"\r\n\r\n", b"\r\r")):
        body = body.rstrip(b"\r\n") + b"\n"
    return body, notes


@dataclass(frozen=True, slots=True)
class _Columns:
    """The wanted columns as numbers."""

    values: dict[str, FloatArray]
    rows: int
    notes: tuple[str, ...] = ()
    bad_column: str | None = None
    """The first column that holds what is no number or time after all, if any."""
    bad_row: int = 0
    expected: str = ""


def _read(path: Path, body: bytes, layout: TextLayout, wanted: set[str]) -> _Columns:
    """The rows as they stand where the fast parser can take them, else plainly rewritten."""
    dialect, times = layout.dialect, dict(layout.dialect.times)
    _refuse_nul(path, body, layout)
    if dialect.delimiter != BLANKS and body.find(b'"') < 0:
        try:
            table = _parsed(body, dialect.delimiter, dialect.decimal_mark, layout, wanted)
            read = _numbers(table, times)
        except pa.ArrowInvalid:
            read = None
        if read is not None and read.bad_column is None:
            blank = body.count(b"\n" if b"\n" in body else b"\r") - read.rows
            said = f"{blank} blank lines between the rows were left out"
            return replace(read, notes=(*read.notes, said)) if blank else read
    rows = plain_rows(path, body, layout, wanted)
    try:
        table = _parsed(rows.body, rows.delimiter, rows.decimal_mark, layout, wanted)
    except pa.ArrowInvalid as problem:
        raise _located(path, rows, layout, wanted) from problem
    read = _numbers(table, times)
    if read.bad_column is not None:
        msg = (
            f"{path.name}: line {rows.line_numbers[read.bad_row]}, column '{read.bad_column}': "
            f"found '{_cell_at(rows, read, layout)}'; expected {read.expected}. "
            "Correct or blank the cell."
        )
        raise InputError(msg)
    return replace(read, notes=(*rows.notes, *read.notes))


def _cell_at(rows: PlainRows, read: _Columns, layout: TextLayout) -> str:
    line = rows.body.splitlines()[read.bad_row].decode(errors="replace")
    at = layout.names.index(read.bad_column or "")
    return line.split(rows.delimiter)[at].strip()[:40]


def _refuse_nul(path: Path, body: bytes, layout: TextLayout) -> None:
    at = body.find(b"\x00")
    if at >= 0:
        line = layout.dialect.first_data_line + len((body[:at] + b".").splitlines()) - 1
        msg = (
            f"{path.name}: line {line}: a NUL byte among the numbers; expected numbers and blank "
            "cells only. The file is damaged or not a plain export; export the log again."
        )
        raise InputError(msg)


def _parsed(
    body: bytes, delimiter: str, decimal_mark: str, layout: TextLayout, wanted: set[str]
) -> pa.Table:
    keys = [f"c{i}" for i in range(len(layout.names))]
    times = dict(layout.dialect.times)
    types = {
        key: pa.string() if name in times else pa.float64()
        for key, name in zip(keys, layout.names, strict=True)
        if name in wanted
    }
    table = arrow_csv.read_csv(
        pa.py_buffer(body),
        read_options=arrow_csv.ReadOptions(column_names=keys, block_size=1 << 20),
        parse_options=arrow_csv.ParseOptions(delimiter=delimiter, quote_char=False),
        convert_options=arrow_csv.ConvertOptions(
            column_types=types,
            include_columns=list(types),
            null_values=[" " * i for i in range(_WIDEST_BLANK + 1)],
            strings_can_be_null=True,
            decimal_point=decimal_mark,
            check_utf8=False,
        ),
    )
    return table.rename_columns([layout.names[int(key[1:])] for key in types])


def _numbers(table: pa.Table, times: Mapping[str, str]) -> _Columns:
    """Columns as float64 with NaN for blanks; the words for NaN counted."""
    values: dict[str, FloatArray] = {}
    notes: list[str] = []
    words = 0
    for name in table.column_names:
        column = table.column(name)
        if name in times:
            read = seconds_of(column, times[name])
            if read.bad_row is not None:
                return _Columns({}, 0, (), name, read.bad_row, read.expected)
            values[name] = read.values
            notes += [f"column '{name}': {read.said}"] if read.said else []
            continue
        values[name] = floats(column)
        infinite = np.isinf(values[name])
        if infinite.any():
            return _Columns({}, 0, (), name, int(np.argmax(infinite)), "a number in reach")
        words += int(np.isnan(values[name]).sum()) - column.null_count
    if words:
        notes.append(f"{words} cells that say 'NaN' read as blank")
    return _Columns(values, table.num_rows, tuple(notes))


def _located(path: Path, rows: PlainRows, layout: TextLayout, wanted: set[str]) -> InputError:
    """The first row or cell that does not fit, found by reading again slowly."""
    number = number_pattern(rows.decimal_mark)
    times = dict(layout.dialect.times)
    for line_number, line in zip(rows.line_numbers, rows.body.splitlines(), strict=True):
        cells = line.decode(errors="replace").split(rows.delimiter)
        for name, cell in zip(layout.names, cells, strict=False):
            text = cell.strip()
            if text and name in wanted and name not in times and not number.fullmatch(text):
                return InputError(
                    f"{path.name}: line {line_number}, column '{name}': found '{text[:40]}'; "
                    f"expected a number with decimal {DECIMAL_MARKS[layout.dialect.decimal_mark]} "
                    "or a blank cell. Correct or blank the cell."
                )
    return InputError(f"{path.name}: the rows of numbers cannot be read. Export the log again.")
