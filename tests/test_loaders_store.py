"""What is in the logbook is whole, and reads back as it was written, by us and by others."""

from __future__ import annotations

import json
import os
import stat
import sys
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
from loaders.store import Logbook, publish, read_session, write_session

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


def files(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def contents(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in files(folder)}


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
    about = json.loads(parquet.read_schema(stored).metadata[b"sidegear"])
    assert (about["schema_version"], about["source"]["file"]) == (SCHEMA_VERSION, "run3.csv")


def test_a_file_may_be_replaced_after_it_was_read(stored: Path) -> None:
    session = read_session(stored)
    write_session(a_session(first=77.0), stored)
    assert session.channels[WHEEL][0] == 50.0


def test_a_session_of_a_newer_version_is_refused(stored: Path) -> None:
    table = parquet.read_table(stored)
    about = json.loads(table.schema.metadata[b"sidegear"]) | {"schema_version": SCHEMA_VERSION + 1}
    parquet.write_table(table.replace_schema_metadata({"sidegear": json.dumps(about)}), stored)
    with pytest.raises(InputError, match=r"written by a newer version .* Update sidegear\."):
        read_session(stored)


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


# --- the logbook -------------------------------------------------------------------------------


def test_a_published_session_is_three_files(tmp_path: Path) -> None:
    name = publish(Logbook(tmp_path), a_session(), "<html>", "{}")
    assert files(tmp_path) == [
        f"pages/{name}.html",
        f"results/{name}.json",
        f"sessions/{name}.parquet",
    ]


def test_page_and_result_are_written_as_they_are(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    name = publish(book, a_session(), "<p>°\n</p>", '{"a": "µ"}')
    assert book.page(name).read_bytes() == "<p>°\n</p>".encode()
    assert book.result(name).read_bytes() == '{"a": "µ"}'.encode()


def test_adding_a_log_again_replaces_it(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    publish(book, a_session(), "old", "old")
    name = publish(book, a_session(first=77.0), "new", "new")
    assert len(files(tmp_path)) == 3
    assert read_session(book.session(name)).channels[WHEEL][0] == 77.0
    assert book.result(name).read_text() == "new"


@pytest.mark.skipif(sys.platform == "win32", reason="there is no umask on Windows")
def test_files_have_the_mode_that_the_user_gives_new_files(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        publish(Logbook(tmp_path), a_session(), "<html>", "{}")
    finally:
        os.umask(before)
    modes = {stat.S_IMODE((tmp_path / name).stat().st_mode) for name in files(tmp_path)}
    assert modes == {0o640}


@pytest.mark.parametrize("taken", ["sessions", "pages", "results"])
def test_a_file_in_place_of_a_folder_is_an_error_and_nothing_is_added(
    tmp_path: Path, taken: str
) -> None:
    (tmp_path / taken).write_text("mine")
    with pytest.raises(InputError, match=rf"{taken}: cannot be written .* nothing was added"):
        publish(Logbook(tmp_path), a_session(), "<html>", "{}")
    assert contents(tmp_path) == {taken: b"mine"}


@pytest.mark.parametrize("taken", ["session", "page", "result"])
def test_when_a_file_cannot_be_put_in_place_those_before_it_are_taken_back(
    tmp_path: Path, taken: str
) -> None:
    book = Logbook(tmp_path)
    (getattr(book, taken)(a_session().id) / "in the way").mkdir(parents=True)
    with pytest.raises(InputError, match="nothing was added"):
        publish(book, a_session(), "<html>", "{}")
    assert files(tmp_path) == []


def test_when_replacing_fails_the_old_session_is_as_it_was(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    name = publish(book, a_session(), "old", "old")
    book.result(name).unlink()
    book.result(name).mkdir()
    before = contents(tmp_path)
    with pytest.raises(InputError):
        publish(book, a_session(first=77.0), "new", "new")
    assert contents(tmp_path) == before


@pytest.mark.parametrize("failing", ["write_session", "_write_text"])
def test_a_disk_that_fills_up_leaves_nothing_behind(
    tmp_path: Path, failing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(what: object, path: Path) -> None:
        path.write_bytes(b"half")
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr(store, failing, full)
    with pytest.raises(InputError, match=r"No space left on device.*nothing was added"):
        publish(Logbook(tmp_path), a_session(), "<html>", "{}")
    assert files(tmp_path) == []


def test_a_fault_of_ours_while_writing_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(text: str, path: Path) -> None:
        raise RuntimeError

    monkeypatch.setattr(store, "_write_text", broken)
    with pytest.raises(RuntimeError):
        publish(Logbook(tmp_path), a_session(), "<html>", "{}")
    assert files(tmp_path) == []


def test_every_channel_map_of_a_logbook_is_found_by_name(tmp_path: Path) -> None:
    for name in ("channels_run2.toml", "channels.toml", "circuit.toml"):
        (tmp_path / name).touch()
    assert [path.name for path in Logbook(tmp_path).channel_maps] == [
        "channels.toml",
        "channels_run2.toml",
    ]
