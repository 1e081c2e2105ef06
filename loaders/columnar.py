"""From a Parquet or Arrow (Feather) file to a raw table: the file names and types its columns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import ipc, parquet

from loaders.errors import InputError
from loaders.header import bracketed_unit
from loaders.layout import BY_EVIDENCE, TextHabits
from loaders.rawtable import (
    Account,
    Choose,
    Chunk,
    Contents,
    FloatArray,
    Layout,
    RawLog,
    Typed,
    floats,
    holes_of,
    left_out,
    numbers_of,
    refuse_repeated_names,
)
from loaders.timestamps import Counting, Seconds, counted_from_midnight, over_midnight

# Notes of the programs that wrote the file, for themselves.
_NOT_OURS = {"ARROW:schema", "pandas", "sidegear"}
# More numbers than this are no log of a car, but a damaged count. [cells]
_MOST_CELLS = 4_000_000_000
# Rows that are read at a time.
_CHUNK_ROWS = 1 << 18


def is_parquet(head: bytes) -> bool:
    """Whether the file begins as Parquet."""
    return head.startswith(b"PAR1")


def is_arrow(head: bytes) -> bool:
    """Whether the file begins as an Arrow file, which is what Feather version 2 is."""
    return head.startswith(b"ARROW1")


def read_parquet(
    contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE, *, spare: bool = False
) -> RawLog:
    """A Parquet file with the columns that ``choose`` wants, and with ``spare`` all others.

    Raises
    ------
    InputError
        If the file is damaged, or a wanted column holds no numbers or comes twice.
    """
    del stated  # a typed file leaves nothing to state
    with _damage_named(contents, "Parquet"):
        file = parquet.ParquetFile(_random_access(contents))
        layout = _layout(file.schema_arrow, "Parquet")
        _refuse_huge(contents, file.metadata.num_rows, len(layout.names))

    def batches(columns: list[str]) -> Iterator[pa.RecordBatch]:
        with file:
            yield from file.iter_batches(_CHUNK_ROWS, columns=columns)

    return _raw_log(contents, layout, file.schema_arrow, choose, batches, spare=spare)


def read_arrow(
    contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE, *, spare: bool = False
) -> RawLog:
    """An Arrow or Feather file with the columns that ``choose`` wants, and with ``spare`` all.

    Raises
    ------
    InputError
        If the file is damaged, or a wanted column holds no numbers or comes twice.
    """
    del stated  # a typed file leaves nothing to state
    with _damage_named(contents, "Arrow"):
        file = ipc.open_file(_random_access(contents))
        layout = _layout(file.schema, "Arrow")

    def batches(columns: list[str]) -> Iterator[pa.RecordBatch]:
        with file:
            for i in range(file.num_record_batches):
                batch = file.get_batch(i).select(columns)
                batch.validate(full=True)
                for start in range(0, batch.num_rows, _CHUNK_ROWS):
                    yield batch.slice(start, _CHUNK_ROWS)

    return _raw_log(contents, layout, file.schema, choose, batches, spare=spare)


def _random_access(contents: Contents) -> pa.NativeFile:
    """The file, from which parts are read as they are asked for; not mapped, it may change."""
    if contents.container is None:
        return pa.OSFile(str(contents.path))
    return pa.BufferReader(contents.data)


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


def _wanted(contents: Contents, choose: Choose, layout: Layout, schema: pa.Schema) -> set[str]:
    """Names of the wanted columns, all of them columns of numbers or times."""
    chosen = choose(layout)
    refuse_repeated_names(contents.path, layout.names, chosen, layout.dialect)
    odd = {
        name: kind
        for name in layout.names
        if name in chosen and not _is_number(kind := schema.field(name).type)
    }
    if odd:
        said = ", ".join(f"'{name}' ({kind})" for name, kind in odd.items())
        msg = (
            f"{contents.path.name}: no numbers in column {said}; expected numbers or times. "
            "Store the column as float64."
        )
        raise InputError(msg)
    return chosen


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


def _raw_log(
    contents: Contents,
    layout: Layout,
    schema: pa.Schema,
    choose: Choose,
    batches: Callable[[list[str]], Iterator[pa.RecordBatch]],
    *,
    spare: bool,
) -> RawLog:
    wanted, texts = _wanted(contents, choose, layout, schema), []
    if spare:
        others = [name for name in layout.names if layout.names.count(name) == 1 and name]
        texts = [name for name in others if not _is_number(schema.field(name).type)]
        wanted = wanted | (set(others) - set(texts))
    columns = [name for name in layout.names if name in wanted]
    times = {
        name: Counting(_time_format(schema.field(name).type))
        for name in columns
        if pa.types.is_temporal(schema.field(name).type)
    }
    odd: Counter[str] = Counter()

    def chunks() -> Iterator[Chunk]:
        with _damage_named(contents, str(layout.dialect)):
            for batch in batches(columns):
                values: dict[str, FloatArray] = {}
                for name in columns:
                    column = pa.chunked_array([batch.column(name)])
                    if name in times:
                        read = _seconds(column, times[name])
                        values[name], times[name] = read.values, read.counting
                    else:
                        values[name], count = _numbers(column)
                        odd[name] += count
                yield Chunk(batch.num_rows, values)

    def account() -> Account:
        said = [f"column '{name}': {each.said}" for name, each in times.items() if each.said]
        said += [
            f"column '{name}': {count} cells that hold no number read as blank"
            for name, count in odd.items()
            if count
        ]
        return Account(contents.sha256(), contents.size_bytes, (*left_out(texts), *said))

    return RawLog(
        path=contents.path,
        layout=layout,
        columns=tuple(columns),
        chunks=chunks(),
        account=account,
        container=contents.container,
        time_formats={name: each.kind for name, each in times.items()},
    )


def _numbers(column: pa.ChunkedArray) -> tuple[FloatArray, int]:
    """A column as float64 with NaN where there is no number, and how many cells hold none."""
    values = floats(pc.cast(column, pa.float64(), safe=False))
    odd = int((~np.isfinite(values)).sum()) - column.null_count
    return (np.where(np.isfinite(values), values, np.nan) if odd else values), odd


def _time_format(kind: pa.DataType) -> str:
    return "clock" if pa.types.is_time(kind) or pa.types.is_duration(kind) else "iso"


def _seconds(column: pa.ChunkedArray, counting: Counting) -> Seconds:
    """Some rows of a column of a type of time in seconds."""
    blank = holes_of(column)
    if blank.all():
        return Seconds(np.full(len(blank), np.nan), counting)
    kind = column.type
    if counting.kind == "clock":
        column = pc.cast(column, pa.time64("ns") if pa.types.is_time(kind) else pa.duration("ns"))
        values = np.where(blank, np.nan, _int64(column) / 1e9)
        return over_midnight(values, counting) if pa.types.is_time(kind) else Seconds(
            values, counting
        )  # fmt: skip
    stamps = _int64(pc.cast(column, pa.timestamp("ns", getattr(kind, "tz", None))))
    # A zone says how to show the stamps; they are stored in UTC.
    zone = "Z" if getattr(kind, "tz", None) else ""
    return counted_from_midnight(stamps, blank, counting, zone)


def _int64(column: pa.ChunkedArray) -> np.ndarray:
    return numbers_of(pc.cast(column, pa.int64()), np.int64)[0].astype(np.int64, copy=False)
