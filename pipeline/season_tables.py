"""The tables of a season as plain rows, for other programs: units stand in the names."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from pipeline.published_season import to_object
from pipeline.season import Season
from pipeline.tables import TableRow

_OF_A_PACK = (
    "build", "since", "started_by", "ended", "condition", "reason", "exposure_mj", "laps", "hours",
)  # fmt: skip


def packs(season: Season) -> Iterator[TableRow]:
    """One row a pack's life: its condition, and what it has run."""
    for life in _lives(season):
        yield {**{key: life[key] for key in _OF_A_PACK}, "sessions": len(life["sessions"])}


def courses(season: Season) -> Iterator[TableRow]:
    """One row a session and quantity of a pack's course, in SI."""
    for life in _lives(season):
        for quantity, course in life["courses"].items():
            for point in course["points"]:
                yield {
                    "build": life["build"],
                    "since": life["since"],
                    "quantity": quantity,
                    **point,
                }


def bench(season: Season) -> Iterator[TableRow]:
    """One row a bench check, as the breakaway torque it stands for."""
    for life in _lives(season):
        for check in life["bench_checks"]:
            yield {"build": life["build"], "since": life["since"], **check}


def _lives(season: Season) -> list[dict[str, Any]]:
    lives: list[dict[str, Any]] = to_object(season)["lives"]
    return lives


SEASON_TABLES: Mapping[str, Callable[[Season], Iterator[TableRow]]] = {
    "packs": packs,
    "courses": courses,
    "bench": bench,
}
"""Each table by its name."""
