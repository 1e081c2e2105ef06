"""How fast the engine turns for one turn of the ring gear, and when the clutch ties the two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import Driveline
from pipeline.input_torque import Running
from pipeline.runs import widen

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A closed clutch ties engine to wheels to within sensor lag and the twist of the shafts; a slipping
# one is off by far more. Chosen by us.
_CLUTCH_CLOSED = 0.03
# Around a clutch that slips or a gear that changes; torque swings before speeds tell. Chosen by us.
_CLUTCH_GUARD_S = 0.15
_BLIND_SHIFT_GUARD_S = 0.40
# Slower, engine over wheel speed is one small number over another, and the clutch slips anyway.
_LEAST_SPEED_RADPS = 15.0
# Stated ratios that differ from engine over wheel speed by more than this are worth a word.
_NOTABLE_RATIO = 0.01
_LEAST_IN_GEAR_S = 2.0


@dataclass(frozen=True, slots=True)
class Gearing:
    """Engine speed over case speed, and when the two are tied; arrays of shape (n,)."""

    ratio: FloatArray
    closed: BoolArray
    """Clutch closed for sure, away from shifts."""
    open: BoolArray
    """No drive at all: neutral, or a standstill."""
    notes: tuple[str, ...]


def find_gearing(running: Running, driveline: Driveline) -> tuple[Gearing | None, str]:
    """Overall ratio of every sample from what is stated, else from the speeds themselves."""
    gear, engine = (running.channels.get(name) for name in ("gear", "engine_speed_radps"))
    overall = _overall(driveline)
    if gear is None and engine is None:
        return None, "the log has neither gear nor engine speed to tell the ratio from"
    seen = None
    if engine is not None:
        rolling = running.case_radps > _LEAST_SPEED_RADPS
        seen = np.where(rolling, engine / np.where(rolling, running.case_radps, 1.0), np.nan)
    notes: list[str] = []
    if gear is None:
        if overall is None:
            return None, (
                "the log has no gear; state gear_ratios and final_drive under [driveline] of "
                "build_sheet.toml or map the gear"
            )
        assert seen is not None
        number = nearest_gear(seen, overall)
        notes.append("gear told by engine over wheel speed")
    else:
        number = np.where(np.isfinite(gear), np.round(gear), 0).astype(np.intp)
        if overall is None:
            if seen is None:
                return None, (
                    "neither gear_ratios and final_drive are stated under [driveline] of "
                    "build_sheet.toml nor has the log engine speed to find them"
                )
            overall, found = _ratios_seen(seen, number, running.rate_hz)
            notes.append(found)
    if seen is not None:
        notes += _odd_ratios(seen, number, overall, running.rate_hz)
    ratio = _by_gear(number, overall)
    guard = _CLUTCH_GUARD_S
    tied = np.isfinite(ratio)
    if seen is None:
        notes.append("no engine speed: a slipping clutch would not show, shifts are left out wide")
        guard = _BLIND_SHIFT_GUARD_S
    else:
        tied &= np.abs(seen / np.where(tied, ratio, 1.0) - 1) < _CLUTCH_CLOSED
    changed = np.zeros(len(number), dtype=bool)
    changed[1:] = number[1:] != number[:-1]
    loose = widen(~tied | changed, round(guard * running.rate_hz))
    idle = running.standing | ((number == 0) if gear is not None else False)
    return Gearing(ratio, ~loose, idle, tuple(notes)), ""


def _overall(driveline: Driveline) -> FloatArray | None:
    """Engine over case speed of every gear, first gear first; None unless both are stated."""
    if driveline.gear_ratios is None or driveline.final_drive is None:
        return None
    return np.array(driveline.gear_ratios) * driveline.final_drive


def nearest_gear(seen: FloatArray, overall: FloatArray) -> NDArray[np.intp]:
    """Gear whose ratio the speeds show, shape (n,); 0 where they fit none.

    >>> nearest_gear(np.array([11.3, 5.1, 3.7, np.nan]), np.array([11.31, 7.88, 3.71])).tolist()
    [1, 0, 3, 0]
    """
    off = np.abs(np.nan_to_num(seen, nan=0.0)[:, None] / overall - 1)
    best = np.argmin(off, axis=1)
    fits = off[np.arange(len(seen)), best] < _CLUTCH_CLOSED
    return np.where(fits, best + 1, 0)


def _ratios_seen(
    seen: FloatArray, number: NDArray[np.intp], rate_hz: float
) -> tuple[FloatArray, str]:
    """Overall ratio of each gear as the speeds show it; NaN for gears hardly used."""
    gears = max(int(number.max(initial=0)), 1)
    overall = np.full(gears, np.nan)
    for gear in range(1, gears + 1):
        here = seen[(number == gear) & np.isfinite(seen)]
        if len(here) >= _LEAST_IN_GEAR_S * rate_hz:
            overall[gear - 1] = np.median(here)
    said = ", ".join(f"{ratio:.2f}" for ratio in overall if np.isfinite(ratio))
    return overall, f"overall ratios found from engine over wheel speed: {said}"


def _odd_ratios(
    seen: FloatArray, number: NDArray[np.intp], overall: FloatArray, rate_hz: float
) -> list[str]:
    """Gears whose stated ratio is not the one that the speeds show."""
    said = []
    for gear, ratio in enumerate(overall, start=1):
        here = seen[(number == gear) & np.isfinite(seen)]
        if len(here) < _LEAST_IN_GEAR_S * rate_hz or not np.isfinite(ratio):
            continue
        found = float(np.median(here))
        if abs(found / ratio - 1) > _NOTABLE_RATIO:
            said.append(
                f"gear {gear}: engine turns {found:.3f} times as fast as the wheels, the build "
                f"sheet says {ratio:.3f}"
            )
    return said


def _by_gear(number: NDArray[np.intp], overall: FloatArray) -> FloatArray:
    """Ratio of every sample, shape (n,); NaN in neutral, reverse and unknown gears."""
    known = (number >= 1) & (number <= len(overall))
    return np.where(known, overall[np.where(known, number - 1, 0)], np.nan)
