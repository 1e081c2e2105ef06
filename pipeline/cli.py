"""The command line: puts loaders, pipeline and reports together, and speaks to the user.

Exit codes: 0 done, 2 something in your input has to be put right, 1 a fault of sidegear itself.
Nothing heavy is imported before a command needs it, so that ``--help`` answers at once.
"""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
import traceback
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from loaders.errors import InputError
from pipeline.predict_command import predict
from pipeline.season_commands import (
    compare,
    export,
    plan,
    service,
    tell_of_wear,
    trend,
    write_season_pages,
)

if TYPE_CHECKING:
    from loaders.judging import Car
    from loaders.logbook import Logbook, Room
    from loaders.mapping import ChannelMap
    from loaders.session import Session
    from pipeline.build_sheet import BuildSheet, Circuit

YOUR_INPUT, OUR_FAULT = 2, 1
_OUR_FAULT = (
    "this is a fault of sidegear, not of your log. Nothing was added for the log at hand. Please "
    "report the lines below."
)
# What a session's provenance calls the files that were named when it was added.
_NAMED_MAP, _NAMED_SHEET = "channel map named", "build sheet named"
T = TypeVar("T")
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
    from loaders.logbook import finish_interrupted

    logbook = _existing_logbook(folder)
    finish_interrupted(logbook)
    settings = _settings(logbook, map_path, sheet_path)

    def add_one(log: Path) -> None:
        if sys.stderr.isatty():
            click.echo(f"{log.name} …", err=True)
        _add_one(log, logbook, settings, as_json=as_json)

    code = _each_by_itself(add_one, logs)
    if not as_json:
        tell_of_wear(folder)
    sys.exit(code)


@cli.command()
@click.option(
    "--logbook", "-b", "folder", default=".", show_default="this folder",
    type=click.Path(path_type=Path), help="Folder made by 'sidegear new'.",
)  # fmt: skip
@click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object a session and nothing else."
)
def refresh(folder: Path, as_json: bool) -> None:
    """Bring every session up to today's channel maps, build sheet and version, without the logs."""
    from loaders.logbook import finish_interrupted

    logbook = _existing_logbook(folder)
    finish_interrupted(logbook)
    settings: dict[tuple[str | None, str | None], Settings] = {}

    def refresh_one(session_id: str) -> None:
        named = _named_files(logbook, session_id)
        if named not in settings:
            paths = [logbook.folder / each if each else None for each in named]
            settings[named] = _settings(logbook, *paths)
        _refresh_one(session_id, logbook, settings[named], as_json=as_json)

    code = _each_by_itself(refresh_one, logbook.session_ids)
    if not as_json:
        tell_of_wear(folder)
    sys.exit(code)


def _existing_logbook(folder: Path) -> Logbook:
    from loaders.logbook import Logbook

    if not folder.is_dir():
        msg = f"{folder}: no such logbook. Start one with 'sidegear new {folder}'."
        raise InputError(msg)
    return Logbook(folder)


def _each_by_itself(work: Callable[[T], None], items: Iterable[T]) -> int:
    """Do the work on each; what one comes to does not stop the others. Returns the exit code."""
    refused, faults = 0, 0
    for item in items:
        try:
            work(item)
        except InputError as problem:
            _complain(problem)
            refused += 1
        except Exception:  # noqa: BLE001 -- those after it are not to wait for our repair
            click.echo(f"{item}: {_OUR_FAULT}" if not faults else f"{item}: the same", err=True)
            if not faults:
                traceback.print_exc()
            faults += 1
    return OUR_FAULT if faults else YOUR_INPUT if refused else 0


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


def _settings(logbook: Logbook, map_path: Path | None, sheet_path: Path | None) -> Settings:
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


def _named_files(logbook: Logbook, session_id: str) -> tuple[str | None, str | None]:
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


def _add_one(log: Path, logbook: Logbook, settings: Settings, *, as_json: bool) -> None:
    """Add a log and say what it says."""
    _say(_in_logbook(log, logbook, settings), logbook, as_json=as_json)


def _in_logbook(log: Path, logbook: Logbook, settings: Settings) -> str:
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
    return known


def _refresh_one(session_id: str, logbook: Logbook, settings: Settings, *, as_json: bool) -> None:
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
        session = read_session(place)
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
    """Analyse our own invented test day and season, and say where their pages are."""
    samples = Path(__file__).resolve().parent.parent / "sample_logs"
    if not samples.is_dir():
        msg = f"{samples}: the sample logs are not there. Run the demo in a copy of the project."
        raise InputError(msg)
    _add_samples(samples, folder)
    season = folder / "season"
    click.echo(
        "\nThe invented season: a pack that wears and is rebuilt, then two setups in turns.\n"
    )
    _add_samples(samples / "season", season, in_short=True)
    with click.Context(trend) as context:
        context.invoke(trend, folder=season)
        click.echo("")
        context.invoke(compare, build_a="A, firm", build_b="B, flatter drive ramps", folder=season)
    click.echo(
        f"\nOpen a report in your browser. The logbooks are {folder.resolve()} and, inside it, "
        "season; each begins with index.html."
    )


def _add_samples(samples: Path, folder: Path, *, in_short: bool = False) -> None:
    """Add every sample log of a folder, each with a build sheet of its own where it has one."""
    from loaders.logbook import Logbook

    files = sorted([*samples.glob("*.toml"), *samples.glob("*record.csv")])
    _refuse_other_settings(files, folder)
    _copy_in([file for file in files if not (folder / file.name).exists()], folder)
    for log in _sample_logs(samples):
        own = folder / f"build_sheet_{log.name.partition('.')[0]}.toml"
        settings = _settings(Logbook(folder), None, own if own.exists() else None)
        if in_short:
            _in_logbook(log, Logbook(folder), settings)
            click.echo(f"{log.name} added")
        else:
            _add_one(log, Logbook(folder), settings, as_json=False)
    write_season_pages(folder)


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
    kept = {".csv", ".txt", ".gz"}
    found = (path for path in samples.iterdir() if path.suffix in kept)
    return sorted(path for path in found if not path.name.startswith("service_record"))


cli.add_command(compare)
cli.add_command(export)
cli.add_command(plan)
cli.add_command(predict)
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
        click.echo(f"sidegear: {_OUR_FAULT}", err=True)
        raise  # and so to Python's own exit code for it, which is 1


if __name__ == "__main__":
    main()
