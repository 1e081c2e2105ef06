"""Strip-downs and wear in sentences and as plain JSON types."""

from __future__ import annotations

import math
from typing import Any

from pipeline.estimate import Missing
from pipeline.strip_downs import StripDown, Wear, Worn


def verdict_of(each: StripDown) -> str:
    """Whether an observation fits model and log, in a word or three."""
    if each.agrees is None:
        return "nothing to hold it against"
    return "agrees" if each.agrees else "disagrees"


def strip_down_sentence(each: StripDown) -> str:
    """An observation, what it was held against and what follows."""
    against = f"; {each.against}: {verdict_of(each)}" if each.against else ""
    then = f" {each.consequence}" if each.consequence else ""
    return f"Strip-down of {each.entry.on.isoformat()}, {each.seen}{against}.{then}"


def wear_sentence(wear: Wear | Missing) -> str:
    """How fast the stack wears, what it has lost and what is left."""
    if isinstance(wear, Missing):
        return f"How fast the stack wears cannot be told: {wear.reason}."
    rate = wear.rate
    per_mj = height_said(*(1e6 * each for each in (rate.value, rate.low, rate.high)))
    said = (
        f"The stack loses {per_mj} for each MJ, {wear.basis}: build {wear.build} has lost "
        f"{height_said(*wear.lost_m)} in {wear.exposure_mj:.2f} MJ"
    )
    if wear.limit_m is None or wear.left_mj is None:
        return f"{said}; the build sheet states no stack_loss_m under [limits]."
    least, most = wear.left_mj
    ends = f"{least:.1f} to {most:.1f} MJ" if math.isfinite(most) else f"at least {least:.1f} MJ"
    laps = "" if wear.left_laps is None else f", {_laps(wear.left_laps)} at today's pace"
    return f"{said}. Its limit of {1000 * wear.limit_m:.2f} mm is {ends} away{laps}."


def height_said(value_m: float, low_m: float, high_m: float) -> str:
    """A small height with its ends, in millimetres or, where they say nothing, micrometres.

    >>> height_said(1.1e-4, 0.7e-4, 1.6e-4), height_said(3e-7, 1e-7, 1e-6)
    ('0.11 mm (0.07 to 0.16)', '0.3 µm (0.1 to 1)')
    """
    factor, unit = (1e3, "mm") if high_m >= 5e-5 else (1e6, "µm")
    value, low, high = (f"{factor * each:.2g}" for each in (value_m, low_m, high_m))
    return f"{value} {unit} ({low} to {high})"


def _laps(span: tuple[float, float]) -> str:
    least, most = span
    return f"{least:.0f} to {most:.0f} laps" if math.isfinite(most) else f"{least:.0f} laps or more"


def worn_sentences(worn: Worn) -> list[str]:
    """Every strip-down and the wear, a sentence a line."""
    return [*map(strip_down_sentence, worn.strip_downs), wear_sentence(worn.wear)]


def to_object(worn: Worn) -> dict[str, Any]:
    """Both as plain JSON types, keys to be added to those of a season."""
    wear = worn.wear
    return {
        "strip_downs": [
            {
                "date": each.entry.on.isoformat(),
                "build": each.build,
                "looked_at": each.entry.method,
                "seen": each.seen,
                "against": each.against,
                "verdict": verdict_of(each),
                "consequence": each.consequence,
                "assumed": each.assumed,
            }
            for each in worn.strip_downs
        ],
        "wear": {"missing": wear.reason} if isinstance(wear, Missing) else _wear(wear),
    }


def _wear(wear: Wear) -> dict[str, Any]:
    rate, lost = wear.rate, wear.lost_m
    left = None if wear.left_mj is None else [e if math.isfinite(e) else None for e in wear.left_mj]
    return {
        "m_per_j": {"value": rate.value, "low": rate.low, "high": rate.high},
        "assumed": rate.assumed,
        "strip_downs": rate.strips,
        "trends": rate.trends,
        "basis": wear.basis,
        "build": wear.build,
        "lost_m": {"value": lost[0], "low": lost[1], "high": lost[2]},
        "left_mj": left,
    }
