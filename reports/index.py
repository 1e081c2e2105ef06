"""The logbook's first page: which pack needs a hand, and where every session's page is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.season import Condition, PackLife, Season
from reports.document import (
    Align,
    Cell,
    Column,
    Note,
    Report,
    Row,
    Section,
    Statement,
    Statements,
    Table,
    no_laps,
)
from reports.numbers import count, number
from reports.palette import dark_by_light
from reports.season import ADVICE, NEEDS_A_HAND
from reports.season_tables import SESSION_COLUMNS
from reports.wording import CAUTIONS

_FIRST = (Condition.SERVICE_DUE, Condition.WATCH, Condition.CANNOT_TELL, Condition.SOUND)

SEASON_PAGE = "season.html"


def index_report(
    season: Season, sessions: Sequence[Mapping[str, Any]], car: str, others: Sequence[str] = ()
) -> Report:
    """The index as data, ready for `reports.render.render`.

    Parameters
    ----------
    season : Season
    sessions : sequence of mapping
        Published results or the part of them that the index of results keeps.
    car : str
    others : sequence of str
        Names of the files beside the index; those that are pages of ours are listed.
    """
    packs = _current(season)
    return Report(
        title=f"{car}, logbook",
        heading=car or "Car without a name",
        facts=("logbook", count(len(sessions), "session"), count(len(season.lives), "pack")),
        evidence="",
        sections=(
            _packs(packs),
            Section("sessions", "Sessions", "", (_table(season, sessions),)),
            *_others_section(others),
            Section("about", "About this page", "", (Note("Cautions", CAUTIONS, strong=True),)),
        ),
        data=no_laps(dark_by_light()),
    )


def _current(season: Season) -> list[PackLife]:
    """The packs that still exist, the one that needs a hand most first.

    A build or re-shim in the service record ends a pack; setups that only take turns all remain.
    """
    latest = {life.build: life for life in season.lives if life.ended is None}
    return sorted(latest.values(), key=lambda life: _FIRST.index(life.condition))


def _packs(packs: Sequence[PackLife]) -> Section:
    items = tuple(
        Statement(
            f"Build {life.build}: {life.condition}; {life.reason}.",
            f"{ADVICE[life.condition]} {count(len(life.sessions), 'session')}, "
            f"{count(life.laps, 'lap')}, {number(life.exposure_mj, 2)} MJ since "
            f"{life.since.isoformat()}.",
            life.condition in NEEDS_A_HAND,
            "",
        )
        for life in packs
    )
    empty = "No session has a date yet, so nothing can be said of a pack's course."
    blocks: tuple[Statements | Table, ...] = (Statements("pack-list", items, empty),)
    if packs:
        link = Table(
            "season-link", "",
            (Column("More", align=Align.TEXT, sortable=False),),
            (Row((Cell("The packs over the season", page=SEASON_PAGE),)),),
        )  # fmt: skip
        blocks = (*blocks, link)
    return Section("packs", "Which pack needs a hand?", "", blocks)


_KINDS = {
    "build-sheet-": "Build sheet",
    "setup-sheet-": "Setup sheet, to print",
    "what-if-": "Other parts on paper",
    "setups-": "Two setups on one day",
}


def _others_section(others: Sequence[str]) -> tuple[Section, ...]:
    rows = tuple(
        Row((Cell(words), Cell(name.removeprefix(start).removesuffix(".html"), page=name)))
        for start, words in _KINDS.items()
        for name in sorted(others)
        if name.startswith(start) and name.endswith(".html")
    )
    if not rows:
        return ()
    columns = (Column("Kind", align=Align.TEXT), Column("Page", align=Align.TEXT))
    return (Section("others", "Sheets and comparisons", "", (Table("others", "", columns, rows),)),)


def _table(season: Season, sessions: Sequence[Mapping[str, Any]]) -> Table:
    days = {each.id: each.on.isoformat() for life in season.lives for each in life.sessions}
    ordered = sorted(
        (result["session"] | {"laps": len(result["laps"])} for result in sessions),
        key=lambda about: (days.get(about["id"], ""), about["name"]),
        reverse=True,
    )
    return Table(
        "session-list",
        "",
        SESSION_COLUMNS,
        tuple(
            Row((
                Cell(days.get(about["id"], "no date"), sort=days.get(about["id"])),
                Cell(about["name"], page=f"pages/{about['id']}.html"),
                Cell(about["build"]),
                Cell(about["circuit"]),
                Cell(str(about["laps"]), sort=about["laps"]),
            ))
            for about in ordered
        ),
        empty="No session yet. Add logs with 'sidegear add'.",
    )  # fmt: skip
