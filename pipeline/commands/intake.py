"""How a log comes into the logbook, and how its session is brought up to date there."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loaders.errors import InputError

if TYPE_CHECKING:
    from loaders.logbook import Logbook, Room
    from loaders.mapping import ChannelMap
    from loaders.session import Session
    from pipeline.build_sheet import BuildSheet, Circuit

# What a session's provenance calls the files that were named when it was added.
_NAMED_MAP, _NAMED_SHEET = "channel map named", "build sheet named"


@dataclass(frozen=True, slots=True)
class Settings:
    """What a log is read and analysed with, and the digests that tell whether it has changed."""

    maps: list[ChannelMap]
    sheet: BuildSheet
    circuit: Circuit
    maps_sha256: str
    all_sha256: str
    named: Mapping[str, str]
    """Files that were named instead of the logbook's own, for the next time."""


def settings_for(logbook: Logbook, map_path: Path | None, sheet_path: Path | None) -> Settings:
    """The logbook's settings, or those of the files named instead.

    Raises
    ------
    InputError
        If one of them cannot be read, or there is no channel map.
    """
    from loaders.logbook import files_sha256
    from pipeline.about import program_version
    from pipeline.build_sheet import read_build_sheet, read_circuit

    own_sheet = sheet_path or logbook.build_sheet
    maps = _channel_maps(logbook, map_path)
    map_paths = [each.path for each in maps]
    everything = files_sha256([*map_paths, own_sheet, logbook.circuit])
    return Settings(
        maps,
        read_build_sheet(own_sheet),
        read_circuit(logbook.circuit),
        files_sha256(map_paths),
        # Another version may find other numbers.
        f"{everything}, sidegear {program_version()}",
        {
            key: _seen_from(logbook.folder, path)
            for key, path in ((_NAMED_MAP, map_path), (_NAMED_SHEET, sheet_path))
            if path is not None
        },
    )


def _seen_from(folder: Path, path: Path) -> str:
    """The path from the logbook where the file is in it, and from the root where it is not."""
    whole = path.resolve()
    inside = whole.is_relative_to(folder.resolve())
    return str(whole.relative_to(folder.resolve()) if inside else whole)


def named_files(logbook: Logbook, session_id: str) -> tuple[str | None, str | None]:
    """The channel map and the build sheet that were named when a session was added."""
    from loaders.logbook import provenance_of, read_result

    stored = provenance_of(read_result(logbook.result(session_id)))
    return stored.get(_NAMED_MAP), stored.get(_NAMED_SHEET)


def _channel_maps(logbook: Logbook, map_path: Path | None) -> list[ChannelMap]:
    from loaders.mapping import read_channel_map

    paths = [map_path] if map_path else logbook.channel_maps
    if not paths:
        msg = (
            f"{logbook.folder}: no channel map (channels.toml). Have one proposed with "
            f"'sidegear channels LOG --logbook {logbook.folder}', or name one with --map."
        )
        raise InputError(msg)
    return [read_channel_map(path) for path in paths]


def add_one(log: Path, logbook: Logbook, settings: Settings, *, as_json: bool) -> None:
    """Add a log and say what it says."""
    _say(in_logbook(log, logbook, settings), logbook, as_json=as_json)


def in_logbook(log: Path, logbook: Logbook, settings: Settings) -> str:
    """Load, analyse, render and only then publish, so that a failure leaves nothing behind.

    Returns the session's id. A log that the logbook knows by its content is not read again, as long
    as the logbook keeps its columns, and not analysed again unless anything has changed.
    """
    from loaders.logbook import find_by_content, is_up_to_date, room_in

    known = find_by_content(logbook, log)
    if known is None or not is_up_to_date(logbook, known, settings.all_sha256):
        with room_in(logbook) as room:
            session = None
            if known is not None and logbook.log(known).is_file():
                with suppress(InputError):  # the log itself is at hand
                    session = _known_session(known, logbook, settings, room)
            session = session or _read_session(log, settings, room)
            known = _analyse_and_publish(session, known, logbook, settings, room)
    _set_beginnings_aside(known, log, logbook)
    return known


