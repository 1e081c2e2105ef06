"""A session as one Parquet file, and back.

The file is engine-neutral: nulls are holes, units stand in the field metadata. What has changed
from version to version is said at `SCHEMA_VERSION`; older files are read as they are.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from loaders.channels import CHANNEL_BY_NAME, SCHEMA_VERSION, TIME
from loaders.columns import ColumnsWriter
from loaders.errors import InputError
from loaders.normalise import Outcome
from loaders.rawtable import floats, marks_of, numbers_of
from loaders.session import BoolArray, FloatArray, SampleCount, Session, Source, Treatment
from loaders.stretches import Block

SUSPECT = "suspect"
"""Of each point, which channels are filled or at their stop: a bit for each, in file order."""
_SUSPECT_1 = "_suspect"
"""In schema 1, what a channel's column of marks was called behind its name."""
# A session of more numbers than this stays on disk, and its columns are read as they are asked for.
_MOST_IN_MEMORY = 40_000_000


class SessionWriter:
    """Writes a session as its points come."""

    def __init__(self, path: Path, channels: Sequence[str]) -> None:
        self.path, self._channels = path, tuple(channels)
        fields = [pa.field(TIME, pa.float64(), metadata={"unit": "s"})]
        for name in channels:
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
        channels = (block.channels[name] for name in self._channels)
        self._columns.write([block.time_s, *channels, marks])

    def finish(self, outcome: Outcome) -> None:
        """Write what is known in the end, and close the file."""
        self._columns.finish(
            {
                "schema_version": SCHEMA_VERSION,
                "name": outcome.name,
                "rate_hz": outcome.rate_hz,
                "counts": [asdict(count) for count in outcome.counts],
                "source": asdict(outcome.source),
                "metadata": dict(outcome.metadata),
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
                session.name, session.rate_hz, len(session.time_s), session.counts, session.source,
                dict(session.metadata),
            )
        )  # fmt: skip
    finally:
        writer.close()


def read_session(path: Path) -> Session:
    """A stored session, as it was written; of a long one, columns are read when asked for.

    Raises
    ------
    InputError
        If there is no such file, it is no session of ours, or a newer version wrote it.
    """
    try:
        about = _about(path)
        if about["schema_version"] > SCHEMA_VERSION:
            msg = (
                f"{path.name}: written by a newer version (schema {about['schema_version']}, this "
                f"one reads up to {SCHEMA_VERSION}). Update sidegear."
            )
            raise InputError(msg)
        return _session(path, about)
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


def _session(path: Path, about: Mapping[str, Any]) -> Session:
    with parquet.ParquetFile(path) as stored:
        columns, rows = stored.schema_arrow.names, stored.metadata.num_rows
    names = [name for name in columns if name in CHANNEL_BY_NAME]
    channels: Mapping[str, FloatArray] = StoredColumns(path, names)
    if rows * len(names) <= _MOST_IN_MEMORY:
        channels = _read_floats(path, [TIME, *names])
    source = about["source"]
    return Session(
        name=about["name"],
        rate_hz=about["rate_hz"],
        time_s=channels[TIME] if TIME in channels else _read_floats(path, [TIME])[TIME],
        channels={name: channels[name] for name in names} if TIME in channels else channels,
        suspect=_read_marks(path, columns),
        counts=tuple(
            SampleCount(**{**count, "treatment": Treatment(count["treatment"])})
            for count in about["counts"]
        ),
        source=Source(**{**source, "notes": tuple(source["notes"])}),
        metadata=about["metadata"],
    )


def _read_floats(path: Path, names: list[str]) -> dict[str, FloatArray]:
    with parquet.ParquetFile(path) as stored:
        table = stored.read(columns=names)
    return {name: floats(table.column(name)) for name in names}


def _read_marks(path: Path, columns: Sequence[str]) -> dict[str, BoolArray]:
    """The channels that are marked anywhere, and where."""
    with parquet.ParquetFile(path) as stored:
        if SUSPECT not in columns:
            names = [name for name in columns if name.endswith(_SUSPECT_1)]
            table = stored.read(columns=names)
            return {name.removesuffix(_SUSPECT_1): marks_of(table.column(name)) for name in names}
        column = stored.read(columns=[SUSPECT]).column(SUSPECT)
        about = stored.schema_arrow.field(SUSPECT).metadata or {}
    bits = numbers_of(column, np.int64)[0].astype(np.int64, copy=False)
    marked = int(np.bitwise_or.reduce(bits))
    return {
        name: (bits >> bit) & 1 == 1
        for bit, name in enumerate(json.loads(about[b"bits"]))
        if marked >> bit & 1
    }


class StoredColumns(Mapping[str, FloatArray]):
    """The channels of a long session, each read from its file whenever it is asked for."""

    def __init__(self, path: Path, names: Sequence[str]) -> None:
        self._path, self._names = path, tuple(names)

    def __getitem__(self, name: str) -> FloatArray:
        """The channel's samples."""
        if name not in self._names:
            raise KeyError(name)
        return _read_floats(self._path, [name])[name]

    def __iter__(self) -> Iterator[str]:
        """The channels' names."""
        return iter(self._names)

    def __len__(self) -> int:
        """How many channels there are."""
        return len(self._names)
