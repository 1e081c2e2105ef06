"""From arrays to figures, each answering one question: plain plotly dicts with units on the axes.

A trace with ``meta = {"bind": name}`` takes its columns from the chosen lap, in the page's script;
with ``"twin"`` it is drawn for a second lap too; with ``"sum"`` it counts from the start of the
stretch that is shown.
"""

from __future__ import annotations

import numpy as np

from pipeline.estimate import Bound, Estimate, SessionAnswer
from pipeline.result import STATES, CornerSummary, LockFit, SessionResult
from reports.document import JsonDict
from reports.lap_columns import drawn_length_m, energy_range_kj, typed
from reports.numbers import written, written_bound
from reports.palette import LIGHT, STATE_COLOUR, STATE_HATCH
from reports.plain_figures import axis, layout, ribbon
from reports.wording import STATE_LETTER

LARGEST_DISC = 62
"""Diameter of the disc of the corner with the highest energy. [px]"""


def _lap_line(bind: str, colour: str, **more: object) -> JsonDict:
    line: JsonDict = {
        "type": "scatter",
        "mode": "lines",
        "x": [],
        "y": [],
        "connectgaps": False,
        "hoverinfo": "skip",
        "meta": {"bind": bind, "twin": True},
        "line": {"color": LIGHT[colour], "width": 1.5},
    }
    return line | more


def _corner_marks(corners: tuple[CornerSummary, ...]) -> JsonDict:
    """Shaded stretches with the corner's number and its letter for left or right above them."""
    shapes = [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": corner.start_m,
            "x1": corner.end_m,
            "y0": 0,
            "y1": 1,
            "line": {"width": 0},
            "fillcolor": LIGHT["stretch"],
            "layer": "below",
        }
        for corner in corners
    ]
    labels = [
        {
            "xref": "x",
            "yref": "paper",
            "x": 0.5 * (corner.start_m + corner.end_m),
            "y": 1,
            "yanchor": "bottom",
            "text": f"{corner.number}<br>{side(corner)[0].upper()}",
            "showarrow": False,
            "font": {"size": 11, "color": LIGHT["muted"]},
        }
        for corner in corners
    ]
    return {"shapes": shapes, "annotations": labels}


def side(corner: CornerSummary) -> str:
    """Which way the corner turns, in a word of our own whatever the result holds."""
    return "left" if corner.direction == "left" else "right"


def _padded(low: float, high: float, share: float = 0.05) -> list[float]:
    pad = share * ((high - low) or 1.0)
    return [low - pad, high + pad]


def _reach(result: SessionResult, *traces: np.ndarray | None) -> list[float]:
    """Lowest and highest value over the counted laps: the same scale whichever lap is chosen."""
    numbers = [lap.number for lap in result.laps if lap.valid]
    counted = np.isin(result.traces.lap, numbers, kind="table")
    parts = [values[counted & np.isfinite(values)] for values in traces if values is not None]
    known = [part for part in parts if part.size]
    if not known:
        return [-1.0, 1.0]
    return _padded(min(float(p.min()) for p in known), max(float(p.max()) for p in known))


def _distance_axis(result: SessionResult, **more: object) -> JsonDict:
    span = [0.0, drawn_length_m(result)]
    return axis("distance from the start line [m]", range=span, zeroline=False, **more)


def slip_figure(result: SessionResult) -> JsonDict:
    """Speed difference against the expected one, with a row per axle state below it."""
    bars: list[JsonDict] = [
        {
            "type": "bar",
            "orientation": "h",
            "base": [],
            "x": [],
            "y": [],
            "yaxis": "y2",
            "width": 0.78,
            "hoverinfo": "skip",
            "meta": {"bind": f"state_{code}", "twin": True},
            "marker": {
                "color": LIGHT[STATE_COLOUR[state]],
                "line": {"width": 0},
                "pattern": {
                    "shape": STATE_HATCH[state],
                    "fillmode": "overlay",
                    "fgcolor": LIGHT["on_dark"],
                    "fgopacity": 0.75,
                    "size": 6,
                    "solidity": 0.25,
                },
            },
        }
        for code, state in enumerate(STATES)
    ]
    lines = [  # the path of a second lap asks for nearly the same
        _lap_line("difference", "ink"),
        _lap_line(
            "expected",
            "law",
            line={"color": LIGHT["law"], "width": 2, "dash": "6px,4px"},
            meta={"bind": "expected"},
        ),
    ]
    traces = result.traces
    rows = [len(STATES) - 1 - code for code in range(len(STATES))]
    reach = _reach(result, traces.speed_difference_radps, traces.expected_difference_radps)
    frame = layout(
        460,
        xaxis=_distance_axis(result, anchor="y2"),
        yaxis=axis("left minus right [rad/s]", domain=[0.36, 1.0], range=reach),
        yaxis2=axis(
            "",
            domain=[0.0, 0.3],
            range=[-0.6, len(STATES) - 0.4],
            tickvals=rows,
            ticktext=[STATE_LETTER[state] for state in STATES],
            showgrid=False,
            zeroline=False,
            fixedrange=True,
            ticks="",
        ),
        **_corner_marks(result.corners),
    )
    return {"data": bars + lines, "layout": frame}


