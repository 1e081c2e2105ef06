"""What the logbook keeps of a log is what the log said, column by column."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pyarrow import parquet

from loaders import delimited, textblocks
from loaders.errors import InputError
from loaders.intake import take_again, take_in
from loaders.logbook import Logbook, Room, room_in
from loaders.mapping import ChannelMap, read_channel_map
from loaders.rawstore import StoredLog, stored_log
from loaders.rawtable import whole_table
from loaders.session import Session

HEAD = "Time,Wheel,Spare,Note,Spare 2,Spare 2,Event,Clock"
UNITS = "s,rad/s,bar,,,,,"
MAP = """schema = 1
[time]
column = "Time"
[channels.wheel_speed_rl_radps]
column = "Wheel"
"""


def rows(n: int = 400) -> list[str]:
    return [
        f"{i / 100:.2f},{50 + i % 7}.25,{i % 5}.5,wet,1,2,,10:{i // 60 % 60:02d}:{i % 60:02d}.00"
        for i in range(n)
    ]


def read(tmp_path: Path, lines: list[str]) -> tuple[Session, StoredLog]:
    """A log taken in, and what is kept of it."""
    (tmp_path / "channels.toml").write_text(MAP, encoding="utf-8")
    log = tmp_path / "run3.csv"
    log.write_text("\n".join(["car,Ostrel C3", HEAD, UNITS, *lines, ""]), encoding="utf-8")
    with room_in(Logbook(tmp_path)) as room:
        session = take_in(log, [the_map(tmp_path)], "", room)
        room.log.rename(tmp_path / "kept.parquet")
    return session, stored_log(tmp_path / "kept.parquet")


def the_map(folder: Path) -> ChannelMap:
    return read_channel_map(folder / "channels.toml")


def test_columns_that_no_map_names_are_kept_as_they_are(tmp_path: Path) -> None:
    kept = whole_table(read(tmp_path, rows())[1].log())
    np.testing.assert_array_equal(kept.columns["Spare"], np.arange(400) % 5 + 0.5)
    assert dict(zip(kept.names, kept.units, strict=True))["Spare"] == "bar"
    assert kept.metadata == {"car": "Ostrel C3"}


def test_text_and_repeated_names_are_left_out_and_text_is_said(tmp_path: Path) -> None:
    session, kept = read(tmp_path, rows())
    assert kept.columns == ("Time", "Wheel", "Spare", "Event", "Clock")
    said = "column 'Note' holds no numbers and is in no channel map; left out"
    assert said in session.source.notes


def test_a_clock_keeps_its_format(tmp_path: Path) -> None:
    kept = read(tmp_path, rows())[1].log()
    assert kept.time_formats == {"Clock": "clock"}


@pytest.mark.parametrize("block_bytes", [1 << 22, 4000])
def test_a_word_in_a_spare_column_is_blanked_and_counted(
    tmp_path: Path, block_bytes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delimited, "_BLOCK_BYTES", block_bytes)
    monkeypatch.setattr(textblocks, "HEAD_BYTES", block_bytes)
    lines = rows()
    lines[300] = lines[300].replace(",,10:", ",pit,10:")
    lines[310] = lines[310].replace(",wet,", ",wet,").replace(".25,", ".25,odd ", 1)
    session, kept = read(tmp_path, lines)
    assert "column 'Event': 1 cells that are no numbers read as blank" in session.source.notes
    assert "column 'Spare': 1 cells that are no numbers read as blank" in session.source.notes
    assert np.flatnonzero(np.isnan(whole_table(kept.log()).columns["Spare"])).tolist() == [310]


def test_a_word_in_a_wanted_column_is_an_error_as_ever(tmp_path: Path) -> None:
    lines = rows()
    lines[300] = lines[300].replace(".25,", "x,", 1)
    with pytest.raises(InputError, match=r"line 304, column 'Wheel': found '5\dx'; expected a num"):
        read(tmp_path, lines)
    assert not list(tmp_path.glob(".loading-*"))


def test_the_session_made_of_what_is_kept_is_the_session_of_the_log(tmp_path: Path) -> None:
    session, kept = read(tmp_path, rows())
    room = Room(tmp_path)
    again = take_again(kept, [the_map(tmp_path)], "", room)
    nothing = {"time_s": np.empty(0), "channels": {}, "suspect": {}}
    assert replace(again, **nothing) == replace(session, **nothing)
    np.testing.assert_array_equal(
        again.channels["wheel_speed_rl_radps"], session.channels["wheel_speed_rl_radps"]
    )


def test_what_is_kept_is_plain_parquet(tmp_path: Path) -> None:
    read(tmp_path, rows())
    table = parquet.read_table(tmp_path / "kept.parquet")
    assert table.column("Wheel").to_pylist()[:2] == [50.25, 51.25]
    assert table.column("Event").null_count == 400
    assert table.schema.field("Spare").metadata == {b"unit": b"bar"}


def test_a_damaged_file_is_refused(tmp_path: Path) -> None:
    read(tmp_path, rows())
    path = tmp_path / "kept.parquet"
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(InputError, match="is not a log that sidegear stored, or it is damaged"):
        stored_log(path)
    path.unlink()
    with pytest.raises(InputError, match="the log's own columns are not kept"):
        stored_log(path)
