"""Every table of a logbook as plain rows, for other programs: units stand in the names."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

Result = Mapping[str, Any]
"""A published session result, ``sidegear.session/1``."""
TableRow = dict[str, Any]

_NUMBER_KEYS = (
    "value", "low", "high", "at_least", "at_most", "unit", "level", "n", "grade", "method",
    "missing",
)  # fmt: skip


def sessions(results: Iterable[Result]) -> Iterator[TableRow]:
    """One row a session: what it is and where it comes from."""
    for result in results:
        about = result["session"]
        provenance = result.get("provenance", {})
        yield {**about, "laps": len(result["laps"]), "log": provenance.get("log")}


def estimates(results: Iterable[Result]) -> Iterator[TableRow]:
    """One row a session and number, with its interval or why there is none."""
    for result in results:
        for name, answer in result["estimates"].items():
            known = {key: answer.get(key) for key in _NUMBER_KEYS}
            yield {"session": result["session"]["id"], "estimate": name, **known}


def laps(results: Iterable[Result]) -> Iterator[TableRow]:
    """One row a lap, counted or not."""
    yield from _rows(results, "laps")


def events(results: Iterable[Result]) -> Iterator[TableRow]:
    """One row a slip event."""
    yield from _rows(results, "events")


def corners(results: Iterable[Result]) -> Iterator[TableRow]:
    """One row a corner, over the counted laps of its session."""
    yield from _rows(results, "corners")


def findings(results: Iterable[Result]) -> Iterator[TableRow]:
    """One row a finding."""
    yield from _rows(results, "findings")


TABLES: Mapping[str, Callable[[Iterable[Result]], Iterator[TableRow]]] = {
    "sessions": sessions,
    "estimates": estimates,
    "laps": laps,
    "events": events,
    "corners": corners,
    "findings": findings,
}
"""Each table by its name."""


def _rows(results: Iterable[Result], key: str) -> Iterator[TableRow]:
    for result in results:
        for row in result[key]:
            yield {"session": result["session"]["id"], **_flat(row)}


def _flat(row: Mapping[str, Any], prefix: str = "") -> TableRow:
    """Nested objects as columns of their own; a missing number as blank with its reason beside it.

    >>> _flat({"energy_j": {"missing": "no torque"}, "events": {"held": 3}})
    {'energy_j': None, 'energy_j_missing': 'no torque', 'events_held': 3}
    """
    flat: TableRow = {}
    for key, value in row.items():
        name = f"{prefix}{key}".replace(" ", "_")
        if isinstance(value, Mapping) and set(value) == {"missing"}:
            flat[name], flat[f"{name}_missing"] = None, value["missing"]
        elif isinstance(value, Mapping):
            flat |= _flat(value, f"{name}_")
        elif isinstance(value, list):
            flat[name] = "; ".join(map(str, value))
        else:
            flat[name] = value
    return flat
