"""How a number is written: rounded to its interval, thousands apart, with its unit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.estimate import Bound, Estimate, Missing, Predicted, SessionAnswer, Side

THIN_SPACE = "\u202f"
MINUS = "\u2212"


def decimals_for(half_width: float) -> int:
    """Decimals that an interval of this half-width justifies; negative means tens, hundreds.

    Notes
    -----
    One figure of the half-width is kept, two while the first is a 1 or a 2.
    Chosen here: the rounding then moves neither end by more than a twentieth of the half-width
    at a leading 1 and by a sixth at worst.

    >>> decimals_for(4.2), decimals_for(0.17), decimals_for(230.0)
    (0, 2, -1)
    """
    if not half_width > 0.0 or not math.isfinite(half_width):
        return 3
    power = math.floor(math.log10(half_width))
    leading = half_width / 10.0**power
    return -power + (1 if leading < 2.95 else 0)


def number(value: float, decimals: int) -> str:
    """The value with thin spaces between thousands and a true minus sign.

    >>> number(-12345.6, 0).replace(THIN_SPACE, "_").replace(MINUS, "-")
    '-12_346'
    """
    rounded = round(value, decimals) + 0.0
    text = f"{rounded:,.{max(decimals, 0)}f}"
    if float(text.replace(",", "")) == 0.0:
        text = text.removeprefix("-")
    return text.replace(",", THIN_SPACE).replace("-", MINUS)


@dataclass(frozen=True, slots=True)
class Written:
    """An estimate as it is read."""

    value: str
    low: str
    high: str
    plus_minus: str
    """Half-width, or empty when the interval is lopsided."""
    unit: str

    @property
    def interval(self) -> str:
        """Both ends of the interval."""
        return f"{self.low} to {self.high}"

    @property
    def with_interval(self) -> str:
        """Value and interval on one line, without the unit."""
        if self.plus_minus:
            return f"{self.value} ± {self.plus_minus}"
        return f"{self.value} ({self.interval})"


def written(estimate: Estimate | Predicted, unit: str, factor: float) -> Written:
    """The estimate in the unit it is shown in, rounded to its interval.

    Parameters
    ----------
    estimate : Estimate or Predicted
    unit : str
        Unit to show.
    factor : float
        What turns the estimate's own unit into the shown one.
    """
    low, value, high = (factor * x for x in (estimate.low, estimate.value, estimate.high))
    half = 0.5 * (high - low)
    decimals = decimals_for(half)
    lopsided = half > 0.0 and abs((high - value) - (value - low)) > 0.5 * half
    return Written(
        value=number(value, decimals),
        low=number(low, decimals),
        high=number(high, decimals),
        plus_minus="" if lopsided else number(half, decimals),
        unit=unit,
    )


def written_bound(bound: Bound, unit: str, factor: float) -> str:
    """A one-sided bound in words, rounded to three figures to its own safe side.

    >>> from pipeline.estimate import Grade
    >>> one = Bound(Side.AT_LEAST, 1477.9, "N m", 6, Grade.MEASURED, "")
    >>> written_bound(one, "N·m", 1.0).replace(THIN_SPACE, "_")
    'at least 1_470 N·m'
    """
    value = factor * bound.value
    power = 2 - math.floor(math.log10(abs(value))) if value else 0
    to_whole = math.floor if bound.side is Side.AT_LEAST else math.ceil
    safe = to_whole(value * 10.0**power) / 10.0**power
    return f"{bound.side} {number(safe, power)} {unit}".rstrip()


def lap_time(seconds: float) -> str:
    """Minutes, seconds and thousandths of a lap.

    >>> lap_time(83.4567)
    '1:23.457'
    """
    whole_ms = round(seconds * 1000.0)
    minutes, rest_ms = divmod(whole_ms, 60_000)
    return f"{minutes}:{rest_ms // 1000:02d}.{rest_ms % 1000:03d}"


def count(value: int, one: str, many: str = "") -> str:
    """A count with its noun.

    >>> count(1, "lap"), count(3, "lap"), count(2, "body", "bodies")
    ('1 lap', '3 laps', '2 bodies')
    """
    return f"{number(value, 0)} {one if value == 1 else many or one + 's'}"


def sort_value(answer: SessionAnswer) -> float | None:
    """What a cell with this answer is sorted by; None when there is no number."""
    return None if isinstance(answer, Missing) else answer.value
