"""The command line: puts loaders, pipeline and reports together, and speaks to the user.

Exit codes: 0 done, 2 something in your input has to be put right, 1 a fault of sidegear itself.
Nothing heavy is imported before a command needs it, so that ``--help`` answers at once.
"""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loaders.errors import InputError
from pipeline.season_commands import compare, plan, service, tell_of_wear, trend

if TYPE_CHECKING:
    from loaders.judging import Car
    from loaders.logbook import Logbook
    from loaders.mapping import ChannelMap
    from loaders.normalise import Session
    from pipeline.build_sheet import BuildSheet, Circuit

YOUR_INPUT = 2
_TEMPLATES = ("build_sheet.toml", "channels.toml", "circuit.toml")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="sidegear", prog_name="sidegear")
def cli() -> None:
    """Say what a limited-slip differential did on circuit, lap by lap, and how sure that is."""


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
def new(folder: Path) -> None:
    """Start a logbook in FOLDER: commented build sheet, channel map and circuit to fill in."""
    taken = [name for name in _TEMPLATES if (folder / name).exists()]
    if taken:
        msg = f"{folder}: already holds {', '.join(taken)}; nothing was changed. Name a new folder."
        raise InputError(msg)
    source = Path(__file__).parent / "templates"
    _copy_in([source / name for name in _TEMPLATES], folder)
    click.echo(f"Logbook started in {folder}. Next:")
    click.echo(f"  1. fill in {folder / 'build_sheet.toml'}")
    click.echo(f"  2. sidegear channels LOG --logbook {folder}   (proposes the channel map)")
    click.echo(f"  3. sidegear add LOG --logbook {folder}")


def _copy_in(files: list[Path], folder: Path) -> None:
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


@cli.command()
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--logbook", "-b", "folder", default=".", show_default="this folder",
    type=click.Path(path_type=Path), help="Folder made by 'sidegear new'.",
)  # fmt: skip
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
    from loaders.logbook import Logbook, finish_interrupted

    logbook = Logbook(folder)
    if not folder.is_dir():
        msg = f"{folder}: no such logbook. Start one with 'sidegear new {folder}'."
        raise InputError(msg)
    finish_interrupted(logbook)
    settings = _settings(logbook, map_path, sheet_path)
    refused = 0
    for log in logs:
        if sys.stderr.isatty():
            click.echo(f"{log.name} …", err=True)
        try:
            _add_one(log, logbook, settings, as_json=as_json)
        except InputError as problem:
            _complain(problem)
            refused += 1
    if not as_json:
        tell_of_wear(folder)
    if refused:
        sys.exit(YOUR_INPUT)


@dataclass(frozen=True, slots=True)
class Settings:
    """What a log is read and analysed with, and the digests that tell whether it has changed."""

    maps: list[ChannelMap]
    sheet: BuildSheet
    circuit: Circuit
    maps_sha256: str
    all_sha256: str


def _settings(logbook: Logbook, map_path: Path | None, sheet_path: Path | None) -> Settings:
    from loaders.logbook import files_sha256
    from pipeline.about import program_version
    from pipeline.build_sheet import read_build_sheet, read_circuit

    sheet_path = sheet_path or logbook.build_sheet
    maps = _channel_maps(logbook, map_path)
    map_paths = [each.path for each in maps]
    everything = files_sha256([*map_paths, sheet_path, logbook.circuit])
    return Settings(
        maps,
        read_build_sheet(sheet_path),
        read_circuit(logbook.circuit),
        files_sha256(map_paths),
        # Another version may find other numbers.
        f"{everything}, sidegear {program_version()}",
    )


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


def _add_one(log: Path, logbook: Logbook, settings: Settings, *, as_json: bool) -> None:
    """Load, analyse, render and only then publish, so that a failure leaves nothing behind.

    A log that the logbook knows by its content is not read again unless a channel map has changed,
    and not analysed again unless anything has.
    """
    from loaders.logbook import file_sha256, find_by_content, is_up_to_date

    sha256 = file_sha256(log)
    known = find_by_content(logbook, sha256) if sha256 else None
    if known is None or not is_up_to_date(logbook, known, settings.all_sha256):
        known = _analyse_and_publish(log, logbook, settings, known)
    published = logbook.result(known).read_text(encoding="utf-8")
    if as_json:
        click.echo(published)
    else:
        _tell(json.loads(published), logbook.page(known))


