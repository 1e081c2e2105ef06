"""A log's own columns of numbers as one Parquet file, verbatim, and back as a log.

From it a session can be made again under another channel map, without the log at hand. Names,
unit texts, metadata and notes are those of the log; times that are no numbers are seconds, with
their format beside them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
from pyarrow import parquet

from loaders.columns import KEY, ColumnsWriter
from loaders.errors import InputError
from loaders.mapping import TextTable
from loaders.rawtable import Account, Chunk, Layout, RawLog, floats

RAW_SCHEMA = 2
"""Version of the stored log, raised when the readers find other numbers in the same file too.

1: first version.
2: columns of few decimals are DECIMAL, in 1 float64 like all others.
"""
_READABLE = (1, 2)


@dataclass(frozen=True, slots=True)
class ReadBefore:
    """The manner of a log that was read and stored before."""

    read_as: str
    names_place: str

    def __str__(self) -> str:
        return self.read_as


class RawWriter:
    """Writes a log's columns as its chunks come."""

    def __init__(self, path: Path, log: RawLog) -> None:
        self._log = log
        units = dict(zip(log.layout.names, log.layout.units, strict=True))
        fields = []
        for name in log.columns:
            about = {"unit": units[name] or "", "time_format": log.time_formats.get(name, "")}
            about = {key: value for key, value in about.items() if value}
            fields.append(pa.field(name, pa.float64(), metadata=about or None))
        self._columns = ColumnsWriter(path, fields, exact=True)

    def write(self, chunk: Chunk) -> None:
        """The next rows."""
        self._columns.write([chunk.columns[name] for name in self._log.columns])

    def finish(self, text: TextTable) -> None:
        """Write what is known of the log in the end, and what was stated of it, and close."""
        log, account = self._log, self._log.account()
        self._columns.finish(
            {
                "raw_schema": RAW_SCHEMA,
                "file": log.path.name.encode("utf-8", "replace").decode(),
                "names": log.layout.names,
                "units": log.layout.units,
                "metadata": dict(log.layout.metadata),
                "read_as": log.read_as,
                "names_place": log.layout.dialect.names_place,
                "time_formats": dict(log.time_formats),
                "sha256": account.sha256,
                "size_bytes": account.size_bytes,
                "notes": account.notes,
                "text": asdict(text),
            }
        )

    def close(self) -> None:
        """Let go of the file as it is."""
        self._columns.close()


@dataclass(frozen=True, slots=True)
class StoredLog:
    """What a stored log is, before its numbers are read."""

    path: Path
    about: dict[str, Any]
    columns: tuple[str, ...]

    @property
    def name(self) -> str:
        """Of the file that was read."""
        return str(self.about["file"])

    @property
    def text(self) -> TextTable:
        """What was stated of the text when it was read."""
        return TextTable(**self.about["text"])

    @property
    def layout(self) -> Layout:
        """The columns that are stored, and what else the file had above them."""
        units = dict(zip(self.about["names"], self.about["units"], strict=True))
        return Layout(
            names=self.columns,
            units=tuple(units[name] for name in self.columns),
            metadata=self.about["metadata"],
            dialect=ReadBefore(self.about["read_as"], self.about["names_place"]),
        )

    def log(self) -> RawLog:
        """The log, read as its chunks are asked for."""
        about = self.about
        account = Account(about["sha256"], about["size_bytes"], tuple(about["notes"]))
        return RawLog(
            path=Path(self.name),
            layout=self.layout,
            columns=self.columns,
            chunks=self._chunks(),
            account=lambda: account,
            time_formats=about["time_formats"],
        )

    def _chunks(self) -> Iterator[Chunk]:
        try:
            with parquet.ParquetFile(self.path) as stored:
                for i in range(stored.metadata.num_row_groups):
                    table = stored.read_row_group(i)
                    columns = {name: floats(table.column(name)) for name in self.columns}
                    yield Chunk(table.num_rows, columns)
        except (OSError, pa.ArrowException) as problem:
            raise _damaged(self.path) from problem


def stored_log(path: Path) -> StoredLog:
    """A log that was stored.

    Raises
    ------
    InputError
        If it is not there, is none of ours, or was read by another version of the readers.
    """
    try:
        with parquet.ParquetFile(path) as stored:
            about = json.loads((stored.metadata.metadata or {})[KEY.encode()])
            columns = tuple(stored.schema_arrow.names)
        version = about["raw_schema"]
    except FileNotFoundError:
        msg = f"{path}: the log's own columns are not kept. Add the log to the logbook again."
        raise InputError(msg) from None
    except (OSError, pa.ArrowException, KeyError, ValueError, TypeError):
        raise _damaged(path) from None
    if version not in _READABLE:
        msg = f"{path}: was read by another version of sidegear. Add the log to the logbook again."
        raise InputError(msg)
    return StoredLog(path, about, columns)


def _damaged(path: Path) -> InputError:
    return InputError(
        f"{path}: is not a log that sidegear stored, or it is damaged. Add the log to the logbook "
        "again."
    )
