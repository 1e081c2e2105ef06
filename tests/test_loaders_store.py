"""What is in the logbook is whole, and reads back as it was written, by us and by others."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

from loaders import store
from loaders.channels import SCHEMA_VERSION
from loaders.errors import InputError
from loaders.normalise import SampleCount, Session, Source, Treatment
from loaders.store import read_session, write_session

WHEEL = "wheel_speed_rl_radps"
TORQUE = "shaft_torque_left_nm"


def a_session(name: str = "run3", first: float = 50.0) -> Session:
    return Session(
        name=name,
        rate_hz=100.0,
        time_s=np.arange(10) / 100,
        channels={
            WHEEL: np.array([first, np.nan, *range(8)]),
            TORQUE: np.linspace(-400.0, 400.0, 10),
        },
        suspect={TORQUE: np.arange(10) % 3 == 0},
        counts=(SampleCount(WHEEL, Treatment.MISSING, 1, 0.01, "a hole"),),
        source=Source("run3.csv", "cd" * 32, 1234, 10, "comma", "channels.toml", ("a note",)),
        metadata={"driver": "Mira Tolland", "track": "Hollin Fell, wet °"},
    )


# --- one session in one file -------------------------------------------------------------------


@pytest.fixture
def stored(tmp_path: Path) -> Path:
    path = tmp_path / "run3.parquet"
    write_session(a_session(), path)
    return path


def test_arrays_read_back_as_they_were_written(stored: Path) -> None:
    again, written = read_session(stored), a_session()
    np.testing.assert_array_equal(again.time_s, written.time_s)
    for name, values in written.channels.items():
        np.testing.assert_array_equal(again.channels[name], values)
    np.testing.assert_array_equal(again.suspect[TORQUE], written.suspect[TORQUE])


def test_everything_else_reads_back_as_it_was_written(stored: Path) -> None:
    nothing = {"time_s": np.empty(0), "channels": {}, "suspect": {}}
    assert replace(read_session(stored), **nothing) == replace(a_session(), **nothing)


def test_pandas_reads_a_hole_as_a_null(stored: Path) -> None:
    frame = pd.read_parquet(stored)
    assert frame[WHEEL].isna().tolist() == [False, True] + [False] * 8


def test_a_hole_is_a_null_in_the_file_and_not_a_nan(stored: Path) -> None:
    assert parquet.read_table(stored).column(WHEEL).null_count == 1


@pytest.mark.parametrize(
    ("column", "unit"), [("time_s", b"s"), (WHEEL, b"rad/s"), (TORQUE, b"N m")]
)
def test_the_unit_stands_with_the_column(stored: Path, column: str, unit: bytes) -> None:
    assert parquet.read_schema(stored).field(column).metadata[b"unit"] == unit


def test_the_file_says_its_schema_version_and_source(stored: Path) -> None:
    about = json.loads(parquet.read_metadata(stored).metadata[b"sidegear"])
    assert (about["schema_version"], about["source"]["file"]) == (SCHEMA_VERSION, "run3.csv")


def test_a_file_may_be_replaced_after_it_was_read(stored: Path) -> None:
    session = read_session(stored)
    write_session(a_session(first=77.0), stored)
    assert session.channels[WHEEL][0] == 50.0


def test_a_session_of_a_newer_version_is_refused(stored: Path) -> None:
    table = parquet.read_table(stored)
    kept = json.loads(parquet.read_metadata(stored).metadata[b"sidegear"])
    about = kept | {"schema_version": SCHEMA_VERSION + 1}
    parquet.write_table(table.replace_schema_metadata({"sidegear": json.dumps(about)}), stored)
    with pytest.raises(InputError, match=r"written by a newer version .* Update sidegear\."):
        read_session(stored)


def test_the_marks_are_a_bit_for_each_channel(stored: Path) -> None:
    table = parquet.read_table(stored)
    assert table.schema.names == ["time_s", WHEEL, TORQUE, "suspect"]
    assert json.loads(table.schema.field("suspect").metadata[b"bits"]) == [WHEEL, TORQUE]
    marked = [2 if mark else 0 for mark in a_session().suspect[TORQUE]]
    assert table.column("suspect").to_pylist() == marked


def test_a_long_session_is_read_column_by_column(
    stored: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "_MOST_IN_MEMORY", 10)
    session = read_session(stored)
    assert list(session.channels) == [WHEEL, TORQUE]
    np.testing.assert_array_equal(session.channels[TORQUE], a_session().channels[TORQUE])
    np.testing.assert_array_equal(session.suspect[TORQUE], a_session().suspect[TORQUE])
    with pytest.raises(KeyError):
        session.channels["time_s"]


def test_a_parquet_file_of_somebody_else_is_refused(tmp_path: Path) -> None:
    parquet.write_table(pa.table({"a": [1.0]}), tmp_path / "a.parquet")
    with pytest.raises(InputError, match="is not a session that sidegear stored"):
        read_session(tmp_path / "a.parquet")


def test_a_damaged_session_is_refused(stored: Path) -> None:
    stored.write_bytes(stored.read_bytes()[:-20])
    with pytest.raises(InputError, match="or it is damaged"):
        read_session(stored)


def test_a_session_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such session"):
        read_session(tmp_path / "run3.parquet")
