"""A logbook is brought up to today's maps, build sheet and version from what it keeps itself."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from conftest import Sidegear

from loaders.channels import SCHEMA_VERSION
from loaders.logbook import Logbook
from loaders.store import read_session, stored_version

V1 = Path(__file__).parent / "reference" / "logbook_v1"
V2 = V1.with_name("logbook_v2")
ID = "run5.csv-edb2cbd9"


@pytest.fixture
def version_1(tmp_path: Path) -> Path:
    """A logbook as the first version left it, its pages swept away; the log lies beside it."""
    folder = tmp_path / "my car"
    shutil.copytree(V1, folder)
    (folder / "run5.csv.gz").rename(tmp_path / "run5.csv.gz")
    return folder


@pytest.fixture
def logbook(version_1: Path, sidegear: Sidegear) -> Path:
    """The same with the log added by today's version, and then gone."""
    log = version_1.parent / "run5.csv.gz"
    assert sidegear("add", log, "--logbook", version_1).code == 0
    log.unlink()
    return version_1


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


# --- what the logbook keeps --------------------------------------------------------------------


def test_a_changed_map_takes_effect_without_the_log(logbook: Path, sidegear: Sidegear) -> None:
    before = read_session(Logbook(logbook).session(ID))
    edit(logbook / "channels.toml", "[channels.speed_mps]", "[channels.speed_mps]\ngain = 1.02")
    assert sidegear("refresh", "--logbook", logbook).code == 0
    after = read_session(Logbook(logbook).session(ID))
    np.testing.assert_allclose(after.channels["speed_mps"], 1.02 * before.channels["speed_mps"])
    assert after.source.sha256 == before.source.sha256


def test_a_map_may_name_a_column_that_no_map_named_before(
    logbook: Path, sidegear: Sidegear
) -> None:
    channels = logbook / "channels.toml"
    whole = channels.read_text()
    edit(channels, '[channels.gear]\ncolumn = "gear"\n', "")
    assert sidegear("refresh", "--logbook", logbook).code == 0
    assert "gear" not in read_session(Logbook(logbook).session(ID)).channels
    channels.write_text(whole)
    assert sidegear("refresh", "--logbook", logbook).code == 0
    assert "gear" in read_session(Logbook(logbook).session(ID)).channels


def test_a_column_of_text_is_left_out_and_said(logbook: Path) -> None:
    session = read_session(Logbook(logbook).session(ID))
    said = "column 'comment' holds no numbers and is in no channel map; left out"
    assert said in session.source.notes


def test_a_session_made_again_is_the_session_that_was_read(
    logbook: Path, sidegear: Sidegear
) -> None:
    read = read_session(Logbook(logbook).session(ID))
    Logbook(logbook).session(ID).unlink()
    assert sidegear("refresh", "--logbook", logbook).code == 0
    made = read_session(Logbook(logbook).session(ID))
    assert made.counts == read.counts
    assert made.source == read.source
    np.testing.assert_array_equal(made.time_s, read.time_s)
    for name, values in read.channels.items():
        np.testing.assert_array_equal(made.channels[name], values)


def test_what_is_up_to_date_is_left_alone(logbook: Path, sidegear: Sidegear) -> None:
    before = Logbook(logbook).page(ID).stat().st_mtime_ns
    outcome = sidegear("refresh", "--logbook", logbook)
    assert (outcome.code, outcome.out.splitlines()[0]) == (0, f"{ID}: up to date")
    assert Logbook(logbook).page(ID).stat().st_mtime_ns == before


def test_json_is_one_object_a_session(logbook: Path, sidegear: Sidegear) -> None:
    [line] = sidegear("refresh", "--logbook", logbook, "--json").out.splitlines()
    assert json.loads(line)["session"]["id"] == ID


def test_a_build_sheet_that_was_named_is_used_again(
    version_1: Path, sidegear: Sidegear, tmp_path: Path
) -> None:
    sheet = shutil.copy(version_1 / "build_sheet.toml", tmp_path / "other.toml")
    edit(tmp_path / "other.toml", 'build = "A, firm"', 'build = "Z"')
    log = tmp_path / "run5.csv.gz"
    sidegear("add", log, "--logbook", version_1, "--build-sheet", sheet)
    edit(version_1 / "channels.toml", "[channels.gear]", "[channels.gear]\ndelay_s = 0.04")
    result = json.loads(sidegear("refresh", "--logbook", version_1, "--json").out)
    assert result["session"]["build"] == "Z"


def test_a_map_that_no_longer_fits_costs_only_that_session(
    logbook: Path, sidegear: Sidegear
) -> None:
    edit(logbook / "channels.toml", 'column = "gear"', 'column = "gaer"')
    outcome = sidegear("refresh", "--logbook", logbook)
    assert outcome.code == 2
    assert "no column is called 'gaer'" in outcome.err


