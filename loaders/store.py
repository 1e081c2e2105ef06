"""The logbook on disk: which files it holds, and how they appear there whole or not at all.

One file per session and kind, each put in place by an atomic rename: ``sessions/ID.parquet``,
``pages/ID.html`` and, last, ``results/ID.json``. A session is in the logbook once its result is.
The Parquet files are engine-neutral: nulls are holes, units stand in the field metadata.
"""

from __future__ import annotations

import json
import os
import secrets
import shutil
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import parquet

from loaders.channels import CHANNEL_BY_NAME, SCHEMA_VERSION, TIME
from loaders.errors import InputError
from loaders.normalise import SampleCount, Session, Source, Treatment

_SUSPECT = "_suspect"


@dataclass(frozen=True, slots=True)
class Logbook:
    """The folder that holds one car's build sheet, channel maps, sessions and reports."""

    folder: Path

    @property
    def build_sheet(self) -> Path:
        """What is inside the differential and around it."""
        return self.folder / "build_sheet.toml"

    @property
    def circuit(self) -> Path:
        """The circuit's name and start line; may be absent."""
        return self.folder / "circuit.toml"

    @property
    def channel_maps(self) -> list[Path]:
        """Every ``channels*.toml``, by name."""
        return sorted(self.folder.glob("channels*.toml"))

    def session(self, session_id: str) -> Path:
        """Stored samples of a session."""
        return self.folder / "sessions" / f"{session_id}.parquet"

    def page(self, session_id: str) -> Path:
        """The session's report."""
        return self.folder / "pages" / f"{session_id}.html"

    def result(self, session_id: str) -> Path:
        """The session's result; its presence says that the session is in the logbook."""
        return self.folder / "results" / f"{session_id}.json"


def publish(logbook: Logbook, session: Session, page: str, result: str) -> str:
    """Put a session with its page and result into the logbook; returns its id.

    Everything is written aside first, so that a reader sees each file whole or not at all; the
    result comes last. When one cannot be put in its place, those before it are taken back.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    name = session.id
    staged: list[tuple[Path, Path]] = []
    try:
        staged.append(_stage(logbook.session(name), lambda path: write_session(session, path)))
        staged.append(_stage(logbook.page(name), lambda path: _write_text(page, path)))
        staged.append(_stage(logbook.result(name), lambda path: _write_text(result, path)))
        _put_in_place(staged)
    except OSError as problem:
        msg = (
            f"{problem.filename or logbook.folder}: cannot be written ({problem.strerror}). "
            "Free space or choose a folder that you may write to; nothing was added."
        )
        raise InputError(msg) from problem
    finally:
        for aside, _ in staged:
            aside.unlink(missing_ok=True)
    return name


def _stage(target: Path, write: Callable[[Path], None]) -> tuple[Path, Path]:
    """Write beside the target under a hidden name; returns both."""
    target.parent.mkdir(parents=True, exist_ok=True)
    aside = _hidden(target)
    try:
        write(aside)
        with aside.open("rb+") as written:
            os.fsync(written.fileno())
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    return aside, target


def _hidden(target: Path) -> Path:
    # Not by tempfile: its files are closed to everyone else, whatever the user's umask says.
    return target.with_name(f".{secrets.token_hex(8)}{target.suffix}")


def _put_in_place(staged: list[tuple[Path, Path]]) -> None:
    undo: list[tuple[Path, Path | None]] = []
    try:
        for aside, target in staged:
            before = _hidden(target) if target.is_file() else None
            undo.append((target, before))
            if before is not None:
                shutil.copyfile(target, before)
            aside.replace(target)
    except BaseException:
        # The last of them is the one that failed: its target is as it was.
        for target, before in reversed(undo[:-1]):
            if before is None:
                target.unlink(missing_ok=True)
            else:
                before.replace(target)
        raise
    finally:
        for _, before in undo:
            if before is not None:
                before.unlink(missing_ok=True)


def _write_text(text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def write_session(session: Session, path: Path) -> None:
    """A session as one Parquet file."""
    fields = [pa.field(TIME, pa.float64(), metadata={"unit": "s"})]
    arrays = [_with_nulls(session.time_s)]
    for name, values in session.channels.items():
        channel = CHANNEL_BY_NAME[name]
        about = {"unit": channel.unit, "meaning": channel.meaning}
        fields.append(pa.field(name, pa.float64(), metadata=about))
        arrays.append(_with_nulls(values))
    for name, marked in session.suspect.items():
        fields.append(pa.field(name + _SUSPECT, pa.bool_()))
        arrays.append(_booleans(marked))
    about_all = {
        "schema_version": SCHEMA_VERSION,
        "name": session.name,
        "rate_hz": session.rate_hz,
        "counts": [asdict(count) for count in session.counts],
        "source": asdict(session.source),
        "metadata": dict(session.metadata),
    }
    schema = pa.schema(fields, metadata={"sidegear": json.dumps(about_all)})
    parquet.write_table(
        pa.Table.from_arrays(arrays, schema=schema), path, compression="zstd", compression_level=1
    )


def read_session(path: Path) -> Session:
    """A stored session, as it was written.

    Raises
    ------
    InputError
        If there is no such file, it is no session of ours, or a newer version wrote it.
    """
    try:
        # Not memory-mapped: on Windows a mapped file cannot be replaced.
        with parquet.ParquetFile(path) as stored:
            table = stored.read()
        about = json.loads((table.schema.metadata or {})[b"sidegear"])
    except FileNotFoundError:
        msg = f"{path}: no such session. Add its log to the logbook again."
        raise InputError(msg) from None
    except (OSError, pa.ArrowException, KeyError, ValueError):
        msg = (
            f"{path}: is not a session that sidegear stored, or it is damaged. Remove it and add "
            "its log to the logbook again."
        )
        raise InputError(msg) from None
    if about["schema_version"] > SCHEMA_VERSION:
        msg = (
            f"{path.name}: written by a newer version (schema {about['schema_version']}, this one "
            f"reads up to {SCHEMA_VERSION}). Update sidegear."
        )
        raise InputError(msg)
    names = [name for name in table.column_names if name in CHANNEL_BY_NAME]
    marked = [name for name in names if name + _SUSPECT in table.column_names]
    counts = (
        SampleCount(**{**count, "treatment": Treatment(count["treatment"])})
        for count in about["counts"]
    )
    source = about["source"]
    return Session(
        name=about["name"],
        rate_hz=about["rate_hz"],
        time_s=table.column(TIME).to_numpy(),
        channels={name: table.column(name).to_numpy() for name in names},
        suspect={name: table.column(name + _SUSPECT).to_numpy() for name in marked},
        counts=tuple(counts),
        source=Source(**{**source, "notes": tuple(source["notes"])}),
        metadata=about["metadata"],
    )


def _with_nulls(values: NDArray[np.float64]) -> pa.Array:
    """Float64 with nulls for NaN, built from buffers: ``pa.array`` would import pandas."""
    holes = np.isnan(values)
    validity = pa.py_buffer(np.packbits(~holes, bitorder="little")) if holes.any() else None
    data = pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(pa.float64(), len(values), [validity, data])


def _booleans(marked: NDArray[np.bool_]) -> pa.Array:
    data = pa.py_buffer(np.packbits(marked, bitorder="little"))
    return pa.Array.from_buffers(pa.bool_(), len(marked), [None, data])
