"""A table of numbers as a file has it: names, unit texts, columns; no meaning yet."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loaders.decimals import numbers_from
from loaders.errors import InputError

FloatArray = NDArray[np.float64]


class Manner(Protocol):
    """How a file holds its table, in words: ``str()`` of it is shown to the user."""

    @property
    def names_place(self) -> str:
        """Where the column names stand, ending with a colon and a blank, or nothing."""


@dataclass(frozen=True, slots=True)
class Typed:
    """The manner of a file that names and types its columns itself."""

    kind: str

    @property
    def names_place(self) -> str:
        """Nothing: such a file has no lines."""
        return ""

    def __str__(self) -> str:
        return self.kind


@dataclass(frozen=True, slots=True)
class Layout:
    """What is known of a file before its numbers are read."""

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    metadata: Mapping[str, str]
    dialect: Manner


Choose = Callable[[Layout], set[str]]
"""Given the layout, the exact names of the columns to read; may raise `InputError`."""


class Stream(Protocol):
    """Bytes that are read from the front."""

    def read(self, size: int, /) -> bytes:
        """So many bytes, fewer at the end."""


@dataclass(frozen=True, slots=True)
class Contents:
    """A file's bytes, out of the archive or compression it came in."""

    path: Path
    size_bytes: int
    """Of the file as given."""
    head: bytes
    """The first bytes, by which a reader knows its files."""
    opened: Callable[[], AbstractContextManager[Stream]]
    """All bytes, from the front."""
    container: str | None = None
    """What the bytes were packed in, in words."""

    def blocks(self, size: int, see: Callable[[bytes], None] | None = None) -> Iterator[bytes]:
        """The bytes, a block at a time; each is shown to ``see`` first."""
        with self.opened() as stream:
            while block := stream.read(size):
                if see is not None:
                    see(block)
                yield block

    @property
    def data(self) -> bytes:
        """All bytes at once."""
        return b"".join(self.blocks(1 << 24))

    def sha256(self) -> str:
        """Of the file as given."""
        with self.path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some rows of a log, one after the other."""

    rows: int
    columns: Mapping[str, FloatArray]
    """The columns that are read, in file order; a blank cell is NaN."""


@dataclass(frozen=True, slots=True)
class Account:
    """What is known of a log once all of it was read."""

    sha256: str
    """Of the file as given."""
    size_bytes: int
    notes: tuple[str, ...] = ()
    """What was left out or read otherwise on the way, in words."""


@dataclass(frozen=True, slots=True)
class RawLog:
    """A log as the file has it, read as its chunks are asked for."""

    path: Path
    layout: Layout
    columns: tuple[str, ...]
    """Exact texts of the columns that are read, in file order."""
    chunks: Iterator[Chunk]
    account: Callable[[], Account]
    """Known after the last chunk."""
    container: str | None = None
    time_formats: Mapping[str, str] = field(default_factory=dict)
    """Columns whose cells are no numbers but times: "clock" or "iso"."""

    @property
    def read_as(self) -> str:
        """How the file was read, in one line."""
        dialect = self.layout.dialect
        return f"{dialect}, {self.container}" if self.container else str(dialect)


@dataclass(frozen=True, slots=True)
class RawTable:
    """A log as the file has it, read to its end."""

    path: Path
    names: tuple[str, ...]
    """Exact column texts, in file order."""
    units: tuple[str | None, ...]
    """Unit text of each column where the file states one; "s" where times were read as such."""
    columns: Mapping[str, FloatArray]
    """The columns that were asked for; a blank cell is NaN."""
    rows: int
    metadata: Mapping[str, str]
    dialect: Manner
    sha256: str
    size_bytes: int
    notes: tuple[str, ...]
    """What was left out or read otherwise on the way, in words."""
    container: str | None = None
    time_formats: Mapping[str, str] = field(default_factory=dict)
    """Columns whose cells are no numbers but times: "clock" or "iso"."""

    @property
    def read_as(self) -> str:
        """How the file was read, in one line."""
        return f"{self.dialect}, {self.container}" if self.container else str(self.dialect)

    def log(self) -> RawLog:
        """The same as a log of one chunk."""
        return RawLog(
            path=self.path,
            layout=Layout(self.names, self.units, self.metadata, self.dialect),
            columns=tuple(self.columns),
            chunks=iter([Chunk(self.rows, self.columns)]),
            account=lambda: Account(self.sha256, self.size_bytes, self.notes),
            container=self.container,
            time_formats=self.time_formats,
        )


def whole_table(log: RawLog) -> RawTable:
    """A log read to its end."""
    chunks = list(log.chunks)
    account = log.account()
    return RawTable(
        path=log.path,
        names=log.layout.names,
        units=log.layout.units,
        columns={
            name: chunks[0].columns[name]
            if len(chunks) == 1
            else np.concatenate([np.empty(0), *(chunk.columns[name] for chunk in chunks)])
            for name in log.columns
        },
        rows=sum(chunk.rows for chunk in chunks),
        metadata=log.layout.metadata,
        dialect=log.layout.dialect,
        sha256=account.sha256,
        size_bytes=account.size_bytes,
        notes=account.notes,
        container=log.container,
        time_formats=log.time_formats,
    )


def in_chunks(columns: Mapping[str, FloatArray], rows: int, size: int = 1 << 18) -> Iterator[Chunk]:
    """A table that is held whole, some rows at a time."""
    for start in range(0, rows, size):
        part = {name: values[start : start + size] for name, values in columns.items()}
        yield Chunk(min(size, rows - start), part)


def left_out(names: Sequence[str]) -> list[str]:
    """What is said of columns that hold no numbers and that no channel map names."""
    if not names:
        return []
    said = ", ".join(f"'{name}'" for name in names[:10])
    more = f" and {len(names) - 10} more" if len(names) > 10 else ""
    if len(names) == 1:
        return [f"column {said} holds no numbers and is in no channel map; left out"]
    return [f"columns {said}{more} hold no numbers and are in no channel map; left out"]


def refuse_repeated_names(
    path: Path, names: Sequence[str], wanted: set[str], dialect: Manner
) -> None:
    """Raise when a wanted column is not alone with its name.

    Raises
    ------
    InputError
        Naming the columns.
    """
    repeated = sorted(name for name in wanted if names.count(name) > 1)
    if repeated:
        said = ", ".join(f"'{name}'" for name in repeated)
        msg = (
            f"{path.name}: {dialect.names_place}more than one column is called "
            f"{said}; the channel map cannot tell them apart. Rename one in the export."
        )
        raise InputError(msg)


def numbers_of(
    column: pa.ChunkedArray, dtype: type = np.float64
) -> tuple[NDArray[np.generic], int]:
    """Values of a column of eight-byte numbers, and how many are null (their values are any).

    Read from the buffers themselves: ``to_numpy`` would import pandas, a third of a second that
    this stage does not need.
    """
    parts: list[NDArray[np.generic]] = [np.empty(0, dtype)]
    for chunk in column.chunks:
        parts.append(np.frombuffer(chunk.buffers()[1] or b"", dtype)[chunk.offset :][: len(chunk)])
    # The buffer itself where there is one only: who wants to change values makes new ones.
    return parts[-1] if len(parts) <= 2 else np.concatenate(parts), column.null_count


def holes_of(column: pa.ChunkedArray) -> NDArray[np.bool_]:
    """Which values of a column are null."""
    parts = [np.empty(0, np.bool_)]
    for chunk in column.chunks:
        validity = chunk.buffers()[0]
        if validity is None:
            parts.append(np.zeros(len(chunk), np.bool_))
            continue
        bits = np.unpackbits(np.frombuffer(validity, np.uint8), bitorder="little")
        parts.append(bits[chunk.offset :][: len(chunk)] == 0)
    return np.concatenate(parts)


def marks_of(column: pa.ChunkedArray) -> NDArray[np.bool_]:
    """A column of booleans, which has no nulls."""
    parts = [np.empty(0, np.bool_)]
    for chunk in column.chunks:
        bits = np.unpackbits(np.frombuffer(chunk.buffers()[1], np.uint8), bitorder="little")
        parts.append(bits[chunk.offset :][: len(chunk)].view(np.bool_))
    return np.concatenate(parts)


def floats(column: pa.ChunkedArray) -> FloatArray:
    """A column of float64 or of decimals as float64 with NaN for nulls."""
    if pa.types.is_decimal(column.type):
        values = np.empty(len(column))
        _from_decimals(column, values)
    else:
        values = numbers_of(column)[0].astype(np.float64, copy=False)
    return np.where(holes_of(column), np.nan, values) if column.null_count else values


def floats_into(column: pa.ChunkedArray, out: FloatArray) -> None:
    """The same, into ``out``."""
    if pa.types.is_decimal(column.type) and not column.null_count:
        _from_decimals(column, out)
    else:
        out[:] = floats(column)


def _from_decimals(column: pa.ChunkedArray, out: FloatArray) -> None:
    at = 0
    kind: np.dtype[Any] = np.dtype(np.int32 if column.type.bit_width == 32 else np.int64)
    for chunk in column.chunks:
        whole = np.frombuffer(chunk.buffers()[1] or b"", kind)[chunk.offset :][: len(chunk)]
        numbers_from(whole, column.type.scale, out[at : at + len(chunk)])
        at += len(chunk)
