"""Columns of numbers to Parquet, group of rows by group of rows, and back.

The files are engine-neutral: nulls are holes, units stand in the field metadata.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import parquet

from loaders.decimals import Decimals, FloatArray, decimals_of, whole_numbers
from loaders.rawtable import floats

KEY = "sidegear"
"""Of the file's metadata: one JSON object of ours."""
# A column in which few of so many values differ is stored as a dictionary, others byte by byte:
# each is the smaller and the quicker way for its kind (tried with noise of one to four decimals).
_LOOKED_AT = 4096
_MOSTLY_DIFFERENT = 0.85
# Rows that are written together: fewer make a file that is larger and slower to read.
_GROUP_ROWS = 1 << 17
# A file is begun anew so often for columns that turn out to need other decimals; then without any.
_MOST_BEGINNINGS = 3


class ColumnsWriter:
    """Writes one file, a group of rows at a time.

    With ``exact``, a column of numbers with few decimals is stored as DECIMAL: those are the
    numbers that a text log holds, in half of the room and half of the time.
    """

    def __init__(self, path: Path, fields: Sequence[pa.Field], *, exact: bool = False) -> None:
        self._path, self._schema = path, pa.schema(fields)
        self._exact = exact
        self._decimals: dict[str, Decimals] = {}
        self._writer: parquet.ParquetWriter | None = None
        self._beginnings = 0
        self._finished = False
        self._waiting: list[Sequence[NDArray[Any]]] = []

    def write(self, columns: Sequence[NDArray[Any]]) -> None:
        """The next rows, in the order of the fields."""
        self._waiting.append(columns)
        if sum(len(rows[0]) for rows in self._waiting) >= _GROUP_ROWS:
            self._write_group()

    def _write_group(self) -> None:
        parts: list[list[NDArray[Any]]] = [list(each) for each in zip(*self._waiting, strict=True)]
        self._waiting = []
        if self._writer is None:
            if self._exact:
                self._decimals = dict(self._chosen(parts, self._schema.names))
            self._writer = self._opened(parts)
        elif sum(map(len, parts[0])) == 0:
            return
        arrays = {name: self._stored(each, name) for name, each in self._named(parts)}
        if odd := [name for name, array in arrays.items() if array is None]:
            self._begin_anew(odd, parts)
            arrays |= {name: self._stored(each, name) for name, each in self._named(parts)}
        table = pa.Table.from_arrays(list(arrays.values()), schema=self._writer.schema)
        self._writer.write_table(table, row_group_size=max(1, len(table)))

    def _named(self, parts: list[list[NDArray[Any]]]) -> Iterator[tuple[str, list[NDArray[Any]]]]:
        return zip(self._schema.names, parts, strict=True)

    def _chosen(
        self, parts: list[list[NDArray[Any]]], names: Sequence[str]
    ) -> Iterator[tuple[str, Decimals]]:
        """The columns of decimals among those named, and how many they have."""
        for name, each in self._named(parts):
            if name in names and all(values.dtype == np.float64 for values in each):
                how = decimals_of(each[0])
                for values in each[1:]:
                    other = decimals_of(values) if how else None
                    how = how.joined(other) if how and other else None
                if how:
                    yield name, how

    def _stored(self, parts: list[NDArray[Any]], name: str) -> pa.ChunkedArray | None:
        """A column as it is stored; None when its decimals do not tell its values."""
        how = self._decimals.get(name)
        arrays = [_decimal(values, how) if how else _plain(values) for values in parts]
        return None if any(array is None for array in arrays) else pa.chunked_array(arrays)

    def _begin_anew(self, odd: Sequence[str], parts: list[list[NDArray[Any]]]) -> None:
        """Write what there is of the file again, with other decimals for some columns."""
        assert self._writer is not None
        self._writer.close()
        self._beginnings += 1
        found = dict(self._chosen(parts, odd))
        for name in odd:
            before = self._decimals.pop(name)
            if name in found and (both := before.joined(found[name])):
                self._decimals[name] = both
        if self._beginnings == _MOST_BEGINNINGS:
            self._decimals = {}
        old = self._path.with_suffix(".before")
        self._path.replace(old)
        try:
            self._copy_from(old, parts)
        finally:
            old.unlink()

    def _copy_from(self, old: Path, parts: list[list[NDArray[Any]]]) -> None:
        self._writer = self._opened(parts)
        with parquet.ParquetFile(old) as stored:
            for i in range(stored.metadata.num_row_groups):
                table = stored.read_row_group(i)
                arrays = [self._again(table.column(name), name) for name in table.column_names]
                table = pa.Table.from_arrays(arrays, schema=self._writer.schema)
                self._writer.write_table(table, row_group_size=len(table))

    def _again(self, column: pa.ChunkedArray, name: str) -> pa.ChunkedArray:
        how = self._decimals.get(name)
        if column.type == (how.type if how else self._schema.field(name).type):
            return column
        stored = self._stored([floats(column)], name)
        assert stored is not None  # more decimals tell what fewer did
        return stored

    def finish(self, about: Mapping[str, Any]) -> None:
        """Write what is known in the end, and close the file; once."""
        if self._finished:
            return
        self._finished = True
        if self._writer is None and not self._waiting:
            self._waiting = [[np.empty(0, each.type.to_pandas_dtype()) for each in self._schema]]
        if self._waiting:
            self._write_group()
        assert self._writer is not None
        self._writer.add_key_value_metadata({KEY: json.dumps(about)})
        self.close()

    def close(self) -> None:
        """Close the file as it is."""
        if self._writer is not None:
            self._writer.close()
            self._writer, self._waiting = None, []

    def _opened(self, parts: list[list[NDArray[Any]]]) -> parquet.ParquetWriter:
        fields = [
            field.with_type(self._decimals[field.name].type)
            if field.name in self._decimals
            else field
            for field in self._schema
        ]
        bytewise = [
            name
            for name, each in self._named(parts)
            if name not in self._decimals
            and each[0].dtype == np.float64
            and _mostly_different(each[0])
        ]
        others = [
            name
            for name in self._schema.names
            if name not in bytewise and name not in self._decimals
        ]
        return parquet.ParquetWriter(
            self._path,
            pa.schema(fields),
            # Every engine reads it, and it costs half of what Zstandard does.
            compression="snappy",
            use_dictionary=others or False,
            use_byte_stream_split=bytewise or False,
            column_encoding=dict.fromkeys(self._decimals, "DELTA_BINARY_PACKED") or None,
            store_decimal_as_integer=True,
            # Nobody looks for the least of a log's own numbers, and it costs a twentieth.
            write_statistics=[name for name in self._schema.names if name not in self._decimals]
            or False,
        )


