"""The command line: puts loaders, pipeline and reports together, and speaks to the user.

Exit codes: 0 done, 2 something in your input has to be put right, 1 a fault of sidegear itself.
Nothing heavy is imported before a command needs it, so that ``--help`` answers at once.
"""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loaders.errors import InputError

if TYPE_CHECKING:
    from loaders.mapping import ChannelMap
    from loaders.store import Logbook
    from pipeline.build_sheet import BuildSheet, Circuit
    from pipeline.result import SessionResult

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
    click.echo(f"  1. fill in {folder / 'build_sheet.toml'} and {folder / 'channels.toml'}")
    click.echo(f"  2. sidegear add LOG --logbook {folder}")


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
    from loaders.store import Logbook
    from pipeline.build_sheet import read_build_sheet, read_circuit

    logbook = Logbook(folder)
    if not folder.is_dir():
        msg = f"{folder}: no such logbook. Start one with 'sidegear new {folder}'."
        raise InputError(msg)
    sheet = read_build_sheet(sheet_path or logbook.build_sheet)
    circuit = read_circuit(logbook.circuit)
    maps = _channel_maps(logbook, map_path)
    refused = 0
    for log in logs:
        if sys.stderr.isatty():
            click.echo(f"{log.name} …", err=True)
        try:
            _add_one(log, logbook, maps, sheet, circuit, as_json=as_json)
        except InputError as problem:
            _complain(problem)
            refused += 1
    if refused:
        sys.exit(YOUR_INPUT)


def _channel_maps(logbook: Logbook, map_path: Path | None) -> list[ChannelMap]:
    from loaders.mapping import read_channel_map

    paths = [map_path] if map_path else logbook.channel_maps
    if not paths:
        msg = (
            f"{logbook.folder}: no channel map (channels.toml). Start a logbook with "
            f"'sidegear new FOLDER' or name a map with --map."
        )
        raise InputError(msg)
    return [read_channel_map(path) for path in paths]


def _add_one(
    log: Path,
    logbook: Logbook,
    maps: list[ChannelMap],
    sheet: BuildSheet,
    circuit: Circuit,
    *,
    as_json: bool,
) -> SessionResult:
    """Load, analyse, render and only then publish, so that a failure leaves nothing behind."""
    from loaders.normalise import load_session
    from loaders.store import publish
    from pipeline.analyse import analyse
    from pipeline.published import to_json
    from reports.render import render
    from reports.session import session_report

    session = load_session(log, maps)
    result = analyse(session, sheet, circuit)
    page = render(session_report(result))
    published = to_json(result)
    publish(logbook, session, page, published)
    if as_json:
        click.echo(published)
    else:
        _tell(result, logbook.page(session.id))
    return result


def _tell(result: SessionResult, page: Path) -> None:
    info = result.session
    counted = sum(lap.valid for lap in result.laps)
    click.echo(
        f"{info.name}: {info.car}, build {info.build}, {counted} of {len(result.laps)} laps count"
    )
    for finding in result.findings:
        mark = "!" if finding.needs_attention else "-"
        click.echo(
            textwrap.fill(
                finding.sentence, 96, initial_indent=f"  {mark} ", subsequent_indent="    "
            )
        )
    click.echo(f"  report: {page.resolve()}")


@cli.command()
@click.option(
    "--folder", default="sidegear-demo", show_default=True, type=click.Path(path_type=Path),
    help="Where to put the demonstration logbook.",
)  # fmt: skip
def demo(folder: Path) -> None:
    """Analyse our own invented test day and say where its pages are."""
    from loaders.store import Logbook
    from pipeline.build_sheet import read_build_sheet, read_circuit

    samples = Path(__file__).resolve().parent.parent / "sample_logs"
    if not samples.is_dir():
        msg = f"{samples}: the sample logs are not there. Run the demo in a copy of the project."
        raise InputError(msg)
    logbook = Logbook(folder)
    settings = sorted(samples.glob("*.toml"))
    _refuse_other_settings(settings, folder)
    _copy_in([file for file in settings if not (folder / file.name).exists()], folder)
    circuit = read_circuit(logbook.circuit)
    maps = _channel_maps(logbook, None)
    for log in _sample_logs(samples):
        # A run with parts of its own has a build sheet of its own beside the common one.
        own = folder / f"build_sheet_{log.stem}.toml"
        sheet = read_build_sheet(own if own.exists() else logbook.build_sheet)
        _add_one(log, logbook, maps, sheet, circuit, as_json=False)
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
