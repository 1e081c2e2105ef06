"""From the text of a source unit to the SI factor and offset."""

from __future__ import annotations

import math
from dataclasses import dataclass

from loaders.channels import Quantity
from loaders.errors import InputError, nearest

STANDARD_GRAVITY_MPS2 = 9.80665
"""Exact by definition, BIPM SI brochure / NIST SP 811."""


@dataclass(frozen=True, slots=True)
class Unit:
    """``si = value * factor + offset``."""

    factor: float
    offset: float = 0.0


# Factors: exact by definition (NIST SP 811 (2008), appendix B.8: inch 0.0254 m, mile 1609.344 m,
# pound-force 4.4482216152605 N, psi 6894.757 Pa, standard atmosphere 101 325 Pa).
_INCH = 0.0254
_FOOT = 12 * _INCH
_MILE = 5280 * _FOOT
_POUND_FORCE = 0.45359237 * STANDARD_GRAVITY_MPS2
_DEGREE = math.pi / 180

_SPEED = {
    "m/s": 1.0,
    "km/h": 1 / 3.6,
    "mph": _MILE / 3600,
    "kn": 1852 / 3600,
    "ft/s": _FOOT,
}
_SPELLINGS: dict[Quantity, dict[str, Unit]] = {
    Quantity.TIME: {
        "s": Unit(1.0), "ms": Unit(1e-3), "us": Unit(1e-6), "ns": Unit(1e-9), "min": Unit(60.0),
        "h": Unit(3600.0),
    },
    Quantity.ANGULAR_SPEED: {
        "rad/s": Unit(1.0),
        "rpm": Unit(math.pi / 30),
        "1/min": Unit(math.pi / 30),
        "Hz": Unit(2 * math.pi),
        "rev/s": Unit(2 * math.pi),
        "deg/s": Unit(_DEGREE),
    },
    Quantity.SPEED: {spelling: Unit(factor) for spelling, factor in _SPEED.items()},
    Quantity.TORQUE: {
        "N m": Unit(1.0),
        "kN m": Unit(1e3),
        "daN m": Unit(10.0),
        "lbf ft": Unit(_POUND_FORCE * _FOOT),
        "lbf in": Unit(_POUND_FORCE * _INCH),
        "kgf m": Unit(STANDARD_GRAVITY_MPS2),
    },
    Quantity.ACCELERATION: {
        "m/s2": Unit(1.0), "g": Unit(STANDARD_GRAVITY_MPS2), "ft/s2": Unit(_FOOT)
    },
    Quantity.ANGLE: {
        "rad": Unit(1.0), "deg": Unit(_DEGREE), "mrad": Unit(1e-3), "rev": Unit(2 * math.pi)
    },
    Quantity.YAW_RATE: {"rad/s": Unit(1.0), "deg/s": Unit(_DEGREE), "mrad/s": Unit(1e-3)},
    Quantity.PRESSURE: {
        "Pa": Unit(1.0),
        "hPa": Unit(1e2),
        "kPa": Unit(1e3),
        "MPa": Unit(1e6),
        "bar": Unit(1e5),
        "mbar": Unit(1e2),
        "psi": Unit(_POUND_FORCE / _INCH**2),
        "atm": Unit(101325.0),
    },
    Quantity.RATIO: {"1": Unit(1.0), "%": Unit(1e-2), "‰": Unit(1e-3)},
    Quantity.TEMPERATURE: {
        "degC": Unit(1.0),
        "K": Unit(1.0, -273.15),
        "degF": Unit(5 / 9, -32 * 5 / 9),
    },
    Quantity.DISTANCE: {
        "m": Unit(1.0),
        "km": Unit(1e3),
        "cm": Unit(1e-2),
        "mm": Unit(1e-3),
        "ft": Unit(_FOOT),
        "in": Unit(_INCH),
        "yd": Unit(3 * _FOOT),
        "mi": Unit(_MILE),
    },
    Quantity.COUNT: {"1": Unit(1.0)},
}  # fmt: skip
_SAME_AS = {
    "Nm": "N m", "N·m": "N m", "Newton metre": "N m", "kNm": "kN m", "daNm": "daN m",
    "ft lbf": "lbf ft", "ft-lb": "lbf ft", "lb-ft": "lbf ft", "lbft": "lbf ft",
    "in-lb": "lbf in", "lb-in": "lbf in", "in lbf": "lbf in", "kgm": "kgf m", "kgfm": "kgf m",
    "sec": "s", "second": "s", "seconds": "s", "msec": "ms", "µs": "us", "μs": "us", "usec": "us",
    "minute": "min", "hr": "h", "hour": "h",
    "rad/sec": "rad/s", "rad s-1": "rad/s", "rps": "rev/s",
    "rev/min": "rpm", "r/min": "rpm", "U/min": "rpm", "tr/min": "rpm", "giri/min": "rpm",
    "min-1": "rpm",
    "kmh": "km/h", "kph": "km/h", "km/hr": "km/h", "kmph": "km/h", "km h-1": "km/h",
    "mps": "m/s", "m s-1": "m/s", "m/sec": "m/s", "mi/h": "mph", "kt": "kn", "kts": "kn",
    "knot": "kn", "knots": "kn", "fps": "ft/s",
    "m/s²": "m/s2", "m/s^2": "m/s2", "m/s/s": "m/s2", "m s-2": "m/s2", "mps2": "m/s2",
    "ft/s²": "ft/s2", "ft/s^2": "ft/s2",
    "°": "deg", "degree": "deg", "degrees": "deg", "radian": "rad", "radians": "rad",
    "°/s": "deg/s", "deg/sec": "deg/s", "dps": "deg/s",
    "°C": "degC", "C": "degC", "Celsius": "degC", "°F": "degF", "F": "degF",
    "Fahrenheit": "degF", "Kelvin": "K",
    "pascal": "Pa", "metre": "m", "meter": "m", "metres": "m", "meters": "m", "feet": "ft",
    "foot": "ft", "inch": "in", "mile": "mi", "miles": "mi", "yard": "yd",
    "-": "1", "ratio": "1", "pct": "%", "percent": "%", "per cent": "%", "no": "1", "#": "1",
}  # fmt: skip
"""Other spellings of the units above; capitals, blanks and signs of multiplication do not count."""
_FIRST_LETTER_COUNTS = {"ms", "mm", "mbar", "mrad", "mrad/s", "MPa"}
"""Units in which m for a thousandth and M for a million must stay apart."""
_LOST_IN_FOLDING = str.maketrans("²³⁻¹", "23-1", " \t\u00a0\u202f·⋅*._^")


