"""Where on the circuit the plates make heat: the map figure."""

from __future__ import annotations

import numpy as np

from pipeline.result import SLIP_STATES, STATES, CornerSummary, FloatArray, SessionResult
from reports.document import JsonDict
from reports.figures import LARGEST_DISC
from reports.lap_columns import LapSpan, spans, typed
from reports.palette import LIGHT, STATE_COLOUR, STATE_SYMBOL
from reports.plain_figures import FONT
from reports.thin import evenly
from reports.wording import STATE_LETTER

LABEL_DISTANCE = 0.055
"""How far a corner's number stands off the track, in parts of the map's larger side."""


def reference_span(result: SessionResult) -> LapSpan | None:
    """The quickest counted lap that has samples: its path is drawn as the circuit."""
    found = spans(result)
    counted = [lap for lap in result.laps if lap.valid and lap.number in found]
    return found[min(counted, key=lambda lap: lap.lap_time_s).number] if counted else None


def reference_path(result: SessionResult) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Distance and position along the reference lap, thinned; None without position. [m]"""
    traces, span = result.traces, reference_span(result)
    if traces.x_m is None or traces.y_m is None or span is None:
        return None
    distance, x_m, y_m = (span.of(part) for part in (traces.distance_m, traces.x_m, traces.y_m))
    known = np.flatnonzero(np.isfinite(distance) & np.isfinite(x_m) & np.isfinite(y_m))
    if known.size < 10:
        return None
    kept = known[evenly(known.size, 800)]
    return np.maximum.accumulate(distance[kept]), x_m[kept], y_m[kept]


def _places(
    path: tuple[FloatArray, FloatArray, FloatArray], corners: tuple[CornerSummary, ...]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Apex position and the unit vector that points out of each corner."""
    distance, x_m, y_m = path
    apex = np.array([corner.apex_m for corner in corners], dtype=np.float64)
    x, y = np.interp(apex, distance, x_m), np.interp(apex, distance, y_m)
    ahead, behind = apex + 8.0, apex - 8.0
    dx = np.interp(ahead, distance, x_m) - np.interp(behind, distance, x_m)
    dy = np.interp(ahead, distance, y_m) - np.interp(behind, distance, y_m)
    length = np.maximum(np.hypot(dx, dy), 1e-9)
    sign = np.array([1.0 if corner.direction == "left" else -1.0 for corner in corners])
    return x, y, sign * dy / length, -sign * dx / length


def corner_places(result: SessionResult) -> dict[int, tuple[float, float]]:
    """Apex of each corner on the map. [m]"""
    path = reference_path(result)
    if path is None or not result.corners:
        return {}
    x, y, _, _ = _places(path, result.corners)
    return {
        corner.number: (round(float(x[i]), 1), round(float(y[i]), 1))
        for i, corner in enumerate(result.corners)
    }


def bounds_m(result: SessionResult) -> tuple[float, float, float, float] | None:
    """West, east, south and north end of what the map shows. [m]"""
    path = reference_path(result)
    if path is None:
        return None
    _, x, y = path
    pad = 0.10 * max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    return (
        float(x.min()) - pad,
        float(x.max()) + pad,
        float(y.min()) - pad,
        float(y.max()) + pad,
    )


def _track(path: tuple[FloatArray, FloatArray, FloatArray]) -> JsonDict:
    _, x, y = path
    return {
        "type": "scatter",
        "mode": "lines",
        "x": typed(np.append(x, x[0])),
        "y": typed(np.append(y, y[0])),
        "line": {"color": LIGHT["rule"], "width": 9},
        "hoverinfo": "skip",
    }


def _start(path: tuple[FloatArray, FloatArray, FloatArray]) -> JsonDict:
    _, x, y = path
    ahead = min(6, x.size - 1)
    heading = float(np.degrees(np.arctan2(x[ahead] - x[0], y[ahead] - y[0])))
    return {
        "type": "scatter",
        "mode": "markers+text",
        "x": [float(x[0])],
        "y": [float(y[0])],
        "text": ["start"],
        "textposition": "top center",
        "textfont": {"size": 11, "color": LIGHT["muted"]},
        "marker": {"symbol": "triangle-up", "size": 13, "angle": heading, "color": LIGHT["ink"]},
        "hoverinfo": "skip",
    }


