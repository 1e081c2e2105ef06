"""The half-shaft torques of a car that is driven at all four wheels: told apart by their names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from loaders.judging import Look, torque
from loaders.proposals import Confidence, Proposal
from loaders.roles import shaft_on_side_of
from loaders.words import Hint

_CORNERS = [(axle, side) for axle in ("front", "rear") for side in ("left", "right")]


def four_shafts(hints: Mapping[str, Hint]) -> dict[str, str]:
    """Channel of each half-shaft torque where the names say all four corners, else nothing.

    How torque is shared between the axles is each car's own, so that nothing but the names tells
    the axles apart.
    """
    named = {
        column: f"shaft_torque_{hint.axle}_{hint.side}_nm"
        for column, hint in hints.items()
        if hint.channel == "shaft_torque" and hint.axle and hint.side
    }
    wanted = sorted(f"shaft_torque_{axle}_{side}_nm" for axle, side in _CORNERS)
    return named if sorted(named.values()) == wanted else {}


def of_four_shafts(log: Look) -> list[Proposal]:
    """Proposals for them, their sides held against the wheels of the same names."""
    channels = {channel: column for column, channel in four_shafts(log.hints).items()}
    if not channels or any(column not in log.grid for column in channels.values()):
        return []
    made = []
    for axle in ("front", "rear"):
        pair = [
            torque(log, channels[name], name, "drives the car; axle and side by its name")
            for side in ("left", "right")
            if (name := f"shaft_torque_{axle}_{side}_nm")
        ]
        made += [_held_against_wheels(each, _own_side(log, axle, pair)) for each in pair]
    return made


def _own_side(log: Look, axle: str, pair: list[Proposal]) -> int:
    """1 when the torques sit on the sides that their names say, -1 when not, 0 when unclear."""
    wheels = {
        hint.side: log.grid[column]
        for column, hint in log.hints.items()
        if column in log.motion.wheels and hint.axle == axle
    }
    if len(wheels) != 2 or None in wheels:
        return 0
    left, right = (each.sign * log.grid[each.column] for each in pair)
    return shaft_on_side_of((left, right), (wheels["left"], wheels["right"]))


def _held_against_wheels(made: Proposal, own_side: int) -> Proposal:
    if own_side > 0:
        why = f"{made.reason}; it is greater while the wheel of its name is the slower"
        return replace(made, reason=why)
    if own_side < 0:
        why = f"{made.reason}. IT IS GREATER WHILE THE WHEEL OF ITS NAME IS THE FASTER"
        return replace(made, reason=why, confidence=Confidence.GUESS)
    return made
