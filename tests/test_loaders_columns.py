"""What the logbook stores is exact, and other engines read it as we do."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from loaders import columns, delimited, intake, normalise, textblocks
from loaders.columns import ColumnsWriter
from loaders.decimals import decimals_of, whole_numbers
from loaders.errors import InputError
from loaders.logbook import Logbook, Room, room_in
from loaders.mapping import read_channel_map
from loaders.rawstore import stored_log
from loaders.rawtable import floats
from loaders.session import Session
from loaders.store import StoredColumns, read_session

# --- decimals ----------------------------------------------------------------------------------

DECIMALS = st.decimals(-(10**6), 10**6, allow_nan=False, places=3)
ODD = st.floats(allow_infinity=True, allow_nan=True)


@settings(deadline=None)
@given(st.lists(DECIMALS | st.integers(-(10**14), 10**14), min_size=1))
def test_what_a_text_says_in_decimals_comes_back_to_the_last_bit(texts: list[Decimal]) -> None:
    values = np.array([float(str(text)) for text in texts])
    how = decimals_of(values)
    if how is not None:
        stored = whole_numbers(values, how)
        assert stored is not None
        back = [float(Decimal(int(whole)).scaleb(-how.scale)) for whole in stored]
        np.testing.assert_array_equal(back, values)
    else:
        assert max(abs(values)) * 1000 >= 10**15


@settings(deadline=None)
@given(st.lists(st.lists(DECIMALS.map(float) | ODD, max_size=8), min_size=1, max_size=9))
def test_whatever_comes_later_a_file_holds_what_was_written(
    tmp_path_factory: pytest.TempPathFactory, groups: list[list[float]]
) -> None:
    path = tmp_path_factory.mktemp("columns") / "a.parquet"
    written = [np.array(group, float) for group in groups]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(columns, "_GROUP_ROWS", 1)
        write(path, *written)
    np.testing.assert_array_equal(read(path), np.concatenate(written))
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.parametrize(
    ("later", "kind"),
    [
        (0.5, pa.decimal32(9, 2)),
        (0.125, pa.decimal64(18, 3)),
        (12e6, pa.decimal64(18, 2)),
        (1 / 3, pa.float64()),
        (np.inf, pa.float64()),
        (np.nan, pa.decimal32(9, 2)),
    ],
)
def test_a_column_is_decimal_as_long_as_its_numbers_are(
    tmp_path: Path, later: float, kind: pa.DataType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(columns, "_GROUP_ROWS", 2)
    write(tmp_path / "a.parquet", np.array([1.25, -2.0]), np.array([np.nan, later]))
    assert parquet.read_schema(tmp_path / "a.parquet").field("a").type == kind
    np.testing.assert_array_equal(read(tmp_path / "a.parquet"), [1.25, -2.0, np.nan, later])


def write(path: Path, *groups: np.ndarray) -> None:
    writer = ColumnsWriter(path, [pa.field("a", pa.float64())], exact=True)
    for group in groups:
        writer.write([group])
    writer.finish({})


def read(path: Path) -> np.ndarray:
    return floats(parquet.read_table(path).column("a"))


# --- a long log, whose channels are columns of it ------------------------------------------------

ROWS = 3000
WHEEL, SPEED = "wheel_speed_rl_radps", "speed_mps"
MAP = f"""schema = 1
[time]
column = "Time"
[channels.{SPEED}]
column = "v"
[channels.{WHEEL}]
column = "Wheel"
[channels.gear]
column = "Gear"
"""


@pytest.fixture
def long_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Session]:
    """Takes in a log that counts as long, its last rows changed as asked; keeps what is stored."""
    for module, name, value in (
        (normalise, "_HELD_CELLS", 1000), (columns, "_GROUP_ROWS", 500),
        (delimited, "_BLOCK_BYTES", 4000), (textblocks, "HEAD_BYTES", 4000),
    ):  # fmt: skip
        monkeypatch.setattr(module, name, value)
    (tmp_path / "channels.toml").write_text(MAP, encoding="utf-8")

    def taken(change: Callable[[list[str]], None] = lambda _: None) -> Session:
        rows = [
            f"{i / 100:.2f},{100 + i % 60}.5,{50 + i % 7}.25,{1 + i // 500},{'' if i % 3 else i}"
            for i in range(ROWS)
        ]
        change(rows)
        text = "\n".join(["Time,v,Wheel,Gear,Spare", "s,km/h,rad/s,,bar", *rows, ""])
        (tmp_path / "day.csv").write_text(text, encoding="utf-8")
        with room_in(Logbook(tmp_path)) as room:
            session = intake.take_in(
                tmp_path / "day.csv", [read_channel_map(tmp_path / "channels.toml")], "", room
            )
            room.log.replace(tmp_path / "log.parquet")
            room.session.replace(tmp_path / "session.parquet")
        return session

    return taken


def hole_near_the_end(rows: list[str]) -> None:
    time, speed, _, gear, spare = rows[-50].split(",")
    rows[-50] = f"{time},{speed},,{gear},{spare}"


def stored_names(tmp_path: Path) -> list[str]:
    return list(parquet.read_schema(tmp_path / "session.parquet").names)


def test_a_channel_that_is_a_column_of_a_long_log_is_stored_once(
    tmp_path: Path, long_log: Callable[..., Session]
) -> None:
    session = long_log()
    assert stored_names(tmp_path) == ["time_s", "suspect"]
    assert list(session.channels) == [SPEED, WHEEL, "gear"]
    expected = np.array([100.5 + i % 60 for i in range(ROWS)]) / 3.6
    np.testing.assert_allclose(session.channels[SPEED], expected, rtol=1e-15)
    np.testing.assert_allclose(session.time_s, np.arange(ROWS) / 100, atol=1e-12)


def test_a_hole_at_the_end_of_a_long_log_is_found_and_bridged(
    tmp_path: Path, long_log: Callable[..., Session]
) -> None:
    session = long_log(hole_near_the_end)
    assert stored_names(tmp_path) == ["time_s", WHEEL, "suspect"]
    assert np.flatnonzero(session.suspect[WHEEL]).tolist() == [ROWS - 50]
    assert list(session.channels) == [SPEED, WHEEL, "gear"]


@pytest.mark.parametrize("change", [lambda _: None, hole_near_the_end])
def test_a_long_session_made_again_is_the_same(
    tmp_path: Path, long_log: Callable[..., Session], change: Callable[[list[str]], None]
) -> None:
    session = long_log(change)
    maps = [read_channel_map(tmp_path / "channels.toml")]
    again = intake.take_again(stored_log(tmp_path / "log.parquet"), maps, "", Room(tmp_path))
    assert again.counts == session.counts
    for name, values in session.channels.items():
        np.testing.assert_array_equal(again.channels[name], values)


def test_a_long_session_without_its_log_is_refused(
    tmp_path: Path, long_log: Callable[..., Session]
) -> None:
    long_log()
    (tmp_path / "log.parquet").unlink()
    with pytest.raises(InputError, match="its channels are columns of the log"):
        read_session(tmp_path / "session.parquet", tmp_path / "log.parquet")


def test_columns_of_a_long_session_are_read_when_asked_for(
    tmp_path: Path, long_log: Callable[..., Session], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = long_log(hole_near_the_end)
    monkeypatch.setattr("loaders.store._MOST_IN_MEMORY", 10)
    session = read_session(tmp_path / "session.parquet", tmp_path / "log.parquet")
    assert isinstance(session.channels, StoredColumns)
    for name, values in whole.channels.items():
        np.testing.assert_array_equal(session.channels[name], values)


# --- other engines -------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["log", "session"])
def test_duckdb_and_polars_read_the_columns_that_pyarrow_reads(
    tmp_path: Path, long_log: Callable[..., Session], kind: str
) -> None:
    long_log(hole_near_the_end)
    path = tmp_path / f"{kind}.parquet"
    ours = parquet.read_table(path)
    theirs = pl.read_parquet(path)
    assert theirs.columns == duckdb.sql(f"SELECT * FROM '{path}'").columns == ours.schema.names
    for name in ours.schema.names:
        column = ours.column(name).cast(pa.float64())
        known = [len(column), column.null_count, float(pc.sum(column).as_py())]
        said = theirs[name]
        assert [len(said), said.null_count(), float(said.sum())] == pytest.approx(known)
        asked = f'count(*), count(*) - count("{name}"), sum("{name}")::DOUBLE'
        assert duckdb.sql(f"SELECT {asked} FROM '{path}'").fetchall() == [pytest.approx(known)]


def test_duckdb_and_polars_know_decimals_and_floats_as_such(
    tmp_path: Path, long_log: Callable[..., Session]
) -> None:
    long_log(hole_near_the_end)
    log, session = tmp_path / "log.parquet", tmp_path / "session.parquet"
    assert duckdb.sql(f"SELECT Wheel, Spare FROM '{log}'").types == ["DECIMAL(9,2)", "DECIMAL(9,0)"]
    assert pl.read_parquet_schema(log)["Wheel"] == pl.Decimal(9, 2)
    assert duckdb.sql(f"SELECT {WHEEL}, suspect FROM '{session}'").types == ["DOUBLE", "BIGINT"]
    assert pl.read_parquet_schema(session)["suspect"] == pl.Int64()


def test_duckdb_puts_a_long_session_beside_the_columns_of_its_log(
    tmp_path: Path, long_log: Callable[..., Session]
) -> None:
    session = long_log()
    found = duckdb.sql(
        f"SELECT time_s, v / 3.6 FROM '{tmp_path}/session.parquet' "
        f"POSITIONAL JOIN '{tmp_path}/log.parquet'"
    ).fetchnumpy()
    mine, speed = found.values()
    np.testing.assert_array_equal(mine, session.time_s)
    np.testing.assert_allclose(speed, session.channels[SPEED], rtol=1e-12)