def _discs(x: FloatArray, y: FloatArray, largest_j: float) -> JsonDict:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": typed(x),
        "y": typed(y),
        "meta": {"bind": "corner_energy"},
        "marker": {
            "size": [0.0] * x.size,
            "sizemode": "area",
            "sizeref": 2.0 * max(largest_j, 1e-9) / LARGEST_DISC**2,
            "color": LIGHT["disc"],
            "opacity": 1.0,
            "line": {"color": LIGHT["disc_edge"], "width": 1},
        },
        "hoverinfo": "skip",
    }


def _event_traces() -> list[JsonDict]:
    """One trace per kind of slip event: its own symbol with its letter in it."""
    return [
        {
            "type": "scatter",
            "mode": "markers+text",
            "x": [],
            "y": [],
            "texttemplate": STATE_LETTER[state],
            "textposition": "middle center",
            "textfont": {
                "size": 9,
                "color": LIGHT["on_light" if state.value == "inside overspeed" else "on_dark"],
            },
            "meta": {"bind": f"events_{STATES.index(state)}"},
            "marker": {
                "symbol": STATE_SYMBOL[state],
                "size": 15 if STATE_SYMBOL[state] != "triangle-up" else 18,
                "color": LIGHT[STATE_COLOUR[state]],
                "line": {"color": LIGHT["paper"], "width": 1},
            },
            "hoverinfo": "skip",
        }
        for state in SLIP_STATES
    ]


def _numbers(
    x: FloatArray, y: FloatArray, out_x: FloatArray, out_y: FloatArray,
    corners: tuple[CornerSummary, ...], reach: float,
) -> JsonDict:  # fmt: skip
    return {
        "type": "scatter",
        "mode": "text",
        "x": typed(x + reach * out_x),
        "y": typed(y + reach * out_y),
        "text": [str(corner.number) for corner in corners],
        "textfont": {"size": 15, "color": LIGHT["ink"], "weight": "bold"},
        "hoverinfo": "skip",
    }


def largest_corner_energy_j(result: SessionResult) -> float:
    """Highest energy of any corner in any lap: it gets the largest disc. [J]"""
    return max((max(c.energy_by_lap_j.values(), default=0.0) for c in result.corners), default=0.0)


def map_figure(result: SessionResult) -> JsonDict | None:
    """The circuit with a disc of energy per corner and the chosen lap's slip events."""
    path, limits = reference_path(result), bounds_m(result)
    if path is None or limits is None:
        return None
    west, east, south, north = limits
    data = [_track(path), _lap_path()]
    places = _places(path, result.corners) if result.corners else None
    if places is not None:
        data.append(_discs(places[0], places[1], largest_corner_energy_j(result)))
    data += [_start(path), *_event_traces()]
    if places is not None:
        reach = LABEL_DISTANCE * max(east - west, north - south)
        data.append(_numbers(*places, result.corners, reach))
    bare = {"visible": False, "fixedrange": True}
    layout: JsonDict = {
        "height": 520,
        "margin": {"l": 4, "r": 4, "t": 4, "b": 4},
        "font": dict(FONT),
        "showlegend": False,
        "hovermode": False,
        "dragmode": False,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "xaxis": bare | {"range": [west, east]},
        "yaxis": bare | {"range": [south, north]},
        **_scale_bar(west, south, east - west),
    }
    return {"data": data, "layout": layout}


def _lap_path() -> JsonDict:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [],
        "y": [],
        "meta": {"bind": "path"},
        "line": {"color": LIGHT["ink"], "width": 1.2},
        "hoverinfo": "skip",
    }


def _scale_bar(west: float, south: float, width: float) -> JsonDict:
    """A bar of a round length in the lower left corner, as on a paper map."""
    length = max(
        step for step in (10, 20, 50, 100, 200, 500, 1000) if step <= max(0.25 * width, 10)
    )
    x0, y0 = west + 0.02 * width, south + 0.03 * width
    bar = {
        "type": "line",
        "x0": x0,
        "x1": x0 + length,
        "y0": y0,
        "y1": y0,
        "line": {"color": LIGHT["ink"], "width": 2},
    }
    label = {
        "x": x0 + 0.5 * length,
        "y": y0,
        "yanchor": "bottom",
        "text": f"{length} m",
        "showarrow": False,
        "font": {"size": 11, "color": LIGHT["ink"]},
    }
    return {"shapes": [bar], "annotations": [label]}
