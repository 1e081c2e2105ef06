"""The rows of a text table that the fast parser cannot take as they stand, written plainly.

Comments, footers, repeated headers and blank lines are left out, quotes and thousands marks taken
off, words for "no value" blanked; each is counted, and whatever else is odd is an error with its
line and column. A row that is plain already passes at the cost of one look.
"""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from loaders.cells import (
    DECIMAL_MARKS,
    SAID_FORMATS,
    THOUSANDS_MARKS,
    TIME_FORMATS,
    comment_sign,
    grouped_pattern,
    is_blank_word,
    is_quantity,
    number_pattern,
)
from loaders.errors import InputError
from loaders.fixedwidth import Places, cells_at, column_places
from loaders.header import BLANKS, split_cells
from loaders.layout import TextLayout
from loaders.textblocks import LONGEST_FOOTER, line_text

# So many lines may stand above the table of a log that was joined to another.
_LONGEST_HEAD = 200


@dataclass(frozen=True, slots=True)
class PlainRows:
    """The rows, one a line."""

    body: bytes
    delimiter: str
    decimal_mark: str
    line_numbers: Sequence[int]
    """Line of the file that each row comes from."""


@dataclass
class Clerk:
    """Knows the table's layout, rewrites its rows block by block, and counts.

    Cells of ``wanted`` columns have to be numbers or blank; of ``spare`` ones, those that are not
    are blanked and counted; all others are left out.
    """

    path: Path
    layout: TextLayout
    wanted: Collection[str]
    spare: Collection[str] = ()
    blank_lines: int = 0
    comments: list[int] = field(default_factory=list)
    heads: list[int] = field(default_factory=list)
    news: list[str] = field(default_factory=list)
    """What the heads of joined logs say that the first one does not."""
    held: list[bytes] = field(default_factory=list)
    """Lines at the end of a block that the next one tells how to take."""
    footer: list[tuple[int, str]] = field(default_factory=list)
    words: Counter[str] = field(default_factory=Counter)
    thousands: Counter[str] = field(default_factory=Counter)
    odd: Counter[str] = field(default_factory=Counter)
    """By spare column, the cells that are no numbers."""

    def __post_init__(self) -> None:
        dialect = self.layout.dialect
        self.delimiter, self.mark = dialect.delimiter, dialect.decimal_mark
        self.delimiter_out = "\t" if self.delimiter == BLANKS else self.delimiter
        # Between quotes a cell may hold the delimiter as its decimal mark.
        self.mark_out = "." if self.mark == self.delimiter_out else self.mark
        self.separators = len(self.layout.names) - 1
        signs = "0123456789+-" + (self.delimiter if self.delimiter != BLANKS else "")
        signs += self.mark if self.mark == self.mark_out else ""
        self.plain = signs.encode()
        self.times = dict(dialect.times)
        self.above = {line.strip() for line in self.layout.above if line.strip()}
        self.columns = [
            (name, name in self.wanted or name in self.spare, self.times.get(name))
            for name in self.layout.names
        ]

    def plain_rows(self, body: bytes, first_line: int, *, last: bool) -> PlainRows:
        """Rewrite a block of rows so that the fast parser can take them.

        Parameters
        ----------
        body : bytes
            Whole lines, in UTF-8: rows and what stands between them and, in the last block, below.
        first_line : int
            Line of the file that the block begins with.

        Raises
        ------
        InputError
            Naming the first line, and where it is one cell the column, that does not fit.
        """
        lines = [*self.held, *body.splitlines()]
        first_line -= len(self.held)
        self.held = []
        footer = _footer_start(lines, self) if last else len(lines)
        kept: list[bytes] = []
        numbers: list[int] = []
        at = 0
        while at < footer:
            line, number = lines[at], first_line + at
            if not self.is_plain(line):
                head = self._second_head(lines[at:footer], number)
                if head is None and not last:
                    self.held = lines[at:footer]
                    break
                for each in range(at, at + (head or 0)):
                    self.begin_again(line_text(lines[each]), first_line + each)
                if head:
                    at += head
                    continue
                line = self.rewritten(line, number) or b""
            if line:
                kept.append(line)
                numbers.append(number)
            at += 1
        self.count_footer(lines[footer:], first_line + footer)
        kept.append(b"")  # the last line ends as well
        return PlainRows(b"\n".join(kept), self.delimiter_out, self.mark_out, numbers)

    def is_plain(self, line: bytes) -> bool:
        """Whether the line is a row of as many cells as there are columns, of digits alone."""
        delimiter = self.delimiter_out.encode()
        return (
            line.count(delimiter) == self.separators
            and not line.translate(None, self.plain)
            # Dashes for "no value" are made of signs that numbers have.
            and b"--" not in line
            and b"-" + delimiter not in line
            and not line.endswith(b"-")
        )

    def rewritten(self, line: bytes, number: int) -> bytes | None:
        """The line as a plain row, or None when it is none and may be left out."""
        text = line_text(line)
        if not text.strip(" \t\f") and self.delimiter not in text.replace(" ", ""):
            self.blank_lines += 1
            return None
        if text.strip() in self.above:
            self.heads.append(number)
            return None
        if comment_sign(text, self.delimiter):
            self.comments.append(number)
            return None
        return self.delimiter_out.join(self._row(text, number)).encode()

    def _second_head(self, lines: Sequence[bytes], number: int) -> int | None:
        """How many lines from here on stand above the table of a log that was joined to this one.

        They are narrower than a row, say something that the first head does not, and end at the
        names of the columns. None where the lines end before that is known.
        """
        first = line_text(lines[0]).strip()
        if not first or first in self.above or comment_sign(first, self.delimiter):
            return 0
        dialect = self.layout.dialect
        names = self.layout.above[(dialect.group_line or dialect.header_line) - 1].strip()
        for i, line in enumerate(lines[:_LONGEST_HEAD]):
            text = line_text(line)
            if text.strip() == names:
                return i
            cells = [cell.strip() for cell in split_cells(text, self.delimiter)]
            if self.is_plain(line) or (
                len(cells) == len(self.columns) and text.strip() not in self.above
            ):
                self._refuse_other_names(cells, number + i)
                return 0
        return None if len(lines) < _LONGEST_HEAD else 0

    def _refuse_other_names(self, cells: Sequence[str], number: int) -> None:
        """Raise when a row holds nothing but words: the names of another log's columns."""
        words = [cell for cell in cells if cell]
        if len(words) < len(cells) or any(
            is_quantity(cell, self.mark) or is_blank_word(cell) for cell in words
        ):
            return
        if comment_sign(words[0], self.delimiter):
            return
        said = ", ".join(f"'{word[:40]}'" for word in words[:8])
        msg = (
            f"{self.path.name}: line {number}: other column names begin here: {said}; expected "
            "the rows of one log. Two logs were joined that do not have the same columns: cut the "
            "file there and add each by itself."
        )
        raise InputError(msg)

    def begin_again(self, text: str, number: int) -> None:
        """Take note of a line above the table of a log that was joined to this one."""
        self.heads.append(number)
        cells = [cell.strip() for cell in split_cells(text, self.delimiter)]
        key, value = cells[0] if cells else "", " ".join(cell for cell in cells[1:] if cell)
        if key and text.strip() not in self.above and not comment_sign(text, self.delimiter):
            self.news.append(f"{key} = {value}" if value else key)

    def _row(self, text: str, number: int) -> list[str]:
        place = f"{self.path.name}: line {number}"
        cells = self._split(text, place)
        if len(cells) != len(self.columns):
            msg = (
                f"{place}: found {len(cells)} cells; expected {len(self.columns)}, as in the row "
                "of column names. Repair or cut the line, or export the log again."
            )
            raise InputError(msg)
        return [
            self._cell(cell.strip(), name, kind, place) if asked else ""
            for cell, (name, asked, kind) in zip(cells, self.columns, strict=True)
        ]

    def _split(self, text: str, place: str) -> list[str]:
        if self.delimiter == BLANKS:
            cells = text.split()
            return cells if len(cells) == len(self.columns) else self._by_place(text) or cells
        if '"' not in text:
            return text.split(self.delimiter)
        try:
            cells = next(csv.reader([text], delimiter=self.delimiter, strict=True))
        except csv.Error:
            cells = ['"']
        if any('"' in cell for cell in cells):
            msg = (
                f"{place}: a quote sign among the numbers; expected numbers and blank cells only. "
                "The file is damaged or not a plain export; export the log again."
            )
            raise InputError(msg)
        return cells

    def _by_place(self, text: str) -> list[str] | None:
        """Cells of a line with blank ones, where the file has every column at its place."""
        return cells_at(text, self._places) if len(self._places) == len(self.columns) else None

    @cached_property
    def _places(self) -> Places:
        rows = [
            line
            for line in self.layout.sample
            if is_quantity(_lead(line, BLANKS), self.mark) or is_blank_word(_lead(line, BLANKS))
        ]
        return column_places(rows)

    def _cell(self, text: str, name: str, kind: str | None, place: str) -> str:
        if not text:
            return ""
        if is_blank_word(text):
            self.words[text[:12]] += 1
            return ""
        if kind is not None and TIME_FORMATS[kind].fullmatch(text):
            return text
        if kind is None and (number := self._number(text)) is not None:
            if math.isfinite(float(number.replace(self.mark, "."))):
                return number.replace(self.mark, self.mark_out)
            expected = "a number that this machine can hold"
        elif kind is None:
            expected = f"a number with decimal {DECIMAL_MARKS[self.mark]}"
        else:
            expected = f"{SAID_FORMATS[kind]}, as in the rows before"
        if name in self.spare:
            self.odd[name] += 1
            return ""
        msg = (
            f"{place}, column '{name}': found '{text[:40]}'; expected {expected} or a blank cell. "
            "Correct or blank the cell."
        )
        raise InputError(msg)

    def _number(self, text: str) -> str | None:
        """The number without thousands marks, or None when it is none."""
        if number_pattern(self.mark).fullmatch(text):
            return text
        grouped = grouped_pattern(self.mark).fullmatch(text)
        if grouped is None:
            return None
        self.thousands[grouped["mark"]] += 1
        return text.replace(grouped["mark"], "")

    def count_footer(self, lines: Sequence[bytes], first: int) -> None:
        """Take note of the lines below the last row."""
        for number, line in enumerate(lines, first):
            text = line_text(line).strip()
            if comment_sign(text, self.delimiter):
                self.comments.append(number)
            elif text:
                self.footer.append((number, text))

    def notes(self) -> tuple[str, ...]:
        """What was left out or rewritten, in words."""
        said = []
        if self.blank_lines:
            said.append(f"{self.blank_lines} blank lines between the rows were left out")
        if self.comments:
            said.append(f"{_lines(self.comments)} of comment left out")
        if self.heads:
            said.append(
                f"{_lines(self.heads)} that repeat the lines above the data left out; the rows "
                "after them are read on"
            )
        if self.news:
            more = f" and {len(self.news) - 10} more" if len(self.news) > 10 else ""
            said.append(
                f"another head between the rows says: {'; '.join(self.news[:10])}{more}; the "
                "session keeps what the first one says"
            )
        if self.footer:
            lines = _lines([number for number, _ in self.footer])
            said.append(f"{lines} below the last row left out: '{self.footer[0][1][:40]}'")
        if self.words:
            words = ", ".join(f"'{word}'" for word in sorted(self.words))
            said.append(f"{self.words.total()} cells that say {words} read as blank")
        for mark, count in self.thousands.items():
            said.append(f"{count} numbers with {THOUSANDS_MARKS[mark]} between thousands")
        for name, count in self.odd.items():
            said.append(f"column '{name}': {count} cells that are no numbers read as blank")
        return tuple(said)


def _lines(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    return f"{len(numbers)} lines from line {numbers[0]} on"


def _footer_start(lines: Sequence[bytes], clerk: Clerk) -> int:
    """Index of the first line below the last row: comments, blank lines and lines led by text."""
    first = clerk.layout.sample[0] if clerk.layout.sample else ""
    if not is_quantity(_lead(first, clerk.delimiter), clerk.mark):
        return len(lines)  # rows are led by text themselves: none can be told from a footer
    at = len(lines)
    while at > max(0, len(lines) - LONGEST_FOOTER):
        text = line_text(lines[at - 1])
        lead = _lead(text, clerk.delimiter)
        row = is_quantity(lead, clerk.mark) or is_blank_word(lead) if lead else bool(text.strip())
        if row or text.strip() in clerk.above:
            break
        at -= 1
    return at


def _lead(text: str, delimiter: str) -> str:
    """The line's first filled cell."""
    return next((cell.strip() for cell in split_cells(text, delimiter) if cell.strip()), "")