def test_another_statement_of_the_text_takes_the_log_itself(
    logbook: Path, sidegear: Sidegear
) -> None:
    edit(logbook / "channels.toml", "[time]", '[text]\ndecimal_mark = "point"\n[time]')
    outcome = sidegear("refresh", "--logbook", logbook)
    assert outcome.code == 2
    assert "Add the log itself again." in outcome.err


# --- a logbook of the first version ------------------------------------------------------------


def test_a_session_of_version_1_is_read_as_it_was_stored(version_1: Path) -> None:
    session = read_session(Logbook(version_1).session(ID))
    assert (session.rate_hz, session.source.rows) == (25.0, len(session.time_s))
    # Of the blank cells of that log one is bridged, of those at 8.00 s two are left open.
    assert np.flatnonzero(session.suspect["wheel_speed_rl_radps"]).tolist() == [700]
    holes = np.flatnonzero(np.isnan(session.channels["wheel_speed_rl_radps"]))
    assert (holes[:2].tolist(), len(holes)) == ([200, 201], 8)


def test_a_session_of_version_1_becomes_one_of_today_with_the_same_samples(
    version_1: Path, sidegear: Sidegear
) -> None:
    book = Logbook(version_1)
    old = read_session(book.session(ID))
    assert sidegear("refresh", "--logbook", version_1).code == 0
    assert stored_version(book.session(ID)) == SCHEMA_VERSION
    new = read_session(book.session(ID))
    assert (new.counts, new.source) == (old.counts, old.source)
    np.testing.assert_array_equal(new.time_s, old.time_s)
    for name, values in old.channels.items():
        np.testing.assert_array_equal(new.channels[name], values)
    for name, marks in old.suspect.items():
        np.testing.assert_array_equal(new.suspect[name], marks)


def test_a_changed_build_sheet_reaches_a_session_of_version_1(
    version_1: Path, sidegear: Sidegear
) -> None:
    edit(version_1 / "build_sheet.toml", 'build = "A, firm"', 'build = "C"')
    result = json.loads(sidegear("refresh", "--logbook", version_1, "--json").out)
    assert result["session"]["build"] == "C"


def test_a_changed_map_of_a_session_of_version_1_takes_its_log(
    version_1: Path, sidegear: Sidegear
) -> None:
    edit(version_1 / "channels.toml", "[channels.gear]", "[channels.gear]\ndelay_s = 0.04")
    outcome = sidegear("refresh", "--logbook", version_1)
    assert outcome.code == 2
    assert outcome.err == (
        f"sidegear: {ID}: the channel maps have changed since its log was read, and the logbook "
        "does not keep the log's own columns (an older version put it in). Add the log itself "
        "again.\n"
    )
    assert sidegear("add", version_1.parent / "run5.csv.gz", "--logbook", version_1).code == 0
    assert Logbook(version_1).log(ID).is_file()
    assert Logbook(version_1).session_ids == [ID]


def test_a_log_of_version_1_read_today_is_the_session_that_version_1_read(
    version_1: Path, sidegear: Sidegear
) -> None:
    book = Logbook(version_1)
    old = read_session(book.session(ID))
    sidegear("add", version_1.parent / "run5.csv.gz", "--logbook", version_1)
    new = read_session(book.session(ID))
    assert new.counts == old.counts
    np.testing.assert_allclose(new.time_s, old.time_s, rtol=1e-9)
    for name, values in old.channels.items():
        np.testing.assert_allclose(new.channels[name], values, rtol=1e-9)


# --- a logbook of the second version -----------------------------------------------------------


@pytest.fixture
def version_2(tmp_path: Path) -> Path:
    """A logbook as the second version left it, its pages swept away; its log is gone."""
    return Path(shutil.copytree(V2, tmp_path / "my car"))


def test_a_session_of_version_2_becomes_one_of_today_with_the_same_samples(
    version_2: Path, sidegear: Sidegear
) -> None:
    book = Logbook(version_2)
    old = read_session(book.session(ID))
    assert (stored_version(book.session(ID)), old.rate_hz) == (2, 25.0)
    assert sidegear("refresh", "--logbook", version_2).code == 0
    assert stored_version(book.session(ID)) == SCHEMA_VERSION
    new = read_session(book.session(ID))
    assert (new.counts, new.source) == (old.counts, old.source)
    np.testing.assert_array_equal(new.time_s, old.time_s)
    for name, values in old.channels.items():
        np.testing.assert_array_equal(new.channels[name], values)


def test_a_changed_map_reaches_a_session_of_version_2_without_its_log(
    version_2: Path, sidegear: Sidegear
) -> None:
    before = read_session(Logbook(version_2).session(ID))
    edit(version_2 / "channels.toml", "[channels.speed_mps]", "[channels.speed_mps]\ngain = 1.02")
    assert sidegear("refresh", "--logbook", version_2).code == 0
    after = read_session(Logbook(version_2).session(ID))
    np.testing.assert_allclose(after.channels["speed_mps"], 1.02 * before.channels["speed_mps"])
