"""The command that asks what other parts would do on a circuit already driven."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loaders.errors import InputError
from pipeline.commands.chosen import as_tables, other_parts, session_id_of, sheet_of_session
from pipeline.commands.options import LOGBOOK, page_name
from pipeline.commands.season import list_pages

if TYPE_CHECKING:
    from pipeline.estimate import Estimate, Missing, Predicted
    from pipeline.what_if import WhatIf

SCHEMA = "sidegear.predict/1"


@click.command()
@click.argument("session", required=False)
@LOGBOOK
@other_parts
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def predict(
    session: str | None,
    folder: Path,
    sheet_path: Path | None,
    changes: tuple[str, ...],
    as_json: bool,
) -> None:
    """Say what other parts would do in SESSION, side by side with what it was.

    SESSION is a session's id or name in the logbook; the last one when left out. Sessions and
    sheets of the logbook stay as they are; a page of the comparison is put beside them.
    """
    from loaders.logbook import Logbook, put_text
    from loaders.store import read_session
    from pipeline.analyse import analyse
    from pipeline.build_sheet import read_build_sheet, read_circuit
    from pipeline.estimate import Missing
    from pipeline.what_if import what_if
    from reports.render import render
    from reports.what_if import what_if_report

    if sheet_path is None and not changes:
        msg = (
            "nothing is changed. Name the other parts with --change, such as "
            "--change drive_ramp_deg=40, or a sheet of them with --build-sheet."
        )
        raise InputError(msg)
    logbook = Logbook(folder)
    known = session_id_of(logbook, session)
    own = sheet_of_session(logbook, known)
    today = read_build_sheet(own)
    then = read_build_sheet(sheet_path or own, as_tables(changes))
    stored = read_session(logbook.session(known), logbook.log(known))
    result = analyse(stored, today, read_circuit(logbook.circuit))
    found = what_if(result, today, then)
    if isinstance(found, Missing):
        msg = f"{known}: {found.reason}. Choose a session with a fitted law (--logbook, SESSION)."
        raise InputError(msg)
    if as_json:
        click.echo(json.dumps(to_object(known, found), ensure_ascii=False, allow_nan=False))
        return
    parts = [*([f"build sheet {sheet_path.name}"] if sheet_path else []), *changes]
    click.echo(f"{stored.name}: {today.car.name}, build {today.differential.build}")
    click.echo(f"on paper: {', '.join(parts)}")
    click.echo()
    for line in table(found):
        click.echo(line)
    click.echo()
    for sentence in (*found.limits, *_CAUTIONS):
        click.echo(textwrap.fill(sentence, 96, initial_indent="  - ", subsequent_indent="    "))
    page = what_if_report(result.session, found, today, then, ", ".join(parts))
    name = page_name("what-if", stored.name, *parts)
    put_text(logbook.folder, name, render(page))
    list_pages(folder)
    click.echo(f"  report: {(logbook.folder / name).resolve()}")


_CAUTIONS = (
    "Makers' limits and the rules of your series come first.",
    "After a change go out gently: the car turns in and puts its power down differently.",
)


# Name, words, unit, factor, decimals.
_ROWS = (
    ("breakaway_torque_nm", "breakaway torque", "N·m", 1.0, 0),
    ("breakaway_new_plates_nm", "  with new plates, before they run in", "N·m", 1.0, 0),
    ("lock_drive", "lock on drive", "%", 100.0, 1),
    ("lock_overrun", "lock on overrun", "%", 100.0, 1),
    ("lock_overrun_to_drive", "overrun over drive", "", 1.0, 2),
    ("spring_force_n", "washer force", "N", 1.0, 0),
    ("bench_other_wheel_held_nm", "wrench, other wheel held, neutral", "N·m", 1.0, 0),
    ("bench_in_gear_forward_nm", "wrench, in gear, turned forward", "N·m", 1.0, 0),
    ("bench_in_gear_backward_nm", "wrench, in gear, turned backward", "N·m", 1.0, 0),
    ("energy_per_lap_j", "energy a lap", "kJ", 1e-3, 1),
)
_HEAT_ROWS = (
    ("plates_peak_c", "plates, hottest", "°C", 1.0, 0),
    ("oil_peak_c", "oil, hottest", "°C", 1.0, 0),
    ("oil_race_end_c", "oil at the end of a race", "°C", 1.0, 0),
    ("oil_margin_k", "oil, margin to its limit", "K", 1.0, 0),
    ("plates_margin_k", "plates, margin to their limit", "K", 1.0, 0),
)


def table(found: WhatIf) -> list[str]:
    """Today and then side by side, each with its range and whether it is measured."""
    from pipeline.estimate import Missing

    rows = [("", "today", "on paper (predicted)")]

    def row(words: str, today: Any, then: Any, *how: Any) -> tuple[str, str, str]:
        return words, _written(today, *how), _written(then, *how)

    for name, words, *how in _ROWS:
        rows.append(row(words, found.today[name], found.then[name], *how))
    both = found.heat_today, found.heat_then
    if isinstance(both[0], Missing) or isinstance(both[1], Missing):
        why = next(each.reason for each in both if isinstance(each, Missing))
        rows.append(("temperatures", f"not observable: {why}", ""))
    else:
        for name, words, *how in _HEAT_ROWS:
            rows.append(row(words, both[0].answers[name], both[1].answers[name], *how))
    widths = [max(len(row[place]) for row in rows[:-1]) for place in (0, 1)]
    return [f"{a:<{widths[0]}}  {b:<{widths[1]}}  {c}".rstrip() for a, b, c in rows]


def _written(
    answer: Estimate | Predicted | Missing, unit: str, factor: float, decimals: int
) -> str:
    from pipeline.estimate import Estimate, Missing

    if isinstance(answer, Missing):
        return "not known"
    value, low, high = (factor * each for each in (answer.value, answer.low, answer.high))
    span = f"{value:.{decimals}f} ({low:.{decimals}f} to {high:.{decimals}f}) {unit}".rstrip()
    if isinstance(answer, Estimate):
        return f"{span}, {answer.grade}"
    return f"{span}, assumed" if answer.method.startswith("assumed") else span


def to_object(session_id: str, found: WhatIf) -> dict[str, Any]:
    """The comparison as plain JSON types."""
    from pipeline.estimate import Missing
    from pipeline.published import answer_object

    def heat(side: Any) -> dict[str, Any]:
        if isinstance(side, Missing):
            return {"missing": side.reason}
        return {name: answer_object(answer) for name, answer in side.answers.items()}

    return {
        "schema": SCHEMA,
        "session": session_id,
        "build": found.build,
        "today": {name: answer_object(answer) for name, answer in found.today.items()},
        "then": {name: answer_object(answer) for name, answer in found.then.items()},
        "heat_today": heat(found.heat_today),
        "heat_then": heat(found.heat_then),
        "warmer": {name: answer_object(more) for name, more in found.warmer.items()},
        "limits": [*found.limits, *_CAUTIONS],
    }
