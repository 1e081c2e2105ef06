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
# Rows that are written together: fewer make a file that is larger and slower to read.
_GROUP_ROWS = 1 << 17


class ColumnsWriter:
    """Writes one file, a group of rows at a time."""

    def __init__(self, path: Path, fields: Sequence[pa.Field]) -> None:
        self._path, self._schema = path, pa.schema(fields)
        self._writer: parquet.ParquetWriter | None = None
        self._finished = False
        self._waiting: list[pa.RecordBatch] = []

    def write(self, columns: Sequence[NDArray[Any]]) -> None:
        """The next rows, in the order of the fields."""
        if self._writer is None:
            self._writer = self._opened(columns)
        arrays = [_with_nulls(c) if c.dtype == np.float64 else _whole_numbers(c) for c in columns]
        self._waiting.append(pa.RecordBatch.from_arrays(arrays, schema=self._schema))
        if sum(batch.num_rows for batch in self._waiting) >= _GROUP_ROWS:
            self._write_group()

    def _write_group(self) -> None:
        table = pa.Table.from_batches(self._waiting, self._schema)
        self._waiting = []
        if self._writer is not None and len(table):
            self._writer.write_table(table, row_group_size=len(table))

    def finish(self, about: Mapping[str, Any]) -> None:
        """Write what is known in the end, and close the file; once."""
        if self._finished:
            return
        self._finished = True
        if self._writer is None:
            self.write([np.empty(0, each.type.to_pandas_dtype()) for each in self._schema])
        assert self._writer is not None
        self._write_group()
        self._writer.add_key_value_metadata({KEY: json.dumps(about)})
        self.close()

    def close(self) -> None:
        """Close the file as it is."""
        if self._writer is not None:
            self._writer.close()
            self._writer, self._waiting = None, []

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
            # Every engine reads it, and it costs half of what Zstandard does.
            compression="snappy",
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


def _whole_numbers(values: NDArray[np.int64]) -> pa.Array:
    data = pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(pa.int64(), len(values), [None, data])
