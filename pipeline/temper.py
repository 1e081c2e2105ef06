"""Which temperature a temper colour on steel stands for, and whether the heat model agrees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Colour = Literal[
    "very pale yellow",
    "straw",
    "dark straw",
    "brownish yellow",
    "tinged purple",
    "light purple",
    "dark purple",
    "dark blue",
    "pale blue",
    "blue-green",
]

# Source: Dooley, Applied Science for Metal Workers, tempering: polished carbon steel in air,
# 430, 460, 480, 500, 520, 530, 550, 570, 610 and 630 degF.
CELSIUS: dict[Colour, float] = {
    "very pale yellow": 221.0,
    "straw": 238.0,
    "dark straw": 249.0,
    "brownish yellow": 260.0,
    "tinged purple": 271.0,
    "light purple": 277.0,
    "dark purple": 288.0,
    "dark blue": 299.0,
    "pale blue": 321.0,
    "blue-green": 332.0,
}
assert tuple(CELSIUS) == get_args(Colour)
# Minutes instead of seconds, alloyed steel, oil film and the eye; chosen by us.
TOLERANCE_K = 20.0

Range = tuple[float, float]
Verdict = Literal["agrees", "hotter than the model", "cooler than the model"]


@dataclass(frozen=True, slots=True)
class Temper:
    """What a colour on plates or shafts says of how hot they got in air. [degC]"""

    low_c: float
    high_c: float
    caution: str = (
        "a colour needs air: under oil or varnish steel may have been hotter without showing it"
    )


def temper_range(colour: Colour) -> Temper:
    """The temperatures that a colour stands for. [degC]

    >>> temper_range("dark blue").low_c
    279.0
    """
    return Temper(CELSIUS[colour] - TOLERANCE_K, CELSIUS[colour] + TOLERANCE_K)


def held_against(seen: Range, model: Range) -> Verdict:
    """Whether what was seen fits the model's hottest; ends may be infinite. [degC]

    >>> held_against((279.0, 319.0), (120.0, 160.0))
    'hotter than the model'
    """
    if seen[0] > model[1]:
        return "hotter than the model"
    if seen[1] < model[0]:
        return "cooler than the model"
    return "agrees"


def against_model(colour: Colour | None, peak_low_c: float, peak_high_c: float) -> Verdict:
    """Whether a seen colour, or none at all, fits the model's hottest plates.

    Bright steel is no proof of cool plates, since an oil film keeps them bright: without a colour
    the model is contradicted by nothing.

    >>> against_model("dark blue", 120.0, 160.0)
    'hotter than the model'
    """
    if colour is None:
        return "agrees"
    seen = temper_range(colour)
    return held_against((seen.low_c, seen.high_c), (peak_low_c, peak_high_c))
