"""How the driven wheels of a recorded session would have turned under another law of the packs.

Everything that pushes the wheels stays as recorded. What the packs do differently changes the
wheels' speeds, and by their slip the tyres answer; the answer is worked out, wheel by wheel, as the
difference to what was recorded.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, cos, exp, sin

import numpy as np
from numpy.typing import NDArray

from pipeline.input_torque import WHEEL_WINDOW_S, rate_of_change
from pipeline.plates import PreloadLaw

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Law = tuple[float, float, float]
"""Breakaway torque [N m], lock on drive and on overrun."""

# Shape factor of the longitudinal force. Source: Bakker, Pacejka, Lidner, SAE 890087, coefficient
# b0 of the longitudinal force; from memory, not read again.
SHAPE = 1.65
# A tyre counts as saturating where it pushes less than this share of its straight line.
_SATURATING = 0.8
# A driver meets a wheel that runs away further by lifting, one that does not by more throttle, so
# that what is turned differently fades. Quick, usual and slow; chosen by us on six simulated pairs
# of sessions, in which the invented driver's change in energy was met best by the middle one.
DRIVER_S = (0.05, 0.10, 0.20)
_FEWEST_SATURATED_S = 1.0
_SLOWEST_ROLLING = 5.0  # rad/s


@dataclass(frozen=True, slots=True)
class Recorded:
    """A session as it was driven; arrays of shape (n,), holes filled with what changes nothing."""

    rate_hz: float
    input_nm: FloatArray
    torque_difference_nm: FloatArray
    mean_radps: FloatArray
    """Mean of both driven wheels."""
    difference_radps: FloatArray
    """Left less right."""
    rolling_mean_radps: FloatArray
    rolling_difference_radps: FloatArray
    lateral_mps2: FloatArray
    """Above zero to the left."""
    usable: BoolArray
    """Where all of it is known and the car moves."""


@dataclass(frozen=True, slots=True)
class AxleParts:
    """What resists and what grips at the driven wheels."""

    wheel_inertia_kgm2: float
    driveline_inertia_kgm2: float
    """Of all that turns with the ring gear, seen there."""
    radius_m: float
    slip_stiffness_n: float
    """Force per unit slip of one tyre at small slip."""


def grip(recorded: Recorded, parts: AxleParts) -> tuple[FloatArray, FloatArray, float]:
    """Largest force that left and right tyre could have given, shape (n,) each. [N]

    The third value is for how long tyres were seen to saturate. [s]

    Notes
    -----
    Derived here. A saturating tyre shows its peak D: with ``psi = K kappa/D`` its force
    ``F = D sin(C atan(psi/C))`` is the share ``sin(C atan(psi/C))/psi`` of its straight line, which
    gives psi and so D. Elsewhere D is a straight line in the lateral acceleration, inside wheel
    less than outside, through the saturated samples.
    """
    psi = np.linspace(1e-3, 60.0, 6000)
    share = np.sin(SHAPE * np.arctan(psi / SHAPE)) / psi
    peaks, insides = [], []
    own = []
    for side in (1.0, -1.0):
        slip, force = _slip_and_force(recorded, parts, side)
        line = parts.slip_stiffness_n * slip
        with np.errstate(divide="ignore", invalid="ignore"):
            part = force / line
        shown = recorded.usable & (np.abs(slip) > 0.02) & (part > 0.02) & (part < _SATURATING)
        peak = np.full(len(slip), np.nan)
        peak[shown] = np.abs(line[shown]) / np.interp(part[shown], share[::-1], psi[::-1])
        own.append((peak, np.abs(force)))
        peaks.append(peak[shown])
        insides.append((side * recorded.lateral_mps2)[shown])
    peak, inside = np.concatenate(peaks), np.concatenate(insides)
    seconds = len(peak) / recorded.rate_hz
    if seconds < _FEWEST_SATURATED_S:
        # Without it the tyres answer by their straight line.
        straight = np.full(len(recorded.input_nm), 1e9)
        return straight, straight, seconds
    level, slope = _line(inside, peak)
    found = []
    for side, (shown, force) in zip((1.0, -1.0), own, strict=True):
        expected = np.maximum(level + slope * side * recorded.lateral_mps2, 0.2 * abs(level))
        capacity = np.where(np.isfinite(shown), shown, np.maximum(expected, 1.02 * force))
        found.append(np.asarray(capacity))
    return found[0], found[1], seconds


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """A straight line through the medians of ten equal shares of the samples."""
    order = np.argsort(x)
    groups = np.array_split(order, 10)
    centres = np.array([np.median(x[group]) for group in groups])
    heights = np.array([np.median(y[group]) for group in groups])
    if np.ptp(centres) < 1.0:
        return float(np.median(y)), 0.0
    slope, level = np.polyfit(centres, heights, 1)
    return float(level), float(slope)


def _slip_and_force(
    recorded: Recorded, parts: AxleParts, side: float
) -> tuple[FloatArray, FloatArray]:
    """Slip and force of one wheel: +1 the left, -1 the right; shape (n,) each. [1], [N]"""
    speed = recorded.mean_radps + 0.5 * side * recorded.difference_radps
    rolling = recorded.rolling_mean_radps + 0.5 * side * recorded.rolling_difference_radps
    slip = speed / np.maximum(rolling, _SLOWEST_ROLLING) - 1
    torque = 0.5 * (recorded.input_nm + side * recorded.torque_difference_nm)
    faster = np.nan_to_num(rate_of_change(speed, recorded.rate_hz, WHEEL_WINDOW_S))
    return slip, (torque - parts.wheel_inertia_kgm2 * faster) / parts.radius_m


def rerun(
    recorded: Recorded,
    parts: AxleParts,
    capacity_n: tuple[FloatArray, FloatArray],
    law: Law,
    preload: PreloadLaw,
    driver_s: float = DRIVER_S[1],
) -> FloatArray:
    """Friction power of the packs under a law, shape (n,). [W]

    ``driver_s`` is how fast the driver takes back what the wheels turn differently. [s]

    Notes
    -----
    Derived here, with d for what differs from the recorded session, J a wheel's inertia and J_r all
    that turns with the ring gear: ``J d(dw)/dt = d(dT) - R d(F_L - F_R)`` and
    ``(2 J + J_r) d(w_c)/dt = -R d(F_L + F_R)``. Tyre forces are taken along their slope over each
    step, so that slow stretches with stiff tyres stay stable. The packs carry the torque difference
    that would end the step without speed difference, as far as the law lets them.
    """
    step = 1 / recorded.rate_hz
    inertia, radius = parts.wheel_inertia_kgm2, parts.radius_m
    whole = 2 * inertia + parts.driveline_inertia_kgm2
    stiff = parts.slip_stiffness_n
    series = [
        array.tolist()
        for array in (
            recorded.input_nm,
            recorded.torque_difference_nm,
            recorded.mean_radps,
            recorded.difference_radps,
            np.maximum(
                recorded.rolling_mean_radps + 0.5 * recorded.rolling_difference_radps,
                _SLOWEST_ROLLING,
            ),
            np.maximum(
                recorded.rolling_mean_radps - 0.5 * recorded.rolling_difference_radps,
                _SLOWEST_ROLLING,
            ),
            capacity_n[0],
            capacity_n[1],
            recorded.usable,
        )
    ]
    taken_back = exp(-step / driver_s)
    breakaway, drive, overrun = law
    adding = preload is PreloadLaw.ADDING
    power = np.zeros(len(recorded.input_nm))
    more_mean = more_difference = last_push = 0.0
    for k, (
        pull,
        apart,
        mean,
        difference,
        left0,
        right0,
        most_left,
        most_right,
        usable,
    ) in enumerate(zip(*series, strict=True)):
        if not usable:
            more_mean = more_difference = last_push = 0.0
            power[k] = -0.5 * apart * difference
            continue
        left, right = mean + 0.5 * difference, mean - 0.5 * difference
        more_left, more_right = more_mean + 0.5 * more_difference, more_mean - 0.5 * more_difference
        force_left, slope_left = _answer(left, more_left, left0, most_left, stiff)
        force_right, slope_right = _answer(right, more_right, right0, most_right, stiff)
        # Along the slope of both tyres over the step.
        slope = 0.5 * radius * (slope_left + slope_right)
        more_mean += step * -radius * (force_left + force_right) / (whole + step * 2 * slope)
        push = -radius * (force_left + force_right) / whole
        torque = pull - parts.driveline_inertia_kgm2 * last_push
        last_push = push
        ramps = (drive if torque > 0 else -overrun) * torque
        most = breakaway + ramps if adding else max(breakaway, ramps)
        soft = inertia + step * slope
        bare = more_difference - step * (apart + radius * (force_left - force_right)) / soft
        # What brings the speed difference to nothing within the step, as far as the packs can.
        carried = -(difference + bare) * soft / step
        carried = min(max(carried, -most), most)
        more_difference = bare + step * carried / soft
        more_mean *= taken_back
        more_difference *= taken_back
        power[k] = -0.5 * carried * (difference + more_difference)
    return power


def _answer(
    speed: float, more: float, rolling: float, most_n: float, stiff_n: float
) -> tuple[float, float]:
    """How much more a tyre pushes when its wheel turns faster, and its slope there. [N], [N s]"""
    scale = stiff_n / (most_n * SHAPE)
    before = scale * (speed / rolling - 1)
    after = scale * ((speed + more) / rolling - 1)
    angle = SHAPE * atan(after)
    force = most_n * (sin(angle) - sin(SHAPE * atan(before)))
    slope = stiff_n * cos(angle) / (1 + after * after) / rolling
    return force, max(slope, 0.0)
