"""What each lap puts into the figures: thinned columns, axle-state stretches, events, samples."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import numpy as np

from pipeline.result import NO_STATE, SLIP_STATES, STATES, FloatArray, SessionResult
from reports.document import JsonDict
from reports.thin import evenly, extremes, two_byte_codes

POINTS_PER_PAGE = 26_000
"""Points of one trace over all laps, so that a 20-lap page stays well below 2.5 MB. Chosen here."""
POINTS_PER_LAP = (160, 1_600)
"""Fewest and most points of one trace in one lap. Chosen here: a screen is about 1 000 wide."""
PATH_POINTS = 500
"""Points of a lap's path on the map: one about every 10 m."""
SAMPLE_LIMIT = 2_400
"""Sliding samples drawn in all; a point costs about 60 microseconds in the browser."""
RANGE_POINTS = 220


@dataclass(frozen=True, slots=True)
class LapSpan:
    """Where the samples of one lap stand in the session's arrays."""

    number: int
    first: int
    stop: int

    def of(self, values: FloatArray) -> FloatArray:
        """The lap's part of an array."""
        return values[self.first : self.stop]


def spans(result: SessionResult) -> dict[int, LapSpan]:
    """The samples of every listed lap that has any; a lap is one contiguous stretch."""
    lap = result.traces.lap
    if lap.size == 0:
        return {}
    starts = np.concatenate(([0], np.flatnonzero(np.diff(lap)) + 1))
    stops = np.concatenate((starts[1:], [lap.size]))
    listed = {summary.number for summary in result.laps}
    found: dict[int, LapSpan] = {}
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        number = int(lap[start])
        if number in listed:
            longest = found.get(number)
            if longest is None or stop - start > longest.stop - longest.first:
                found[number] = LapSpan(number, start, stop)
    return found


def drawn_length_m(result: SessionResult) -> float:
    """How far the distance axes reach: the circuit, or the log where no circuit was found. [m]"""
    length = result.session.circuit_length_m
    if np.isfinite(length) and length > 0.0:
        return float(length)
    known = result.traces.distance_m[np.isfinite(result.traces.distance_m)]
    return max(float(known.max()), 1.0) if known.size else 1.0


def column(values: FloatArray) -> JsonDict:
    """A column in two bytes per value, base64; the page turns it back into floats."""
    codes, offset, step = two_byte_codes(np.asarray(values, dtype=np.float64))
    text = base64.b64encode(codes.astype("<i2").tobytes()).decode("ascii")
    return {"offset": offset, "step": step, "codes": text}


def typed(values: FloatArray) -> JsonDict:
    """A column as plotly reads it: float32, base64."""
    data = np.asarray(values, dtype="<f4").tobytes()
    return {"dtype": "f4", "bdata": base64.b64encode(data).decode("ascii")}


def decoded(value: object) -> FloatArray:
    """The numbers of a column written by `column`, as the page reads them."""
    if not isinstance(value, dict):
        return np.asarray(value, dtype=np.float64)
    codes = np.frombuffer(base64.b64decode(str(value["codes"])), dtype="<i2").astype(np.float64)
    codes[codes == -32_768] = np.nan
    return np.asarray(value["offset"] + value["step"] * codes, dtype=np.float64)


