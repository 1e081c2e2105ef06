"""Whether the channels of one log fit each other; what does not is said with what to change."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.agreement import (
    LEAST_ACCORD,
    Odd,
    OddScale,
    ToothCount,
    accord,
    clean_acceleration_factor,
    clean_turn_factor,
    odd_signs,
    odd_speeds,
    slope_through_zero,
    speed_of_path,
    tooth_count,
    turn_rate_of_path,
)
from pipeline.channel_labels import label, named
from pipeline.result import QualityNote

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# What the car does as a whole is slow: so many samples a second tell which way and how fast.
SLOW_HZ = 20.0
_MOVING_MPS = 8.0
_STRAIGHT_MPS2 = 1.0
_SLOWING_MPS2 = -0.3
_DRIVEN, _UNDRIVEN, _PATH = "driven wheels", "undriven wheels", "the path"
_LEAST_LIKE = 0.5


@dataclass(frozen=True, slots=True)
class Seen:
    """What the checks look at: channels at a modest rate, in SI; absent ones are None."""

    rate_hz: float
    channels: dict[str, FloatArray]
    speed_mps: FloatArray
    x_m: FloatArray | None
    y_m: FloatArray | None
    brakes_off: BoolArray
    driven: str
    """``"r"`` or ``"f"``."""
    track_m: float
    driven_radius_m: float
    undriven_radius_m: float
    channel_map: str

    @property
    def undriven(self) -> str:
        """Letter of the other axle."""
        return "f" if self.driven == "r" else "r"

    def wheels(self, axle: str) -> tuple[FloatArray, FloatArray] | None:
        """Left and right wheel speed of an axle, if both are there. [rad/s]"""
        left, right = (self.channels.get(f"wheel_speed_{axle}{side}_radps") for side in "lr")
        return None if left is None or right is None else (left, right)

    def gain_of_speed(self) -> FloatArray:
        """Acceleration from the ground speed over a quarter of a second to either side. [m/s2]"""
        k = max(1, round(0.25 * self.rate_hz))
        gain = np.full(len(self.speed_mps), np.nan)
        gain[k:-k] = (self.speed_mps[2 * k :] - self.speed_mps[: -2 * k]) * self.rate_hz / (2 * k)
        return gain


def cross_checks(seen: Seen) -> list[QualityNote]:
    """Notes on swapped sides, signs, units and tooth counts; only what is wrong, or cannot be told.

    Notes
    -----
    Not seen: front and rear wheels swapped, a wrong unit of a torque, and what is said with each
    check in `agreement`.
    """
    units = speeds(seen)
    # A wheel in another unit runs apart from its partner too: said once.
    counts = [] if any(note.serious for note in units) else teeth(seen)
    return [*turning(seen), *units, *counts, *driving(seen), *yaw_scale(seen)]


def turn_signals(seen: Seen) -> dict[str, FloatArray]:
    """Everything that says which way the car turns, > 0 to the left."""
    moving = seen.speed_mps > _MOVING_MPS
    signals: dict[str, FloatArray] = {}
    yaw_rate = seen.channels.get("yaw_rate_radps")
    if yaw_rate is not None:
        signals["yaw_rate_radps"] = yaw_rate
    lateral = seen.channels.get("accel_lat_mps2")
    if lateral is not None:
        signals["accel_lat_mps2"] = lateral
    if seen.x_m is not None and seen.y_m is not None:
        signals[_PATH] = turn_rate_of_path(seen.x_m, seen.y_m, seen.rate_hz)
    if "steering_angle_rad" in seen.channels:
        signals["steering_angle_rad"] = seen.channels["steering_angle_rad"]
    undriven = seen.wheels(seen.undriven)
    if undriven is not None:
        signals[_UNDRIVEN] = undriven[1] - undriven[0]
    driven = seen.wheels(seen.driven)
    if driven is not None:
        # Under power the inside wheel may run away; slowing down it never does.
        slowing = seen.gain_of_speed() < _SLOWING_MPS2
        signals[_DRIVEN] = np.where(slowing, driven[1] - driven[0], np.nan)
    return {name: np.where(moving, values, np.nan) for name, values in signals.items()}


def turned(seen: Seen) -> Odd:
    """What says that the car turns the other way than most say."""
    signals = turn_signals(seen)
    return odd_signs(signals) if signals else Odd((), (), False, 0)


def turning(seen: Seen) -> list[QualityNote]:
    """Left and right told apart: swapped wheels, and signs of what points to a side."""
    odd = turned(seen)
    if len(odd.names) + len(odd.against) < 2:
        return [_not_told("swapped sides", "wheels", "no two channels tell left from right turns")]
    if not odd.names:
        return []
    if not odd.decided:
        return [_undecided(seen, odd)]
    return [_turned(seen, name, odd) for name in odd.names]


def driven_swapped(seen: Seen) -> bool:
    """Whether the driven wheels look swapped by what the other channels say."""
    odd = turned(seen)
    return odd.decided and _DRIVEN in odd.names


def _wheel_names(seen: Seen, which: str) -> tuple[str, str]:
    axle = seen.driven if which == _DRIVEN else seen.undriven
    return f"wheel_speed_{axle}l_radps", f"wheel_speed_{axle}r_radps"


def _turned(seen: Seen, name: str, odd: Odd) -> QualityNote:
    against = f"in {odd.samples / seen.rate_hz:.0f} s of turning {named(odd.against)} say otherwise"
    if name in (_DRIVEN, _UNDRIVEN):
        left, right = _wheel_names(seen, name)
        kind = "driven" if name == _DRIVEN else "undriven"
        law = "the friction law changes its sign and states, events and energy mean nothing"
        mild = "the expected speed difference is taken from yaw rate, so the law is not touched"
        return QualityNote(
            left, "swapped sides", odd.samples, None,
            f"left and right {kind} wheel look swapped: {against}",
            law if name == _DRIVEN else mild,
            serious=True,
            remedy=f"Exchange the columns of [channels.{left}] and [channels.{right}] in "
            f"{seen.channel_map}.",
        )  # fmt: skip
    if name == _PATH:
        return QualityNote(
            "position_x_m", "wrong sign", odd.samples, None,
            f"the path looks mirrored: {against}",
            "the map of the circuit shows a left turn as a right one; no number rests on it",
            serious=True,
            remedy=f"Check in {seen.channel_map} that east and north are not exchanged.",
        )  # fmt: skip
    tells = {
        "yaw_rate_radps": "corners, held and differing axle, and rolling radii are mirrored",
        "accel_lat_mps2": "no number rests on it but this check",
        "steering_angle_rad": "no number rests on it but this check",
    }[name]
    return QualityNote(
        name, "wrong sign", odd.samples, None,
        f"the {label(name)} points to the wrong side: {against}", tells, serious=True,
        remedy=f"Set sign = -1 under [channels.{name}] in {seen.channel_map}, or take it out "
        "if it is there.",
    )  # fmt: skip


def _undecided(seen: Seen, odd: Odd) -> QualityNote:
    return QualityNote(
        "several", "wrong sign", odd.samples, None,
        f"{named(odd.names)} and {named(odd.against)} contradict each other on which way the car "
        f"turns, in {odd.samples / seen.rate_hz:.0f} s of turning; which is right cannot be told "
        "from this log",
        "left and right may be exchanged in every number",
        serious=True,
        remedy=f"Check their columns and signs in {seen.channel_map}.",
    )  # fmt: skip


def _not_told(kind: str, channel: str, why: str) -> QualityNote:
    return QualityNote(channel, kind, 0, None, f"not observable: {why}", "taken as mapped")


def speeds(seen: Seen) -> list[QualityNote]:
    """Wheel speeds, ground speed and the path against each other: wrong units by a clean factor."""
    found: dict[str, FloatArray] = {}
    groups: dict[str, str] = {}
    radii = {
        f"wheel_speed_{axle}{side}_radps": radius
        for axle, radius in (
            (seen.driven, seen.driven_radius_m),
            (seen.undriven, seen.undriven_radius_m),
        )
        for side in "lr"
    }
    for name, radius in radii.items():
        if name in seen.channels:
            found[name], groups[name] = radius * seen.channels[name], "wheels"
    if "speed_mps" in seen.channels:
        found["speed_mps"], groups["speed_mps"] = seen.channels["speed_mps"], "speed"
    if seen.x_m is not None and seen.y_m is not None:
        found[_PATH], groups[_PATH] = speed_of_path(seen.x_m, seen.y_m, seen.rate_hz), "path"
    if len(set(groups.values())) < 2:
        return [_not_told("wrong unit", "wheels", "no ground speed or position beside the wheels")]
    return [_scaled(seen, odd, "speeds") for odd in odd_speeds(found, groups, radii)]


def _scaled(seen: Seen, odd: OddScale, what: str) -> QualityNote:
    verb = "reads" if len(odd.names) == 1 else "read"
    either = "" if odd.decided else "; or the others are wrong, which this log cannot tell"
    return QualityNote(
        odd.names[0], "wrong unit", odd.samples, None,
        f"{named(odd.names)} {verb} {odd.factor:.3g} times what {named(odd.against)} say, "
        f"as with {odd.means}{either}",
        f"{what} are wrong by that factor, and with them slip, states, energy or heat",
        serious=True,
        remedy="Set the unit under "
        + ", ".join(f"[channels.{name}]" for name in odd.names)
        + f" in {seen.channel_map}.",
    )  # fmt: skip


def teeth(seen: Seen) -> list[QualityNote]:
    """Wheels of one axle that run apart throughout, as with a wrong number of teeth."""
    straight = seen.speed_mps > _MOVING_MPS
    # Whatever tells straights from bends; a sign does not matter here.
    for name, gain in (("accel_lat_mps2", None), ("yaw_rate_radps", seen.speed_mps)):
        values = seen.channels.get(name)
        if values is not None:
            lateral = values if gain is None else values * gain
            straight = straight & (np.abs(lateral) < _STRAIGHT_MPS2)
            break
    notes = []
    for axle in (seen.driven, seen.undriven):
        wheels = seen.wheels(axle)
        apart = None if wheels is None else tooth_count(*wheels, straight)
        if wheels is not None and apart is not None:
            notes += _apart(seen, axle, wheels, apart, straight)
    return notes


def _apart(
    seen: Seen,
    axle: str,
    wheels: tuple[FloatArray, FloatArray],
    apart: ToothCount,
    straight: BoolArray,
) -> list[QualityNote]:
    names = f"wheel_speed_{axle}l_radps", f"wheel_speed_{axle}r_radps"
    radius = seen.driven_radius_m if axle == seen.driven else seen.undriven_radius_m
    off = [
        abs(float(np.nanmedian(radius * wheel[straight] / seen.speed_mps[straight])) - 1)
        for wheel in wheels
    ]
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
    return [
        QualityNote(
            wrong, "tooth count", apart.samples, None,
            f"on straights the {label(names[0])} is {apart.ratio:.4f} "
            f"({apart.low:.4f} to {apart.high:.4f}) times the {label(names[1])} throughout the "
            f"log, {teeth}{which}",
            "the difference passes for slip: states, events and friction energy are wrong",
            serious=True,
            remedy="Check the number of teeth in the logger, or set gain in "
            f"{seen.channel_map}; if the counts are right, the tyres are of two sizes.",
        )
    ]  # fmt: skip


def driving(seen: Seen) -> list[QualityNote]:
    """Signs and scale of what speeds the car up: accelerometer and torques."""
    gain = np.where(seen.speed_mps > _MOVING_MPS, seen.gain_of_speed(), np.nan)
    notes = []
    along = seen.channels.get("accel_long_mps2")
    if along is not None:
        slope, like, samples = slope_through_zero(along, gain)
        if like < -_LEAST_LIKE:
            notes.append(_reversed(
                seen, "accel_long_mps2", samples, "drive and overrun are exchanged where no torque "
                "is logged",
            ))  # fmt: skip
        means = clean_acceleration_factor(abs(slope)) if abs(like) > _LEAST_LIKE else ""
        if means:
            notes.append(_scaled(seen, OddScale(
                ("accel_long_mps2",), ("speed_mps",), True, abs(slope), means, samples,
            ), "accelerations"))  # fmt: skip
    for name in _TORQUES:
        share, samples = _pull(seen, name, gain)
        if share < -LEAST_ACCORD:
            notes.append(_reversed(
                seen, name, samples, "drive and overrun are exchanged and the friction law means "
                "nothing",
            ))  # fmt: skip
    return notes


_TORQUES = (
    "shaft_torque_left_nm", "shaft_torque_right_nm", "input_torque_nm", "engine_torque_nm",
)  # fmt: skip


def _pull(seen: Seen, name: str, gain: FloatArray) -> tuple[float, int]:
    """How far a torque and the gain of speed are of one sign, with the brakes off."""
    torque = seen.channels.get(name)
    if torque is None:
        return 0.0, 0
    return accord(torque, np.where(seen.brakes_off, gain, np.nan))


def torque_signs(seen: Seen) -> dict[str, float]:
    """-1 for each torque that is logged with the wrong sign, else 1."""
    gain = np.where(seen.speed_mps > _MOVING_MPS, seen.gain_of_speed(), np.nan)
    return {name: -1.0 if _pull(seen, name, gain)[0] < -LEAST_ACCORD else 1.0 for name in _TORQUES}


def _reversed(seen: Seen, name: str, samples: int, consequence: str) -> QualityNote:
    return QualityNote(
        name, "wrong sign", samples, None,
        f"the {label(name)} has the wrong sign: it is negative while the car gains speed, in "
        f"{samples / seen.rate_hz:.0f} s of driving",
        consequence,
        serious=True,
        remedy=f"Set sign = -1 under [channels.{name}] in {seen.channel_map}, or take it out "
        "if it is there.",
    )  # fmt: skip


def yaw_scale(seen: Seen) -> list[QualityNote]:
    """Units of yaw rate and lateral acceleration, against the path or the undriven wheels."""
    moving = seen.speed_mps > _MOVING_MPS
    turn: tuple[str, FloatArray] | None = None
    undriven = seen.wheels(seen.undriven)
    if undriven is not None:
        difference = seen.undriven_radius_m * (undriven[1] - undriven[0]) / seen.track_m
        turn = (_UNDRIVEN, difference)
    if seen.x_m is not None and seen.y_m is not None:
        turn = (_PATH, turn_rate_of_path(seen.x_m, seen.y_m, seen.rate_hz))
    yaw_rate = seen.channels.get("yaw_rate_radps")
    notes = []
    if yaw_rate is not None and turn is not None:
        slope, like, samples = slope_through_zero(np.where(moving, yaw_rate, np.nan), turn[1])
        means = clean_turn_factor(abs(slope)) if abs(like) > _LEAST_LIKE else ""
        if means:
            notes.append(_scaled(seen, OddScale(
                ("yaw_rate_radps",), (turn[0],), True, abs(slope), means, samples,
            ), "corners and expected speed differences"))  # fmt: skip
    if turn is None and yaw_rate is not None:
        turn = ("yaw_rate_radps", yaw_rate)
    lateral = seen.channels.get("accel_lat_mps2")
    if lateral is not None and turn is not None:
        expected = np.where(moving, turn[1] * seen.speed_mps, np.nan)
        slope, like, samples = slope_through_zero(lateral, expected)
        means = clean_acceleration_factor(abs(slope)) if abs(like) > _LEAST_LIKE else ""
        if means:
            notes.append(_scaled(seen, OddScale(
                ("accel_lat_mps2",), (turn[0], "speed_mps"), True, abs(slope), means, samples,
            ), "accelerations"))  # fmt: skip
    return notes
