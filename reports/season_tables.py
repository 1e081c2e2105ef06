"""The season's tables: what is wearing, the packs, their sessions, the bench and the record."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.courses import FRICTION, OIL, TEMPERATURES
from pipeline.estimate import Answer, Estimate, Missing, Predicted
from pipeline.printed import odds_words
from pipeline.season import PackLife, Season
from pipeline.season_session import SeasonSession
from pipeline.service_record import ServiceEntry
from pipeline.signature import EXPLANATIONS, QUANTITIES
from reports.document import Align, Cell, Column, Note, Row, Section, Table
from reports.numbers import count, number, written
from reports.wording import UNIT_WORDS, quantity

# More rows make the page slow to open: a browser lays out every cell. Chosen by us.
_MOST_ROWS = 200
SESSION_COLUMNS = (
    Column("Date", align=Align.TEXT),
    Column("Session", align=Align.TEXT),
    Column("Build", align=Align.TEXT),
    Column("Circuit", align=Align.TEXT),
    Column("Laps"),
)
"""How every list of sessions begins."""


def explanations(life: PackLife, suffix: str) -> Table | Note:
    """What is wearing, by what changes together, with the odds of each explanation."""
    if life.odds is None:
        return Note("What is wearing", (f"Cannot be told: {life.why_no_odds}.",))
    rows = tuple(
        Row((
            Cell(each.name.capitalize()),
            Cell(odds_words(life.odds[each.name]), sort=life.odds[each.name]),
            Cell(f"{each.said[:1].upper()}{each.said[1:]}"),
        ))
        for each in sorted(EXPLANATIONS, key=lambda e: -(life.odds or {})[e.name])
    )  # fmt: skip
    return Table(
        f"explanations{suffix}",
        "What is wearing, by what changes together",
        (
            Column("Explanation", align=Align.TEXT),
            Column("Odds"),
            Column("What it means", align=Align.TEXT, sortable=False),
        ),
        rows,
        caption="All explanations count as equally likely before the sessions are looked at.",
        stacks=True,
    )


def lives_section(lives: Sequence[PackLife]) -> Section:
    """Every pack with its condition and how far it has run."""
    rows = tuple(
        Row((
            Cell(life.build),
            Cell(life.since.isoformat(), sort=life.since.isoformat()),
            Cell(str(life.condition), small=life.reason),
            Cell("" if life.ended is None else life.ended.isoformat()),
            Cell(str(len(life.sessions)), sort=len(life.sessions)),
            Cell(str(life.laps), sort=life.laps),
            Cell(number(life.hours, 1), sort=life.hours),
            Cell(number(life.exposure_mj, 2), sort=life.exposure_mj),
            _now_cell(life, "breakaway_torque_nm"),
        ))
        for life in lives
    )  # fmt: skip
    table = Table(
        "lives",
        "Packs, the latest first",
        (
            Column("Build", align=Align.TEXT),
            Column("Since", align=Align.TEXT),
            Column("Condition", align=Align.TEXT),
            Column("Built anew", align=Align.TEXT),
            Column("Sessions"),
            Column("Laps"),
            Column("Running", "h"),
            Column("Energy", "MJ"),
            Column("Breakaway torque", "N·m"),
        ),
        rows,
        empty="No pack has a dated session yet.",
    )
    return Section("packs", "Packs", "", (table,))


def _now_cell(life: PackLife, name: str) -> Cell:
    now = life.courses[name].now
    if isinstance(now, Missing):
        points = life.courses[name].points
        if not points:
            return Cell("not observable", hint=now.reason)
        now = points[-1].value
    shown = quantity(name, "")
    return Cell(written(now, shown.unit, shown.factor).with_interval, sort=now.value)


def sessions_section(lives: Sequence[PackLife], season: Season) -> Section:
    """Sessions, service record and bench against log."""
    wanted = (*QUANTITIES, FRICTION, "energy_per_lap_j", OIL, *TEMPERATURES)
    tracked = [name for name in wanted if _is_told(lives, name)]
    shown = [quantity(name, "") for name in tracked]
    every = [session for life in lives for session in reversed(life.sessions)]
    listed = every[:_MOST_ROWS]
    left = len(every) - len(listed)
    rows = tuple(
        Row((
            Cell(session.on.isoformat(), sort=session.on.isoformat()),
            Cell(session.name),
            Cell(session.build),
            Cell(session.circuit),
            Cell(str(session.laps), sort=session.laps),
            Cell("unknown" if session.energy_j is None else number(session.energy_j / 1e6, 3),
                 sort=session.energy_j),
            *(_value_cell(session, name, each.unit, each.factor)
              for name, each in zip(tracked, shown, strict=True)),
        ))
        for session in listed
    )  # fmt: skip
    table = Table(
        "sessions",
        "Sessions, the latest first",
        (
            *SESSION_COLUMNS,
            Column("Energy", "MJ"),
            *(Column(each.label, each.unit, meaning=each.meaning) for each in shown),
        ),
        rows,
        caption=f"{count(left, 'earlier session')} left out here; 'sidegear export estimates' "
        "writes all." if left else "",
    )  # fmt: skip
    return Section("history", "History", "", (table, _record_table(lives), _bench_table(season)))


def _bench_table(season: Season) -> Table:
    return Table(
        "bench",
        "Bench against log",
        (
            Column("Method", align=Align.TEXT),
            Column("Checks"),
            Column("Bench less log", "N·m"),
            Column("Repeats within a day to", "N·m"),
        ),
        tuple(
            Row((
                Cell(each.method),
                Cell(str(each.checks), sort=each.checks),
                *(_bench_cell(answer) for answer in (each.bias_nm, each.repeatability_nm)),
            ))
            for each in season.bench
        ),
        caption="As breakaway torques. What the bench reads beside the log is the method's own: "
        "take it off the next reading. Repeatability is one standard deviation.",
        empty="No bench check noted yet.",
        stacks=True,
    )  # fmt: skip


def _bench_cell(answer: Answer) -> Cell:
    if isinstance(answer, Missing):
        return Cell("not known", small=answer.reason)
    return Cell(written(answer, "N·m", 1.0).with_interval, sort=answer.value)


def _record_table(lives: Sequence[PackLife]) -> Table:
    entries = sorted({entry for life in lives for entry in life.entries}, key=lambda e: e.on)
    return Table(
        "service-record",
        "Service record",
        (
            Column("Date", align=Align.TEXT),
            Column("Entry", align=Align.TEXT),
            Column("Reading"),
            Column("Method", align=Align.TEXT, sortable=False),
            Column("Note", align=Align.TEXT, sortable=False),
        ),
        tuple(
            Row((
                Cell(entry.on.isoformat(), sort=entry.on.isoformat()),
                Cell(str(entry.entry)),
                Cell(_reading(entry), sort=entry.value),
                Cell(entry.method),
                Cell(entry.note),
            ))
            for entry in entries
        ),
        empty="Nothing noted yet. Add to it with 'sidegear service add'.",
        stacks=True,
    )  # fmt: skip


def _reading(entry: ServiceEntry) -> str:
    """A reading as it was noted, its unit as the pages write it."""
    if entry.value is None:
        return ""
    places = 2 if entry.unit == "mm" else 1
    return f"{number(entry.value, places)} {UNIT_WORDS.get(entry.unit, (entry.unit, 1.0))[0]}"


def _is_told(lives: Sequence[PackLife], name: str) -> bool:
    """Whether a column has anything to show; those that the season rests on stand in any case."""
    return name in (*QUANTITIES, "energy_per_lap_j") or any(
        name in session.estimates for life in lives for session in life.sessions
    )


def _value_cell(session: SeasonSession, name: str, unit: str, factor: float) -> Cell:
    value: Estimate | Predicted | None = session.estimates.get(name, session.assumed.get(name))
    if value is None:
        return Cell("not observable")
    small = "assumed" if isinstance(value, Predicted) else ""
    return Cell(written(value, unit, factor).with_interval, sort=value.value, small=small)
