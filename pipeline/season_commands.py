"""Commands about the season: the service record, and how the packs are."""

from __future__ import annotations

import json
import textwrap
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loaders.errors import InputError

if TYPE_CHECKING:
    from loaders.logbook import Logbook
    from pipeline.season import Season
    from pipeline.service_record import ServiceEntry
    from pipeline.setups import SetupDay

LOGBOOK = click.option(
    "--logbook", "-b", "folder", default=".", show_default="this folder",
    type=click.Path(path_type=Path), help="Folder made by 'sidegear new'.",
)  # fmt: skip


@click.group()
def service() -> None:
    """Keep the service record: builds, re-shims, oil changes, bench checks, teardowns."""


@service.command("add")
@click.argument("entry")
@click.argument("value", type=float, required=False)
@LOGBOOK
@click.option("--on", default=None, help="Date as 2026-04-12; today when left out.")
@click.option("--unit", default="", help="Unit of the value; N m for a bench check.")
@click.option("--method", default="", help="How a bench check was made.")
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
    check needs its reading and --method "one wheel held, gearbox in neutral" or "case held, other
    wheel free".
    """
    from pipeline.service_record import Entry, ServiceEntry, problems_of

    kind = entry.lower().replace("-", " ").replace("re shim", "re-shim")
    if kind not in list(Entry):
        msg = f"'{entry}' is no kind of entry; expected one of {', '.join(Entry)}."
        raise InputError(msg)
    if kind == Entry.BENCH_CHECK and not unit:
        unit = "N m"
    made = ServiceEntry(_day(on), Entry(kind), value, unit, method, note)
    if problems := problems_of(made):
        raise InputError.gathered(problem[:1].upper() + problem[1:] for problem in problems)
    _append(folder, made)
    click.echo(f"Service record: {made.on.isoformat()} {made.entry} noted.")


def _day(text: str | None) -> date:
    if text is None:
        return datetime.now().astimezone().date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        msg = f"--on {text}: is no date; expected one as 2026-04-12."
        raise InputError(msg) from None


def _append(folder: Path, entry: ServiceEntry) -> None:
    from loaders.logbook import add_line
    from pipeline.service_record import HEADER, NAME, line_of, read_service_record

    _refuse_absent(folder)
    read_service_record(folder / NAME)  # nothing is added to a record that cannot be read
    add_line(folder, NAME, line_of(entry), heading=",".join(HEADER) + "\n")


@service.command("show")
@LOGBOOK
def service_show(folder: Path) -> None:
    """Print the service record in order of date."""
    from pipeline.service_record import NAME, read_service_record

    entries = read_service_record(folder / NAME)
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
    from pipeline.published_season import sentences, to_object

    found = season_of(folder)
    if as_json:
        click.echo(json.dumps(to_object(found), ensure_ascii=False, allow_nan=False))
        return
    page = write_season_pages(folder)
    if not found.lives and not found.undated:
        click.echo("The logbook holds no session yet. Add logs with 'sidegear add'.")
    for life in found.lives:
        click.echo(
            f"Build {life.build} since {life.since.isoformat()} ({life.started_by}): "
            f"{len(life.sessions)} sessions, {life.laps} laps, {life.exposure_mj:.2f} MJ"
            + ("" if life.ended is None else f"; built anew on {life.ended.isoformat()}")
        )
        for sentence in sentences(life):
            click.echo(textwrap.fill(sentence, 96, initial_indent="  - ", subsequent_indent="    "))
    for each in found.undated:
        click.echo(
            f"Not placed: {each.id}, {each.reason}. State it with "
            f"'sidegear service add \"session date\" --on DATE --note {each.id}'."
        )
    if found.lives:
        click.echo(f"  report: {page.resolve()}")


@click.command()
@click.argument("build_a")
@click.argument("build_b")
@LOGBOOK
@click.option("--on", default=None, help="Day as 2026-04-12; the latest on which both ran.")
@click.option(
    "--margin", "margins", multiple=True, metavar="MEASURE=VALUE",
    help="Differences below VALUE are of no practical use to you. In SI; may be given several "
    "times.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def compare(
    build_a: str,
    build_b: str,
    folder: Path,
    on: str | None,
    margins: tuple[str, ...],
    as_json: bool,
) -> None:
    """Say how BUILD_B differs from BUILD_A over the runs of one day."""
    from pipeline.comparison import CannotCompareError
    from pipeline.published_setups import lines, to_object
    from pipeline.setups import compare as compared

    day = None if on is None else _day(on)
    try:
        found = compared(_results(folder), build_a, build_b, day, _margins(margins))
    except CannotCompareError as problem:
        msg = f"{problem}. 'sidegear trend' lists the builds of this logbook."
        raise InputError(msg[:1].upper() + msg[1:]) from problem
    if as_json:
        click.echo(json.dumps(to_object(found), ensure_ascii=False, allow_nan=False))
        return
    for line in lines(found):
        click.echo(textwrap.fill(line, 96, subsequent_indent="    "))
    page = _write_setups_page(folder, found)
    click.echo(f"  report: {page.resolve()}")


def _margins(stated: tuple[str, ...]) -> dict[str, float]:
    from pipeline.setups import MEASURE_BY_NAME

    found: dict[str, float] = {}
    for text in stated:
        name, _, value = text.partition("=")
        if name not in MEASURE_BY_NAME:
            msg = (
                f"--margin {text}: no measure is called '{name}'; expected one of "
                f"{', '.join(MEASURE_BY_NAME)}."
            )
            raise InputError(msg)
        found[name] = _positive(value, f"--margin {text}")
    return found


def _positive(text: str, place: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        msg = f"{place}: found '{text}'; expected a number above zero."
        raise InputError(msg)
    return value


@click.command()
@click.argument("measure")
@click.argument("wanted")
@LOGBOOK
@click.option("--laps", default=8, show_default=True, help="Counted laps a run.")
@click.option(
    "--power", default=0.9, show_default=True, type=click.FloatRange(0.5, 0.999),
    help="How sure you want to be of seeing it when it is there.",
)  # fmt: skip
def plan(measure: str, wanted: str, folder: Path, laps: int, power: float) -> None:
    """Propose the order of runs that shows a difference of WANTED in MEASURE, in SI units."""
    from pipeline.comparison import CannotCompareError
    from pipeline.published_setups import proposal_line
    from pipeline.setups import propose

    margin = _margins((f"{measure}={wanted}",))
    if laps < 1:
        msg = f"--laps {laps}: expected one or more."
        raise InputError(msg)
    try:
        proposal = propose(_results(folder), measure, margin[measure], laps, power)
    except CannotCompareError as problem:
        msg = f"{folder}: {problem}. Add logs with 'sidegear add'."
        raise InputError(msg) from problem
    click.echo(textwrap.fill(proposal_line(proposal), 96))
    click.echo(
        "Drive to the rules of the circuit; leave limits to the makers and qualified people."
    )


@click.command()
@click.argument("table")
@click.argument("file", type=click.Path(path_type=Path))
@LOGBOOK
def export(table: str, file: Path, folder: Path) -> None:
    """Write a TABLE of all sessions to FILE, as CSV or Parquet by the file's ending.

    TABLE is one of: sessions, estimates, laps, events, corners, findings.
    """
    from loaders.row_files import write_rows
    from pipeline.tables import TABLES

    if table not in TABLES:
        msg = f"'{table}' is no table; expected one of {', '.join(TABLES)}."
        raise InputError(msg)
    rows = list(TABLES[table](_results(folder)))
    write_rows(rows, file)
    click.echo(f"{file}: {len(rows)} rows of {table}")


def _results(folder: Path) -> list[dict[str, Any]]:
    from loaders.logbook import read_result

    _refuse_absent(folder)
    paths = sorted((folder / "results").glob("[!.]*.json"))
    return [result for path in paths if (result := read_result(path)).get("session")]


def _refuse_absent(folder: Path) -> None:
    if not folder.is_dir():
        msg = f"{folder}: no such logbook. Start one with 'sidegear new {folder}'."
        raise InputError(msg)


def tell_of_wear(folder: Path) -> None:
    """Print the condition of the pack that ran last when it needs an eye or a hand."""
    from pipeline.season import Condition

    lives = [life for life in season_of(folder).lives if life.ended is None]
    if lives and lives[-1].condition in (Condition.WATCH, Condition.SERVICE_DUE):
        life = lives[-1]
        click.echo(
            f"Pack {life.build}: {life.condition}; {life.reason}. More with 'sidegear trend'."
        )


def write_season_pages(folder: Path) -> Path:
    """Write the logbook's first page and the season's page; returns the latter's place."""
    from loaders.logbook import Logbook, put_text
    from loaders.result_index import session_summaries
    from reports.index import SEASON_PAGE, index_report
    from reports.render import render
    from reports.season import season_report

    found, sessions = season_of(folder), session_summaries(Logbook(folder))
    car = next((about["session"]["car"] for about in reversed(sessions)), "")
    put_text(folder, "index.html", render(index_report(found, sessions, car)))
    if found.lives:
        put_text(folder, SEASON_PAGE, render(season_report(found, car)))
    return folder / SEASON_PAGE


