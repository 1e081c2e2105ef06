"""Where the table of a text file is, and how it is written: delimiter, decimal mark, header, units.

Delimiter, decimal mark and first data row are found together, by scoring how consistently the
lines read as rows of numbers; what was chosen is kept in `Dialect` and shown to the user.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from loaders.cells import (
    BASIC_DATE_TIME,
    DECIMAL_MARKS,
    SAID_FORMATS,
    TIME_FORMATS,
    is_blank_word,
    is_quantity,
)
from loaders.errors import InputError
from loaders.fixedwidth import cells_at, column_places
from loaders.header import BLANKS, Header, read_header, split_cells
from loaders.rawtable import Layout
from loaders.textblocks import HEAD_BYTES, line_text

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", BLANKS: "blanks"}
# How far into the file the layout is looked for.
_HEAD_LINES = 2000
# So many lines of numbers in a row make a table; fewer are a figure in a text.
_ENOUGH_ROWS = 5
# So many lines of the table tell how consistently it reads.
_SCORED_ROWS = 200
# A line is a row of numbers when at least this share of its filled cells are numbers.
_MOSTLY = 0.5


@dataclass(frozen=True, slots=True)
class TextHabits:
    """What the user states about how a text log is written; None is found by evidence."""

    delimiter: str | None = None
    decimal_mark: str | None = None


BY_EVIDENCE = TextHabits()
"""Nothing is stated."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """How the file writes its table."""

    encoding: str
    delimiter: str
    decimal_mark: str
    header_line: int
    """Line number of the column names, or of the lower of two, counted from 1."""
    unit_line: int | None
    first_data_line: int
    group_line: int | None = None
    """Upper line of column names that run over two."""
    times: tuple[tuple[str, str], ...] = ()
    """Columns of times that are no numbers, each with its format."""

    @property
    def names_place(self) -> str:
        """Where the column names stand, for messages."""
        return f"line {self.header_line}: "

    def __str__(self) -> str:
        units = f", units on line {self.unit_line}" if self.unit_line else ""
        lines = (
            f"lines {self.group_line} and {self.header_line}"
            if self.group_line
            else f"line {self.header_line}"
        )
        times = "".join(f", '{name}' as {SAID_FORMATS[kind]}" for name, kind in self.times)
        return (
            f"{DELIMITERS[self.delimiter]} between cells, "
            f"decimal {DECIMAL_MARKS[self.decimal_mark]}, {self.encoding}, "
            f"column names on {lines}{units}, data from line {self.first_data_line}{times}"
        )


@dataclass(frozen=True, slots=True)
class TextLayout(Layout):
    """The part of a text file above its data, read but not yet parsed further."""

    dialect: Dialect
    data_offset: int
    """Byte at which the first data row starts, in UTF-8."""
    above: tuple[str, ...]
    """The lines above the data, as they are."""
    sample: tuple[str, ...]
    """The first lines of the data."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Candidate:
    delimiter: str
    decimal_mark: str
    first_row: int
    width: int
    score: float


def find_layout(
    path: Path,
    text: bytes,
    encoding: str,
    stated: TextHabits = BY_EVIDENCE,
    whole_text: Callable[[], Iterable[bytes]] | None = None,
) -> TextLayout:
    """Delimiter, decimal mark, header, units and preamble, from the head of the file.

    Parameters
    ----------
    text : bytes
        The head of the file, in UTF-8.
    whole_text : callable
        All lines from the beginning, in blocks; asked for where the head leaves the decimal mark
        open. The head is the whole text when it is left out.

    Raises
    ------
    InputError
        If there is no table of numbers, no row of column names above it, or two ways to part the
        cells or to read their marks fit equally well.
    """
    head = text[:HEAD_BYTES]
    # Of bytes, because str.splitlines would also split at form feeds and other rare signs.
    lines = head.splitlines(keepends=True)[:_HEAD_LINES]
    if len(text) > HEAD_BYTES and len(lines) > 1:
        lines = lines[:-1]
    texts = [line_text(line).rstrip("\r\n") for line in lines]
    tied = _best_candidates(path, texts, stated)
    best = tied[0]
    offset = sum(map(len, lines[: best.first_row]))
    header = read_header(path, texts, best.first_row, best.delimiter, best.width)
    sample = tuple(texts[best.first_row : best.first_row + _SCORED_ROWS])
    times = _time_columns(header.names, sample, best.delimiter)
    return TextLayout(
        names=header.names,
        units=tuple(
            "s" if name in times else unit
            for name, unit in zip(header.names, header.units, strict=True)
        ),
        metadata=header.metadata,
        dialect=Dialect(
            encoding,
            best.delimiter,
            _decimal_mark(path, tied, offset, whole_text or (lambda: (text,))),
            header.names_row + 1,
            None if header.unit_row is None else header.unit_row + 1,
            best.first_row + 1,
            None if header.group_row is None else header.group_row + 1,
            tuple(times.items()),
        ),
        data_offset=offset,
        above=tuple(texts[: best.first_row]),
        sample=sample,
        notes=_said(header),
    )