def points_per_lap(laps: int) -> int:
    """Points of one trace in one lap, so that a long session's page stays light."""
    fewest, most = POINTS_PER_LAP
    return max(fewest, min(most, POINTS_PER_PAGE // max(laps, 1)))


def energy_so_far_kj(time_s: FloatArray, power_w: FloatArray) -> FloatArray:
    """Energy since the start of the lap, signed, gaps counted as nothing. [kJ]"""
    known = np.nan_to_num(power_w, nan=0.0)
    steps = 0.5 * (known[1:] + known[:-1]) * np.diff(time_s)
    return np.concatenate(([0.0], np.cumsum(steps))) * 1e-3


def _line(distance_m: FloatArray, values: FloatArray, points: int) -> JsonDict:
    kept = extremes(values, points)
    return {"x": column(distance_m[kept]), "y": column(values[kept])}


def _stretches(distance_m: FloatArray, state: FloatArray) -> dict[str, JsonDict]:
    """Bars of the axle states: start and length along the lap, one row per state."""
    if state.size < 2:
        return {}
    starts = np.concatenate(([0], np.flatnonzero(np.diff(state)) + 1))
    stops = np.concatenate((starts[1:], [state.size - 1]))
    bars: dict[str, JsonDict] = {}
    for code in range(len(STATES)):
        mine = state[starts] == code
        begin, length = distance_m[starts[mine]], distance_m[stops[mine]] - distance_m[starts[mine]]
        real = length > 0.0
        bars[f"state_{code}"] = {
            "base": np.round(begin[real], 1).tolist(),
            "x": np.round(length[real], 1).tolist(),
            "y": [len(STATES) - 1 - code] * int(real.sum()),
        }
    return bars


def _path(distance_m: FloatArray, x_m: FloatArray, y_m: FloatArray) -> JsonDict:
    known = np.flatnonzero(np.isfinite(x_m) & np.isfinite(y_m))
    kept = known[evenly(known.size, PATH_POINTS)]
    return {
        "x": column(x_m[kept]),
        "y": column(y_m[kept]),
        "customdata": column(distance_m[kept]),
    }


def _lap_traces(result: SessionResult, span: LapSpan, points: int) -> dict[str, JsonDict]:
    traces = result.traces
    known = np.isfinite(span.of(traces.distance_m))
    if int(known.sum()) < 2:
        return {}
    distance = span.of(traces.distance_m)[known]

    def part(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else span.of(values)[known]

    power = part(traces.friction_power_w)
    lines: dict[str, FloatArray | None] = {
        "difference": part(traces.speed_difference_radps),
        "expected": part(traces.expected_difference_radps),
        "power": None if power is None else 1e-3 * power,
        "energy": None if power is None else energy_so_far_kj(span.of(traces.time_s)[known], power),
        "input_torque": part(traces.input_torque_nm),
        "torque_difference": part(traces.torque_difference_nm),
    }
    drawn = {
        name: _line(distance, values, points)
        for name, values in lines.items()
        if values is not None and np.isfinite(values).any()
    }
    drawn |= _stretches(distance, span.of(traces.state.astype(np.float64))[known])
    x_m, y_m = part(traces.x_m), part(traces.y_m)
    if x_m is not None and y_m is not None:
        drawn["path"] = _path(distance, x_m, y_m)
    return drawn


def _lap_events(result: SessionResult, lap: int) -> dict[str, JsonDict]:
    placed: dict[str, JsonDict] = {}
    for state in SLIP_STATES:
        here = [
            (event.x_m, event.y_m)
            for event in result.events
            if event.lap == lap and event.state is state
        ]
        known = [(x, y) for x, y in here if x is not None and y is not None]
        placed[f"events_{STATES.index(state)}"] = {
            "x": [round(x, 1) for x, _ in known],
            "y": [round(y, 1) for _, y in known],
        }
    return placed


def kept_samples(result: SessionResult) -> FloatArray:
    """Indices of the sliding samples to draw: all, or evenly chosen ones."""
    fit = result.lock_fit
    size = 0 if fit is None else fit.input_torque_nm.size
    return evenly(size, SAMPLE_LIMIT).astype(np.float64)


def _lap_samples(result: SessionResult, lap: int) -> JsonDict:
    fit = result.lock_fit
    if fit is None:
        return {"x": [], "y": []}
    kept = kept_samples(result).astype(np.int64)
    mine = kept[fit.sample_lap[kept] == lap]
    return {"x": column(fit.input_torque_nm[mine]), "y": column(fit.locking_torque_nm[mine])}


def lap_columns(result: SessionResult) -> dict[str, JsonDict]:
    """For every lap with samples: what it binds to the figures' traces, by the trace's name."""
    found = spans(result)
    points = points_per_lap(len(found))
    columns: dict[str, JsonDict] = {}
    for number, span in found.items():
        bound = _lap_traces(result, span, points)
        if not bound:
            continue
        bound |= _lap_events(result, number)
        bound["samples"] = _lap_samples(result, number)
        bound["corner_energy"] = {
            "marker.size": [
                max(corner.energy_by_lap_j.get(number, 0.0), 0.0) for corner in result.corners
            ]
        }
        columns[str(number)] = dict(bound)
    return columns


def energy_range_kj(result: SessionResult) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Distances, lowest and highest energy so far over the counted laps. [m, kJ, kJ]"""
    traces = result.traces
    if traces.friction_power_w is None:
        return None
    grid = np.linspace(0.0, drawn_length_m(result), RANGE_POINTS)
    counted = {lap.number for lap in result.laps if lap.valid}
    rows = []
    for number, span in spans(result).items():
        distance = span.of(traces.distance_m)
        known = np.isfinite(distance)
        if number not in counted or int(known.sum()) < 2:
            continue
        energy = energy_so_far_kj(
            span.of(traces.time_s)[known], span.of(traces.friction_power_w)[known]
        )
        rows.append(np.interp(grid, np.maximum.accumulate(distance[known]), energy))
    if not rows:
        return None
    stack = np.vstack(rows)
    return grid, stack.min(axis=0), stack.max(axis=0)


def no_state_share(result: SessionResult) -> float:
    """Share of the samples in laps for which no axle state was told."""
    inside = result.traces.lap >= 0
    total = int(inside.sum())
    return float((result.traces.state[inside] == NO_STATE).sum()) / total if total else 1.0
