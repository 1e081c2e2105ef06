"""The logbook on disk: which files it holds, and how they appear there whole or not at all.

One file per session and kind: ``logs/ID.parquet`` (the log's own columns),
``sessions/ID.parquet``, ``pages/ID.html`` and, last, ``results/ID.json``; a session is in the
logbook once its result is. All are written aside, then noted in a journal, then renamed into place.
A process killed before the journal leaves only files nobody reads; one killed after it is finished
by the next that opens the logbook. One process at a time does either. A log is read into a room of
its own, a hidden folder that is locked as long as its process lives.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loaders.errors import InputError

LOCK_NAME = ".logbook.lock"
_JOURNAL = ".journal-{}.json"
_ROOM = ".loading-{}"
_ROOM_LOCK = "lock"
# Of smaller logs the hash is known in no time; of others it is got while they are read.
_LARGE_BYTES = 64 << 20
# Publishing takes well under a second; who waits longer waits for something that hangs.
_LOCK_TIMEOUT_S = 30.0


@dataclass(frozen=True, slots=True)
class Logbook:
    """The folder that holds one car's build sheet, channel maps, sessions and reports."""

    folder: Path

    @property
    def build_sheet(self) -> Path:
        """What is inside the differential and around it."""
        return self.folder / "build_sheet.toml"

    @property
    def circuit(self) -> Path:
        """The circuit's name and start line; may be absent."""
        return self.folder / "circuit.toml"

    @property
    def channel_maps(self) -> list[Path]:
        """Every ``channels*.toml``, by name."""
        return sorted(self.folder.glob("channels*.toml"))

    @property
    def kinds(self) -> tuple[Path, Path, Path, Path]:
        """The four folders of published files; results, which come last, are the last."""
        names = ("logs", "sessions", "pages", "results")
        logs, sessions, pages, results = (self.folder / name for name in names)
        return logs, sessions, pages, results

    @property
    def session_ids(self) -> list[str]:
        """Every session that is in the logbook."""
        return sorted(path.stem for path in self.kinds[-1].glob("[!.]*.json"))

    def log(self, session_id: str) -> Path:
        """The columns of the log that a session was made of."""
        return self.folder / "logs" / f"{session_id}.parquet"

    def session(self, session_id: str) -> Path:
        """Stored samples of a session."""
        return self.folder / "sessions" / f"{session_id}.parquet"

    def page(self, session_id: str) -> Path:
        """The session's report."""
        return self.folder / "pages" / f"{session_id}.html"

    def result(self, session_id: str) -> Path:
        """The session's result; its presence says that the session is in the logbook."""
        return self.folder / "results" / f"{session_id}.json"


@dataclass(frozen=True, slots=True)
class Room:
    """A hidden folder in the logbook in which one log is got ready."""

    folder: Path

    @property
    def log(self) -> Path:
        """The log's own columns, when the log was read."""
        return self.folder / "log.parquet"

    @property
    def session(self) -> Path:
        """The session, when it was made anew."""
        return self.folder / "session.parquet"


@contextmanager
def room_in(logbook: Logbook) -> Iterator[Room]:
    """A room to get one log ready in; what is left in it is gone at the end.

    Raises
    ------
    InputError
        If the folder cannot be written, or another process keeps it.
    """
    from filelock import FileLock

    room = Room(logbook.folder / _ROOM.format(secrets.token_hex(8)))
    with writing(logbook):
        _finish_interrupted(logbook)
        room.folder.mkdir()
        # Given back even by a killed process; who finds it open may clear the room.
        lock = FileLock(room.folder / _ROOM_LOCK)
        lock.acquire()
    try:
        yield room
    finally:
        lock.release()
        shutil.rmtree(room.folder, ignore_errors=True)


