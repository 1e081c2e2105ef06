"""Which reader a log is for: the small table of readers, asked in order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from loaders.columnar import is_arrow, is_parquet, read_arrow, read_parquet
from loaders.containers import open_contents
from loaders.delimited import read_delimited
from loaders.layout import BY_EVIDENCE, TextHabits
from loaders.mdf import is_mdf, read_mdf
from loaders.rawtable import Choose, Contents, RawTable

# What a reader may look at to know its files.
_HEAD_BYTES = 64


@dataclass(frozen=True, slots=True)
class Reader:
    """One kind of file that a log may come as."""

    name: str
    recognises: Callable[[bytes], bool]
    """By the first bytes: a name says little about what is in a file."""
    read: Callable[[Contents, Choose, TextHabits], RawTable]


READERS: tuple[Reader, ...] = (
    Reader("Parquet", is_parquet, read_parquet),
    Reader("Arrow", is_arrow, read_arrow),
    Reader("MDF", is_mdf, read_mdf),
    # The last takes what no other recognises.
    Reader("text", lambda _: True, read_delimited),
)


def read_raw_table(path: Path, choose: Choose, stated: TextHabits = BY_EVIDENCE) -> RawTable:
    """Read the columns that ``choose`` wants out of a log of any kind.

    Raises
    ------
    InputError
        If the file cannot be read or is damaged; see the readers.
    """
    contents = open_contents(path)
    head = contents.data[:_HEAD_BYTES]
    reader = next(each for each in READERS if each.recognises(head))
    return reader.read(contents, choose, stated)