def _folded(text: str) -> str:
    """A spelling without what people write differently: capitals, blanks, multiplication signs."""
    bare = text.strip().translate(_LOST_IN_FOLDING).lower()
    return bare.replace("-", "") if len(bare) > 1 else bare


def _fold_table(known: dict[str, Unit]) -> dict[str, str]:
    same = {other: unit for other, unit in _SAME_AS.items() if unit in known}
    return {
        _folded(text): unit for text, unit in {**same, **{each: each for each in known}}.items()
    }


_FOLDED = {quantity: _fold_table(known) for quantity, known in _SPELLINGS.items()}


def canonical(text: str, quantity: Quantity) -> str | None:
    """Our own spelling of a unit text of this quantity, or None when it is not known.

    >>> canonical("KMH", Quantity.SPEED), canonical("mpa", Quantity.PRESSURE)
    ('km/h', None)
    """
    if not text.strip():
        return "1" if quantity in (Quantity.RATIO, Quantity.COUNT) else None
    unit = _FOLDED[quantity].get(_folded(text))
    if unit in _FIRST_LETTER_COUNTS and text.strip()[0] != unit[0]:
        return None
    return unit


def spellings(quantity: Quantity) -> list[str]:
    """The unit texts that a column of this quantity may carry."""
    known = _SPELLINGS[quantity]
    return [*known, *(other for other, same in _SAME_AS.items() if same in known and other)]


def unit_of(text: str, quantity: Quantity, place: str) -> Unit:
    """Factor and offset that take ``text`` to SI.

    Raises
    ------
    InputError
        If ``text`` is no unit of ``quantity``; ``place`` says where it stands.

    >>> round(unit_of("km/h", Quantity.SPEED, "here").factor, 6)
    0.277778
    """
    unit = canonical(text, quantity)
    if unit is None:
        names = spellings(quantity)
        meant = _FOLDED[quantity].get(_folded(text), text.strip())
        close = nearest(meant, names)
        msg = (
            f"{place} has unit '{text}', which is no unit of {quantity}.{close} "
            f"Known: {', '.join(names)}. Set the unit in the channel map."
        )
        raise InputError(msg)
    return _SPELLINGS[quantity][unit]


def linear_speed_unit(text: str) -> Unit | None:
    """The unit as a linear speed, or None; for wheel speeds that a logger stores as km/h."""
    unit = canonical(text, Quantity.SPEED)
    return _SPELLINGS[Quantity.SPEED][unit] if unit else None


def is_known_unit(text: str) -> bool:
    """Whether ``text`` is a spelling of any unit of any quantity.

    A single letter counts only as it is written in the tables: columns are called T or V, too.
    """
    bare = text.strip()
    if len(bare) < 2:
        return bare == "" or bare in _SAME_AS or any(bare in each for each in _SPELLINGS.values())
    return any(canonical(bare, quantity) for quantity in Quantity)