def publish(logbook: Logbook, session_id: str, page: str, result: str, room: Room) -> None:
    """Put a session into the logbook: what is in its room, its page and its result.

    Everything is written aside first, so that a reader sees each file whole or not at all; the
    result comes last. When one cannot be put in its place, those before it are taken back.

    Raises
    ------
    InputError
        If the folder cannot be written, or another process keeps it.
    """
    made = [(room.log, logbook.log(session_id)), (room.session, logbook.session(session_id))]
    writers: list[tuple[Path, Callable[[Path], None]]] = [
        (logbook.page(session_id), lambda path: _write_text(page, path)),
        (logbook.result(session_id), lambda path: _write_text(result, path)),
    ]
    with writing(logbook):
        _finish_interrupted(logbook)
        staged: list[tuple[Path, Path]] = []
        try:
            for aside, target in made:
                if aside.is_file():
                    target.parent.mkdir(parents=True, exist_ok=True)
                    staged.append((aside, target))
            staged.extend(_stage(target, write) for target, write in writers)
            journal = _write_journal(logbook, staged)
            try:
                _put_in_place(staged)
            finally:
                journal.unlink(missing_ok=True)
        finally:
            for aside, _ in staged:
                aside.unlink(missing_ok=True)


def finish_interrupted(logbook: Logbook) -> None:
    """Finish what a killed process had begun, and clear away what it had not.

    Raises
    ------
    InputError
        If the folder cannot be written, or another process keeps it.
    """
    # Nothing is written, not even a lock, where there is nothing to finish.
    patterns = (_JOURNAL.format("*"), _ROOM.format("*"))
    there = any(any(logbook.folder.glob(pattern)) for pattern in patterns)
    if there or any(True for _ in _leftovers(logbook)):
        with writing(logbook):
            _finish_interrupted(logbook)


def add_line(folder: Path, name: str, line: str, heading: str) -> None:
    """Add a line to a text file of the logbook, with its heading when it is new.

    Raises
    ------
    InputError
        If the folder cannot be written, or another process keeps it.
    """
    path = folder / name
    with writing(Logbook(folder)):
        text = path.read_text(encoding="utf-8") if path.exists() else heading
        text += "" if text.endswith("\n") else "\n"
        _replace_text(path, text + line)


def put_text(folder: Path, name: str, text: str) -> None:
    """Write a text file of the logbook, whole or not at all.

    Raises
    ------
    InputError
        If the folder cannot be written, or another process keeps it.
    """
    with writing(Logbook(folder)):
        _replace_text(folder / name, text)


def _replace_text(path: Path, text: str) -> None:
    aside, _ = _stage(path, lambda place: _write_text(text, place))
    aside.replace(path)


def file_sha256(path: Path) -> str | None:
    """SHA-256 of a file's bytes; None when it cannot be read, which reading it will explain."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def files_sha256(paths: list[Path]) -> str:
    """One SHA-256 over several settings files; an absent one counts as absent."""
    return hashlib.sha256(repr([file_sha256(path) for path in paths]).encode()).hexdigest()


def find_by_content(logbook: Logbook, log: Path) -> str | None:
    """Id of the session in the logbook that came from a file with the same bytes, or None."""
    if _is_large_and_new(logbook, log):
        return None
    sha256 = file_sha256(log)
    if sha256 is None:
        return None
    # The id carries only the first digits; the result holds them all.
    for result in sorted(logbook.kinds[-1].glob(f"*-{sha256[:8]}.json")):
        if provenance_of(read_result(result)).get("log SHA-256") == sha256:
            return result.stem
    return None


def _is_large_and_new(logbook: Logbook, log: Path) -> bool:
    """Whether the log is so large that its size is worth a look, and none in the logbook has it."""
    try:
        size = log.stat().st_size
    except OSError:
        return False
    if size < _LARGE_BYTES:
        return False
    results = (read_result(logbook.result(each)) for each in logbook.session_ids)
    sizes = (str(provenance_of(result).get("log size", "")) for result in results)
    return not any(each.startswith(f"{size} bytes") for each in sizes)


def is_up_to_date(logbook: Logbook, session_id: str, settings_sha256: str) -> bool:
    """Whether a session's four files stand and came from these settings."""
    files = (logbook.log(session_id), logbook.session(session_id), logbook.page(session_id))
    stored = provenance_of(read_result(logbook.result(session_id)))
    return (
        all(path.is_file() for path in files) and stored.get("settings SHA-256") == settings_sha256
    )


