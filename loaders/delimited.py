"""From the bytes of a delimited text file to raw rows: no meaning yet, nothing guessed silently.

The text is read block by block, each of whole lines. The fast parser passes some damage without a
word; what it passes is looked for before and after. A block that it refuses is rewritten plainly
where it is a known habit, and else named by line and column.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from loaders.ahead import ahead
from loaders.cells import DECIMAL_MARKS, is_blank_word, is_quantity, number_pattern
from loaders.errors import InputError
from loaders.header import BLANKS, split_cells
from loaders.layout import BY_EVIDENCE, TextHabits, TextLayout, find_layout
from loaders.rawtable import (
    Account,
    Choose,
    Chunk,
    Contents,
    FloatArray,
    RawLog,
    floats,
    left_out,
    refuse_repeated_names,
)
from loaders.rows import Clerk, PlainRows
from loaders.textblocks import Lines, as_text, count_lines
from loaders.timestamps import Counting, seconds_of

# Small enough to stay near the processor, and large beside what a call of the parser costs.
_BLOCK_BYTES = 1 << 23
# Cells of this many blanks or fewer are blank; fixed-width exports fill them up.
_WIDEST_BLANK = 32
# Of a spare column's filled cells at the top, so many have to be numbers.
_MOSTLY = 0.5


def read_delimited(
    contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE, *, spare: bool = False
) -> RawLog:
    """A delimited text with the columns that ``choose`` wants.

    Parameters
    ----------
    contents : Contents
        The file.
    choose : callable
        Given the layout (column names, units, metadata), the exact names of the columns to
        read; may raise `InputError` when the layout does not fit.
    stated : TextHabits
        What the user states about the text; the rest is found by evidence.
    spare : bool
        Whether to read all other columns of numbers too; what is no number in them is blank.

    Raises
    ------
    InputError
        If the file is empty, holds no table of numbers, or has two wanted columns of one name; and
        on reading, for a row or cell that does not fit. The message names line and column.
    """
    path, digest = contents.path, hashlib.sha256()
    see = digest.update if contents.container is None else None
    text = as_text(ahead(contents.blocks(_BLOCK_BYTES, see)))
    _refuse_empty(path, text.head)

    def whole_text() -> Iterator[bytes]:
        again = as_text(contents.blocks(_BLOCK_BYTES))
        return (block for block, _ in Lines(chain((again.head,), again.rest)).blocks())

    layout = find_layout(path, text.head, text.encoding, stated, whole_text)
    wanted = choose(layout)
    refuse_repeated_names(path, layout.names, wanted, layout.dialect)
    others, texts = _spare_columns(layout, wanted) if spare else (set(), [])
    lines = Lines(chain((text.head[layout.data_offset :],), text.rest))
    reading = _Reading(path, layout, wanted, others)

    def account() -> Account:
        sha256 = digest.hexdigest() if see else contents.sha256()
        notes = (*layout.notes, *lines.notes, *left_out(texts), *reading.notes())
        return Account(sha256, contents.size_bytes, notes)

    return RawLog(
        path=path,
        layout=layout,
        columns=reading.columns,
        chunks=reading.chunks(lines.blocks()),
        account=account,
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


def _spare_columns(layout: TextLayout, wanted: set[str]) -> tuple[set[str], list[str]]:
    """Columns of numbers that nobody asks for, and names of those that hold text."""
    rows = [split_cells(line, layout.dialect.delimiter) for line in layout.sample]
    rows = [row for row in rows if len(row) == len(layout.names)]
    times, mark = dict(layout.dialect.times), layout.dialect.decimal_mark
    numbers, texts = set(), []
    for i, name in enumerate(layout.names):
        if name in wanted or not name or layout.names.count(name) > 1:
            continue
        filled = [cell for row in rows if (cell := row[i].strip()) and not is_blank_word(cell)]
        if name in times or sum(is_quantity(c, mark) for c in filled) >= _MOSTLY * len(filled):
            numbers.add(name)
        else:
            texts.append(name)
    return numbers, texts


class _UnreadableError(Exception):
    """A block that cannot be taken as it stands."""

    def __init__(self, column: str | None = None, row: int = 0, expected: str = "") -> None:
        super().__init__(column)
        self.column, self.row, self.expected = column, row, expected


class _Block:
    """Whole lines, and what has to be known of them before the parser sees them."""

    def __init__(self, body: bytes, last: bool) -> None:
        self.body, self.last = body, last
        self.lines = count_lines(body)
        self.nul_at, self.quoted = body.find(b"\x00"), body.find(b'"') >= 0


@dataclass
class _Reading:
    """What is known while the blocks of one log are read."""

    path: Path
    layout: TextLayout
    wanted: set[str]
    spare: set[str]
    as_texts: set[str] = field(default_factory=set)
    """Spare columns in which something was no number: from then on they come as texts."""
    first_line: int = 0

    def __post_init__(self) -> None:
        dialect = self.layout.dialect
        self.first_line = dialect.first_data_line
        self.times = {
            name: Counting(kind)
            for name, kind in dialect.times
            if name in self.wanted or name in self.spare
        }
        self.clerk = Clerk(self.path, self.layout, self.wanted, self.spare)
        self.columns = tuple(
            name for name in self.layout.names if name in self.wanted or name in self.spare
        )

    def chunks(self, blocks: Iterator[tuple[bytes, bool]]) -> Iterator[Chunk]:
        """The rows as they stand where the fast parser can take them, else plainly rewritten."""
        for block in ahead(_Block(*each) for each in blocks):
            if block.nul_at >= 0:
                raise self._nul(block)
            yield self._as_it_stands(block) or self._rewritten(block.body, last=block.last)
            self.first_line += block.lines

    def _as_it_stands(self, block: _Block) -> Chunk | None:
        dialect = self.layout.dialect
        if self.clerk.held or dialect.delimiter == BLANKS or block.quoted:
            return None
        try:
            chunk = self._numbers(self._parsed(block.body, dialect.delimiter, dialect.decimal_mark))
        except (_UnreadableError, pa.ArrowInvalid):
            return None
        self.clerk.blank_lines += block.lines - chunk.rows
        return chunk

    def _rewritten(self, body: bytes, *, last: bool) -> Chunk:
        rows = self.clerk.plain_rows(body, self.first_line, last=last)
        try:
            return self._numbers(self._parsed(rows.body, rows.delimiter, rows.decimal_mark))
        except _UnreadableError as problem:
            raise self._located(rows, problem) from problem

    def _nul(self, block: _Block) -> InputError:
        line = self.first_line + len((block.body[: block.nul_at] + b".").splitlines()) - 1
        return InputError(
            f"{self.path.name}: line {line}: a NUL byte among the numbers; expected numbers and "
            "blank cells only. The file is damaged or not a plain export; export the log again."
        )

    def _parsed(self, body: bytes, delimiter: str, decimal_mark: str) -> pa.Table:
        while True:
            try:
                return self._parsed_once(body, delimiter, decimal_mark)
            except pa.ArrowInvalid as problem:
                found = re.search(r"In CSV column #(\d+)", str(problem))
                name = self.layout.names[int(found.group(1))] if found else None
                if name not in self.spare or name in self.as_texts or name in self.times:
                    raise _UnreadableError from problem
                self.as_texts.add(name or "")

    def _parsed_once(self, body: bytes, delimiter: str, decimal_mark: str) -> pa.Table:
        keys = {name: f"c{i}" for i, name in enumerate(self.layout.names) if name in self.columns}
        types = {
            key: pa.string() if name in self.times or name in self.as_texts else pa.float64()
            for name, key in keys.items()
        }
        if not body:
            return pa.table({name: pa.nulls(0, types[key]) for name, key in keys.items()})
        table = arrow_csv.read_csv(
            pa.py_buffer(body),
            read_options=arrow_csv.ReadOptions(
                column_names=[f"c{i}" for i in range(len(self.layout.names))],
                block_size=len(body) + 1,  # in one piece, so that columns need no putting together
            ),
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
        return table.rename_columns(list(keys))

    def _numbers(self, table: pa.Table) -> Chunk:
        """Columns as float64 with NaN for blanks; the words for NaN counted."""
        values: dict[str, FloatArray] = {}
        times: dict[str, Counting] = {}
        words, odd = Counter[str](), Counter[str]()
        for name in self.columns:
            column = table.column(name)
            if name in self.times:
                read = seconds_of(column, self.times[name], strict=name in self.wanted)
                if read.bad_row is not None:
                    raise _UnreadableError(name, read.bad_row, read.expected)
                values[name], times[name], odd[name] = read.values, read.counting, read.odd
                continue
            if name in self.as_texts:
                values[name], others = _numbers_among(column, self.layout.dialect.decimal_mark)
                for text, count in others.items():
                    if is_blank_word(text):
                        words[text[:12]] += count
                    else:
                        odd[name] += count
                continue
            values[name] = floats(column)
            with np.errstate(over="ignore", invalid="ignore"):
                # Costs less than a look at each: finite only when all of them are.
                total = values[name].sum()
            if np.isfinite(total):
                continue
            infinite = np.isinf(values[name])
            if infinite.any() and name in self.wanted:
                raise _UnreadableError(name, int(np.argmax(infinite)), "a number in reach")
            odd[name] = int(infinite.sum())
            words["NaN"] += int(np.isnan(values[name]).sum()) - column.null_count
            if odd[name]:
                values[name] = np.where(infinite, np.nan, values[name])
        # Nothing is counted before all of it is known to be readable.
        self.times |= times
        self.clerk.odd += odd  # which leaves out what is none
        self.clerk.words += words
        return Chunk(table.num_rows, values)

    def _located(self, rows: PlainRows, problem: _UnreadableError) -> InputError:
        """The row and cell that does not fit; where it is not known, found by reading slowly."""
        lines = rows.body.splitlines()
        if problem.column is not None:
            at = self.layout.names.index(problem.column)
            cell = lines[problem.row].decode(errors="replace").split(rows.delimiter)[at]
            return InputError(
                f"{self.path.name}: line {rows.line_numbers[problem.row]}, column "
                f"'{problem.column}': found '{cell.strip()[:40]}'; expected {problem.expected}. "
                "Correct or blank the cell."
            )
        number = number_pattern(rows.decimal_mark)
        for line_number, line in zip(rows.line_numbers, lines, strict=True):
            cells = line.decode(errors="replace").split(rows.delimiter)
            for name, cell in zip(self.layout.names, cells, strict=False):
                text = cell.strip()
                asked = name in self.wanted and name not in self.times
                if text and asked and not number.fullmatch(text):
                    mark = DECIMAL_MARKS[self.layout.dialect.decimal_mark]
                    return InputError(
                        f"{self.path.name}: line {line_number}, column '{name}': found "
                        f"'{text[:40]}'; expected a number with decimal {mark} or a blank cell. "
                        "Correct or blank the cell."
                    )
        return InputError(
            f"{self.path.name}: the rows of numbers cannot be read. Export the log again."
        )

    def notes(self) -> tuple[str, ...]:
        """What was left out or rewritten so far, in words."""
        times = (f"column '{name}': {said}" for name, each in self.times.items()
                 if (said := each.said))  # fmt: skip
        return (*times, *self.clerk.notes())


def _numbers_among(
    texts: pa.ChunkedArray, decimal_mark: str
) -> tuple[FloatArray, Mapping[str, int]]:
    """The numbers of a column that holds other texts too, NaN for those, and what they say."""
    texts = pc.ascii_trim_whitespace(texts)
    is_number = pc.match_substring_regex(texts, f"^({number_pattern(decimal_mark).pattern})$")
    numbers = pc.if_else(is_number, pc.replace_substring(texts, decimal_mark, "."), None)
    values = floats(pc.cast(numbers, pa.float64()))
    others = pc.value_counts(pc.cast(pc.filter(texts, pc.invert(is_number)), pa.binary()))
    counts = {each["values"]: each["counts"] for each in others.to_pylist()}
    said = {text.decode(errors="replace"): n for text, n in counts.items() if text is not None}
    infinite = np.isinf(values)
    if infinite.any():
        values, said["1e400"] = np.where(infinite, np.nan, values), int(infinite.sum())
    return values, said
