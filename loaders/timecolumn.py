"""Which column is the time: the one that rises by equal steps; or how often a log has rows."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from loaders import scales
from loaders.channels import Quantity
from loaders.evidence import FloatArray
from loaders.judging import Look
from loaders.proposals import Time
from loaders.units import canonical
from loaders.words import is_time

# Rates that loggers are set to. Common practice, no source.
_RATES_HZ = (1, 2, 4, 5, 8, 10, 20, 25, 40, 50, 100, 125, 200, 250, 400, 500, 1000)
# Smoothing and slip angles take up to so much of a proportion.
_RATE_WITHIN = 0.12
# Loggers write between once a second and a few thousand times.
_STEP_S = (2e-4, 1.0)


def find_time(columns: Mapping[str, FloatArray], stated: Mapping[str, str | None]) -> Time | None:
    """The column that can be the time, or None when there is none."""
    found = {k: evenness for k, v in columns.items() if (evenness := _evenness(v)) is not None}
    if not found:
        return None
    named = [k for k in found if is_time(k)]
    column = min(named or found, key=lambda k: found[k])
    step = _step(columns[column])
    unit = canonical(stated[column] or "", Quantity.TIME)
    if unit is not None:
        return Time(column, None, f"rises in every row, by {step:g} {unit} as a rule")
    if not _STEP_S[0] <= step <= _STEP_S[1]:
        unit = "ms" if _STEP_S[0] <= step * 1e-3 <= _STEP_S[1] else "us"
        return Time(column, unit, f"rises in every row; in steps of {step:g} it is {unit}")
    return Time(column, "s", f"rises in every row; in steps of {step:g} it is s")


def _step(values: FloatArray) -> float:
    return float(np.median(np.diff(values[np.isfinite(values)])))


def _evenness(values: FloatArray) -> float | None:
    """Share of steps unlike the usual one; None for a column that does not rise throughout."""
    own = values[np.isfinite(values)]
    if len(own) < 3 or len(own) < 0.9 * len(values):
        return None
    step = np.diff(own)
    usual = float(np.median(step))
    # A few time jumps are a matter for another place.
    if usual <= 0 or np.mean(step <= 0) > 0.01:
        return None
    unlike = float(np.mean(np.abs(step - usual) > 0.5 * usual))
    return unlike if unlike < 0.5 else None


def fitting_rate(log: Look, supposed_hz: float) -> tuple[float | None, str]:
    """Rows per second by the columns that know a second: acceleration, or position; and why.

    Parameters
    ----------
    log : Look
        Looked at as if it had ``supposed_hz`` rows a second.
    supposed_hz : float

    Notes
    -----
    Derived here: read at the wrong rate, a change per second is wrong by supposed over true rate.
    Units that are stated make the proportion of change of speed to acceleration, and of speed to
    change of position, known. Told when it is within 12 % of a rate that loggers are set to.
    """
    motion = log.motion
    speed = log.unit(motion.speed, "speed_mps") if motion.speed else None
    if speed is None:
        return None, ""
    v_si = scales.factor(speed, Quantity.SPEED)
    found: list[tuple[float, str]] = []
    accel = log.unit(motion.accel, "accel_long_mps2") if motion.accel else None
    if accel is not None and motion.accel_slope:
        size = scales.factor(accel, Quantity.ACCELERATION) / (v_si * abs(motion.accel_slope))
        found.append((supposed_hz * size, f"'{motion.accel}'"))
    path = log.unit(motion.path[0], "position_x_m") if motion.path else None
    if path is not None and max(motion.path_scale):
        size = v_si * max(motion.path_scale) / scales.factor(path, Quantity.DISTANCE)
        found.append((supposed_hz * size, f"the path in '{motion.path[0]}'" if motion.path else ""))
    for rate_hz, by in found:
        near = min(_RATES_HZ, key=lambda each: abs(math.log(each / rate_hz)))
        if abs(math.log(near / rate_hz)) < _RATE_WITHIN:
            return float(near), f"'{motion.speed}' and {by} fit {near} rows a second"
    return None, ""
