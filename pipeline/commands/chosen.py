"""Which session and which parts a command is about: by name, by sheet, by changes on paper."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loaders.errors import InputError, nearest

if TYPE_CHECKING:
    from loaders.logbook import Logbook

Command = Callable[..., Any]


def other_parts(command: Command) -> Command:
    """The options that name other parts than those that were driven."""
    for option in (
        click.option(
            "--change", "-c", "changes", multiple=True, metavar="KEY=VALUE",
            help="A part to change on paper, such as drive_ramp_deg=40, stack.shim_m=0.0012 or "
            "friction_coefficient=[0.09,0.12]. May be given several times.",
        ),
        click.option(
            "--build-sheet", "sheet_path", type=click.Path(path_type=Path),
            help="Build sheet of the other parts; without it, today's with the changes.",
        ),
    ):  # fmt: skip
        command = option(command)
    return command


def session_id_of(logbook: Logbook, wanted: str | None) -> str:
    """The session of that id or name; the last one where none is named.

    Raises
    ------
    InputError
        If there is none.
    """
    from loaders.logbook import read_result

    ids = logbook.session_ids
    if not ids:
        msg = f"{logbook.folder}: holds no session. Add a log first: sidegear add LOG."
        raise InputError(msg)
    if wanted is None:
        return ids[-1]
    names = {
        each: str(read_result(logbook.result(each)).get("session", {}).get("name")) for each in ids
    }
    fitting = [each for each, name in names.items() if wanted in (each, name)]
    fitting = fitting or [each for each in ids if wanted in each]
    if not fitting:
        close = nearest(wanted, [*ids, *names.values()])
        msg = f"{logbook.folder}: no session '{wanted}'.{close} There are: {', '.join(ids)}."
        raise InputError(msg)
    return fitting[-1]


def sheet_of_session(logbook: Logbook, session_id: str) -> Path:
    """The build sheet that a session was analysed with."""
    from loaders.logbook import provenance_of, read_result

    named = provenance_of(read_result(logbook.result(session_id))).get("build sheet named")
    return logbook.build_sheet if named is None else logbook.folder / str(named)


def as_tables(changes: Iterable[str]) -> dict[str, dict[str, Any]]:
    """Changes as tables of the build sheet; a key without a table belongs to [differential]."""
    tables: dict[str, dict[str, Any]] = {}
    for change in changes:
        key, equals, text = (part.strip() for part in change.partition("="))
        table, _, name = key.rpartition(".")
        try:
            value = tomllib.loads(f"value = {text}")["value"] if equals else None
        except tomllib.TOMLDecodeError:
            value = text  # text needs no quotes here
        if not name or value is None:
            msg = f"--change {change}: expected KEY=VALUE, such as drive_ramp_deg=40."
            raise InputError(msg)
        tables.setdefault(table or "differential", {})[name] = value
    return tables
