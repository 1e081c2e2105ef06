"""A session as one Parquet file, and back.

The file is engine-neutral: nulls are holes, units stand in the field metadata. What has changed
from version to version is said at `SCHEMA_VERSION`; older files are read as they are. Of a long
log, channels that are nothing but a column in another unit are not stored twice: the session says
which column of ``logs/ID.parquet`` they are, row for row, with factor and offset.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any
from weakref import WeakValueDictionary

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from loaders.channels import CHANNEL_BY_NAME, SCHEMA_VERSION, TIME
from loaders.columns import ColumnsWriter
from loaders.errors import InputError
from loaders.normalise import Outcome
from loaders.rawtable import floats, floats_into, marks_of, numbers_of
from loaders.session import (
    BoolArray,
    FloatArray,
    Line,
    SampleCount,
    Session,
    Source,
    Treatment,
)
from loaders.stretches import Block
from loaders.timebase import even_times

SUSPECT = "suspect"
"""Of each point, which channels are filled or at their stop: a bit for each, in file order."""
_SUSPECT_1 = "_suspect"
"""In schema 1, what a channel's column of marks was called behind its name."""
# A session of more numbers than this stays on disk, and its columns are read as they are asked for.
_MOST_IN_MEMORY = 40_000_000
_AS_IT_IS = Line("", 1.0, 0.0)


class SessionWriter:
    """Writes a session as its points come."""

    def __init__(
        self, path: Path, channels: Sequence[str], lines: Mapping[str, Line] | None = None
    ) -> None:
        self.path, self._channels, self._lines = path, tuple(channels), dict(lines or {})
        self._own = [name for name in channels if name not in self._lines]
        fields = [pa.field(TIME, pa.float64(), metadata={"unit": "s"})]
        for name in self._own:
            channel = CHANNEL_BY_NAME[name]
            about = {"unit": channel.unit, "meaning": channel.meaning}
            fields.append(pa.field(name, pa.float64(), metadata=about))
        fields.append(pa.field(SUSPECT, pa.int64(), metadata={"bits": json.dumps(channels)}))
        self._columns = ColumnsWriter(path, fields)

    def write(self, block: Block) -> None:
        """The next points."""
        marks = np.zeros(len(block.time_s), dtype=np.int64)
        for bit, name in enumerate(self._channels):
            if block.suspect[name].any():
                marks |= block.suspect[name].astype(np.int64) << bit
        channels = (block.channels[name] for name in self._own)
        self._columns.write([block.time_s, *channels, marks])

    def finish(self, outcome: Outcome) -> None:
        """Write what is known in the end, and close the file."""
        self._columns.finish(
            {
                "schema_version": SCHEMA_VERSION,
                "name": outcome.name,
                "rate_hz": outcome.rate_hz,
                "start_s": outcome.start_s,
                "counts": [asdict(count) for count in outcome.counts],
                "source": asdict(outcome.source),
                "metadata": dict(outcome.metadata),
                "lines": {name: asdict(line) for name, line in self._lines.items()},
            }
        )

    def close(self) -> None:
        """Let go of the file as it is."""
        self._columns.close()


def write_session(session: Session, path: Path) -> None:
    """A session as one Parquet file."""
    writer = SessionWriter(path, tuple(session.channels))
    try:
        nothing = np.zeros(len(session.time_s), dtype=bool)
        suspect = {name: session.suspect.get(name, nothing) for name in session.channels}
        writer.write(Block(session.time_s, dict(session.channels), suspect))
        writer.finish(
            Outcome(
                session.name, session.rate_hz, None, len(session.time_s), session.counts,
                session.source, dict(session.metadata),
            )
        )  # fmt: skip
    finally:
        writer.close()


def read_session(path: Path, log: Path | None = None) -> Session:
    """A stored session, as it was written; of a long one, columns are read when asked for.

    ``log`` is where the logbook keeps the log's own columns.

    Raises
    ------
    InputError
        If there is no such file, it is no session of ours, a newer version wrote it, or columns of
        the log that it needs are not there.
    """
    try:
        about = _about(path)
        if about["schema_version"] > SCHEMA_VERSION:
            msg = (
                f"{path.name}: written by a newer version (schema {about['schema_version']}, this "
                f"one reads up to {SCHEMA_VERSION}). Update sidegear."
            )
            raise InputError(msg)
        return _session(path, log, about)
    except FileNotFoundError:
        msg = f"{path}: no such session. Add its log to the logbook again."
        raise InputError(msg) from None
    except (OSError, pa.ArrowException, KeyError, ValueError, TypeError):
        msg = (
            f"{path}: is not a session that sidegear stored, or it is damaged. Remove it and add "
            "its log to the logbook again."
        )
        raise InputError(msg) from None


def stored_version(path: Path) -> int | None:
    """Schema version of a stored session; None when it cannot be read."""
    try:
        return int(_about(path)["schema_version"])
    except (OSError, pa.ArrowException, KeyError, ValueError, TypeError):
        return None


def _about(path: Path) -> dict[str, Any]:
    # Not memory-mapped: on Windows a mapped file cannot be replaced.
    with parquet.ParquetFile(path) as stored:
        about = json.loads((stored.metadata.metadata or {})[b"sidegear"])
    return dict(about)


