"""From a Parquet or Arrow (Feather) file to a raw table: the file names and types its columns."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import ipc, parquet

from loaders.errors import InputError
from loaders.header import bracketed_unit
from loaders.layout import BY_EVIDENCE, TextHabits
from loaders.rawtable import (
    Choose,
    Contents,
    FloatArray,
    Layout,
    RawTable,
    Typed,
    floats,
    holes_of,
    numbers_of,
    refuse_repeated_names,
)
from loaders.timestamps import Seconds, counted_from_midnight, over_midnight

# Notes of the programs that wrote the file, for themselves.
_NOT_OURS = {"ARROW:schema", "pandas", "sidegear"}
# More numbers than this are no log of a car, but a damaged count. [cells]
_MOST_CELLS = 4_000_000_000


def is_parquet(head: bytes) -> bool:
    """Whether the file begins as Parquet."""
    return head.startswith(b"PAR1")


def is_arrow(head: bytes) -> bool:
    """Whether the file begins as an Arrow file, which is what Feather version 2 is."""
    return head.startswith(b"ARROW1")


def read_parquet(contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE) -> RawTable:
    """Read the columns that ``choose`` wants out of a Parquet file.

    Raises
    ------
    InputError
        If the file is damaged, or a wanted column holds no numbers or comes twice.
    """
    del stated  # a typed file leaves nothing to state
    with _damage_named(contents, "Parquet"):
        file = parquet.ParquetFile(pa.BufferReader(contents.data))
        layout = _layout(file.schema_arrow, "Parquet")
        _refuse_huge(contents, file.metadata.num_rows, len(layout.names))
    wanted = _wanted(contents, choose, layout, file.schema_arrow)
    with _damage_named(contents, "Parquet"):
        return _raw_table(contents, layout, file.read(columns=wanted))


def read_arrow(contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE) -> RawTable:
    """Read the columns that ``choose`` wants out of an Arrow or Feather file.

    Raises
    ------
    InputError
        If the file is damaged, or a wanted column holds no numbers or comes twice.
    """
    del stated  # a typed file leaves nothing to state
    with _damage_named(contents, "Arrow"):
        file = ipc.open_file(pa.BufferReader(contents.data))
        layout = _layout(file.schema, "Arrow")
    wanted = _wanted(contents, choose, layout, file.schema)
    with _damage_named(contents, "Arrow"):
        table = file.read_all().select(wanted)
        table.validate(full=True)
        return _raw_table(contents, layout, table)


@contextmanager
def _damage_named(contents: Contents, kind: str) -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError, ValueError, KeyError, MemoryError) as why:
        said = " ".join(str(why).split()).split(". ")[0][:80]
        msg = (
            f"{contents.path.name}: begins as a {kind} file but cannot be read ({said}); it is "
            "damaged or cut short. Copy or export the log again."
        )
        raise InputError(msg) from why


def _refuse_huge(contents: Contents, rows: int, columns: int) -> None:
    if not 0 <= rows * columns <= _MOST_CELLS:
        msg = (
            f"{contents.path.name}: says that it holds {rows} rows of {columns} columns; expected "
            f"no more than {_MOST_CELLS:.0e} cells. Copy or export the log again."
        )
        raise InputError(msg)


def _layout(schema: pa.Schema, kind: str) -> Layout:
    names = tuple(schema.names)
    return Layout(
        names=names,
        units=tuple(_unit(schema.field(i)) for i in range(len(names))),
        metadata={
            key: value for key, value in _texts(schema.metadata).items() if key not in _NOT_OURS
        },
        dialect=Typed(kind),
    )


def _unit(field: pa.Field) -> str | None:
    if pa.types.is_temporal(field.type):
        return "s"
    stated = _texts(field.metadata)
    return stated.get("unit") or stated.get("units") or bracketed_unit(field.name)


def _texts(metadata: dict[bytes, bytes] | None) -> dict[str, str]:
    return {
        key.decode(errors="replace"): value.decode(errors="replace")
        for key, value in (metadata or {}).items()
    }


def _wanted(contents: Contents, choose: Choose, layout: Layout, schema: pa.Schema) -> list[str]:
    """Names of the wanted columns in file order, all of them columns of numbers or times."""
    chosen = choose(layout)
    refuse_repeated_names(contents.path, layout.names, chosen, layout.dialect)
    wanted = [name for name in layout.names if name in chosen]
    odd = {name: kind for name in wanted if not _is_number(kind := schema.field(name).type)}
    if odd:
        said = ", ".join(f"'{name}' ({kind})" for name, kind in odd.items())
        msg = (
            f"{contents.path.name}: no numbers in column {said}; expected numbers or times. "
            "Store the column as float64."
        )
        raise InputError(msg)
    return wanted


def _is_number(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    tests = (
        pa.types.is_integer,
        pa.types.is_floating,
        pa.types.is_boolean,
        pa.types.is_decimal,
        pa.types.is_temporal,
        pa.types.is_null,
    )
    return any(test(kind) for test in tests)


@dataclass
class _Gathered:
    columns: dict[str, FloatArray] = field(default_factory=dict)
    times: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def _raw_table(contents: Contents, layout: Layout, table: pa.Table) -> RawTable:
    gathered = _Gathered()
    for name in table.column_names:
        column = table.column(name)
        if pa.types.is_temporal(column.type):
            read, gathered.times[name] = _seconds(column)
            gathered.columns[name] = read.values
            if read.said:
                gathered.notes.append(f"column '{name}': {read.said}")
            continue
        values = floats(pc.cast(column, pa.float64(), safe=False))
        odd = int((~np.isfinite(values)).sum()) - column.null_count
        if odd:
            gathered.notes.append(f"column '{name}': {odd} cells that hold no number read as blank")
            values = np.where(np.isfinite(values), values, np.nan)
        gathered.columns[name] = values
    return RawTable(
        path=contents.path,
        names=layout.names,
        units=layout.units,
        columns=gathered.columns,
        rows=table.num_rows,
        metadata=layout.metadata,
        dialect=layout.dialect,
        sha256=contents.sha256,
        size_bytes=contents.size_bytes,
        notes=tuple(gathered.notes),
        container=contents.container,
        time_formats=gathered.times,
    )


def _seconds(column: pa.ChunkedArray) -> tuple[Seconds, str]:
    """A column of a type of time in seconds, and which of the time formats it is."""
    blank = holes_of(column)
    if blank.all():
        return Seconds(np.full(len(blank), np.nan)), "iso"
    kind = column.type
    if pa.types.is_time(kind) or pa.types.is_duration(kind):
        column = pc.cast(column, pa.time64("ns") if pa.types.is_time(kind) else pa.duration("ns"))
        seconds = _int64(column) / 1e9
        values = np.where(blank, np.nan, seconds)
        return (over_midnight(values) if pa.types.is_time(kind) else Seconds(values)), "clock"
    stamps = _int64(pc.cast(column, pa.timestamp("ns", getattr(kind, "tz", None))))
    # A zone says how to show the stamps; they are stored in UTC.
    return counted_from_midnight(
        stamps, blank, zone="Z" if getattr(kind, "tz", None) else ""
    ), "iso"


def _int64(column: pa.ChunkedArray) -> np.ndarray:
    return numbers_of(pc.cast(column, pa.int64()), np.int64)[0].astype(np.int64, copy=False)
