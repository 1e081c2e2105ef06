"""A table of numbers as a file has it: names, unit texts, columns; no meaning yet."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

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


@dataclass(frozen=True, slots=True)
class Contents:
    """A file's bytes, out of the archive or compression it came in."""

    path: Path
    data: bytes
    sha256: str
    """Of the file as given."""
    size_bytes: int
    container: str | None = None
    """What the bytes were packed in, in words."""


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table of numbers as the file has it."""

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
    return np.concatenate(parts), column.null_count


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


def floats(column: pa.ChunkedArray) -> FloatArray:
    """A column of float64 with NaN for nulls."""
    values, nulls = numbers_of(column)
    if nulls:
        values = np.where(holes_of(column), np.nan, values)
    return values.astype(np.float64, copy=False)