def _session(path: Path, log: Path | None, about: Mapping[str, Any]) -> Session:
    lines = {name: Line(**line) for name, line in about.get("lines", {}).items()}
    with parquet.ParquetFile(path) as stored:
        columns, rows = stored.schema_arrow.names, stored.metadata.num_rows
        marks = stored.schema_arrow.field(SUSPECT).metadata if SUSPECT in columns else None
    known = json.loads(marks[b"bits"]) if marks else columns
    names = [name for name in known if name in CHANNEL_BY_NAME]
    if lines:
        _refuse_other_rows(path, log, rows, {line.column for line in lines.values()})
    stored_columns = StoredColumns(path, names, log, lines)
    channels: Mapping[str, FloatArray] = stored_columns
    if rows * len(names) <= _MOST_IN_MEMORY:
        channels = stored_columns.read(names)
    else:
        # Arrow's own pool keeps five times what it takes to decode a long log's columns.
        pa.set_memory_pool(pa.system_memory_pool())
    source = about["source"]
    return Session(
        name=about["name"],
        rate_hz=about["rate_hz"],
        time_s=(
            even_times(about["start_s"], about["rate_hz"], 0, rows)
            if about.get("start_s") is not None
            else _read_floats(path, [TIME])[TIME]
        ),
        channels=channels,
        suspect=_read_marks(path, columns),
        counts=tuple(
            SampleCount(**{**count, "treatment": Treatment(count["treatment"])})
            for count in about["counts"]
        ),
        source=Source(**{**source, "notes": tuple(source["notes"])}),
        metadata=about["metadata"],
    )


def _refuse_other_rows(path: Path, log: Path | None, rows: int, columns: set[str]) -> None:
    """Raise when the log's own columns, where the session has its channels, are not there."""
    if log is not None and log.is_file():
        with parquet.ParquetFile(log) as stored:
            if stored.metadata.num_rows == rows and columns <= set(stored.schema_arrow.names):
                return
    msg = (
        f"{path}: its channels are columns of the log, which the logbook does not keep any more. "
        "Add the log to the logbook again."
    )
    raise InputError(msg)


def _read_floats(path: Path, names: Sequence[str]) -> dict[str, FloatArray]:
    with parquet.ParquetFile(path) as stored:
        table = stored.read(columns=list(names))
    return {name: floats(table.column(name)) for name in names}


def _long_column(path: Path, name: str, line: Line = _AS_IT_IS) -> FloatArray:
    """One column of many rows in its channel's unit, by two threads."""
    with parquet.ParquetFile(path) as stored:
        about = stored.metadata
        rows = [about.row_group(i).num_rows for i in range(about.num_row_groups)]
    values, starts = np.empty(sum(rows)), np.cumsum([0, *rows])

    def read(groups: range) -> None:
        with parquet.ParquetFile(path) as stored:
            for i in groups:
                column = stored.read_row_group(i, columns=[name], use_threads=False).column(name)
                part = values[starts[i] : starts[i + 1]]
                floats_into(column, part)
                part[:] = line.of(part)

    middle = len(rows) // 2
    with ThreadPoolExecutor(2) as threads:
        list(threads.map(read, (range(middle), range(middle, len(rows)))))
    return values


def _read_marks(path: Path, columns: Sequence[str]) -> dict[str, BoolArray]:
    """The channels that are marked anywhere, and where."""
    with parquet.ParquetFile(path) as stored:
        if SUSPECT not in columns:
            names = [name for name in columns if name.endswith(_SUSPECT_1)]
            table = stored.read(columns=names)
            return {name.removesuffix(_SUSPECT_1): marks_of(table.column(name)) for name in names}
        if _is_nowhere_set(stored.metadata, stored.schema_arrow.get_field_index(SUSPECT)):
            return {}
        column = stored.read(columns=[SUSPECT]).column(SUSPECT)
        about = stored.schema_arrow.field(SUSPECT).metadata or {}
    bits = numbers_of(column, np.int64)[0].astype(np.int64, copy=False)
    marked = int(np.bitwise_or.reduce(bits))
    return {
        name: (bits >> bit) & 1 == 1
        for bit, name in enumerate(json.loads(about[b"bits"]))
        if marked >> bit & 1
    }


def _is_nowhere_set(about: parquet.FileMetaData, column: int) -> bool:
    """Whether the file itself says of a column that it holds nothing but zeros."""
    groups = (about.row_group(i).column(column).statistics for i in range(about.num_row_groups))
    return all(each is not None and each.has_min_max and each.min == each.max == 0
               for each in groups)  # fmt: skip


class StoredColumns(Mapping[str, FloatArray]):
    """The channels of a session, read from their files when asked for.

    One that somebody still holds is not read again.
    """

    def __init__(
        self, path: Path, names: Sequence[str], log: Path | None, lines: Mapping[str, Line]
    ) -> None:
        self._path, self._names, self._log, self._lines = path, tuple(names), log, lines
        self._held: WeakValueDictionary[str, FloatArray] = WeakValueDictionary()

    def __getitem__(self, name: str) -> FloatArray:
        """The channel's samples."""
        if name not in self._names:
            raise KeyError(name)
        values = self._held.get(name)
        if values is None:
            line = self._lines.get(name)
            if line is None or self._log is None:
                values = _long_column(self._path, name)
            else:
                values = _long_column(self._log, line.column, line)
            self._held[name] = values
        return values

    def __contains__(self, name: object) -> bool:
        """Whether there is such a channel."""
        return name in self._names

    def read(self, names: Sequence[str]) -> dict[str, FloatArray]:
        """Some channels' samples."""
        lines = {name: self._lines[name] for name in names if name in self._lines}
        found = _read_floats(self._path, [name for name in names if name not in lines])
        if lines and self._log is not None:
            columns = _read_floats(self._log, sorted({line.column for line in lines.values()}))
            found |= {name: line.of(columns[line.column]) for name, line in lines.items()}
        return {name: found[name] for name in names}

    def __iter__(self) -> Iterator[str]:
        """The channels' names."""
        return iter(self._names)

    def __len__(self) -> int:
        """How many channels there are."""
        return len(self._names)
