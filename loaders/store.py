"""A session as one Parquet file, and back.

The file is engine-neutral: nulls are holes, units stand in the field metadata.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import parquet

from loaders.channels import CHANNEL_BY_NAME, SCHEMA_VERSION, TIME
from loaders.errors import InputError
from loaders.normalise import SampleCount, Session, Source, Treatment

_SUSPECT = "_suspect"


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