def _mostly_different(values: FloatArray) -> bool:
    some = values[:: max(1, len(values) // _LOOKED_AT)][:_LOOKED_AT]
    some = some[np.isfinite(some)]
    return len(np.unique(some)) > _MOSTLY_DIFFERENT * max(len(some), 1)


def _plain(values: NDArray[Any]) -> pa.Array:
    if values.dtype == np.float64:
        return _from_buffer(pa.float64(), values, _validity(values))
    return _from_buffer(pa.int64(), values, None)


def _decimal(values: FloatArray, how: Decimals) -> pa.Array | None:
    whole = whole_numbers(values, how)
    return None if whole is None else _from_buffer(how.type, whole, _validity(values))


def _validity(values: FloatArray) -> pa.Buffer | None:
    """Which values there are, as bits; None where all are."""
    with np.errstate(over="ignore", invalid="ignore"):
        finite = np.isfinite(values.sum())  # costs less than a look at each
    if not finite and (holes := np.isnan(values)).any():
        return pa.py_buffer(np.packbits(~holes, bitorder="little"))
    return None


def _from_buffer(kind: pa.DataType, values: NDArray[Any], validity: pa.Buffer | None) -> pa.Array:
    """Built from buffers: ``pa.array`` would import pandas."""
    data = pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(kind, len(values), [validity, data])
