"""Commands about logs: start a logbook, look into a log, add it, bring sessions up to date."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loaders.errors import InputError
from pipeline.commands.intake import (
    Settings,
    add_one,
    named_files,
    refresh_one,
    settings_for,
)
from pipeline.commands.options import LOGBOOK, each_by_itself, existing_logbook
from pipeline.commands.season import after_logs

if TYPE_CHECKING:
    from loaders.judging import Car
    from loaders.logbook import Logbook

_TEMPLATES = ("build_sheet.toml", "channels.toml", "circuit.toml")


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
def new(folder: Path) -> None:
    """Start a logbook in FOLDER: commented build sheet, channel map and circuit to fill in."""
    taken = [name for name in _TEMPLATES if (folder / name).exists()]
    if taken:
        msg = f"{folder}: already holds {', '.join(taken)}; nothing was changed. Name a new folder."
        raise InputError(msg)
    source = Path(__file__).parent.parent / "templates"
    copy_in([source / name for name in _TEMPLATES], folder)
    click.echo(f"Logbook started in {folder}. Next:")
    click.echo(f"  1. fill in {folder / 'build_sheet.toml'}")
    click.echo(f"  2. sidegear channels LOG --logbook {folder}   (proposes the channel map)")
    click.echo(f"  3. sidegear add LOG --logbook {folder}")


def copy_in(files: list[Path], folder: Path) -> None:
    """Copy files that are not there yet into a folder: all of them or none."""
    made: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for file in files:
            made.append(folder / file.name)
            shutil.copyfile(file, made[-1])
    except OSError as problem:
        with suppress(OSError):
            for path in made:
                path.unlink(missing_ok=True)
        msg = (
            f"{folder}: cannot be written ({problem.strerror}); nothing was changed. "
            "Choose a folder that you may write to."
        )
        raise InputError(msg) from problem


@click.command()
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@LOGBOOK
@click.option(
    "--map", "map_path", type=click.Path(path_type=Path),
    help="Channel map to use instead of the logbook's own.",
)  # fmt: skip
@click.option(
    "--build-sheet", "sheet_path", type=click.Path(path_type=Path),
    help="Build sheet to use instead of the logbook's own.",
)  # fmt: skip
@click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object a log and nothing else."
)
def add(
    logs: tuple[Path, ...],
    folder: Path,
    map_path: Path | None,
    sheet_path: Path | None,
    as_json: bool,
) -> None:
    """Load LOGS, analyse them, and put each with its page into the logbook."""
    from loaders.logbook import finish_interrupted

    logbook = existing_logbook(folder)
    finish_interrupted(logbook)
    settings = settings_for(logbook, map_path, sheet_path)

    def take(log: Path) -> None:
        if sys.stderr.isatty():
            click.echo(f"{log.name} …", err=True)
        add_one(log, logbook, settings, as_json=as_json)

    code = each_by_itself(take, logs)
    after_logs(folder, silent=as_json)
    sys.exit(code)


@click.command()
@LOGBOOK
@click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object a session and nothing else."
)
def refresh(folder: Path, as_json: bool) -> None:
    """Bring every session up to today's channel maps, build sheet and version, without the logs."""
    from loaders.logbook import finish_interrupted

    logbook = existing_logbook(folder)
    finish_interrupted(logbook)
    settings: dict[tuple[str | None, str | None], Settings] = {}

    def bring_up(session_id: str) -> None:
        named = named_files(logbook, session_id)
        if named not in settings:
            paths = [logbook.folder / each if each else None for each in named]
            settings[named] = settings_for(logbook, *paths)
        refresh_one(session_id, logbook, settings[named], as_json=as_json)

    code = each_by_itself(bring_up, logbook.session_ids)
    after_logs(folder, silent=as_json)
    sys.exit(code)


@click.command()
@click.argument("log", type=click.Path(path_type=Path))
@LOGBOOK
@click.option(
    "--propose", is_flag=True,
    help="Write a proposed channel map even when one fits; without it, only when none does.",
)  # fmt: skip
@click.option("--accept", is_flag=True, help="Accept the proposed channel map that fits this log.")
@click.option(
    "--is", "statements", multiple=True, metavar="COLUMN=CHANNEL",
    help="State what a column is; it goes before all other evidence. May be given several times.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def channels(
    log: Path,
    folder: Path,
    propose: bool,
    accept: bool,
    statements: tuple[str, ...],
    as_json: bool,
) -> None:
    """Show what is in LOG, and propose which column is which channel."""
    from loaders.logbook import Logbook
    from loaders.mapping import read_channel_map
    from loaders.preview import as_json as described
    from loaders.preview import look_at, stated_channels, table
    from loaders.settle import settle

    maps = [read_channel_map(path) for path in Logbook(folder).channel_maps]
    preview = look_at(log, maps, _car_of(Logbook(folder)), stated_channels(statements))
    said = settle(preview, folder, propose=propose, accepted=accept)
    if as_json:
        click.echo(json.dumps({**described(preview), "done": list(said)}, ensure_ascii=False))
        return
    click.echo(table(preview, shutil.get_terminal_size((100, 24)).columns))
    for line in said:
        click.echo(textwrap.fill(line, 96, subsequent_indent="    "))


def _car_of(logbook: Logbook) -> Car:
    """What the logbook's build sheet, when it has one, tells of the wheels."""
    from loaders.judging import Car
    from pipeline.build_sheet import read_build_sheet

    if not logbook.build_sheet.is_file():
        return Car()
    car = read_build_sheet(logbook.build_sheet).car
    return Car(car.driven_axle, car.rolling_radius_m, car.undriven_rolling_radius_m)
