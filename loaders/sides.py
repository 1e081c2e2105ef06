"""Which side is left: everything in a log that tells sides, put to the vote.

A log and its mirror image obey the same physics. So sides are known only as far as something in
the log is tied to the world: a word in a column's name, or a position that reads one way only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from loaders.roles import Motion
from loaders.words import Hint

# A degree of latitude, and a radian, on a sphere of the earth's mean radius (IUGG: 6 371 008.8 m).
METRES = {"deg": 6_371_008.8 * math.pi / 180, "rad": 6_371_008.8}
# How far the ratio of the two scales may be off the cosine of the latitude.
_COSINE_OFF = 0.02


@dataclass(frozen=True, slots=True)
class Vote:
    """One thing in the log that says whether the turning column counts left turns as positive."""

    positive_left: bool
    weight: int
    text: str


def votes(
    motion: Motion,
    hints: Mapping[str, Hint],
    torques_on_plus_side: Mapping[str, bool],
    path_order: tuple[str, str] | None,
    path_text: str,
) -> list[Vote]:
    """All votes on the sign of the turning column.

    Parameters
    ----------
    torques_on_plus_side : mapping
        Of each half-shaft torque: whether it belongs to the wheel that runs faster while the
        turning column is positive.
    path_order : tuple of str, optional
        Columns of position east and north, when they are known to be that.
    """
    found = []
    by_axle: dict[bool, list[str]] = {}
    for wheel in motion.wheels:
        by_axle.setdefault(wheel in motion.driven, []).append(wheel)
    for wheels in by_axle.values():
        found += _of_pair({k: motion.share.get(k, 0.0) > 0 for k in wheels}, hints, "wheel speed")
    found += _of_pair(torques_on_plus_side, hints, "torque")
    for column, same in (
        (motion.yaw, 1.0),
        (motion.lateral, motion.lateral_slope if motion.yaw else 1.0),
        (motion.steering, float(motion.steering_sign)),
    ):
        side = hints[column].side if column else None
        if side and same:
            said = f"the name of '{column}' says {side}"
            found.append(Vote((side == "left") == (same > 0), 1, said))
    if path_order and motion.path_turn:
        in_order = path_order == motion.path
        found.append(Vote((motion.path_turn > 0) == in_order, 2, path_text))
    return found


def _of_pair(on_plus_side: Mapping[str, bool], hints: Mapping[str, Hint], what: str) -> list[Vote]:
    """The vote of a left and a right column's names; none when they differ."""
    said = {k: hints[k].side for k in on_plus_side if hints[k].side}
    # The wheel that runs faster in a left turn is the right one.
    cast = {(side == "right") == on_plus_side[k] for k, side in said.items()}
    if len(cast) != 1:
        return []
    names = " and ".join(f"'{k}'" for k in said)
    return [Vote(cast.pop(), 1, f"the names of {what}s {names}")]


def decided(cast: list[Vote]) -> bool | None:
    """Whether positive is left by the majority of the votes; None when they are even."""
    balance = sum(vote.weight if vote.positive_left else -vote.weight for vote in cast)
    return None if balance == 0 else balance > 0


def geographic(
    scale: tuple[float, float], middle: tuple[float, float], speed_si: float
) -> tuple[int, str] | None:
    """Which of two columns of a path is the latitude (0 or 1) and its unit, or None.

    A degree of longitude is shorter than one of latitude by the latitude's cosine, so only one way
    round gives the speed in every direction. On the equator both do.

    >>> geographic((111195.0, 78626.0), (45.0, 7.0), 1.0)
    (0, 'deg')
    """
    for unit, metres in METRES.items():
        fits = [
            abs(scale[i] * speed_si / metres - 1) < _COSINE_OFF * 2
            and abs(scale[1 - i] / scale[i] - _cosine(middle[i], unit)) < _COSINE_OFF
            for i in (0, 1)
        ]
        if sum(fits) == 1:
            return fits.index(True), unit
    return None


def _cosine(angle: float, unit: str) -> float:
    return math.cos(math.radians(angle) if unit == "deg" else angle)
