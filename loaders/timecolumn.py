"""Which column is the time: the one that rises by equal steps in every row."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from loaders.channels import Quantity
from loaders.evidence import FloatArray
from loaders.proposals import Time
from loaders.units import canonical
from loaders.words import is_time

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