def read_result(path: Path) -> dict[str, Any]:
    """A stored result; an empty one when the file is not what we wrote."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def provenance_of(result: dict[str, Any]) -> dict[str, Any]:
    """Where a stored result comes from; empty when it does not say."""
    found = result.get("provenance")
    return found if isinstance(found, dict) else {}


@contextmanager
def writing(logbook: Logbook) -> Iterator[None]:
    """The right to write, held by one process at a time and given back even by a killed one."""
    # Not before it is needed: `--help` and reading go without.
    from filelock import FileLock, Timeout

    try:
        with (
            writing_errors_named(logbook.folder),
            FileLock(logbook.folder / LOCK_NAME, timeout=_LOCK_TIMEOUT_S),
        ):
            yield
    except Timeout as problem:
        msg = (
            f"{logbook.folder}: another sidegear has been writing here for more than "
            f"{_LOCK_TIMEOUT_S:.0f} s. Wait for it or end it, then try again; nothing was added."
        )
        raise InputError(msg) from problem


@contextmanager
def writing_errors_named(folder: Path) -> Iterator[None]:
    """What goes wrong when the logbook is written to is said to the user."""
    try:
        yield
    except TimeoutError:
        raise
    except OSError as problem:
        msg = (
            f"{problem.filename or folder}: cannot be written "
            f"({problem.strerror or problem}). "
            "Free space or choose a folder that you may write to; nothing was added."
        )
        raise InputError(msg) from problem


def _write_journal(logbook: Logbook, staged: list[tuple[Path, Path]]) -> Path:
    """Note which file goes where, so that somebody else can finish it."""
    moves = [[str(path.relative_to(logbook.folder).as_posix()) for path in pair] for pair in staged]
    journal = logbook.folder / _JOURNAL.format(secrets.token_hex(8))
    aside, _ = _stage(journal, lambda path: _write_text(json.dumps(moves), path))
    aside.replace(journal)
    return journal


def _finish_interrupted(logbook: Logbook) -> None:
    for journal in logbook.folder.glob(_JOURNAL.format("*")):
        # Damaged, it names nothing that could be finished.
        with suppress(ValueError):
            for aside, target in json.loads(journal.read_text(encoding="utf-8")):
                if (logbook.folder / aside).exists():
                    (logbook.folder / aside).replace(logbook.folder / target)
        journal.unlink()
    for path in _leftovers(logbook):
        path.unlink(missing_ok=True)
    for folder in logbook.folder.glob(_ROOM.format("*")):
        _clear_room(folder)


def _clear_room(folder: Path) -> None:
    """Clear a room away, unless its process still lives."""
    from filelock import FileLock, Timeout

    lock = FileLock(folder / _ROOM_LOCK, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        return
    lock.release()
    shutil.rmtree(folder, ignore_errors=True)


def _leftovers(logbook: Logbook) -> Iterator[Path]:
    """Files written aside that nobody put in place."""
    for folder in (*logbook.kinds, logbook.folder):
        yield from folder.glob(".aside-*")


def _stage(target: Path, write: Callable[[Path], None]) -> tuple[Path, Path]:
    """Write beside the target under a hidden name; returns both."""
    target.parent.mkdir(parents=True, exist_ok=True)
    aside = _hidden(target)
    try:
        write(aside)
        with aside.open("rb+") as written:
            os.fsync(written.fileno())
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    return aside, target


def _hidden(target: Path) -> Path:
    # Not by tempfile: its files are closed to everyone else, whatever the user's umask says.
    return target.with_name(f".aside-{secrets.token_hex(8)}{target.suffix}")


def _put_in_place(staged: list[tuple[Path, Path]]) -> None:
    undo: list[tuple[Path, Path | None]] = []
    try:
        for aside, target in staged:
            before = _hidden(target) if target.is_file() else None
            undo.append((target, before))
            if before is not None:
                _keep(target, before)
            aside.replace(target)
    except BaseException:
        # The last of them is the one that failed: its target is as it was.
        for target, before in reversed(undo[:-1]):
            if before is None:
                target.unlink(missing_ok=True)
            else:
                before.replace(target)
        raise
    finally:
        for _, before in undo:
            if before is not None:
                before.unlink(missing_ok=True)


def _keep(target: Path, before: Path) -> None:
    """The same file under a second name, without copying it where that can be."""
    try:
        os.link(target, before)
    except OSError:
        shutil.copyfile(target, before)


def _write_text(text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")
