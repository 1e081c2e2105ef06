"""From a log, or from what the logbook keeps of one, to files that are ready to be published."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from types import TracebackType

from loaders.ahead import Behind, ahead
from loaders.errors import InputError
from loaders.logbook import Room, writing_errors_named
from loaders.mapping import ChannelMap, choose_map
from loaders.normalise import Outcome, Sink, carried, open_with_map, with_maps
from loaders.rawstore import RawWriter, StoredLog, stored_log
from loaders.rawtable import Chunk, RawLog
from loaders.session import Line, Session
from loaders.store import SessionWriter, read_session, write_session


def take_in(log: Path, maps: list[ChannelMap], maps_sha256: str, room: Room) -> Session:
    """Read a log once: its own columns and its session go into the room.

    Raises
    ------
    InputError
        If the log or the maps cannot be used, or the logbook cannot be written.
    """
    raw, channel_map = open_with_map(log, maps, spare=True)
    with writing_errors_named(room.folder.parent):
        keeper = RawWriter(room.log, raw)
        with closing(keeper), Behind(keeper.write) as keep:

            def again() -> Iterable[Chunk]:
                keep.wait()
                keeper.finish(channel_map.text)
                return ahead(stored_log(room.log).log().chunks)

            _carry_into(room, raw, channel_map, maps_sha256, (keep, again))
            keep.wait()
            keeper.finish(channel_map.text)
        _on_disk(room.log, room.session)
    return read_session(room.session, room.log)


def take_again(stored: StoredLog, maps: list[ChannelMap], maps_sha256: str, room: Room) -> Session:
    """Make the session of a stored log again, with today's channel maps.

    Raises
    ------
    InputError
        If no map fits what is stored, states other habits of its text than it was read with, or
        the logbook cannot be written.
    """
    channel_map = choose_map(maps, stored.layout, Path(stored.name))
    if channel_map.text != stored.text:
        msg = (
            f"{stored.name}: {channel_map.path.name} states another [text] than the log was read "
            "with. Add the log itself again."
        )
        raise InputError(msg)
    with writing_errors_named(room.folder.parent):
        raw = stored.log()
        chunks = (_seen_by_none, lambda: ahead(stored.log().chunks))
        _carry_into(room, raw, channel_map, maps_sha256, chunks)
        _on_disk(room.session)
    return read_session(room.session, stored.path)


def take_over(session: Session, room: Room) -> Session:
    """A stored session of an older version, to be stored as one of today's."""
    with writing_errors_named(room.folder.parent):
        write_session(session, room.session)
        _on_disk(room.session)
    return session


def _seen_by_none(chunk: Chunk) -> None:
    del chunk


def _carry_into(
    room: Room,
    raw: RawLog,
    channel_map: ChannelMap,
    maps_sha256: str,
    chunks: tuple[Callable[[Chunk], None], Callable[[], Iterable[Chunk]]],
) -> None:
    see, again = chunks
    with _SessionFile(room.session, tuple(channel_map.channels)) as session:
        outcome = carried(raw, channel_map, see, session.started, again)
        session.finish(with_maps(outcome, maps_sha256))


class _SessionFile:
    """A session's file, written a little behind on a second thread; begun anew when asked to."""

    def __init__(self, path: Path, channels: tuple[str, ...]) -> None:
        self._path, self._channels = path, channels
        self._writer: SessionWriter | None = None
        self._behind: Behind[object] | None = None

    def started(self, lines: Mapping[str, Line]) -> Sink:
        """Ready for the first points."""
        self._close()
        self._writer = SessionWriter(self._path, self._channels, lines)
        behind = Behind(self._writer.write)
        self._behind = behind  # type: ignore[assignment]
        return behind

    def finish(self, outcome: Outcome) -> None:
        """Write what is known in the end."""
        assert self._behind is not None
        assert self._writer is not None
        self._behind.wait()
        self._writer.finish(outcome)

    def _close(self) -> None:
        if self._behind is not None:
            self._behind.stop()
        if self._writer is not None:
            self._writer.close()

    def __enter__(self) -> _SessionFile:
        """Ready to be started."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Let go of the file, finished or not."""
        self._close()


def _on_disk(*paths: Path) -> None:
    """Wait until the files would survive the machine's being switched off."""
    with ThreadPoolExecutor(len(paths)) as threads:
        list(threads.map(_synchronised, paths))


def _synchronised(path: Path) -> None:
    with path.open("rb+") as written:
        os.fsync(written.fileno())
