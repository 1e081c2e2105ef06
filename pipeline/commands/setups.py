"""Commands about setups: which runs tell them apart, and what differed on a day."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loaders.errors import InputError, nearest
from pipeline.commands.options import LOGBOOK, day_of, results_of

if TYPE_CHECKING:
    from pipeline.setups import SetupDay


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

    day = None if on is None else day_of(on)
    try:
        found = compared(results_of(folder), build_a, build_b, day, _margins(margins))
    except CannotCompareError as problem:
        msg = f"{problem}."
        raise InputError(msg[:1].upper() + msg[1:]) from problem
    if as_json:
        click.echo(json.dumps(to_object(found), ensure_ascii=False, allow_nan=False))
        return
    for line in lines(found):
        click.echo(textwrap.fill(line, 96, subsequent_indent="    "))
    page = _write_setups_page(folder, found)
    click.echo(f"  report: {page.resolve()}")


def _margins(stated: tuple[str, ...]) -> dict[str, float]:
    found: dict[str, float] = {}
    for text in stated:
        name, _, value = text.partition("=")
        _known(name, f"--margin {text}")
        found[name] = _positive(value, f"--margin {text}")
    return found


def _known(name: str, place: str) -> None:
    from pipeline.setups import MEASURE_BY_NAME

    if name not in MEASURE_BY_NAME:
        msg = (
            f"{place}: no measure is called '{name}'; expected one of "
            f"{', '.join(MEASURE_BY_NAME)}.{nearest(name, list(MEASURE_BY_NAME))}"
        )
        raise InputError(msg)


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

    _known(measure, f"plan {measure}")
    size = _positive(wanted, f"plan {measure} {wanted}")
    if laps < 1:
        msg = f"--laps {laps}: expected one or more."
        raise InputError(msg)
    try:
        proposal = propose(results_of(folder), measure, size, laps, power)
    except CannotCompareError as problem:
        msg = f"{folder}: {problem}. Add logs with 'sidegear add'."
        raise InputError(msg) from problem
    click.echo(textwrap.fill(proposal_line(proposal), 96))
    click.echo(
        "Drive to the rules of the circuit; leave limits to the makers and qualified people."
    )


def _write_setups_page(folder: Path, day: SetupDay) -> Path:
    from loaders.logbook import put_text
    from pipeline.commands.season import car_in, list_pages, summaries_of
    from reports.render import render
    from reports.setups import setups_report

    car = car_in(summaries_of(folder))
    safe = "".join(c if c.isalnum() else "-" for c in f"{day.build_a}-{day.build_b}")
    name = f"setups-{day.on.isoformat()}-{safe[:60]}.html"
    put_text(folder, name, render(setups_report(day, car)))
    list_pages(folder)
    return folder / name
