"""How warm plates and oil got over the session, drawn with bands and limits."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.estimate import Missing
from pipeline.result import FloatArray, HeatSummary, IntArray
from reports.document import FigureSpec, JsonDict, LegendKey
from reports.lap_columns import typed
from reports.palette import LIGHT
from reports.plain_figures import axis, layout, limit_mark, ribbon
from reports.thin import evenly

_BLOCKS = 400
_BAND_POINTS = 160
TITLE = "Do plates and oil stay below their limits?"


@dataclass(frozen=True, slots=True)
class TemperatureLimits:
    """What plates and oil may reach; None where the build sheet states nothing. [degC]"""

    plates_c: float | None
    oil_c: float | None


def temperature_spec(
    heat: HeatSummary | Missing,
    limits: TemperatureLimits,
    number: int,
    *,
    today: HeatSummary | None = None,
) -> FigureSpec:
    """The figure of one session's temperatures; ``today`` is drawn thin beside it."""
    if isinstance(heat, Missing):
        return FigureSpec(
            "temperature", number, TITLE, "", TITLE, None, absent=f"{heat.reason.rstrip('.')}."
        )
    band = "95 % band" if heat.fitted else "assumed range"
    other = "" if today is None else " The thin dotted lines are today's parts."
    legend = [
        LegendKey(f"plates and their {band}", "heat"),
        LegendKey(f"oil and its {band}", "law"),
    ]
    if heat.measured_oil_c is not None:
        legend.append(LegendKey("oil as the log's thermometer shows it", "thin"))
    if limits.plates_c is not None or limits.oil_c is not None:
        legend.append(LegendKey("limit of the build sheet", "sheet"))
    return FigureSpec(
        id="temperature",
        number=number,
        title=TITLE,
        caption=f"Two lumps of heat, plates and oil with housing; {heat.basis}.{other}",
        description="Temperature of plates and oil over the session with bands and limits. The "
        "table of temperatures holds the peaks and the margin.",
        figure=_figure(heat, limits, today),
        legend=tuple(legend),
    )


def _figure(heat: HeatSummary, limits: TemperatureLimits, today: HeatSummary | None) -> JsonDict:
    minutes = heat.step_s * (np.arange(len(heat.plates_c)) + 1.0) / 60
    data: list[JsonDict] = []
    for trace, half, band, name in (
        (heat.plates_c, heat.plates_half_c, "heat_fill", "plates"),
        (heat.oil_c, heat.oil_half_c, "law_band", "oil"),
    ):
        at = evenly(len(trace), _BAND_POINTS)
        data.append(ribbon(minutes[at], (trace - half)[at], (trace + half)[at], LIGHT[band], name))
    if today is not None:
        data += [
            _line(minutes, today.plates_c, "heat", 1.0, "2px,3px"),
            _line(minutes, today.oil_c, "law", 1.0, "2px,3px"),
        ]
    if heat.measured_oil_c is not None:
        data.append(_line(minutes, heat.measured_oil_c, "chosen", 1.0))
    data += [
        _line(minutes, heat.plates_c, "heat", 1.6) | {"name": "plates"},
        _line(minutes, heat.oil_c, "law", 2.4) | {"name": "oil"},
    ]
    marks = [
        limit_mark(limit, f"limit of {what}, {limit:.0f} °C")
        for what, limit in (("the plates", limits.plates_c), ("the oil", limits.oil_c))
        if limit is not None
    ]
    return {
        "data": data,
        "layout": layout(
            380,
            xaxis=axis("time in the log [min]", zeroline=False),
            yaxis=axis("temperature [°C]", zeroline=False),
            shapes=[line for line, _ in marks],
            annotations=[words for _, words in marks],
        ),
    }


def _line(
    minutes: FloatArray, trace: FloatArray, colour: str, width: float, dash: str = "solid"
) -> JsonDict:
    at = _peaks(trace)
    return {
        "type": "scatter",
        "mode": "lines",
        "x": typed(minutes[at]),
        "y": typed(trace[at]),
        "connectgaps": False,
        "hoverinfo": "skip",
        "line": {"color": LIGHT[colour], "width": width, "dash": dash},
    }


def _peaks(trace: FloatArray) -> IntArray:
    """Indices of the coldest and hottest sample of each of many equal stretches, and both ends."""
    edges = np.linspace(0, len(trace), min(_BLOCKS, len(trace)) + 1).astype(np.int64)
    level = np.nan_to_num(trace)
    found = [
        start + choose(level[start:stop])
        for start, stop in pairwise(edges.tolist())
        for choose in (np.argmin, np.argmax)
    ]
    return np.unique([0, *found, len(trace) - 1])
