"""What a build sheet states, key by key, and which keys differ between two of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from pipeline.build_sheet import BuildSheet

INSIDE = ("differential", "washers", "stack", "oil", "limits", "heat")
"""Tables of the sheet that are about the unit itself, in the order of the sheet."""


@dataclass(frozen=True, slots=True)
class StatedPart:
    """One key of the build sheet with what it states; ``value`` is None where it is left out."""

    table: str
    key: str
    meaning: str
    value: Any


def stated_parts(sheet: BuildSheet, tables: tuple[str, ...] = INSIDE) -> tuple[StatedPart, ...]:
    """Every key of some tables of the sheet, stated or left out."""
    return tuple(part for table in tables for part in _of_table(sheet, table))


def _of_table(sheet: BuildSheet, table: str) -> Iterator[StatedPart]:
    stated = getattr(sheet, table)
    for each in fields(stated):
        yield StatedPart(table, each.name, each.metadata["meaning"], getattr(stated, each.name))


def differing(today: BuildSheet, then: BuildSheet) -> tuple[tuple[StatedPart, StatedPart], ...]:
    """What is changed from one sheet to another: pairs of before and after.

    >>> from pipeline.build_sheet import Car, Differential, Sensors, States
    >>> sheets = [
    ...     BuildSheet(
    ...         Car("c", "rear", 1.5, 0.3),
    ...         Differential("A", drive_ramp_deg=ramp),
    ...         Sensors(),
    ...         States(),
    ...     )
    ...     for ramp in (50.0, 45.0)
    ... ]
    >>> [(was.key, was.value, will_be.value) for was, will_be in differing(*sheets)]
    [('drive_ramp_deg', 50.0, 45.0)]
    """
    tables = tuple(each.name for each in fields(BuildSheet))
    pairs = zip(stated_parts(today, tables), stated_parts(then, tables), strict=True)
    return tuple((was, will_be) for was, will_be in pairs if was.value != will_be.value)
