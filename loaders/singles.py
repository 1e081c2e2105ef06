"""Columns that are known by their own habits: gear, lap, beacon, throttle, brake, engine."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from loaders.evidence import (
    FloatArray,
    is_one_sided,
    is_whole,
    levels,
    line,
    over_stretch,
    steps,
)

# Nobody laps a circuit in less; a gear lasts less than that most of the time.
_SHORTEST_LAP_S = 20.0
# Sizes that a circuit car's peak brake pressure and engine speed have, chosen here.
PEAK_BRAKE = {
    "bar": (15.0, 250.0), "MPa": (1.5, 14.9), "kPa": (1500.0, 25000.0), "psi": (251.0, 1499.0),
    "Pa": (1.5e6, 2.5e7),
}  # fmt: skip
PEAK_ENGINE = {"rpm": (3000.0, 20000.0), "rad/s": (314.0, 2100.0), "rev/s": (50.0, 313.0)}


def by_size(values: FloatArray, sizes: Mapping[str, tuple[float, float]]) -> str | None:
    """The unit in which the column's largest values are of a usual size, or None."""
    peak = float(np.nanpercentile(values, 99.5))
    fitting = [unit for unit, (low, high) in sizes.items() if low <= peak <= high]
    return fitting[0] if len(fitting) == 1 else None


def is_gear(values: FloatArray, time_s: FloatArray) -> bool:
    """Few whole numbers, one step at a time, often."""
    found, changes = levels(values), steps(values)
    if not is_whole(values) or not 3 <= len(found) <= 14 or found[0] < -1 or found[-1] > 12:
        return False
    lasting = (np.nanmax(time_s) - np.nanmin(time_s)) / max(len(changes), 1)
    return bool(lasting < _SHORTEST_LAP_S and (changes < 0).any() and (changes > 0).any())


def is_lap_number(values: FloatArray, time_s: FloatArray) -> bool:
    """Whole numbers that rise by one, seldom."""
    changes = steps(values)
    if not is_whole(values) or not len(changes) or not (changes == 1).all():
        return False
    return bool((np.nanmax(time_s) - np.nanmin(time_s)) / len(changes) > _SHORTEST_LAP_S)


def is_beacon(values: FloatArray, time_s: FloatArray) -> bool:
    """Two values, the upper one seldom and short."""
    if len(levels(values)) != 2:
        return False
    own = values[np.isfinite(values)]
    upper = own == own.max()
    pulses = int((np.diff(upper.astype(int)) > 0).sum())
    each = (np.nanmax(time_s) - np.nanmin(time_s)) / max(pulses, 1)
    return bool(pulses and upper.mean() < 0.1 and each > _SHORTEST_LAP_S)


def throttle_unit(values: FloatArray, change: FloatArray) -> str | None:
    """Unit of a throttle: it stands at both ends, and the car gains speed while it is open."""
    low, high = np.nanmin(values), np.nanmax(values)
    unit = "%" if 90 <= high <= 112 else "1" if 0.9 <= high <= 1.12 else None
    if unit is None or abs(low) > 0.1 * high:
        return None
    ends = min(np.nanmean(values > 0.95 * high), np.nanmean(values < 0.05 * high))
    opened = over_stretch(values) > 0.6 * high
    gains = np.nanmedian(change[opened]) > 0 if opened.any() else False
    return unit if ends > 0.02 and gains else None


def is_brake(values: FloatArray, change: FloatArray) -> bool:
    """Nothing under drive, and in step with slowing down."""
    if not is_one_sided(values):
        return False
    pressed = over_stretch(values)
    slowing = change < 0.1 * np.nanmin(change)
    driving = change > 0.3 * np.nanmax(change)
    if not slowing.any() or not driving.any():
        return False
    little = np.nanmedian(pressed[driving]) < 0.05 * np.nanmax(values)
    return bool(little and line(pressed, -change, slowing).correlation > 0.85)


def is_engine_speed(values: FloatArray, wheel: FloatArray, gear: FloatArray | None) -> bool:
    """Never still, and at one ratio to the driven wheels in each gear."""
    if not is_one_sided(values) or np.nanmin(values) <= 0:
        return False
    rolling = wheel > 0.3 * np.nanmax(wheel)
    ratio = np.where(rolling, values / np.where(rolling, wheel, 1.0), np.nan)
    if gear is None:
        return False
    kept = [
        float(np.subtract(*np.nanpercentile(ratio[use], [75, 25])) / np.nanmedian(ratio[use]))
        for each in levels(np.round(gear))
        if (use := rolling & (np.abs(gear - each) < 0.01)).sum() > 20
    ]
    return len(kept) >= 2 and float(np.median(kept)) < 0.03


def engine_torque(
    columns: Mapping[str, FloatArray],
    free: list[str],
    engine: FloatArray,
    shaft_sum: FloatArray,
    wheel: FloatArray,
) -> str | None:
    """The column that makes, with the engine's speed, the power that the half-shafts carry."""
    power = over_stretch(shaft_sum * wheel)
    found = {
        k: line(power, over_stretch(columns[k] * engine)).correlation
        for k in free
        if not is_one_sided(columns[k])
    }
    best = max(found, key=lambda k: found[k], default=None)
    return best if best is not None and found[best] > 0.97 else None