def _said(header: Header) -> tuple[str, ...]:
    if not header.repeated:
        return ()
    return (f"{header.repeated} repeated lines above the data were left out",)


def _best_candidates(path: Path, lines: list[str], stated: TextHabits) -> list[_Candidate]:
    """The best way to read the lines; more than one when only the decimal mark is open."""
    quoted = any('"' in line for line in lines)
    candidates = [
        candidate
        for delimiter in DELIMITERS
        if stated.delimiter in (None, delimiter)
        for mark in DECIMAL_MARKS
        if stated.decimal_mark in (None, mark)
        # A cell may hold the delimiter as its decimal mark between quotes only.
        if mark != delimiter or quoted
        if (candidate := _candidate(lines, delimiter, mark)) is not None
    ]
    if not candidates:
        raise _no_table(path, lines, stated)
    top = max(candidate.score for candidate in candidates)
    tied = [candidate for candidate in candidates if candidate.score == top]
    delimiters = dict.fromkeys(candidate.delimiter for candidate in tied)
    if len(delimiters) > 1:
        said = " or ".join(DELIMITERS[delimiter] for delimiter in delimiters)
        msg = (
            f"{path.name}: line {tied[0].first_row + 1}: the cells could be parted by {said} "
            "equally well. Export the log with another delimiter, or state it in the channel map: "
            f'[text] delimiter = "{DELIMITERS[tied[0].delimiter]}".'
        )
        raise InputError(msg)
    return tied


def _no_table(path: Path, lines: list[str], stated: TextHabits) -> InputError:
    hint = (
        "It holds NUL bytes, so it is no plain text."
        if any("\0" in line for line in lines)
        else "Is this a log?"
    )
    if stated != BY_EVIDENCE:
        hint = "Does what [text] in the channel map states hold for this log?"
    return InputError(
        f"{path.name}: no table of numbers in the first {len(lines)} lines; expected at least "
        f"{_ENOUGH_ROWS} rows of two or more numbers with comma, semicolon, tab, pipe or blanks "
        f"between them. {hint} Export the log as delimited text."
    )


def _decimal_mark(
    path: Path,
    tied: Sequence[_Candidate],
    offset: int,
    whole_text: Callable[[], Iterable[bytes]],
) -> str:
    """The decimal mark; where the head does not tell, what comes further down does.

    A mark before exactly three digits may set thousands apart as well as decimals; any other
    place in a number is that of a decimal mark.
    """
    marks = [candidate.decimal_mark for candidate in tied]
    if len(marks) == 1:
        return marks[0]
    there, decided = set(), set()
    for block in whole_text():
        there |= {mark for mark in marks if block.find(mark.encode(), offset) >= 0}
        decided |= {mark for mark in there if _decisive(mark).search(block, offset)}
        offset = max(0, offset - len(block))
        if marks[0] in decided:
            break
    open_marks = [mark for mark in marks if mark in there]
    sure = [mark for mark in open_marks if mark in decided]
    if sure or not open_marks:
        return (sure or marks)[0]
    msg = (
        f"{path.name}: line {tied[0].first_row + 1}: every {DECIMAL_MARKS[open_marks[0]]} stands "
        "before three digits and could set thousands or decimals apart equally well. State the "
        'decimal mark in the channel map: [text] decimal_mark = "comma" or "point".'
    )
    raise InputError(msg)


