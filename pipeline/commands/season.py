"""Commands about the season: the service record, and how the packs are."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loaders.errors import InputError, nearest
from pipeline.commands.options import LOGBOOK, day_of, existing_logbook

if TYPE_CHECKING:
    from loaders.logbook import Logbook
    from pipeline.season import Season
    from pipeline.service_record import ServiceEntry
    from pipeline.strip_downs import Worn


_WARNING, _INDEX = ".early_warning", "index.html"


@click.group()
def service() -> None:
    """Keep the service record: builds, re-shims, oil changes, bench checks, teardowns."""


@service.command("add")
@click.argument("entry")
@click.argument("value", type=float, required=False)
@LOGBOOK
@click.option("--on", default=None, help="Date as 2026-04-12; today when left out.")
@click.option("--unit", default="", help="Unit of the value; N m, degC or mm when left out.")
@click.option(
    "--method", default="", help="How a bench check was made, or what a teardown looked at."
)
@click.option("--note", default="", help="Free text; the build's name or the session's id.")
def service_add(
    entry: str,
    value: float | None,
    folder: Path,
    on: str | None,
    unit: str,
    method: str,
    note: str,
) -> None:
    """Write ENTRY, with its VALUE if it has one, into the service record.

    ENTRY is one of: build, re-shim, oil change, bench check, teardown, session date, note. A bench
    check needs its reading and --method "other wheel held, gearbox in neutral", "in gear, other
    wheel free, turned forward" or "in gear, other wheel free, turned backward". A teardown may say
    what it looked at, such as --method "temper colour" --note "dark blue" or --method "stack loss"
    with a VALUE in mm; a wrong method is answered with all there are.
    """
    from pipeline.service_record import Entry, ServiceEntry, problems_of
    from pipeline.teardown import Seen, unit_of

    kind = entry.lower().replace("-", " ").replace("re shim", "re-shim")
    if kind not in list(Entry):
        msg = (
            f"'{entry}' is no kind of entry; expected one of {', '.join(Entry)}."
            f"{nearest(kind, list(Entry))}"
        )
        raise InputError(msg)
    if kind == Entry.BENCH_CHECK and not unit:
        unit = "N m"
    if kind == Entry.TEARDOWN and method in list(Seen) and value is not None and not unit:
        unit = unit_of(Seen(method))
    made = ServiceEntry(day_of(on), Entry(kind), value, unit, method, note)
    if made.on > day_of(None):
        msg = f"--on {on}: lies ahead. Note an entry on its day or after; nothing was noted."
        raise InputError(msg)
    known = existing_logbook(folder).session_ids
    if made.entry is Entry.SESSION_DATE and note and note not in known:
        msg = f"--note {note}: no session of this logbook has this id.{nearest(note, known)}"
        raise InputError(msg)
    if problems := problems_of(made):
        raise InputError.gathered(problem[:1].upper() + problem[1:] for problem in problems)
    _append(folder, made)
    click.echo(f"Service record: {made.on.isoformat()} {made.entry} noted.")


def _append(folder: Path, entry: ServiceEntry) -> None:
    from loaders.logbook import add_line
    from pipeline.service_record import HEADER, NAME, line_of, read_service_record

    existing_logbook(folder)
    read_service_record(folder / NAME)  # nothing is added to a record that cannot be read
    add_line(folder, NAME, line_of(entry), heading=",".join(HEADER) + "\n")


@service.command("show")
@LOGBOOK
def service_show(folder: Path) -> None:
    """Print the service record in order of date."""
    from pipeline.service_record import NAME, read_service_record

    entries = read_service_record(existing_logbook(folder).folder / NAME)
    if not entries:
        click.echo("The service record is empty. Add to it with 'sidegear service add'.")
    for entry in entries:
        value = "" if entry.value is None else f" {entry.value:g} {entry.unit}"
        rest = ", ".join(part for part in (entry.method, entry.note) if part)
        click.echo(f"{entry.on.isoformat()}  {entry.entry}{value}{': ' + rest if rest else ''}")


@click.command()
@LOGBOOK
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def trend(folder: Path, as_json: bool) -> None:
    """Say whether the packs are wearing, and when the next service is due."""
    from pipeline.printed import counted
    from pipeline.published_season import bench_sentences, sentences, to_object
    from pipeline.published_strip_downs import to_object as worn_object
    from pipeline.published_strip_downs import worn_sentences

    found = season_of(folder)
    inside = worn_of(folder, found)
    if as_json:
        whole = to_object(found) | ({} if inside is None else worn_object(inside))
        click.echo(json.dumps(whole, ensure_ascii=False, allow_nan=False))
        return
    page = write_season_pages(folder)
    if not found.lives and not found.undated:
        click.echo("The logbook holds no session yet. Add logs with 'sidegear add'.")
    for life in found.lives:
        click.echo(
            f"Build {life.build} since {life.since.isoformat()} ({life.started_by}): "
            f"{counted(len(life.sessions), 'session')}, {counted(life.laps, 'lap')}, "
            f"{life.exposure_mj:.2f} MJ"
            + ("" if life.ended is None else f"; built anew on {life.ended.isoformat()}")
        )
        for sentence in sentences(life):
            click.echo(textwrap.fill(sentence, 96, initial_indent="  - ", subsequent_indent="    "))
    told = [] if inside is None or not found.lives else worn_sentences(inside)
    for sentence in (*bench_sentences(found), *told):
        click.echo(textwrap.fill(sentence, 96, subsequent_indent="    "))
    for each in found.undated:
        click.echo(
            f"Not placed: {each.id}, {each.reason}. State it with "
            f"'sidegear service add \"session date\" --on DATE --note {each.id}'."
        )
    if found.lives:
        click.echo(f"  report: {page.resolve()}")


def after_logs(folder: Path, *, silent: bool) -> None:
    """Bring the logbook's first page up to date, and say so when the pack that ran last needs care.

    Where nothing has changed nothing is imported, and the warning is read as it stands.
    """
    if _index_is_stale(folder):
        _write_index(folder, season_of(folder))
    warning = folder / _WARNING
    if not silent and warning.is_file() and (said := warning.read_text(encoding="utf-8").strip()):
        click.echo(f"{said} More with 'sidegear trend'.")


def _warning(found: Season) -> str:
    """What to be told of the pack that ran last; empty while it needs neither eye nor hand."""
    from pipeline.season import Condition

    life = next((each for each in reversed(found.lives) if each.ended is None), None)
    if life is None or life.condition not in (Condition.WATCH, Condition.SERVICE_DUE):
        return ""
    return f"Pack {life.build}: {life.condition}; {life.reason}."


def _results(folder: Path) -> list[Path]:
    return list((folder / "results").glob("[!.]*.json"))


def _index_is_stale(folder: Path) -> bool:
    """Whether anything that the first page tells of is newer than it."""
    sources = [*_results(folder), folder / "service_record.csv", folder / "build_sheet.toml"]
    try:
        written = min((folder / name).stat().st_mtime_ns for name in (_WARNING, _INDEX))
    except FileNotFoundError:
        return len(sources) > 2  # a logbook without a session needs none
    there = (path for path in sources if path.exists())
    return any(path.stat().st_mtime_ns > written for path in there)


def write_season_pages(folder: Path) -> Path:
    """Write the logbook's first page and the season's page; returns the latter's place."""
    from loaders.logbook import put_text
    from reports.index import SEASON_PAGE
    from reports.render import render
    from reports.season import season_report

    found = season_of(folder)
    car = _write_index(folder, found)
    if found.lives:
        put_text(folder, SEASON_PAGE, render(season_report(found, car, worn_of(folder, found))))
    return folder / SEASON_PAGE


