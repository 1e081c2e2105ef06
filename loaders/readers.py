"""Which reader a log is for: the small table of readers, asked in order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from loaders.candump import is_candump, read_candump
from loaders.columnar import is_arrow, is_parquet, read_arrow, read_parquet
from loaders.containers import open_contents
from loaders.delimited import read_delimited
from loaders.layout import BY_EVIDENCE, TextHabits
from loaders.mdf import is_mdf, read_mdf
from loaders.rawtable import Choose, Contents, RawLog, RawTable, whole_table


@dataclass(frozen=True, slots=True)
class Reader:
    """One kind of file that a log may come as."""

    name: str
    recognises: Callable[[bytes], bool]
    """By the first bytes: a name says little about what is in a file."""
    read: Read


class Read(Protocol):
    """What a reader does: find the layout, ask which columns are wanted, and give the rows."""

    def __call__(
        self, contents: Contents, choose: Choose, stated: TextHabits, *, spare: bool
    ) -> RawLog:
        """The log; with ``spare`` columns that nobody asks for come too, if they hold numbers."""


READERS: tuple[Reader, ...] = (
    Reader("Parquet", is_parquet, read_parquet),
    Reader("Arrow", is_arrow, read_arrow),
    Reader("MDF", is_mdf, read_mdf),
    Reader("CAN", is_candump, read_candump),
    # The last takes what no other recognises.
    Reader("text", lambda _: True, read_delimited),
)


def open_raw_log(
    path: Path, choose: Choose, stated: TextHabits = BY_EVIDENCE, *, spare: bool = False
) -> RawLog:
    """A log of any kind, read as its chunks are asked for.

    Parameters
    ----------
    choose : callable
        Given the layout, the exact names of the columns to read; may raise `InputError`.
    stated : TextHabits
        What is stated of a text log.
    spare : bool
        Whether to read all other columns of numbers too. A cell of those that is no number is
        blanked and counted, where in the chosen ones it is an error.

    Raises
    ------
    InputError
        If the file cannot be read or is damaged; see the readers. Reading on may raise it too.
    """
    contents = open_contents(path)
    reader = next(each for each in READERS if each.recognises(contents.head))
    return reader.read(contents, choose, stated, spare=spare)


def read_raw_table(path: Path, choose: Choose, stated: TextHabits = BY_EVIDENCE) -> RawTable:
    """Read the columns that ``choose`` wants out of a log of any kind, to its end.

    Raises
    ------
    InputError
        If the file cannot be read or is damaged; see the readers.
    """
    return whole_table(open_raw_log(path, choose, stated))
