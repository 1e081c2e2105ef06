"""The command that adds logs as they arrive, and knows one that is still being copied."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loaders.errors import InputError
from pipeline.commands.intake import add_one, settings_for
from pipeline.commands.options import LOGBOOK, YOUR_INPUT, each_by_itself, existing_logbook
from pipeline.commands.season import after_logs, write_season_pages

if TYPE_CHECKING:
    from loaders.logbook import Logbook

# A folder is looked at so often: nobody waits for it, and a card reader is left in peace.
_LOOK_EVERY_S = 1.0
# A text that ends in the middle of a line is given this many times longer to go on.
_UNFINISHED = 20
# What copying programs call a file that is not all there, and what a logbook itself holds.
_NO_LOGS = frozenset(
    (".tmp", ".temp", ".part", ".partial", ".crdownload", ".download", ".filepart", ".swp",
     ".toml", ".html", ".json", ".lock", ".pdf", ".png", ".dbc")
)  # fmt: skip
_RECORD = "service_record.csv"


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file in the folder: how it last looked, since when it has looked so, and what became."""

    stamp: tuple[int, int]
    """Size in bytes and time of the last change in ns."""
    since_s: float
    done: bool = False


def arrivals(
    before: Mapping[Path, Arrival], stamps: Mapping[Path, tuple[int, int]], now_s: float
) -> dict[Path, Arrival]:
    """The folder's files after another look; one that has changed is a new arrival."""
    return {
        path: before[path]
        if path in before and before[path].stamp == stamp
        else Arrival(stamp, now_s)
        for path, stamp in stamps.items()
    }


def at_rest(seen: Mapping[Path, Arrival], now_s: float, rest_s: float) -> list[Path]:
    """Files not dealt with that have not changed for long enough, in order of their names."""
    return sorted(
        path
        for path, arrival in seen.items()
        if not arrival.done and now_s - arrival.since_s >= rest_s
    )


def ends_whole(path: Path) -> bool:
    """Whether a log looks written to its end: a text does with a whole last line.

    A table in another kind of file is taken as it is: its reader knows a damaged one.

    Raises
    ------
    OSError
        If the file cannot be read (yet).
    """
    with path.open("rb") as file:
        head = file.read(4)
        file.seek(max(path.stat().st_size - 2, 0))
        tail = file.read(2)
    packed = head[:2] in (b"\x1f\x8b", b"PK") or head == b"\x28\xb5\x2f\xfd"
    if packed or head in (b"PAR1", b"ARRO", b"MDF "):
        return True
    # UTF-16 puts a zero byte on either side; a file that is kept free for a copy is all zeros.
    return tail.strip(b"\0").endswith((b"\n", b"\r"))


def stamps_in(folder: Path) -> dict[Path, tuple[int, int]]:
    """Size and time of every file in a folder that may be a log.

    Raises
    ------
    InputError
        If there is no such folder.
    """
    if not folder.is_dir():
        msg = f"{folder}: no such folder. Name the folder that the logs arrive in."
        raise InputError(msg)
    found = {}
    for path in folder.iterdir():
        if path.name.startswith((".", "~")) or path.suffix.lower() in _NO_LOGS:
            continue
        if path.name == _RECORD or not path.is_file():
            continue
        try:
            stat = path.stat()
        except OSError:  # it went while we looked
            continue
        if stat.st_size:
            found[path] = (stat.st_size, stat.st_mtime_ns)
    return found


def stamps_there(folder: Path) -> dict[Path, tuple[int, int]]:
    """What `stamps_in` finds; nothing while the folder is away, as a card that was pulled is."""
    try:
        return stamps_in(folder)
    except (InputError, OSError):
        return {}


@click.command()
@click.argument("watched", metavar="FOLDER", type=click.Path(path_type=Path))
@LOGBOOK
@click.option(
    "--rest", "rest_s", default=3.0, show_default=True, type=click.FloatRange(0.0, 3600.0),
    help="Seconds for which a file must not have changed before it is taken.",
)  # fmt: skip
@click.option("--once", is_flag=True, help="Take what is there, then end.")
def watch(watched: Path, folder: Path, rest_s: float, once: bool) -> None:
    """Add every log in FOLDER, and each that arrives, until stopped with Ctrl-C.

    A file is taken when it has not changed for a while and, if it is text, its last line is whole.
    One that goes on growing afterwards is added again, and its beginning set aside. A log that was
    refused is tried again when it, a channel map or the build sheet has changed.
    """
    logbook = existing_logbook(folder)
    stamps_in(watched)
    click.echo(f"Watching {watched.resolve()}; Ctrl-C ends it.", err=True)
    code = 0
    with suppress(KeyboardInterrupt):
        code = _watch(watched, logbook, rest_s, once=once)
    sys.exit(code)


def _watch(watched: Path, logbook: Logbook, rest_s: float, *, once: bool) -> int:
    seen: dict[Path, Arrival] = {}
    refused: set[Path] = set()
    settings = _settings_stamp(logbook)
    while True:
        now_s = time.monotonic()
        seen = arrivals(seen, stamps_there(watched), now_s)
        if (settings_now := _settings_stamp(logbook)) != settings:
            settings = settings_now
            seen |= {path: replace(seen[path], done=False) for path in refused & seen.keys()}
        ready = [
            path
            for path in at_rest(seen, now_s, rest_s)
            if _has_its_end(path) or now_s - seen[path].since_s >= _UNFINISHED * rest_s
        ]
        if ready:
            refused = (refused - set(ready)) | _take(ready, logbook)
            seen |= {path: replace(seen[path], done=True) for path in ready}
        elif once and all(arrival.done for arrival in seen.values()):
            return YOUR_INPUT if refused else 0
        else:
            time.sleep(min(_LOOK_EVERY_S, max(rest_s, 0.05)))


def _settings_stamp(logbook: Logbook) -> str:
    from loaders.logbook import files_sha256

    return files_sha256([*logbook.channel_maps, logbook.build_sheet, logbook.circuit])


def _has_its_end(path: Path) -> bool:
    try:
        return ends_whole(path)
    except OSError:  # still held by what copies it
        return False


def _take(logs: list[Path], logbook: Logbook) -> set[Path]:
    """Add logs, and bring the logbook's own pages up to date; returns those that were refused."""
    from loaders.logbook import finish_interrupted

    taken: set[Path] = set()

    def take(log: Path) -> None:
        finish_interrupted(logbook)
        # Read each time: channel map and build sheet may be put right while we watch.
        add_one(log, logbook, settings_for(logbook, None, None), as_json=False)
        taken.add(log)

    def tell(folder: Path) -> None:
        write_season_pages(folder)
        after_logs(folder, silent=False)

    each_by_itself(take, logs)
    if taken:
        each_by_itself(tell, [logbook.folder])
    return set(logs) - taken
