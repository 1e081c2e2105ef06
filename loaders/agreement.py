"""Whether channels that are known for what they are agree: sides, signs, axles and teeth.

The same measures and votes that propose a channel map, here with the map's own word for every
channel. What disagrees with the others is the odd one out; where no side has the majority the
answer is that one of them is wrong, not which.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loaders.evidence import (
    LEAST_ACCORD,
    BoolArray,
    FloatArray,
    off_power,
    rate_of_change,
    ratio_of,
)
from loaders.roles import driven_pair
from loaders.seen import DRIVEN, PATH, TORQUES, UNDRIVEN, Seen, wheel_names
from loaders.sides import Poll, poll, vote_of
from loaders.teeth import axle_scale
from loaders.torques import pull

_STRAIGHT_MPS2 = 1.0
_GENTLE_MPS2 = 1.0
_GENTLE_BEND_MPS2 = 3.0
# Both axles run too fast by the same factor, or the ground speed is too low by it.
_SAME_SCALE = 0.015


def turn_signals(seen: Seen) -> dict[str, FloatArray]:
    """Everything that says which way the car turns, > 0 to the left."""
    signals: dict[str, FloatArray] = {
        name: seen.channels[name]
        for name in ("yaw_rate_radps", "accel_lat_mps2", "steering_angle_rad")
        if name in seen.channels
    }
    path = seen.path_turn_radps()
    if path is not None:
        signals[PATH] = path
    undriven = seen.wheels(seen.undriven)
    if undriven is not None:
        signals[UNDRIVEN] = undriven[1] - undriven[0]
    driven = seen.wheels(seen.driven)
    if driven is not None:
        # Under power the inside wheel may run away; slowing down it never does.
        coasting = off_power(seen.speed_mps, seen.rate_hz)
        signals[DRIVEN] = np.where(coasting, driven[1] - driven[0], np.nan)
    return {name: np.where(seen.moving, values, np.nan) for name, values in signals.items()}


def turned(seen: Seen) -> Poll:
    """How all that tells left from right has voted; the first of them is the reference."""
    signals = turn_signals(seen) if seen.tells else {}
    reference = next(iter(signals.values()), np.empty(0))
    return poll(vote_of(name, signal, reference) for name, signal in signals.items())


@dataclass(frozen=True, slots=True)
class Sign:
    """Whether a channel that is positive while the car gains speed is that."""

    sense: float
    """As in `evidence.accord`."""
    samples: int

    @property
    def wrong(self) -> bool:
        """Whether it is clearly the other way round."""
        return self.sense < -LEAST_ACCORD


def driving_signs(seen: Seen) -> dict[str, Sign]:
    """Of the longitudinal acceleration and each torque, whether its sign is right."""
    signs: dict[str, Sign] = {}
    if not seen.tells:
        return signs
    gain = seen.gain_mps2()
    if "accel_long_mps2" in seen.channels:
        signs["accel_long_mps2"] = Sign(
            *pull(seen.mean(seen.channels["accel_long_mps2"]), gain, seen.moving)
        )
    for name in TORQUES:
        if name in seen.channels:
            signs[name] = Sign(*pull(seen.channels[name], gain, seen.brakes_off))
    return signs


def slipping_wheels(seen: Seen) -> tuple[str, ...]:
    """The two of four wheels that slip under drive; none where that cannot be told."""
    wheels = (*wheel_names(seen.driven), *wheel_names(seen.undriven))
    if "speed_mps" not in seen.channels or not set(wheels) <= set(seen.channels):
        return ()
    columns = {name: seen.channels[name] for name in wheels}
    yaw = seen.channels.get("yaw_rate_radps")
    return driven_pair(columns, wheels, seen.channels["speed_mps"], yaw, seen.rate_hz)


def straight(seen: Seen, within_mps2: float = _STRAIGHT_MPS2) -> BoolArray:
    """Where the car goes straight on, by whatever tells; its sign does not matter."""
    found = seen.moving
    for name, gain in (("accel_lat_mps2", None), ("yaw_rate_radps", seen.speed_mps)):
        values = seen.channels.get(name)
        if values is not None:
            lateral = values if gain is None else values * gain
            return found & (np.abs(lateral) < within_mps2)
    return found


@dataclass(frozen=True, slots=True)
class AxleScale:
    """Wheels that run too fast or too slow for the ground by more than radii explain."""

    axles: tuple[str, ...]
    ratio: float
    samples: int
    ground_confirmed: bool
    """Whether something else confirms the ground speed."""


def axle_scales(seen: Seen) -> tuple[AxleScale, ...]:
    """Axles that are counted with a wrong number of teeth on both wheels, or a wrong radius."""
    if "speed_mps" not in seen.channels:
        return ()
    speed = seen.channels["speed_mps"]
    gentle = straight(seen, _GENTLE_BEND_MPS2) & (
        np.abs(rate_of_change(speed, seen.rate_hz)) < _GENTLE_MPS2
    )
    radii = {seen.driven: seen.driven_radius_m, seen.undriven: seen.undriven_radius_m}
    found: dict[str, tuple[float, int]] = {}
    right = False
    for axle, radius_m in radii.items():
        wheels = seen.wheels(axle)
        if wheels is None or radius_m is None:
            continue
        scale = axle_scale(*wheels, radius_m, speed, gentle)
        if scale is None:
            right = True
        else:
            found[axle] = scale
    path = seen.path_speed_mps()
    if path is not None:
        right |= abs(float(np.log(ratio_of(seen.mean(speed), path)))) < _SAME_SCALE
    if len(found) == 2 and abs(np.log(found["r"][0] / found["f"][0])) < _SAME_SCALE:
        ratio, samples = found[seen.driven]
        return (AxleScale((seen.driven, seen.undriven), ratio, samples, right),)
    return tuple(AxleScale((axle,), *scale, right) for axle, scale in found.items())