def list_pages(folder: Path) -> None:
    """Have the logbook's first page list a page that has come to stand beside it."""
    if (folder / _INDEX).is_file():
        _write_index(folder, season_of(folder))


def _write_index(folder: Path, found: Season) -> str:
    """Write the early warning and the logbook's first page; returns the car's name."""
    from loaders.logbook import put_text
    from reports.index import index_report
    from reports.render import render

    sessions = summaries_of(folder)
    car = car_in(sessions)
    names = [path.name for path in folder.glob("*.html")]
    put_text(folder, _WARNING, _warning(found) + "\n")
    put_text(folder, _INDEX, render(index_report(found, sessions, car, names)))
    return car


def season_of(folder: Path) -> Season:
    """The season that a logbook tells.

    Raises
    ------
    InputError
        If there is no such logbook, or the service record cannot be read.
    """
    from loaders.logbook import Logbook
    from pipeline.season import season
    from pipeline.service_record import NAME, read_service_record

    existing_logbook(folder)
    record = read_service_record(folder / NAME)
    return season(summaries_of(folder), record, _limits(Logbook(folder)))


def worn_of(folder: Path, found: Season) -> Worn | None:
    """What strip-downs say, held against the logbook's build sheet; None where it has none."""
    from loaders.logbook import Logbook
    from pipeline.build_sheet import read_build_sheet
    from pipeline.strip_downs import worn

    path = Logbook(folder).build_sheet
    return worn(found, read_build_sheet(path)) if path.is_file() else None


def summaries_of(folder: Path) -> list[Mapping[str, Any]]:
    """What a season reads of every session of a logbook."""
    from loaders.logbook import Logbook
    from loaders.result_index import session_summaries
    from pipeline.courses import READ

    return session_summaries(Logbook(folder), READ)


def car_in(sessions: Sequence[Mapping[str, Any]]) -> str:
    """Name of the car, of the last session by name; empty without one."""
    return str(sessions[-1]["session"]["car"]) if sessions else ""


def _limits(logbook: Logbook) -> dict[str, float]:
    """Lowest values that the build sheet allows in service."""
    from pipeline.build_sheet import read_build_sheet

    if not logbook.build_sheet.is_file():
        return {}
    allowed = read_build_sheet(logbook.build_sheet).limits.breakaway_nm
    return {} if allowed is None else {"breakaway_torque_nm": allowed[0]}
