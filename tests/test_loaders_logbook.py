"""The logbook holds sessions whole or not at all, whatever happens while it is written."""

from __future__ import annotations

import os
import shutil
import stat
import sys
from pathlib import Path

import pytest
from filelock import FileLock
from test_loaders_store import WHEEL, a_session

from loaders import logbook
from loaders.errors import InputError
from loaders.logbook import LOCK_NAME, Logbook, finish_interrupted, room_in
from loaders.session import Session
from loaders.store import read_session, write_session


def publish(book: Logbook, session: Session, page: str, result: str) -> str:
    """What adding a log does once it is read."""
    with room_in(book) as room:
        room.log.write_bytes(b"columns")
        write_session(session, room.session)
        logbook.publish(book, session.id, page, result, room)
    return session.id


def files(folder: Path) -> list[str]:
    """What stands in the logbook; the lock is no content."""
    return sorted(
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if path.is_file() and path.name != LOCK_NAME
    )


def contents(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in files(folder)}


def test_a_published_session_is_four_files(tmp_path: Path) -> None:
    name = publish(Logbook(tmp_path), a_session(), "<html>", "{}")
    assert files(tmp_path) == [
        f"logs/{name}.parquet",
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
    assert len(files(tmp_path)) == 4
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


@pytest.mark.parametrize("taken", ["logs", "sessions", "pages", "results"])
def test_a_file_in_place_of_a_folder_is_an_error_and_nothing_is_added(
    tmp_path: Path, taken: str
) -> None:
    (tmp_path / taken).write_text("mine")
    with pytest.raises(InputError, match=rf"{taken}: cannot be written .* nothing was added"):
        publish(Logbook(tmp_path), a_session(), "<html>", "{}")
    assert contents(tmp_path) == {taken: b"mine"}


@pytest.mark.parametrize("taken", ["log", "session", "page", "result"])
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


def test_a_disk_that_fills_up_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(what: object, path: Path) -> None:
        path.write_bytes(b"half")
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr(logbook, "_write_text", full)
    with pytest.raises(InputError, match=r"No space left on device.*nothing was added"):
        publish(Logbook(tmp_path), a_session(), "<html>", "{}")
    assert files(tmp_path) == []


def test_a_fault_of_ours_while_writing_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(text: str, path: Path) -> None:
        raise RuntimeError

    monkeypatch.setattr(logbook, "_write_text", broken)
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


def interrupted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moves: int) -> Logbook:
    """A logbook in which a process died after so many of its four files were put in place."""
    book = Logbook(tmp_path)
    publish(book, a_session(), "old", "old")

    def some(staged: list[tuple[Path, Path]]) -> None:
        for aside, target in staged[:moves]:
            aside.replace(target)
        raise KeyboardInterrupt

    # A killed process cleans nothing up.
    with monkeypatch.context() as dying:
        dying.setattr(logbook, "_put_in_place", some)
        dying.setattr(Path, "unlink", lambda *_, **__: None)
        dying.setattr(shutil, "rmtree", lambda *_, **__: None)
        with pytest.raises(KeyboardInterrupt):
            publish(book, a_session(first=77.0), "new", "new")
    return book


@pytest.mark.parametrize("moves", [0, 1, 2, 3, 4])
def test_what_a_killed_process_had_begun_is_finished_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moves: int
) -> None:
    book = interrupted(tmp_path, monkeypatch, moves)
    finish_interrupted(book)
    name = a_session().id
    assert read_session(book.session(name)).channels[WHEEL][0] == 77.0
    assert (book.page(name).read_text(), book.result(name).read_text()) == ("new", "new")
    assert len(files(tmp_path)) == 4


def test_what_a_process_had_only_written_aside_is_cleared_away(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    publish(book, a_session(), "old", "old")
    (tmp_path / "pages" / ".aside-0123.html").write_text("half")
    finish_interrupted(book)
    assert len(files(tmp_path)) == 4


def test_what_a_process_had_only_read_so_far_is_cleared_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = Logbook(tmp_path)
    with monkeypatch.context() as dying:
        dying.setattr(shutil, "rmtree", lambda *_, **__: None)
        with room_in(book) as room:
            room.log.write_bytes(b"half")
    assert files(tmp_path) != []
    finish_interrupted(book)
    assert files(tmp_path) == []


def test_the_room_of_a_living_process_is_left_alone(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    with room_in(book) as room:
        room.log.write_bytes(b"half")
        finish_interrupted(book)
        publish(book, a_session(), "page", "{}")
        assert room.log.read_bytes() == b"half"
    assert len(files(tmp_path)) == 4


def test_a_logbook_with_nothing_to_finish_is_not_written_to(tmp_path: Path) -> None:
    finish_interrupted(Logbook(tmp_path))
    assert list(tmp_path.iterdir()) == []


def test_a_journal_that_is_damaged_is_set_aside(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    (tmp_path / ".journal-0123.json").write_text("[[")
    finish_interrupted(book)
    assert files(tmp_path) == []


def test_who_waits_too_long_for_another_process_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logbook, "_LOCK_TIMEOUT_S", 0.05)
    with (
        FileLock(tmp_path / LOCK_NAME),
        pytest.raises(InputError, match="another sidegear has been writing here"),
    ):
        publish(Logbook(tmp_path), a_session(), "page", "{}")
