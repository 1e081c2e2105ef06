"""How a part of the build sheet is written: its key in words, its value with a unit."""

from __future__ import annotations

import math
from typing import Any

from pipeline.stated_parts import StatedPart
from reports.document import Align, Cell, Column, Row, Table
from reports.numbers import number

# How a key ends, the unit it is read in, what turns the sheet's number into it, most decimals.
_UNITS: tuple[tuple[str, str, float, int], ...] = (
    ("_kgm2", "kg·m²", 1.0, 3),
    ("_wpk_per_mps", "W/K per m/s", 1.0, 3),
    ("_wpk", "W/K", 1.0, 1),
    ("_nm", "N·m", 1.0, 1),
    ("_area_m2", "m²", 1.0, 3),
    ("_deg", "°", 1.0, 2),
    ("_kg", "kg", 1.0, 2),
    ("_c", "°C", 1.0, 1),
    ("_l", "L", 1.0, 2),
    ("_n", "N", 1.0, 0),
    ("race_length_s", "min", 1 / 60, 1),
    ("_s", "s", 1.0, 2),
    ("_m", "mm", 1000.0, 3),
)
_WORDS = {"deg": "angle", "nm": "", "m": "", "n": "", "c": "", "kg": "", "l": "", "s": "",
          "wpk": ""}  # fmt: skip

TABLE_WORDS = {
    "differential": "Packs and ramps",
    "washers": "Spring washers",
    "stack": "Stack and shims",
    "oil": "Oil",
    "limits": "Limits",
    "heat": "Heat paths",
    "car": "Car",
    "driveline": "Driveline",
    "sensors": "Sensors",
    "states": "Axle states",
}


def part_name(key: str) -> str:
    """A key of the sheet in words.

    >>> part_name("plate_outer_radius_m"), part_name("drive_ramp_deg"), part_name("in_series")
    ('Plate outer radius', 'Drive ramp angle', 'In series')
    """
    words = key.removesuffix("_wpk_per_mps").split("_")
    if words[-1] in _WORDS:
        words[-1] = _WORDS[words[-1]]
    text = " ".join(word for word in words if word)
    return text[:1].upper() + text[1:]


def part_value(key: str, value: Any) -> str:
    """What a key states, with its unit; a range with both ends; nothing where it is left out.

    >>> part_value("shim_m", 0.001), part_value("drive_ramp_deg", 50.0)
    ('1 mm', '50°')
    >>> part_value("friction_coefficient", (0.08, 0.11)), part_value("build", None)
    ('0.08 to 0.11', '')
    """
    if value is None:
        return ""
    if isinstance(value, tuple):
        low, high = value[0], value[-1]
        if len(value) == 2 and all(isinstance(end, float | int) for end in value):
            if low == high:
                return part_value(key, low)
            unit, factor, decimals = _unit(key)
            return _joined(f"{_short(factor * low, decimals)} to {_short(factor * high, decimals)}",
                           unit)  # fmt: skip
        return ", ".join(part_value(key, each) for each in value)
    if isinstance(value, float | int) and not isinstance(value, bool):
        unit, factor, decimals = _unit(key)
        return _joined(_short(factor * value, decimals), unit)
    return str(value)


def _unit(key: str) -> tuple[str, float, int]:
    for end, unit, factor, decimals in _UNITS:
        if key.endswith(end):
            return unit, factor, decimals
    return "", 1.0, 4


def _joined(text: str, unit: str) -> str:
    return f"{text}{'' if unit in ('', '°') else ' '}{unit}"


def _short(value: float, decimals: int) -> str:
    """A number without the zeros at its end."""
    text = number(value, decimals if math.isfinite(value) else 0)
    return text.rstrip("0").rstrip(".") if "." in text else text


def changes_table(pairs: tuple[tuple[StatedPart, StatedPart], ...]) -> Table:
    """What is changed on paper: before and after, part by part."""
    return Table(
        "changes",
        "What is changed on paper",
        (
            Column("Part", align=Align.TEXT, sortable=False),
            Column("Today", align=Align.TEXT, sortable=False),
            Column("On paper", align=Align.TEXT, sortable=False),
        ),
        tuple(
            Row((
                Cell(part_name(was.key), small=TABLE_WORDS[was.table].lower()),
                Cell(part_value(was.key, was.value) or "not stated"),
                Cell(part_value(new.key, new.value) or "not stated"),
            ))
            for was, new in pairs
        ),
        empty="Nothing: both sheets state the same.",
    )  # fmt: skip
