"""What each figure of a session's page shows, in words and numbers, for who cannot see it."""

from __future__ import annotations

import numpy as np

from pipeline.estimate import Bound, Estimate, Predicted
from pipeline.result import SLIP_STATES, SessionResult
from reports.numbers import number, written, written_bound
from reports.wording import quantity


def told(result: SessionResult, name: str) -> str:
    """One of the session's numbers with its interval and unit; empty where there is none."""
    answer, shown = result.estimates.get(name), quantity(name, "")
    if isinstance(answer, Bound):
        return f"{shown.label.lower()} {written_bound(answer, shown.unit, shown.factor)}"
    if not isinstance(answer, Estimate | Predicted):
        return ""
    text = written(answer, shown.unit, shown.factor)
    return f"{shown.label.lower()} {text.with_interval} {shown.unit}".rstrip()


def _sentence(*parts: str) -> str:
    said = ", ".join(part for part in parts if part)
    return f"{said[:1].upper()}{said[1:]}." if said else ""


def lock_words(result: SessionResult) -> str:
    """The three numbers of the drawn law, and how it lies to the build sheet's."""
    numbers = (told(result, name) for name in ("breakaway_torque_nm", "lock_drive", "lock_overrun"))
    fit = result.lock_fit
    beside = ""
    if fit is not None and fit.predicted_low_nm is not None and fit.predicted_high_nm is not None:
        inside = (fit.curve_high_nm >= fit.predicted_low_nm) & (
            fit.curve_low_nm <= fit.predicted_high_nm
        )
        share = 100.0 * float(inside.mean())
        beside = f"The fitted law meets the build sheet's band on {number(share, 0)} % of the way."
    return " ".join(part for part in (_sentence(*numbers), beside) if part)


def slip_words(result: SessionResult) -> str:
    """How long the axle is in each state, and in which corners most."""
    times = (told(result, f"{str(state).replace(' ', '_')}_s_per_lap") for state in SLIP_STATES)
    most = max(result.corners, key=lambda one: sum(one.event_counts.values()), default=None)
    events = 0 if most is None else sum(most.event_counts.values())
    where = f"most slip events in corner {most.number}, {events}" if most and events else ""
    return _sentence(*times, where)


def heat_words(result: SessionResult) -> str:
    """Energy and peak power of a lap, and the corners that cost most."""
    return _sentence(told(result, "energy_per_lap_j"), told(result, "peak_power_w"), _costs(result))


def map_words(result: SessionResult) -> str:
    """The corners that cost most."""
    return _sentence(_costs(result))


def torque_words(result: SessionResult) -> str:
    """Between which torques the counted laps run."""
    traces = result.traces
    counted = {lap.number for lap in result.laps if lap.valid}
    torque = traces.input_torque_nm
    if torque is None or not counted:
        return ""
    known = torque[np.isin(traces.lap, list(counted), kind="table") & np.isfinite(torque)]
    if not known.size:
        return ""
    low, high = (number(float(end), 0) for end in (known.min(), known.max()))
    return f"In the counted laps the input torque runs from {low} to {high} N·m."


def _costs(result: SessionResult) -> str:
    known = [
        (corner.energy_j, corner.number)
        for corner in result.corners
        if isinstance(corner.energy_j, Estimate)
    ]
    known.sort(key=lambda one: -one[0].value)
    words = [f"corner {n} {written(each, 'kJ', 1e-3).with_interval} kJ" for each, n in known[:3]]
    return f"most heat in {', '.join(words)}" if words else ""