def heat_figure(result: SessionResult) -> JsonDict:
    """Friction power along the lap, and below it the energy so far among all counted laps."""
    data: list[JsonDict] = [
        _lap_line(
            "power", "heat", fill="tozeroy", fillcolor=LIGHT["heat_fill"],
            line={"color": LIGHT["heat"], "width": 1.3},
        )
    ]  # fmt: skip
    band = energy_range_kj(result)
    if band is not None:
        grid, low, high = band
        data.append(ribbon(grid, low, high, LIGHT["range"]) | {"yaxis": "y2"})
    data.append(
        _lap_line(
            "energy",
            "ink",
            yaxis="y2",
            line={"color": LIGHT["ink"], "width": 1.8},
            meta={"bind": "energy", "twin": True, "sum": True},
        )
    )
    power = result.traces.friction_power_w
    reach = _reach(result, None if power is None else 1e-3 * power)
    frame = layout(
        420,
        xaxis=_distance_axis(result, anchor="y2"),
        yaxis=axis("power [kW]", domain=[0.52, 1.0], range=reach),
        yaxis2=axis("energy [kJ]", domain=[0.0, 0.44], rangemode="tozero"),
        **_corner_marks(result.corners),
    )
    return {"data": data, "layout": frame}


def torque_figure(result: SessionResult) -> JsonDict:
    """Input torque along the lap, and the half-shafts' difference where it is known."""
    traces = result.traces
    data = [_lap_line("input_torque", "ink", line={"color": LIGHT["ink"], "width": 2.2})]
    if traces.torque is not None:
        thin = {"color": LIGHT["chosen"], "width": 1.0}
        data.append(_lap_line("torque_difference", "chosen", line=thin))
    frame = layout(
        330,
        xaxis=_distance_axis(result),
        yaxis=axis(
            "torque [N·m]",
            range=_reach(result, traces.input_torque_nm, traces.torque_difference_nm),
        ),
        **_corner_marks(result.corners),
    )
    return {"data": data, "layout": frame}


def _law_traces(fit: LockFit) -> list[JsonDict]:
    """Fitted law with its band; the build sheet's law dashed, its band hatched."""
    grid, fitted, sheet = fit.curve_input_nm, "fitted law", "build sheet's law"
    data = [ribbon(grid, fit.curve_low_nm, fit.curve_high_nm, LIGHT["law_band"], fitted)]
    if fit.predicted_low_nm is not None and fit.predicted_high_nm is not None:
        sheet_band = ribbon(
            grid, fit.predicted_low_nm, fit.predicted_high_nm, LIGHT["sheet_band"], sheet
        )
        hatch = {"shape": "/", "fgcolor": LIGHT["sheet"], "fgopacity": 0.55, "solidity": 0.08}
        data.append(sheet_band | {"fillpattern": hatch | {"size": 7, "fillmode": "overlay"}})
    law: JsonDict = {
        "type": "scatter",
        "mode": "lines",
        "name": fitted,
        "x": typed(grid),
        "y": typed(fit.curve_nm),
        "line": {"color": LIGHT["law"], "width": 2.6},
        "hoverinfo": "skip",
    }
    if fit.predicted_nm is not None:
        dashed = {"color": LIGHT["sheet"], "width": 2.2, "dash": "9px,5px"}
        data.append(law | {"name": sheet, "y": typed(fit.predicted_nm), "line": dashed})
    return [*data, law]


def _told(answer: SessionAnswer | None, unit: str, factor: float) -> str:
    """An estimate for a label in a figure; nothing where there is none."""
    if isinstance(answer, Bound):
        return written_bound(answer, unit, factor)
    if not isinstance(answer, Estimate):
        return ""
    return f"{written(answer, unit, factor).with_interval} {unit}"


def _lock_labels(result: SessionResult) -> list[JsonDict]:
    """The law's three numbers where it has them: on the overrun, at zero and on drive."""
    estimates = result.estimates
    overrun = _told(estimates.get("lock_overrun"), "%", 100.0)
    drive = _told(estimates.get("lock_drive"), "%", 100.0)
    breakaway = _told(estimates.get("breakaway_torque_nm"), "N·m", 1.0)
    paper: JsonDict = {"xref": "paper", "yref": "paper", "y": 1.0, "yanchor": "bottom"}
    places: list[JsonDict] = [
        paper | {"x": 0.0, "xanchor": "left", "align": "left", "text": f"← overrun<br>{overrun}"},
        paper | {"x": 1.0, "xanchor": "right", "align": "right", "text": f"drive →<br>{drive}"},
    ]
    if breakaway:
        low: JsonDict = {"x": 1.0, "y": 0.03, "xanchor": "right", "align": "right"}
        places.append(paper | low | {"text": f"at zero: breakaway {breakaway}"})
    font = {"size": 12, "color": LIGHT["muted"]}
    return [place | {"showarrow": False, "font": font} for place in places]


def lock_figure(result: SessionResult, fit: LockFit) -> JsonDict:
    """Locking torque against input torque: sliding samples, fitted law, build sheet's law."""
    cloud: JsonDict = {
        "type": "scatter",
        "mode": "markers",
        "x": [],
        "y": [],
        "meta": {"bind": "all_samples"},
        "marker": {"size": 3, "color": LIGHT["cloud"], "opacity": 0.55},
        "hoverinfo": "skip",
    }
    chosen: JsonDict = {
        "type": "scatter",
        "mode": "markers",
        "x": [],
        "y": [],
        "meta": {"bind": "samples"},
        "marker": {
            "size": 6,
            "symbol": "circle-open",
            "color": LIGHT["chosen"],
            "line": {"width": 1.2},
        },
        "hovertemplate": "input %{x:,.0f} N·m<br>locking %{y:,.0f} N·m<extra></extra>",
    }
    frame = layout(
        380,
        hovermode="closest",
        xaxis=axis("input torque [N·m]", zerolinecolor=LIGHT["muted"]),
        yaxis=axis("locking torque [N·m]", rangemode="tozero"),
        annotations=_lock_labels(result),
    )
    return {"data": [cloud, chosen, *_law_traces(fit)], "layout": frame}
