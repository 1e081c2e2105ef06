"""Logs are added as they arrive in a folder: whole, once, and when they grow not twice."""

from __future__ import annotations

import gzip
import shutil
from pathlib import Path

import pytest
from conftest import Sidegear

from loaders.logbook import Logbook
from pipeline.commands.watch import Arrival, arrivals, at_rest, ends_whole, stamps_in, stamps_there

SEASON = Path(__file__).parents[1] / "sample_logs" / "season"
CARD = Path("card/run.csv")


@pytest.fixture(scope="module")
def whole() -> bytes:
    """A log of six laps."""
    return gzip.decompress((SEASON / "wear1.csv.gz").read_bytes())


@pytest.fixture
def logbook(tmp_path: Path) -> Path:
    """A logbook with the settings of the sample season."""
    folder = tmp_path / "book"
    folder.mkdir()
    for name in ("build_sheet.toml", "channels.toml", "circuit.toml"):
        shutil.copy(SEASON / name, folder)
    return folder


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """The folder that logs arrive in."""
    folder = tmp_path / "card"
    folder.mkdir()
    return folder


def half_of(log: bytes) -> bytes:
    """Half a log, cut where a line ends."""
    return log[: log.index(b"\n", 2 * len(log) // 3) + 1]


def test_a_file_is_at_rest_once_it_has_not_changed_for_long_enough() -> None:
    seen = arrivals({}, {CARD: (10, 1)}, 0.0)
    assert at_rest(seen, 2.9, 3.0) == []
    assert at_rest(arrivals(seen, {CARD: (10, 1)}, 3.0), 3.0, 3.0) == [CARD]


def test_a_file_that_grows_is_waited_for_anew() -> None:
    seen = arrivals({}, {CARD: (10, 1)}, 0.0)
    seen = arrivals(seen, {CARD: (20, 2)}, 2.0)
    assert seen == {CARD: Arrival((20, 2), 2.0)}


def test_a_file_that_was_taken_is_left_alone_until_it_changes() -> None:
    taken = {CARD: Arrival((10, 1), 0.0, done=True)}
    assert at_rest(arrivals(taken, {CARD: (10, 1)}, 9.0), 9.0, 3.0) == []
    assert at_rest(arrivals(taken, {CARD: (11, 5)}, 9.0), 12.0, 3.0) == [CARD]


@pytest.mark.parametrize(
    ("content", "whole"),
    [
        (b"1,2\n3,4\n", True),
        (b"1,2\r3,4\r", True),
        ("1,2\r\n".encode("utf-16"), True),
        (b"1,2\n3,", False),
        (b"1,2\n3,4\n" + bytes(500), False),
        (bytes(500), False),
        (gzip.compress(b"1,2", mtime=0), True),
    ],
    ids=["line feed", "carriage return", "UTF-16", "half a line", "kept free", "empty", "packed"],
)
def test_a_text_is_whole_when_its_last_line_is(tmp_path: Path, content: bytes, whole: bool) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    assert ends_whole(path) is whole


def test_unfinished_copies_hidden_files_and_settings_are_no_logs(tmp_path: Path) -> None:
    for name in ("run.csv", "run2.csv.part", ".run3.csv", "~run4.csv", "channels.toml", "empty"):
        (tmp_path / name).write_bytes(b"" if name == "empty" else b"1\n")
    (tmp_path / "folder").mkdir()
    assert [path.name for path in stamps_in(tmp_path)] == ["run.csv"]


def test_a_card_that_was_pulled_is_waited_for(tmp_path: Path) -> None:
    card = tmp_path / "card"
    assert stamps_there(card) == {}
    card.mkdir()
    (card / "run.csv").write_bytes(b"1\n")
    assert [path.name for path in stamps_there(card)] == ["run.csv"]


def test_what_lies_in_the_folder_is_added_and_the_first_page_written(
    sidegear: Sidegear, card: Path, logbook: Path, whole: bytes
) -> None:
    (card / "run.csv").write_bytes(whole)
    outcome = sidegear("watch", card, "--logbook", logbook, "--once", "--rest", "0")
    assert (outcome.code, len(Logbook(logbook).session_ids)) == (0, 1)
    assert Logbook(logbook).session_ids[0] in (logbook / "index.html").read_text(encoding="utf-8")


def test_a_log_that_is_refused_is_said_and_does_not_stop_the_next(
    sidegear: Sidegear, card: Path, logbook: Path, whole: bytes
) -> None:
    (card / "a.csv").write_bytes(b"no table\n")
    (card / "b.csv").write_bytes(whole)
    outcome = sidegear("watch", card, "--logbook", logbook, "--once", "--rest", "0")
    assert (outcome.code, len(Logbook(logbook).session_ids)) == (2, 1)
    assert outcome.err.count("a.csv: no table of numbers") == 1


def test_a_log_that_has_grown_counts_once_and_its_beginning_is_kept_aside(
    sidegear: Sidegear, card: Path, logbook: Path, whole: bytes
) -> None:
    for content in (half_of(whole), whole):
        (card / "run.csv").write_bytes(content)
        outcome = sidegear("watch", card, "--logbook", logbook, "--once", "--rest", "0")
    [kept] = Logbook(logbook).session_ids
    [aside] = (logbook / "set_aside" / "results").iterdir()
    assert aside.stem != kept
    assert f"run.csv has grown: {aside.stem}, its beginning" in outcome.err


def test_another_log_of_the_same_name_is_another_session(
    sidegear: Sidegear, card: Path, logbook: Path, whole: bytes
) -> None:
    for content in (half_of(whole), whole.replace(b"1", b"2", 5)):
        (card / "run.csv").write_bytes(content)
        sidegear("add", card / "run.csv", "--logbook", logbook)
    assert len(Logbook(logbook).session_ids) == 2


def test_a_folder_that_is_not_there_is_an_error(
    sidegear: Sidegear, tmp_path: Path, logbook: Path
) -> None:
    outcome = sidegear("watch", tmp_path / "gone", "--logbook", logbook, "--once")
    assert outcome.code == 2
    assert "gone: no such folder. Name the folder that the logs arrive in." in outcome.err
