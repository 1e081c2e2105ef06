"""Whether the channels of one log fit each other; what does not is said with what to change."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loaders.agreement import (
    AxleScale,
    Sign,
    axle_scales,
    slipping_wheels,
    straight,
)
from loaders.odd_units import OddUnit, odd_torques, odd_units
from loaders.seen import DRIVEN, PATH, TORQUES, UNDRIVEN, Seen, wheel_names
from loaders.sides import Poll, Vote
from loaders.teeth import ToothCount, teeth_of, tooth_count
from pipeline.channel_labels import label, named
from pipeline.result import QualityNote

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_AS_KMH = 0.04
_NO_LAW = "the friction law means nothing, nor do states, events and energy"


def cross_checks(
    seen: Seen, sides: Poll, signs: dict[str, Sign], channel_map: str
) -> list[QualityNote]:
    """Notes on swapped sides, signs, units and tooth counts; only what is wrong, or cannot be told.

    Parameters
    ----------
    seen : Seen
    sides : Poll
        How what tells left from right has voted, see `agreement.turned`.
    signs : dict
        See `agreement.driving_signs`.
    channel_map : str
        The map's name, for what to change there.
    """
    if not seen.tells:
        return [_not_told("swapped sides", "wheels", "the car hardly moves in this log")]
    units = _units(seen, channel_map)
    # A wheel in another unit runs apart from its partner too: said once.
    counts = [] if any(note.serious for note in units) else _teeth(seen, channel_map)
    return [
        *_turning(seen, sides, channel_map),
        *_axles(seen, channel_map),
        *units,
        *counts,
        *_signs(seen, signs, channel_map),
        *(_scaled(odd, "torques", channel_map) for odd in odd_torques(seen)),
    ]


def driven_swapped(sides: Poll) -> bool:
    """Whether the driven wheels look swapped by what the other channels say."""
    return sides.positive_left is not None and DRIVEN in _names(sides.losers)


def _names(votes: tuple[Vote, ...]) -> tuple[str, ...]:
    return tuple(vote.name for vote in votes)


def _turning(seen: Seen, sides: Poll, channel_map: str) -> list[QualityNote]:
    """Left and right told apart: swapped wheels, and signs of what points to a side."""
    if len(sides.left) + len(sides.right) < 2:
        return [_not_told("swapped sides", "wheels", "no two channels tell left from right turns")]
    seconds = sides.samples / seen.rate_hz
    against = named(_names(sides.winners))
    if sides.losers and sides.positive_left is None:
        return [_undecided(named(_names(sides.losers)), against, sides, seconds, channel_map)]
    said = f"in {seconds:.0f} s of turning {against} say otherwise"
    return [_turned(seen, vote.name, said, sides.samples, channel_map) for vote in sides.losers]


def _turned(seen: Seen, name: str, against: str, samples: int, channel_map: str) -> QualityNote:
    if name in (DRIVEN, UNDRIVEN):
        left, right = wheel_names(seen.driven if name == DRIVEN else seen.undriven)
        kind = "driven" if name == DRIVEN else "undriven"
        law = "the friction law changes its sign and states, events and energy mean nothing"
        mild = "the expected speed difference is taken from yaw rate, so the law is not touched"
        return QualityNote(
            left, "swapped sides", samples, None,
            f"left and right {kind} wheel look swapped: {against}",
            law if name == DRIVEN else mild,
            serious=True, untrusted=name == DRIVEN,
            remedy=f"Exchange the columns of [channels.{left}] and [channels.{right}] in "
            f"{channel_map}.",
        )  # fmt: skip
    if name == PATH:
        return QualityNote(
            "position_x_m", "wrong sign", samples, None,
            f"the path looks mirrored: {against}",
            "the map of the circuit shows a left turn as a right one; no number rests on it",
            serious=True,
            remedy=f"Check in {channel_map} that east and north are not exchanged.",
        )  # fmt: skip
    tells = {
        "yaw_rate_radps": "corners, held and differing axle, and rolling radii are mirrored",
        "accel_lat_mps2": "no number rests on it but this check",
        "steering_angle_rad": "where driven front wheels head is not taken from it; nothing else "
        "rests on it",
    }[name]
    return QualityNote(
        name, "wrong sign", samples, None,
        f"the {label(name)} points to the wrong side: {against}", tells, serious=True,
        remedy=_turn_sign(name, channel_map),
    )  # fmt: skip


def _turn_sign(name: str, channel_map: str) -> str:
    return f"Set sign = -1 under [channels.{name}] in {channel_map}, or take it out if it is there."


def _undecided(
    some: str, others: str, sides: Poll, seconds: float, channel_map: str
) -> QualityNote:
    return QualityNote(
        "several", "wrong sign", sides.samples, None,
        f"{some} and {others} contradict each other on which way the car turns, in {seconds:.0f} s "
        "of turning; which is right cannot be told from this log",
        "left and right may be exchanged in every number",
        serious=True,
        untrusted=DRIVEN in _names((*sides.left, *sides.right)),
        remedy=f"Check their columns and signs in {channel_map}.",
    )  # fmt: skip


def _not_told(kind: str, channel: str, why: str) -> QualityNote:
    return QualityNote(channel, kind, 0, None, f"not observable: {why}", "taken as mapped")


def _axles(seen: Seen, channel_map: str) -> list[QualityNote]:
    """Front and rear wheels exchanged: driven wheels slip under drive, the others do not."""
    slipping = slipping_wheels(seen)
    driven = wheel_names(seen.driven)
    if not slipping or set(slipping) == set(driven):
        return []
    pair = set(slipping) == set(wheel_names(seen.undriven))
    wrong = driven if pair else tuple(name for name in driven if name not in slipping)
    right = tuple(name for name in slipping if name not in driven)
    exchange = " and ".join(
        f"[channels.{a}] with [channels.{b}]" for a, b in zip(wrong, right, strict=True)
    )
    return [
        QualityNote(
            wrong[0], "swapped axles", len(seen.speed_mps), None,
            f"{named(slipping)} slip under drive, but {named(wrong)} "
            f"{'do' if pair else 'does'} not: front and rear look swapped",
            f"slip and locking torque are read off wheels that are not driven: {_NO_LAW}",
            serious=True, untrusted=True,
            remedy=f"Exchange the columns of {exchange} in {channel_map}; or correct driven_axle "
            "in the build sheet.",
        )
    ]  # fmt: skip


def _units(seen: Seen, channel_map: str) -> list[QualityNote]:
    """Wrong units of speeds, path, accelerations and yaw rate, by a clean factor."""
    notes = []
    if "speed_mps" not in seen.channels and seen.x_m is None:
        notes.append(
            _not_told("wrong unit", "wheels", "no ground speed or position beside the wheels")
        )
    whats = {
        "accel_long_mps2": "accelerations", "accel_lat_mps2": "accelerations",
        "yaw_rate_radps": "corners and expected speed differences",
    }  # fmt: skip
    return notes + [
        _scaled(odd, whats.get(odd.names[0], "speeds"), channel_map) for odd in odd_units(seen)
    ]


def _scaled(odd: OddUnit, what: str, channel_map: str) -> QualityNote:
    verb = "reads" if len(odd.names) == 1 else "read"
    say = "says" if len(odd.against) == 1 else "say"
    either = "" if odd.decided else "; or the others are wrong, which this log cannot tell"
    return QualityNote(
        odd.names[0], "wrong unit", 1, None,
        f"{named(odd.names)} {verb} {odd.factor:.3g} times what {named(odd.against)} {say}, "
        f"as with {odd.means}{either}",
        f"{what} are wrong by that factor, and with them slip, states, energy or heat",
        serious=True,
        untrusted=what in ("speeds", "torques"),
        remedy="Set the unit under "
        + ", ".join(f"[channels.{name}]" for name in odd.names if not name.startswith("the "))
        + f" in {channel_map}.",
    )  # fmt: skip


def _teeth(seen: Seen, channel_map: str) -> list[QualityNote]:
    """Wheels that run apart, or off the ground speed, as with a wrong number of teeth."""
    on_straights = straight(seen)
    notes = []
    for axle in (seen.driven, seen.undriven):
        wheels = seen.wheels(axle)
        apart = None if wheels is None else tooth_count(*wheels, on_straights)
        if wheels is not None and apart is not None:
            notes.append(_apart(seen, axle, wheels, apart, on_straights, channel_map))
    return notes or [_off_ground(seen, scale, channel_map) for scale in axle_scales(seen)]


def _apart(
    seen: Seen,
    axle: str,
    wheels: tuple[FloatArray, FloatArray],
    apart: ToothCount,
    on_straights: BoolArray,
    channel_map: str,
) -> QualityNote:
    names, radius_m = wheel_names(axle), seen.radius_m(axle)
    speed = seen.speed_mps[on_straights]
    off = [abs(float(np.nanmedian(radius_m * wheel[on_straights] / speed)) - 1) for wheel in wheels]
    if max(off) > 4 * min(off) + 0.005:
        wrong = names[int(np.argmax(off))]
        which = f"; by the ground speed it is the {label(wrong)}"
    else:
        wrong, which = names[0], "; which of the two is wrong cannot be told"
    teeth = (
        f"as {apart.teeth[0]} teeth on one side against {apart.teeth[1]} on the other would give"
        if apart.teeth
        else "which no tooth count in use gives"
    )
    return QualityNote(
        wrong, "tooth count", apart.samples, None,
        f"on straights the {label(names[0])} is {apart.ratio:.4f} "
        f"({apart.low:.4f} to {apart.high:.4f}) times the {label(names[1])} throughout the "
        f"log, {teeth}{which}",
        "the difference passes for slip: states, events and friction energy are wrong",
        serious=True, untrusted=axle == seen.driven,
        remedy="Check the number of teeth in the logger, or set gain in "
        f"{channel_map}; if the counts are right, the tyres are of two sizes.",
    )  # fmt: skip


def _off_ground(seen: Seen, scale: AxleScale, channel_map: str) -> QualityNote:
    driven = seen.driven in scale.axles
    which = "all four wheels" if len(scale.axles) == 2 else (
        f"both {'driven' if driven else 'undriven'} wheels"
    )  # fmt: skip
    teeth = teeth_of(scale.ratio)
    count = f", as {teeth[0]} teeth counted as {teeth[1]} would give" if teeth else ""
    if abs(scale.ratio / (3.6 * seen.radius_m(scale.axles[0])) - 1) < _AS_KMH:
        count += ", or a road speed in km/h taken for rad/s"
    either = "" if scale.ground_confirmed else ", or the ground speed is out of scale"
    radius = "rolling_radius_m" if driven else "undriven_rolling_radius_m"
    return QualityNote(
        wheel_names(scale.axles[0])[0], "tooth count", scale.samples, None,
        f"on straights {which} run {scale.ratio:.3f} times as fast as the ground speed and the "
        f"build sheet's rolling radius give{count}: the number of teeth or the radius is wrong"
        f"{either}",
        "speed differences, slip and friction energy are off by that factor" if driven
        else "the undriven wheels serve no number but where no ground speed is logged",
        serious=True, untrusted=driven,
        remedy=f"Roll the car a known distance; correct the teeth in the logger or gain in "
        f"{channel_map}, or {radius} in the build sheet.",
    )  # fmt: skip


def _signs(seen: Seen, signs: dict[str, Sign], channel_map: str) -> list[QualityNote]:
    """Signs of what speeds the car up: accelerometer and torques."""
    return [
        QualityNote(
            name, "wrong sign", sign.samples, None,
            f"the {label(name)} has the wrong sign: it is negative while the car gains speed, in "
            f"{sign.samples / seen.rate_hz:.0f} s of driving",
            f"drive and overrun are exchanged and {_NO_LAW}" if name in TORQUES
            else "drive and overrun are exchanged where no torque is logged",
            serious=True, untrusted=name in TORQUES[:3],
            remedy=_turn_sign(name, channel_map),
        )
        for name, sign in signs.items()
        if sign.wrong
    ]  # fmt: skip