def _set_beginnings_aside(session_id: str, log: Path, logbook: Logbook) -> None:
    """A log that has grown since it was added counts once."""
    from loaders.grown import beginnings_of, set_aside

    for beginning in beginnings_of(logbook, session_id, log):
        aside = set_aside(logbook, beginning)
        click.echo(
            f"{log.name} has grown: {beginning}, its beginning, now stands in {aside}.", err=True
        )


def refresh_one(session_id: str, logbook: Logbook, settings: Settings, *, as_json: bool) -> None:
    """Bring one session up to date from what the logbook keeps of it."""
    from loaders.channels import SCHEMA_VERSION
    from loaders.logbook import is_up_to_date, room_in
    from loaders.store import stored_version

    if (
        is_up_to_date(logbook, session_id, settings.all_sha256)
        and stored_version(logbook.session(session_id)) == SCHEMA_VERSION
    ):
        if not as_json:
            click.echo(f"{session_id}: up to date")
            return
    else:
        with room_in(logbook) as room:
            session = _known_session(session_id, logbook, settings, room)
            _analyse_and_publish(session, session_id, logbook, settings, room)
    _say(session_id, logbook, as_json=as_json)


def _known_session(known: str, logbook: Logbook, settings: Settings, room: Room) -> Session:
    """The session as the logbook has it, made again where channel maps or schema have changed.

    Raises
    ------
    InputError
        If that takes the log itself.
    """
    from loaders.channels import SCHEMA_VERSION
    from loaders.intake import take_again, take_over
    from loaders.rawstore import stored_log
    from loaders.store import read_session, stored_version

    place, stored = logbook.session(known), None
    with suppress(InputError):  # one that is absent or damaged is made again
        session = read_session(place, logbook.log(known))
        stored = session if session.source.maps_sha256 == settings.maps_sha256 else None
    if stored is not None and stored_version(place) == SCHEMA_VERSION:
        return stored
    if logbook.log(known).is_file():
        return take_again(stored_log(logbook.log(known)), settings.maps, settings.maps_sha256, room)
    if stored is not None:
        return take_over(stored, room)
    msg = (
        f"{known}: the channel maps have changed since its log was read, and the logbook does not "
        "keep the log's own columns (an older version put it in). Add the log itself again."
    )
    raise InputError(msg)


def _read_session(log: Path, settings: Settings, room: Room) -> Session:
    from loaders.intake import take_in

    return take_in(log, settings.maps, settings.maps_sha256, room)


def _analyse_and_publish(
    session: Session, known: str | None, logbook: Logbook, settings: Settings, room: Room
) -> str:
    from loaders.logbook import publish, read_result
    from pipeline.analyse import analyse
    from pipeline.published import to_json
    from reports.render import render
    from reports.session import session_report

    name = read_result(logbook.result(known)).get("session", {}).get("name") if known else None
    if name is not None:
        # The same log under another file name is still the same session.
        session = replace(session, name=name)
    result = analyse(session, settings.sheet, settings.circuit)
    provenance = {
        **result.provenance, **settings.named, "settings SHA-256": settings.all_sha256
    }  # fmt: skip
    result = replace(result, provenance=provenance)
    publish(logbook, session.id, render(session_report(result)), to_json(result), room)
    return session.id


def _say(session_id: str, logbook: Logbook, *, as_json: bool) -> None:
    published = logbook.result(session_id).read_text(encoding="utf-8")
    if as_json:
        click.echo(published)
    else:
        _tell(json.loads(published), logbook.page(session_id))


def _tell(published: dict[str, Any], page: Path) -> None:
    about, laps = published["session"], published["laps"]
    counted = sum(lap["valid"] for lap in laps)
    click.echo(
        f"{about['name']}: {about['car']}, build {about['build']}, "
        f"{counted} of {len(laps)} laps count"
    )
    for finding in published["findings"]:
        mark = "!" if finding["needs_attention"] else "-"
        click.echo(
            textwrap.fill(
                finding["sentence"], 96, initial_indent=f"  {mark} ", subsequent_indent="    "
            )
        )
    click.echo(f"  report: {page.resolve()}")
