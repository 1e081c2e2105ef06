"""Columns of numbers to Parquet, group of rows by group of rows.

The files are engine-neutral: nulls are holes, units stand in the field metadata.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import parquet

KEY = "sidegear"
"""Of the file's metadata: one JSON object of ours."""
# A column in which few of so many values differ is stored as a dictionary, others byte by byte:
# each is the smaller and the quicker way for its kind (tried with noise of one to four decimals).
_LOOKED_AT = 4096
_MOSTLY_DIFFERENT = 0.85


class ColumnsWriter:
    """Writes one file, a group of rows at a time."""

    def __init__(self, path: Path, fields: Sequence[pa.Field]) -> None:
        self._path, self._schema = path, pa.schema(fields)
        self._writer: parquet.ParquetWriter | None = None
        self._finished = False

    def write(self, columns: Sequence[NDArray[Any]]) -> None:
        """The next rows, in the order of the fields."""
        if self._writer is None:
            self._writer = self._opened(columns)
        arrays = [_booleans(c) if c.dtype == bool else _with_nulls(c) for c in columns]
        table = pa.Table.from_arrays(arrays, schema=self._schema)
        self._writer.write_table(table, row_group_size=max(len(table), 1))

    def finish(self, about: Mapping[str, Any]) -> None:
        """Write what is known in the end, and close the file; once."""
        if self._finished:
            return
        self._finished = True
        if self._writer is None:
            self.write([np.empty(0, each.type.to_pandas_dtype()) for each in self._schema])
        assert self._writer is not None
        self._writer.add_key_value_metadata({KEY: json.dumps(about)})
        self.close()

    def close(self) -> None:
        """Close the file as it is."""
        if self._writer is not None:
            self._writer.close()
            self._writer = None

    def _opened(self, columns: Sequence[NDArray[Any]]) -> parquet.ParquetWriter:
        plain = [
            field.name
            for field, values in zip(self._schema, columns, strict=True)
            if values.dtype == np.float64 and _mostly_different(values)
        ]
        others = [name for name in self._schema.names if name not in plain]
        return parquet.ParquetWriter(
            self._path,
            self._schema,
            compression="zstd",
            compression_level=1,
            use_dictionary=others or False,
            use_byte_stream_split=plain or False,
        )


def _mostly_different(values: NDArray[np.float64]) -> bool:
    some = values[:: max(1, len(values) // _LOOKED_AT)][:_LOOKED_AT]
    some = some[np.isfinite(some)]
    return len(np.unique(some)) > _MOSTLY_DIFFERENT * max(len(some), 1)


def _with_nulls(values: NDArray[np.float64]) -> pa.Array:
    """Float64 with nulls for NaN, built from buffers: ``pa.array`` would import pandas."""
    validity = None
    with np.errstate(over="ignore", invalid="ignore"):
        finite = np.isfinite(values.sum())  # costs less than a look at each
    if not finite and (holes := np.isnan(values)).any():
        validity = pa.py_buffer(np.packbits(~holes, bitorder="little"))
    data = pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(pa.float64(), len(values), [validity, data])


def _booleans(marked: NDArray[np.bool_]) -> pa.Array:
    data = pa.py_buffer(np.packbits(marked, bitorder="little"))
    return pa.Array.from_buffers(pa.bool_(), len(marked), [None, data])
