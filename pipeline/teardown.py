"""What was seen with the unit apart, as a range of temperature or of lost height."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import get_args

from loaders.errors import nearest
from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Missing
from pipeline.temper import Colour, temper_range

Range = tuple[float, float]

# What a micrometer leaves open over a stack of plates and over one plate, 95 %. Chosen by us.
_STACK_M, _PLATE_M, _NOTCH_M = 2e-5, 5e-6, 5e-5
# What a temperature washer or label changes beside its figure. Usual in makers' data, from memory.
_LABEL_K = 5.0

NO_COLOUR = "none"
_MILLIMETRES = ("mm",)
_CELSIUS = ("degC", "°C", "C")


class Seen(StrEnum):
    """What a teardown looked at; stands as the method of its entry."""

    COLOUR = "temper colour"
    """On plates or shafts; the note begins with the colour, or with 'none'."""
    WASHER_CHANGED = "temperature washer changed"
    """Among the plates; its value is the temperature that it marks."""
    WASHER_UNCHANGED = "temperature washer unchanged"
    LABEL_CHANGED = "temperature label changed"
    """On the housing, which is as warm as the oil."""
    LABEL_UNCHANGED = "temperature label unchanged"
    STACK_LOSS = "stack loss"
    """Height that plates and rings have lost together."""
    STACK_HEIGHT = "stack height"
    """Of what the build sheet calls parts_height_m."""
    PLATE_THICKNESS = "plate thickness"
    """Mean of the friction plates, against the build sheet's plate_thickness_m."""
    SPLINE_NOTCH = "spline notch"
    """Depth of the deepest notch that plates have beaten into a spline."""


PLATES_HOT = (Seen.COLOUR, Seen.WASHER_CHANGED, Seen.WASHER_UNCHANGED)
OIL_HOT = (Seen.LABEL_CHANGED, Seen.LABEL_UNCHANGED)
HEIGHT = (Seen.STACK_LOSS, Seen.STACK_HEIGHT, Seen.PLATE_THICKNESS)


@dataclass(frozen=True, slots=True)
class SeenRange:
    """What an observation stands for: a temperature [degC] or a height [m]; ends may be open."""

    seen: Seen
    low: float
    high: float


def unit_of(seen: Seen) -> str:
    """The unit of an observation's value; empty where it has none."""
    if seen is Seen.COLOUR:
        return ""
    return _CELSIUS[0] if seen in PLATES_HOT + OIL_HOT else _MILLIMETRES[0]


def problems_of_teardown(value: float | None, unit: str, method: str, note: str) -> list[str]:
    """What a teardown's entry lacks to stand for anything; a note alone is nothing but a note."""
    if not method:
        return [] if value is None else [f"a value needs what it is of, as method: {_CHOICE}."]
    if method not in list(Seen):
        close = nearest(method, list(Seen))
        return [f"a teardown cannot look at '{method}'{close}; expected {_CHOICE}."]
    seen = Seen(method)
    if seen is Seen.COLOUR:
        if colour_in(note) is None:
            shades = ", ".join((*get_args(Colour), NO_COLOUR))
            return [f"a temper colour needs a note that begins with one of {shades}."]
        return []
    units = _CELSIUS if unit_of(seen) == _CELSIUS[0] else _MILLIMETRES
    if value is None or unit not in units:
        return [f"'{seen}' needs a value in {units[0]}."]
    return []


_CHOICE = " or ".join(f"'{each}'" for each in Seen)


def colour_in(note: str) -> str | None:
    """The colour that a note begins with, `NO_COLOUR` for none; None where it names neither.

    >>> colour_in("Dark blue, right shaft end"), colour_in("blue")
    ('dark blue', None)
    """
    text = note.strip().lower()
    names = sorted((*get_args(Colour), NO_COLOUR), key=len, reverse=True)
    return next((each for each in names if text.startswith(each)), None)


def seen_range(
    seen: Seen, value: float | None, note: str, sheet: BuildSheet
) -> SeenRange | Missing:
    """What an observation stands for, with its tolerance.

    Parameters
    ----------
    seen : Seen
    value : float or None
        As entered: degrees Celsius or millimetres.
    note : str
        Holds the colour.
    sheet : BuildSheet
        Of the unit as built.
    """
    if seen is Seen.COLOUR:
        colour = colour_in(note)
        if colour is None or colour == NO_COLOUR:
            return Missing("bright steel is no proof of cool plates: an oil film keeps it bright")
        found = temper_range(next(each for each in get_args(Colour) if each == colour))
        return SeenRange(seen, found.low_c, found.high_c)
    if value is None:
        return Missing("it has no value")
    if seen in (Seen.WASHER_CHANGED, Seen.LABEL_CHANGED):
        return SeenRange(seen, value - _LABEL_K, math.inf)
    if seen in (Seen.WASHER_UNCHANGED, Seen.LABEL_UNCHANGED):
        return SeenRange(seen, -math.inf, value + _LABEL_K)
    if seen is Seen.SPLINE_NOTCH:
        return _around(seen, 1e-3 * value, 1e-3 * value, _NOTCH_M)
    lost = _lost(seen, 1e-3 * value, sheet)
    if isinstance(lost, Missing):
        return lost
    faces = sheet.differential.friction_faces_per_pack or 0
    within = _PLATE_M * faces if seen is Seen.PLATE_THICKNESS else _STACK_M
    return _around(seen, *lost, within)


def _around(seen: Seen, low: float, high: float, within: float) -> SeenRange:
    return SeenRange(seen, low - within, high + within)


def _lost(seen: Seen, value_m: float, sheet: BuildSheet) -> Range | Missing:
    """Height lost in both packs together, before the measurement's own tolerance. [m]

    Notes
    -----
    Derived here: a friction plate has two faces, so each loses half of what the plate does; both
    packs have ``2 N`` faces, and the stack loses ``N`` times what one plate does. Steel plates are
    taken to keep their height.
    """
    if seen is Seen.STACK_LOSS:
        return value_m, value_m
    if seen is Seen.STACK_HEIGHT:
        new = sheet.stack.parts_height_m
        if new is None:
            return Missing("the build sheet leaves out parts_height_m under [stack]")
        return new[0] - value_m, new[1] - value_m
    new, faces = sheet.stack.plate_thickness_m, sheet.differential.friction_faces_per_pack
    if new is None or faces is None:
        return Missing(
            "the build sheet leaves out plate_thickness_m under [stack] or friction_faces_per_pack"
        )
    return faces * (new[0] - value_m), faces * (new[1] - value_m)