def _analyse_and_publish(log: Path, logbook: Logbook, settings: Settings, known: str | None) -> str:
    from loaders.logbook import publish, read_result
    from pipeline.analyse import analyse
    from pipeline.published import to_json
    from reports.render import render
    from reports.session import session_report

    session = _stored_session(logbook, known, settings) or _read_session(log, settings)
    if known is not None:
        # The same log under another file name is still the same session.
        session = replace(session, name=read_result(logbook.result(known))["session"]["name"])
    result = analyse(session, settings.sheet, settings.circuit)
    provenance = {**result.provenance, "settings SHA-256": settings.all_sha256}
    result = replace(result, provenance=provenance)
    return publish(logbook, session, render(session_report(result)), to_json(result))


def _stored_session(logbook: Logbook, known: str | None, settings: Settings) -> Session | None:
    """The session as the logbook has it, when it was read with today's channel maps."""
    if known is None:
        return None
    from loaders.store import read_session

    try:
        session = read_session(logbook.session(known))
    except InputError:
        return None  # the log itself is at hand
    return session if session.source.maps_sha256 == settings.maps_sha256 else None


def _read_session(log: Path, settings: Settings) -> Session:
    from loaders.normalise import load_session

    session = load_session(log, settings.maps)
    return replace(session, source=replace(session.source, maps_sha256=settings.maps_sha256))


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


@cli.command()
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--logbook", "-b", "folder", default=".", show_default="this folder",
    type=click.Path(path_type=Path), help="Folder made by 'sidegear new'.",
)  # fmt: skip
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


@cli.command()
@click.option(
    "--folder", default="sidegear-demo", show_default=True, type=click.Path(path_type=Path),
    help="Where to put the demonstration logbook.",
)  # fmt: skip
def demo(folder: Path) -> None:
    """Analyse our own invented test day and say where its pages are."""
    from loaders.logbook import Logbook

    samples = Path(__file__).resolve().parent.parent / "sample_logs"
    if not samples.is_dir():
        msg = f"{samples}: the sample logs are not there. Run the demo in a copy of the project."
        raise InputError(msg)
    logbook = Logbook(folder)
    files = sorted(samples.glob("*.toml"))
    _refuse_other_settings(files, folder)
    _copy_in([file for file in files if not (folder / file.name).exists()], folder)
    for log in _sample_logs(samples):
        # A run with parts of its own has a build sheet of its own beside the common one.
        own = folder / f"build_sheet_{log.stem}.toml"
        settings = _settings(logbook, None, own if own.exists() else None)
        _add_one(log, logbook, settings, as_json=False)
    click.echo(f"Open a report in your browser. The logbook is {folder.resolve()}.")


def _refuse_other_settings(settings: list[Path], folder: Path) -> None:
    """The folder may be somebody's logbook: what is in it is theirs."""
    theirs = {*folder.glob("build_sheet*.toml"), *folder.glob("channels*.toml")}
    theirs |= {folder / "circuit.toml"} if (folder / "circuit.toml").exists() else set()
    ours = {folder / file.name: file.read_bytes() for file in settings}
    other = sorted(path.name for path in theirs if path.read_bytes() != ours.get(path))
    if other:
        msg = (
            f"{folder}: {', '.join(other)} there is not the demonstration's; nothing was changed. "
            "Choose another folder with --folder, or remove this one."
        )
        raise InputError(msg)


def _sample_logs(samples: Path) -> Iterable[Path]:
    return sorted(path for path in samples.iterdir() if path.suffix in {".csv", ".txt"})


cli.add_command(compare)
cli.add_command(plan)
cli.add_command(service)
cli.add_command(trend)


def _complain(problem: InputError) -> None:
    click.echo(f"sidegear: {problem}", err=True)


def main() -> None:
    """Run the command line; the only place that turns errors into exit codes."""
    # Windows consoles and pipes may not speak UTF-8 by themselves.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    try:
        cli()
    except InputError as problem:
        _complain(problem)
        sys.exit(YOUR_INPUT)
    except Exception:
        click.echo(
            "sidegear: this is a fault of sidegear, not of your log. Nothing was added for the log "
            "at hand. Please report the lines below.",
            err=True,
        )
        raise  # and so to Python's own exit code for it, which is 1


if __name__ == "__main__":
    main()
