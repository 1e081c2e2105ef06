"""What all figures share: axes, layout and bands as plain plotly dicts in the page's colours."""

from __future__ import annotations

import numpy as np

from reports.document import JsonDict
from reports.lap_columns import typed
from reports.numbers import THIN_SPACE
from reports.palette import LIGHT

FONT = {"family": "inherit", "size": 13, "color": LIGHT["ink"]}
LEFT_MARGIN, RIGHT_MARGIN, TOP_MARGIN, BOTTOM_MARGIN = 66, 12, 40, 48


def axis(title: str, **more: object) -> JsonDict:
    """An axis with its title and unit, ruled in the page's colours."""
    axis: JsonDict = {
        "title": {"text": title, "standoff": 8},
        "showgrid": True,
        "gridcolor": LIGHT["hair"],
        "zeroline": True,
        "zerolinecolor": LIGHT["rule"],
        "zerolinewidth": 1.5,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": LIGHT["rule"],
        "tickformat": ",",
        "automargin": False,
    }
    return axis | more


def layout(height: int, **more: object) -> JsonDict:
    """The figure around the data: size, margins, fonts, nothing that hovers by itself."""
    layout: JsonDict = {
        "height": height,
        "margin": {"l": LEFT_MARGIN, "r": RIGHT_MARGIN, "t": TOP_MARGIN, "b": BOTTOM_MARGIN},
        "font": dict(FONT),
        "separators": f".{THIN_SPACE}",
        "showlegend": False,
        "hovermode": False,
        "dragmode": "zoom",
        "barmode": "overlay",
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
    }
    return layout | more


def ribbon(x: np.ndarray, low: np.ndarray, high: np.ndarray, colour: str, of: str = "") -> JsonDict:
    """A closed band between two curves; ``of`` names the line it belongs to."""
    return {
        "type": "scatter",
        "mode": "lines",
        "x": typed(np.concatenate((x, x[::-1]))),
        "y": typed(np.concatenate((low, high[::-1]))),
        "fill": "toself",
        "fillcolor": colour,
        "line": {"width": 0, "color": colour},
        "hoverinfo": "skip",
        "meta": {"band": of},
    }


def limit_mark(at: float, words: str) -> tuple[JsonDict, JsonDict]:
    """A dashed line across the figure at a limit, and its words: a shape and an annotation."""
    line: JsonDict = {
        "type": "line", "xref": "paper", "yref": "y", "x0": 0, "x1": 1, "y0": at, "y1": at,
        "line": {"color": LIGHT["sheet"], "width": 1.6, "dash": "9px,5px"},
    }  # fmt: skip
    said: JsonDict = {
        "xref": "paper", "yref": "y", "x": 1, "y": at, "xanchor": "right", "yanchor": "bottom",
        "text": words, "showarrow": False, "font": {"size": 11, "color": LIGHT["muted"]},
    }  # fmt: skip
    return line, said
