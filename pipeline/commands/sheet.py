"""The command that writes what a build sheet says, and the sheet that goes to the bench."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.chosen import as_tables, other_parts, session_id_of, sheet_of_session
from pipeline.commands.options import LOGBOOK, existing_logbook, page_name
from pipeline.commands.season import list_pages, season_of

if TYPE_CHECKING:
    from loaders.logbook import Logbook
    from pipeline.build_sheet import BuildSheet
    from pipeline.estimate import SessionAnswer
    from pipeline.result import SessionResult


@click.command()
@click.argument("session", required=False)
@LOGBOOK
@other_parts
def sheet(
    session: str | None, folder: Path, sheet_path: Path | None, changes: tuple[str, ...]
) -> None:
    """Write the build sheet's page and a setup sheet to print, with what SESSION says of the parts.

    SESSION is a session's id or name in the logbook; the last one when left out, none when the
    logbook holds none. With other parts than those driven, only what follows from the parts is
    said.
    """
    from loaders.logbook import put_text
    from pipeline.build_sheet import read_build_sheet
    from pipeline.strip_downs import worn
    from reports.build_sheet import build_sheet_report
    from reports.document import Statements
    from reports.render import render
    from reports.setup_sheet import setup_sheet

    logbook = existing_logbook(folder)
    own, result = logbook.build_sheet, None
    planned = sheet_path is not None or bool(changes)
    if session is not None or logbook.session_ids:
        known = session_id_of(logbook, session)
        own = sheet_of_session(logbook, known)
        result = None if planned else _analysed(logbook, known, read_build_sheet(own))
    stated = read_build_sheet(sheet_path or own, as_tables(changes))
    found = season_of(folder)
    inside = worn(found, stated) if found.lives and not planned else None
    report = build_sheet_report(stated, result, inside)
    click.echo(f"{stated.car.name}, build {stated.differential.build}")
    for block in report.sections[0].blocks:
        assert isinstance(block, Statements)
        for each in block.items:
            mark = "!" if each.needs_attention else "-"
            click.echo(textwrap.fill(
                each.sentence, 96, initial_indent=f"  {mark} ", subsequent_indent="    "
            ))  # fmt: skip
    words = [stated.differential.build, *([sheet_path.stem] if sheet_path else []), *changes]
    for kind, page in (
        ("build-sheet", report),
        ("setup-sheet", setup_sheet(stated, _trusted(result))),
    ):
        name = page_name(kind, *words)
        put_text(logbook.folder, name, render(page))
        click.echo(f"  {kind.replace('-', ' ')}: {(logbook.folder / name).resolve()}")
    list_pages(folder)


def _analysed(logbook: Logbook, session_id: str, stated: BuildSheet) -> SessionResult:
    from loaders.store import read_session
    from pipeline.analyse import analyse
    from pipeline.build_sheet import read_circuit

    stored = read_session(logbook.session(session_id), logbook.log(session_id))
    return analyse(stored, stated, read_circuit(logbook.circuit))


def _trusted(result: SessionResult | None) -> Mapping[str, SessionAnswer] | None:
    """The session's numbers, unless its columns cannot be what the map says."""
    from pipeline.findings import why_no_advice

    if result is None or why_no_advice(result.session, result.estimates, result.quality):
        return None
    return result.estimates