@cache
def _decisive(mark: str) -> re.Pattern[bytes]:
    """A number in which ``mark`` can only be the decimal mark."""
    point, other = re.escape(mark), re.escape("," if mark == "." else ".")
    no_digit, no_part = r"(?![0-9])", r"(?<![0-9.,:])"
    return re.compile(
        (
            rf"{no_part}0+{point}[0-9]|[0-9]{{4}}{point}[0-9]|"
            rf"{no_part}[0-9]+{point}[0-9]{{1,2}}{no_digit}|{no_part}[0-9]+{point}[0-9]{{4}}|"
            rf"{no_part}{point}[0-9]|{other}[0-9]{{3}}{point}[0-9]"
        ).encode()
    )


def _candidate(lines: list[str], delimiter: str, mark: str) -> _Candidate | None:
    """How well the lines read as rows of numbers with this delimiter and decimal mark."""
    if not any(delimiter in line for line in lines):
        return None

    filled = [i for i, line in enumerate(lines) if line.replace(delimiter, "").strip()]
    # From the lower half, where the header is not: its words stand otherwise.
    lower = filled[len(filled) // 2 :][:_SCORED_ROWS]
    places = column_places([lines[i] for i in lower]) if delimiter == BLANKS else ()

    @cache
    def cells(i: int) -> list[str]:
        return cells_at(lines[i], places) or split_cells(lines[i], delimiter)

    @cache
    def share(i: int) -> float:
        return _numeric_share(cells(i), mark)

    def width(i: int) -> int:
        plain = delimiter != BLANKS and '"' not in lines[i]  # the cheaper way to the same
        return lines[i].count(delimiter) + 1 if plain else len(cells(i))

    def is_row(i: int) -> bool:
        return width(i) > 1 and share(i) >= _MOSTLY

    def is_start(k: int) -> bool:
        run = filled[k : k + _ENOUGH_ROWS]
        return all(is_row(i) and width(i) == width(run[0]) for i in run)

    # Pairs may be `key, number` lines of a preamble; wider rows are never passed over.
    last = len(filled) - _ENOUGH_ROWS
    k = next((k for k in range(last + 1) if width(filled[k]) > 2 and is_start(k)), -1)
    if k < 0:
        k = next((k for k in range(last + 1) if is_start(k)), -1)
    if k < 0:
        return None
    wide = width(filled[k])
    scored = filled[k : k + _SCORED_ROWS]
    if delimiter == BLANKS and any(sign in lines[i] for i in scored for sign in ";\t|"):
        return None
    alike = sum(share(i) for i in scored if width(i) == wide)
    # Ragged rows right under the header are data too: the parser will name them.
    while k > 0 and is_row(filled[k - 1]) and (width(filled[k - 1]) > 2 or wide == 2):
        k -= 1
    score = alike / len(scored) * (1 - 1 / wide)
    return _Candidate(delimiter, mark, filled[k], wide, round(score, 6))


def _numeric_share(cells: list[str], mark: str) -> float:
    """Share of the filled cells that are numbers or times; 0 for a row without any."""
    filled = [text for cell in cells if (text := cell.strip()) and not is_blank_word(text)]
    if not filled:
        return 0.0
    return sum(is_quantity(text, mark) for text in filled) / len(filled)


def _time_columns(names: Sequence[str], sample: Sequence[str], delimiter: str) -> dict[str, str]:
    """The columns whose cells are mostly times of one format, and which; others will be named."""
    found: dict[str, str] = {}
    if not any(":" in line or BASIC_DATE_TIME.search(line) for line in sample):
        return found
    rows = [split_cells(line, delimiter) for line in sample]
    for i, name in enumerate(names):
        texts = [
            text
            for row in rows
            if len(row) == len(names) and (text := row[i].strip()) and not is_blank_word(text)
        ]
        for kind, pattern in TIME_FORMATS.items():
            if sum(pattern.fullmatch(text) is not None for text in texts) > _MOSTLY * len(texts):
                found[name] = kind
    return found
