"""What each lap puts into the figures: lines as strokes, axle-state stretches, events, samples."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import numpy as np

from pipeline.result import NO_STATE, SLIP_STATES, STATES, FloatArray, IntArray, SessionResult
from reports.document import JsonDict
from reports.thin import evenly, lap_lines

STROKES = (115_000, 3_000)
"""Most strokes of a page, and of each lap of a long one. Chosen here: three bytes a stroke make a
page of 20 laps 1.8 MB and one of 400 laps 6 MB, its drawing library included."""
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


def typed(values: FloatArray) -> JsonDict:
    """A column as plotly reads it: float32, base64."""
    data = np.asarray(values, dtype="<f4").tobytes()
    return {"dtype": "f4", "bdata": base64.b64encode(data).decode("ascii")}


def energy_so_far_kj(time_s: FloatArray, power_w: FloatArray) -> FloatArray:
    """Energy since the start of the lap, signed, gaps counted as nothing. [kJ]"""
    known = np.nan_to_num(power_w, nan=0.0)
    steps = 0.5 * (known[1:] + known[:-1]) * np.diff(time_s)
    return np.concatenate(([0.0], np.cumsum(steps))) * 1e-3


def kept_samples(result: SessionResult) -> IntArray:
    """Indices of the sliding samples to draw: all, or evenly chosen ones."""
    fit = result.lock_fit
    return evenly(0 if fit is None else fit.input_torque_nm.size, SAMPLE_LIMIT)


def _stretches(distance_m: FloatArray, state: FloatArray) -> list[list[list[float]]]:
    """For each axle state where along the lap its stretches begin, and how long they are. [m]"""
    starts = np.concatenate(([0], np.flatnonzero(np.diff(state)) + 1))
    stops = np.concatenate((starts[1:], [state.size - 1]))
    length = distance_m[stops] - distance_m[starts]
    mine = [(state[starts] == code) & (length > 0.0) for code in range(len(STATES))]
    return [
        [np.round(distance_m[starts[one]], 1).tolist(), np.round(length[one], 1).tolist()]
        for one in mine
    ]


def _events(result: SessionResult) -> dict[int, list[list[list[float]]]]:
    """For each lap and slip state where on the map its events were. [m]"""
    placed: dict[int, list[list[list[float]]]] = {}
    for event in result.events:
        lap = placed.setdefault(event.lap, [[[], []] for _ in SLIP_STATES])
        if event.x_m is not None and event.y_m is not None:
            east, north = lap[SLIP_STATES.index(event.state)]
            east.append(round(event.x_m, 1))
            north.append(round(event.y_m, 1))
    return placed


def _samples(result: SessionResult, lap: int, kept: IntArray) -> list[list[float]]:
    """The drawn sliding samples of one lap: input and locking torque. [N m]"""
    fit = result.lock_fit
    if fit is None:
        return [[], []]
    mine = kept[fit.sample_lap[kept] == lap]
    return [np.rint(fit.input_torque_nm[mine]).tolist(),
            np.rint(fit.locking_torque_nm[mine]).tolist()]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Traces:
    """The lines that follow the lap, each with the height of the figure that draws it."""

    values: dict[str, FloatArray]
    reach: dict[str, float]


def _traces(result: SessionResult, laps: dict[int, IntArray]) -> Traces:
    traces = result.traces
    power = traces.friction_power_w
    heights = {
        "difference": "speeds", "expected": "speeds", "power": "power", "energy": "energy",
        "input_torque": "torques", "torque_difference": "torques",
    }  # fmt: skip
    lines = {
        "difference": traces.speed_difference_radps,
        "expected": traces.expected_difference_radps,
        "power": None if power is None else 1e-3 * power,
        "energy": None if power is None else _energy_kj(traces.time_s, power, laps),
        "input_torque": traces.input_torque_nm,
        "torque_difference": traces.torque_difference_nm,
    }
    values = {name: line for name, line in lines.items() if line is not None}
    inside = np.concatenate(list(laps.values()))
    spans = {name: _span(line[inside]) for name, line in values.items()}
    reach = {
        name: max(span for other, span in spans.items() if heights[other] == heights[name])
        for name in values
    }
    if "energy" in reach:  # one corner of it is looked at on a scale of its own
        reach["energy"] *= 0.1
    # On the map and along the lap a sample may be off by a fraction of a metre.
    values["distance"], reach["distance"] = traces.distance_m, 0.04 * drawn_length_m(result)
    if traces.x_m is not None and traces.y_m is not None:
        size = 0.25 * max(_span(traces.x_m[inside]), _span(traces.y_m[inside]))
        values |= {"east": traces.x_m, "north": traces.y_m}
        reach |= {"east": size, "north": size}
    return Traces(values, reach)


def _span(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.ptp(known)) or 1.0 if known.size else 1.0


def _energy_kj(time_s: FloatArray, power_w: FloatArray, laps: dict[int, IntArray]) -> FloatArray:
    energy = np.full_like(power_w, np.nan)
    for lap in laps.values():
        energy[lap] = energy_so_far_kj(time_s[lap], power_w[lap])
    return energy


def lap_columns(result: SessionResult) -> tuple[dict[str, JsonDict], float]:
    """What every lap with samples draws, and how far a sample may lie off its line.

    The tolerance is a share of the height of the figure.
    """
    distance = result.traces.distance_m
    laps = {
        number: span.first + np.flatnonzero(np.isfinite(span.of(distance)))
        for number, span in spans(result).items()
    }
    laps = {number: lap for number, lap in laps.items() if lap.size > 1}
    if not laps:
        return {}, 0.0
    traces = _traces(result, laps)
    limit = max(STROKES[0], STROKES[1] * len(laps))
    lines, off = lap_lines(traces.values, traces.reach, list(laps.values()), limit)
    events, kept = _events(result), kept_samples(result)
    state = result.traces.state.astype(np.float64)
    columns: dict[str, JsonDict] = {}
    for (number, lap), drawn in zip(laps.items(), lines, strict=True):
        columns[str(number)] = {
            "size": int(lap.size),
            "lines": drawn,
            "states": _stretches(distance[lap], state[lap]),
            "events": events.get(number, []),
            "samples": _samples(result, number, kept),
            "corner_energy": [
                round(max(corner.energy_by_lap_j.get(number, 0.0), 0.0), 1)
                for corner in result.corners
            ],
        }
    return columns, off


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
