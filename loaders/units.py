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


# Factors: exact by definition (NIST SP 811 appendix B: inch 0.0254 m, mile 1609.344 m, pound-force
# 4.4482216152605 N, psi 6894.757 Pa).
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
}
_SPELLINGS: dict[Quantity, dict[str, Unit]] = {
    Quantity.TIME: {"s": Unit(1.0), "ms": Unit(1e-3), "us": Unit(1e-6), "min": Unit(60.0)},
    Quantity.ANGULAR_SPEED: {
        "rad/s": Unit(1.0),
        "rpm": Unit(math.pi / 30),
        "1/min": Unit(math.pi / 30),
        "Hz": Unit(2 * math.pi),
        "deg/s": Unit(_DEGREE),
    },
    Quantity.SPEED: {spelling: Unit(factor) for spelling, factor in _SPEED.items()},
    Quantity.TORQUE: {
        "N m": Unit(1.0),
        "kN m": Unit(1e3),
        "lbf ft": Unit(_POUND_FORCE * _FOOT),
    },
    Quantity.ACCELERATION: {"m/s2": Unit(1.0), "g": Unit(STANDARD_GRAVITY_MPS2)},
    Quantity.ANGLE: {"rad": Unit(1.0), "deg": Unit(_DEGREE), "mrad": Unit(1e-3)},
    Quantity.YAW_RATE: {"rad/s": Unit(1.0), "deg/s": Unit(_DEGREE)},
    Quantity.PRESSURE: {
        "Pa": Unit(1.0),
        "kPa": Unit(1e3),
        "MPa": Unit(1e6),
        "bar": Unit(1e5),
        "psi": Unit(_POUND_FORCE / _INCH**2),
    },
    Quantity.RATIO: {"1": Unit(1.0), "%": Unit(1e-2)},
    Quantity.TEMPERATURE: {
        "degC": Unit(1.0),
        "K": Unit(1.0, -273.15),
        "degF": Unit(5 / 9, -32 * 5 / 9),
    },
    Quantity.DISTANCE: {
        "m": Unit(1.0),
        "km": Unit(1e3),
        "mm": Unit(1e-3),
        "ft": Unit(_FOOT),
        "mi": Unit(_MILE),
    },
    Quantity.COUNT: {"1": Unit(1.0)},
}
_SAME_AS = {
    "Nm": "N m", "N.m": "N m", "N·m": "N m", "N*m": "N m", "kNm": "kN m", "ft lbf": "lbf ft",
    "sec": "s", "msec": "ms", "µs": "us", "rad/sec": "rad/s", "rev/min": "rpm", "r/min": "rpm",
    "min-1": "1/min", "kph": "km/h", "m/s²": "m/s2", "m/s^2": "m/s2", "G": "g",
    "°": "deg", "°/s": "deg/s", "deg/sec": "deg/s", "°C": "degC", "C": "degC", "°F": "degF",
    "-": "1", "": "1", "pct": "%", "no": "1", "#": "1",
}  # fmt: skip
"""Other spellings of the units above."""


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
    spelling = text.strip()
    known = _SPELLINGS[quantity]
    unit = known.get(spelling) or known.get(_SAME_AS.get(spelling, ""))
    if unit is None:
        names = spellings(quantity)
        msg = (
            f"{place} has unit '{text}', which is no unit of {quantity}.{nearest(spelling, names)} "
            f"Known: {', '.join(names)}. Set the unit in the channel map."
        )
        raise InputError(msg)
    return unit


def linear_speed_unit(text: str) -> Unit | None:
    """The unit as a linear speed, or None; for wheel speeds that a logger stores as km/h."""
    spelling = text.strip()
    return _SPELLINGS[Quantity.SPEED].get(_SAME_AS.get(spelling, spelling))


def is_known_unit(text: str) -> bool:
    """Whether ``text`` is a spelling of any unit of any quantity."""
    spelling = _SAME_AS.get(text, text)
    return any(spelling in known for known in _SPELLINGS.values())
