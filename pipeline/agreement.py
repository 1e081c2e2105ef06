"""Whether channels that must agree do: which way the car turns, how fast it goes, what drives it.

Every check weighs several channels against each other, and the odd one out is named. Where no side
has the majority the answer is that one of them is wrong, not which.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from math import pi

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Two turn rates speak of a side where the other is above this share of its own 95th percentile.
_TURNING = 0.3
# Shares are counted from -1 (always opposite) to 1 (always alike); under this they say nothing.
LEAST_ACCORD = 0.6
_LEAST_SAMPLES = 100
# Speeds that differ by less are one speed: rolling radii are stated to a few per cent.
_SAME_SPEED = 0.05
# A median ratio needs no more than every third sample at 20 Hz.
_EVERY = 3
# A clean factor is met this closely, or it is none.
_CLEAN = 0.04
# Tyres of one axle differ by less than this; a tooth more or less on a wheel of 48 makes 2 %.
_SAME_WHEEL = 0.015
_TOOTH = 0.003
_FASTEST_CAR_MPS, _SLOWEST_CAR_MPS = 110.0, 12.0
# Tooth counts in use. Common practice, no source.
_TEETH = (12, 16, 18, 20, 22, 24, 25, 26, 28, 29, 30, 32, 36, 40, 42, 43, 44, 45, 46, 47, 48, 50,
          52, 54, 56, 58, 60, 64, 72, 80, 84, 88, 90, 96, 100, 120)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Odd:
    """Channels that disagree with the others."""

    names: tuple[str, ...]
    against: tuple[str, ...]
    """The others; the one channel that all rests on, when there is no second."""
    decided: bool
    """False when there are as many on either side: then either may be wrong."""
    samples: int


def accord(values: FloatArray, reference: FloatArray) -> tuple[float, int]:
    """From -1 (always of opposite sign) to 1 (always of the same), and from how many samples.

    >>> accord(np.full(200, -2.0), np.full(200, 1.0))
    (-1.0, 200)
    """
    known = np.isfinite(values) & np.isfinite(reference)
    if np.count_nonzero(known) < _LEAST_SAMPLES:
        return 0.0, 0
    size = np.abs(reference)
    told = known & (size > _TURNING * np.percentile(size[known], 95))
    weight = np.abs(values[told])
    if not weight.sum():
        return 0.0, 0
    # A sample far out must not outweigh the rest.
    weight = np.minimum(weight, 3 * np.median(weight) + 1e-12)
    same = np.sign(values[told]) * np.sign(reference[told])
    return float(np.sum(weight * same) / weight.sum()), int(np.count_nonzero(told))


def odd_signs(signals: Mapping[str, FloatArray]) -> Odd:
    """The signals whose sign is against most of the others'; without names when all agree.

    Parameters
    ----------
    signals : mapping of name to array, shape (n,)
        All positive when the car does the same thing, such as turning left.

    Notes
    -----
    The first signal is the reference that the others are sorted by; it takes part in the vote like
    any other. Signals that neither agree nor disagree clearly abstain.
    """
    names = list(signals)
    side, samples = {names[0]: 1}, 0
    for name in names[1:]:
        share, count = accord(signals[name], signals[names[0]])
        if abs(share) > LEAST_ACCORD:
            side[name], samples = int(np.sign(share)), max(samples, count)
    groups = [tuple(name for name in side if side[name] == which) for which in (1, -1)]
    larger, smaller = sorted(groups, key=len, reverse=True)
    return Odd(smaller, larger, len(larger) > len(smaller), samples)


@dataclass(frozen=True, slots=True)
class OddScale:
    """A channel that is a factor away from the others."""

    names: tuple[str, ...]
    against: tuple[str, ...]
    decided: bool
    factor: float
    """What the channel reads, over what the others do."""
    means: str
    """The mistake that gives such a factor; empty when none is known."""
    samples: int


def odd_speeds(
    speeds: Mapping[str, FloatArray], groups: Mapping[str, str], radii_m: Mapping[str, float]
) -> tuple[OddScale, ...]:
    """Speeds that are a clean factor away from what most others say.

    Parameters
    ----------
    speeds : mapping of name to array, shape (n,)
        Wheel speeds times their rolling radius, ground speed, speed of the position. [m/s]
    groups : mapping of name to group
        Signals of one group share their unit and have one vote.
    radii_m : mapping of name to radius
        Of the wheels, for a road speed mapped as a wheel speed. [m]

    Notes
    -----
    The factor is the median over all that agree with each other.
    Not seen: factors within 5 % of one, and one wrong unit of everything alike.
    """
    some = {name: speed[::_EVERY] for name, speed in speeds.items()}
    ratios = {pair: _ratio(some[pair[0]], some[pair[1]]) for pair in combinations(some, 2)}
    ratios |= {(b, a): (1 / r if r else 0.0, n) for (a, b), (r, n) in list(ratios.items())}

    def agree(a: str, b: str) -> bool:
        ratio = ratios[a, b][0] if a != b else 1.0
        return ratio > 0 and abs(np.log(ratio)) < _SAME_SPEED

    camps = {name: [other for other in speeds if agree(name, other)] for name in speeds}
    votes = {name: len({groups[other] for other in camp}) for name, camp in camps.items()}
    if not votes or max(votes.values()) == len(speeds) == 1:
        return ()
    best = max(speeds, key=lambda name: (votes[name], len(camps[name]), _likely(speeds[name])))
    found = []
    for group in dict.fromkeys(groups[name] for name in speeds):
        out = [
            name
            for name in speeds
            if groups[name] == group and name not in camps[best] and ratios[name, best][0]
        ]
        decided = votes[best] > max((votes[name] for name in out), default=0)
        factors = {
            name: float(np.median([ratios[name, o][0] for o in camps[best]])) for name in out
        }
        for names in _by_factor(out, factors):
            means = clean_factor(factors[names[0]], radii_m.get(names[0]))
            if means:
                samples = _EVERY * ratios[names[0], best][1]
                against = tuple(camps[best])
                found.append(OddScale(names, against, decided, factors[names[0]], means, samples))
    return tuple(found)


def _likely(speed: FloatArray) -> bool:
    top = float(np.nanpercentile(speed, 99)) if np.isfinite(speed).any() else 0.0
    return _SLOWEST_CAR_MPS < top < _FASTEST_CAR_MPS


def _ratio(one: FloatArray, other: FloatArray) -> tuple[float, int]:
    """Median ratio where both move fast by their own measure; 0 where that is never."""
    both = np.isfinite(one) & np.isfinite(other)
    if np.count_nonzero(both) < _LEAST_SAMPLES:
        return 0.0, 0
    one, other = one[both], other[both]
    fast = (one > _fast(one)) & (other > _fast(other))
    count = int(np.count_nonzero(fast))
    return (float(np.median(one[fast] / other[fast])), count) if count else (0.0, 0)


def _fast(speed: FloatArray) -> float:
    """0.3 of the 95th percentile."""
    at = int(0.95 * (len(speed) - 1))
    return max(1e-6, 0.3 * float(np.partition(speed, at)[at]))


def _by_factor(names: list[str], factor: Mapping[str, float]) -> list[tuple[str, ...]]:
    """The names parted into those of one factor each."""
    parts: list[list[str]] = []
    for name in names:
        for part in parts:
            if abs(np.log(factor[name] / factor[part[0]])) < _SAME_SPEED:
                part.append(name)
                break
        else:
            parts.append([name])
    return [tuple(part) for part in parts]


def clean_factor(factor: float, wheel_radius_m: float | None = None) -> str:
    """The mistake that makes a speed read so many times too much; empty when there is none known.

    >>> clean_factor(3.55)
    'km/h taken for m/s'
    """
    known = [
        (3.6, "km/h taken for m/s"),
        (1 / 3.6, "m/s taken for km/h"),
        (2.2369, "mph taken for m/s"),
        (1 / 2.2369, "m/s taken for mph"),
        (1.6093, "km/h taken for mph"),
        (1 / 1.6093, "mph taken for km/h"),
    ]
    if wheel_radius_m is not None:
        known = [
            (30 / pi, "rpm taken for rad/s"),
            (pi / 30, "rad/s taken for rpm"),
            (1 / (2 * pi), "revolutions per second taken for rad/s"),
            (2 * pi, "rad/s taken for revolutions per second"),
            (180 / pi, "deg/s taken for rad/s"),
            (pi / 180, "rad/s taken for deg/s"),
            (wheel_radius_m, "a road speed in m/s taken for rad/s"),
            (3.6 * wheel_radius_m, "a road speed in km/h taken for rad/s"),
            (3.6 * wheel_radius_m * pi / 30, "a road speed in km/h taken for rpm"),
            *known,
        ]
    return _nearest(factor, known, _CLEAN)


def clean_acceleration_factor(factor: float) -> str:
    """The same for accelerations; they are known less well, so a factor is met less closely.

    >>> clean_acceleration_factor(0.1)
    'g taken for m/s²'
    """
    known = [
        (9.80665, "m/s² taken for g"),
        (1 / 9.80665, "g taken for m/s²"),
    ]
    return _nearest(factor, known, 0.25)


def clean_turn_factor(factor: float) -> str:
    """The same for a yaw rate.

    >>> clean_turn_factor(57.0)
    'deg/s taken for rad/s'
    """
    known = [(180 / pi, "deg/s taken for rad/s"), (pi / 180, "rad/s taken for deg/s")]
    return _nearest(factor, known, 0.25)


def _nearest(factor: float, known: list[tuple[float, str]], within: float) -> str:
    if factor <= 0:
        return ""
    off, means = min((abs(np.log(factor / each)), means) for each, means in known)
    return means if off < within else ""


def slope_through_zero(values: FloatArray, reference: FloatArray) -> tuple[float, float, int]:
    """How much of the values goes with the reference, their correlation, and from how many samples.

    >>> slope_through_zero(2.0 * np.arange(200.0), np.arange(200.0))
    (2.0, 1.0, 200)
    """
    known = np.isfinite(values) & np.isfinite(reference)
    x, y = reference[known], values[known]
    power = float(np.sum(x * x))
    if len(x) < _LEAST_SAMPLES or power == 0 or not np.any(y):
        return 0.0, 0.0, 0
    cross = float(np.sum(x * y))
    return cross / power, cross / float(np.sqrt(power * np.sum(y * y))), len(x)


@dataclass(frozen=True, slots=True)
class ToothCount:
    """Two wheels of one axle whose speeds are a ratio apart throughout."""

    ratio: float
    """Left over right, on straights."""
    low: float
    high: float
    teeth: tuple[int, int] | None
    """Numbers of teeth, of left and right, that give the ratio; None when none in use do."""
    samples: int


def tooth_count(
    left_radps: FloatArray, right_radps: FloatArray, straight: BoolArray
) -> ToothCount | None:
    """Two wheels of one axle that run apart by more than tyres do; None when they do not.

    Notes
    -----
    The median ratio on straights in each eighth of the log, and the eighths' spread. Not seen:
    less than 1.5 % (one tooth in 67 and more), which unequal tyres may do too; a wrong number on
    both wheels of an axle alike, which is a wrong rolling radius; and ratios that are those of two
    units. Told as such only if all of the log shows it.
    """
    ok = straight & np.isfinite(left_radps) & np.isfinite(right_radps) & (right_radps > 0)
    if np.count_nonzero(ok) < _LEAST_SAMPLES:
        return None
    parts = np.array_split(left_radps[ok] / right_radps[ok], 8)
    medians = np.array([np.median(part) for part in parts])
    if not (np.all(medians > 1 + _SAME_WHEEL) or np.all(medians < 1 - _SAME_WHEEL)):
        return None
    ratio, spread = float(np.median(medians)), float(np.std(medians, ddof=1))
    half = max(2.36 * spread / np.sqrt(8), 1e-4)  # t of 7 degrees of freedom
    if spread > 0.02 * ratio or ratio <= 0.2 or ratio >= 5:
        return None
    return ToothCount(ratio, ratio - half, ratio + half, _teeth(ratio), int(np.count_nonzero(ok)))


def _teeth(ratio: float) -> tuple[int, int] | None:
    pairs = [
        (abs(n - m), abs(n / m / ratio - 1), n, m)
        for n in _TEETH
        for m in _TEETH
        if n != m and abs(n / m / ratio - 1) < _TOOTH
    ]
    if not pairs:
        return None
    _, _, n, m = min(pairs, key=lambda pair: (abs(pair[2] - 48), pair[1]))
    return n, m


def turn_rate_of_path(x_m: FloatArray, y_m: FloatArray, rate_hz: float) -> FloatArray:
    """Turn rate of the path, > 0 to the left, shape (n,). [rad/s]

    Notes
    -----
    The angle between the way from half a second before and the way to half a second after, over
    half a second.

    >>> t = np.arange(0.0, 10.0, 0.1)
    >>> left = turn_rate_of_path(20.0 * np.cos(t), 20.0 * np.sin(t), 10.0)
    >>> round(float(left[50]), 3)
    1.0
    """
    k = max(1, round(0.5 * rate_hz))
    rate = np.full(len(x_m), np.nan)
    if len(x_m) <= 2 * k:
        return rate
    ways = [(p[k:-k] - p[: -2 * k], p[2 * k :] - p[k:-k]) for p in (x_m, y_m)]
    (before_x, after_x), (before_y, after_y) = ways
    sine = before_x * after_y - before_y * after_x
    cosine = before_x * after_x + before_y * after_y
    turned = np.arctan2(sine, cosine)
    short = np.minimum(np.hypot(before_x, before_y), np.hypot(after_x, after_y)) < 2.0
    rate[k:-k] = np.where(short, np.nan, turned * rate_hz / k)
    return rate


def speed_of_path(x_m: FloatArray, y_m: FloatArray, rate_hz: float) -> FloatArray:
    """Speed along the path over half a second, shape (n,). [m/s]"""
    k = max(1, round(0.25 * rate_hz))
    speed = np.full(len(x_m), np.nan)
    if len(x_m) > 2 * k:
        moved = np.hypot(x_m[2 * k :] - x_m[: -2 * k], y_m[2 * k :] - y_m[: -2 * k])
        speed[k:-k] = moved * rate_hz / (2 * k)
    return speed