def _write_setups_page(folder: Path, day: SetupDay) -> Path:
    from loaders.logbook import Logbook, put_text
    from loaders.result_index import session_summaries
    from reports.render import render
    from reports.setups import setups_report

    car = next(
        (each["session"]["car"] for each in reversed(session_summaries(Logbook(folder)))), ""
    )
    safe = "".join(c if c.isalnum() else "-" for c in f"{day.build_a}-{day.build_b}")
    name = f"setups-{day.on.isoformat()}-{safe[:60]}.html"
    put_text(folder, name, render(setups_report(day, car)))
    return folder / name


def season_of(folder: Path) -> Season:
    """The season that a logbook tells.

    Raises
    ------
    InputError
        If there is no such logbook, or the service record cannot be read.
    """
    from loaders.logbook import Logbook
    from loaders.result_index import session_summaries
    from pipeline.season import season
    from pipeline.service_record import NAME, read_service_record

    _refuse_absent(folder)
    record = read_service_record(folder / NAME)
    return season(session_summaries(Logbook(folder)), record, _limits(Logbook(folder)))


def _limits(logbook: Logbook) -> dict[str, float]:
    """Lowest values that the build sheet allows in service."""
    from pipeline.build_sheet import read_build_sheet

    if not logbook.build_sheet.is_file():
        return {}
    allowed = read_build_sheet(logbook.build_sheet).limits.breakaway_nm
    return {} if allowed is None else {"breakaway_torque_nm": allowed[0]}
