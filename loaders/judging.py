"""One column judged: its unit, confidence and reason, by what is stated and what physics shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from loaders import scales
from loaders.channels import CHANNEL_BY_NAME, Quantity
from loaders.errors import InputError
from loaders.evidence import FloatArray, line, over_stretch, rate_of_change
from loaders.proposals import Confidence, Proposal
from loaders.roles import Motion, shaft_on_side_of
from loaders.torques import MASS_KG, Torques, moved_mass_kg
from loaders.units import canonical
from loaders.words import Axle, Hint

Sign = Literal[1, -1]
# Where a car gains speed by more, it is driven.
_DRIVING_MPS2 = 0.3
SIGN: dict[bool, Sign] = {True: 1, False: -1}


@dataclass(frozen=True, slots=True)
class Car:
    """What is known of the car from elsewhere."""

    driven_axle: Axle | None = None
    driven_radius_m: float | None = None
    undriven_radius_m: float | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """One log's columns and what has been found out about them."""

    stated: Mapping[str, str | None]
    raw: Mapping[str, FloatArray]
    time: FloatArray
    grid: Mapping[str, FloatArray]
    hints: Mapping[str, Hint]
    motion: Motion
    torques: tuple[str, str] | None
    units: scales.Consistent
    car: Car

    @property
    def speed(self) -> FloatArray:
        """Ground speed, or the first wheel's when there is none, on the grid."""
        return self.grid[self.motion.speed or self.motion.wheels[0]]

    def unit(self, column: str, channel: str) -> str | None:
        """The column's unit as the log or the column's text states it."""
        return stated_unit(self.stated[column], self.hints[column], channel)


def stated_unit(in_log: str | None, hint: Hint, channel: str) -> str | None:
    """A stated unit in our own spelling, when it is one of the channel's."""
    for text in (in_log, hint.unit):
        quantities = [CHANNEL_BY_NAME[channel].quantity]
        if channel.startswith("wheel_speed_"):
            quantities.append(Quantity.SPEED)
        for quantity in quantities:
            if text and (unit := canonical(text, quantity)):
                return unit
    return None


def judged(log: Look, column: str, channel: str, why: str, *, kind: str = "") -> Proposal:
    """A proposal by physics: its unit, and how name and stated unit bear it out."""
    own = log.hints[column].channel
    agrees = own is not None and channel.startswith(own)
    confidence = Confidence.SURE if agrees else Confidence.LIKELY
    if own is not None and not agrees:
        confidence, why = Confidence.GUESS, f"{why}; its name says {own}"
    stated, unit = log.unit(column, channel), log.units.units.get(kind)
    if kind and kind not in log.units.checked:
        unit = stated or unit
    if stated and unit and stated != unit and not _same(stated, unit, channel):
        confidence = Confidence.GUESS
        why = f"{why}; the log states {stated}, but only {unit} agrees with the other columns"
    elif unit and not stated:
        sure = kind in log.units.checked
        why = f"{why}; {unit} {'agrees with the other columns' if sure else 'by its size alone'}"
        confidence = confidence if sure else Confidence.GUESS
    rivals = log.units.rivals.get("speed", ())
    if kind == "speed" and rivals and not stated:
        confidence = Confidence.GUESS
        why = f"{why}, and {' or '.join(rivals)} would as well"
    return Proposal(channel, column, unit or stated, confidence, why)


def _same(one: str, other: str, channel: str) -> bool:
    quantity = CHANNEL_BY_NAME[channel].quantity
    try:
        return scales.factor(one, quantity) == scales.factor(other, quantity)
    except InputError:  # a linear unit of a wheel speed
        return False


def torque(log: Look, column: str, channel: str, why: str) -> Proposal:
    """A torque: positive drives the car, and N m unless something says otherwise."""
    made = judged(log, column, channel, why)
    change = rate_of_change(log.speed)
    pulling = change > 0.3 * np.nanmin(change)
    drives = line(change, over_stretch(log.grid[column]), pulling).correlation > 0
    fitting = shaft_units(log) if channel.startswith("shaft_torque") else ()
    if len(fitting) == 1 and made.unit not in (None, fitting[0]):
        why = (
            f"{made.reason}; the log states {made.unit}, but only in {fitting[0]} do the "
            "half-shafts move the mass of a car"
        )
        made = replace(made, unit=fitting[0], confidence=Confidence.GUESS, reason=why)
    elif made.unit is None:
        unit = fitting[0] if fitting else "N m"
        others = [each for each in fitting if each != unit]
        tells = f"no column tells it from {' or '.join(others or ['lbf ft'])}"
        only = len(fitting) == 1
        why = (
            f"in {unit} the half-shafts move the mass of a car"
            if only
            else f"N m is usual, {tells}"
        )
        made = replace(made, unit=unit, confidence=Confidence.GUESS, reason=f"{made.reason}; {why}")
    return replace(made, sign=SIGN[drives])


def shaft_units(log: Look) -> tuple[str, ...]:
    """Units in which the half-shafts move the mass of a car; none when that cannot be told."""
    speed_unit = log.units.units.get("speed")
    if log.torques is None or log.motion.speed is None or speed_unit is None:
        return ()
    speed = log.speed * scales.factor(speed_unit, Quantity.SPEED)
    gain = rate_of_change(speed)
    total = over_stretch(log.grid[log.torques[0]] + log.grid[log.torques[1]])
    sign = 1.0 if line(gain, total).correlation > 0 else -1.0
    torques = Torques(
        shafts=sign * total, shaft_radps=speed, input=None, engine=None, engine_radps=None,
        speed_mps=speed, gain_mps2=gain, driving=gain > _DRIVING_MPS2, radius_m=scales.RADIUS_M,
    )  # fmt: skip
    mass = moved_mass_kg(torques, "shafts")
    if mass is None:
        return ()
    return tuple(
        unit
        for unit, (size, _) in scales.TORQUES.items()
        if size * mass[1] > MASS_KG[0] and size * mass[0] < MASS_KG[1]
    )


def torque_sides(log: Look) -> dict[str, bool]:
    """Of each half-shaft torque, whether it is on the side that runs faster in positive turns."""
    motion = log.motion
    driven = motion.driven or (motion.wheels if len(motion.wheels) == 2 else ())
    if log.torques is None or len(driven) != 2 or not motion.share:
        return {}
    shares = [motion.share[k] for k in driven]
    if (shares[0] > 0) == (shares[1] > 0):
        return {}
    one, other = log.torques
    pairs = (log.grid[one], log.grid[other]), (log.grid[driven[0]], log.grid[driven[1]])
    order = shaft_on_side_of(*pairs)
    if order == 0:
        return {}
    return {one: (shares[0] > 0) == (order > 0), other: (shares[0] > 0) != (order > 0)}
