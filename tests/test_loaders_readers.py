"""Every reader in the table passes the conformance kit."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from fuzz_readers import fuzz
from pyarrow import feather, parquet
from reader_conformance import ReaderConformance
from written_logs import TABLE, Habit, channel_map

from loaders.errors import InputError
from loaders.normalise import load_session
from loaders.readers import READERS, read_raw_table


def arrow_table(table: Mapping[str, np.ndarray], units: Mapping[str, str]) -> pa.Table:
    fields = [pa.field(name, pa.float64(), metadata={"unit": units[name]}) for name in table]
    arrays = [pa.array(values, mask=np.isnan(values)) for values in table.values()]
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata={"car": "Ostrel C3"}))


def stored(table: pa.Table, kind: str) -> bytes:
    written = io.BytesIO()
    if kind == "Parquet":
        parquet.write_table(table, written)
    else:
        feather.write_feather(table, written)
    return written.getvalue()


class TestText(ReaderConformance):
    reader = "text"

    def write(self, table: Mapping[str, np.ndarray], units: Mapping[str, str]) -> bytes:
        return Habit().write()


class TestParquet(ReaderConformance):
    reader = "Parquet"

    def write(self, table: Mapping[str, np.ndarray], units: Mapping[str, str]) -> bytes:
        return stored(arrow_table(table, units), "Parquet")


class TestArrow(ReaderConformance):
    reader = "Arrow"

    def write(self, table: Mapping[str, np.ndarray], units: Mapping[str, str]) -> bytes:
        return stored(arrow_table(table, units), "Arrow")


class TestMdf(ReaderConformance):
    reader = "MDF"
    time_name = "time"
    suffix = ".mf4"
    damaged_files = 12  # each is read in a process of its own

    def write(self, table: Mapping[str, np.ndarray], units: Mapping[str, str]) -> bytes:
        asammdf = pytest.importorskip("asammdf")
        file = asammdf.MDF(version="4.10")
        for name, values in table.items():
            own = ~np.isnan(values)
            if name != "Time":
                file.append(
                    asammdf.Signal(
                        values[own], timestamps=table["Time"][own], name=name, unit=units[name]
                    )
                )
        written = io.BytesIO()
        file.save(written)
        file.close()
        return written.getvalue()


def test_the_last_reader_takes_what_no_other_knows() -> None:
    assert [each.name for each in READERS] == ["Parquet", "Arrow", "MDF", "CAN", "text"]
    assert READERS[-1].recognises(b"anything")


def test_without_its_package_an_mdf_file_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "asammdf", None)
    path = tmp_path / "run3.mf4"
    path.write_bytes(b"MDF     4.10    " + bytes(200))
    with pytest.raises(InputError, match=r'pip install "sidegear\[mdf\]"'):
        read_raw_table(path, lambda layout: set(layout.names))


@pytest.mark.parametrize("kind", ["Parquet", "Arrow"])
def test_a_typed_file_loads_like_its_text(tmp_path: Path, kind: str) -> None:
    text, typed = tmp_path / "run3.csv", tmp_path / "run3.bin"
    text.write_bytes(Habit().write())
    units = dict(zip(TABLE, ("s", "rad/s", "rad/s", "km/h", "rpm", "deg/s"), strict=True))
    typed.write_bytes(stored(arrow_table(TABLE, units), kind))
    maps = [channel_map(tmp_path, units=False)]
    one, other = load_session(text, maps), load_session(typed, maps)
    for name, values in one.channels.items():
        np.testing.assert_array_equal(values, other.channels[name])
    assert other.metadata == {"car": "Ostrel C3"}


STAMPS = [dt.datetime(2026, 4, 18, 23, 59, 59, 990_000 + 1000 * i) for i in range(9)]  # noqa: DTZ001


@pytest.mark.parametrize(
    ("column", "first"),
    [
        (pa.array(STAMPS, pa.timestamp("us")), 86_399.99),
        (pa.array(STAMPS, pa.timestamp("ms", "UTC")), 86_399.99),
        (pa.array([stamp.time() for stamp in STAMPS], pa.time64("us")), 86_399.99),
        (pa.array([dt.timedelta(milliseconds=i) for i in range(9)], pa.duration("ms")), 0.0),
        (pa.array(range(9), pa.int64()), 0.0),
        (pa.array([None] * 9, pa.timestamp("us")), np.nan),
    ],
)
@pytest.mark.parametrize("kind", ["Parquet", "Arrow"])
def test_typed_times_become_seconds(
    tmp_path: Path, kind: str, column: pa.Array, first: float
) -> None:
    path = tmp_path / "run3"
    path.write_bytes(stored(pa.table({"Time": column}), kind))
    raw = read_raw_table(path, lambda layout: set(layout.names))
    assert raw.columns["Time"][0] == pytest.approx(first, nan_ok=True)


def test_a_column_of_text_that_is_wanted_is_named(tmp_path: Path) -> None:
    path = tmp_path / "run3.parquet"
    path.write_bytes(stored(pa.table({"Driver": ["Mira"] * 5}), "Parquet"))
    with pytest.raises(InputError, match=r"no numbers in column 'Driver' \(string\)"):
        read_raw_table(path, lambda layout: set(layout.names))


def test_a_few_thousand_damaged_logs_are_read_or_refused(tmp_path: Path) -> None:
    outcome = fuzz(2000, 20261125, tmp_path)
    assert outcome.crashes == ()
    assert outcome.slowest_s < 5
