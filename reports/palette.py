"""The page's few colours, for light and dark paper, in one place.

Chosen here: the four axle states differ in lightness (about 27, 42, 54 and 68 on the CIE scale),
so that they stay apart in grey print, in sun and for colour-blind readers; rows, letters and
hatching say the same without any colour.
"""

from __future__ import annotations

from pipeline.result import AxleState

LIGHT: dict[str, str] = {
    "paper": "#fbf9f4",
    "raised": "#f3efe6",
    "ink": "#23211d",
    "muted": "#67625a",
    "rule": "#d9d3c6",
    "hair": "#e8e3d8",
    "law": "#1c5685",
    "law_band": "rgba(28,86,133,0.17)",
    "sheet": "#8a4b12",
    "sheet_band": "rgba(138,75,18,0.10)",
    "cloud": "#aaa294",
    "chosen": "#b3591a",
    "second": "#7a2f62",
    "heat": "#b3591b",
    "heat_fill": "rgba(179,89,27,0.22)",
    "range": "rgba(103,98,90,0.16)",
    "stretch": "rgba(103,98,90,0.07)",
    "disc": "rgba(179,89,27,0.30)",
    "disc_edge": "#8f4510",
    "track": "#bdb5a6",
    "free": "#e3ddd0",
    "held": "#27406b",
    "inside_overspeed": "#d29a35",
    "axle_overspeed": "#a2416a",
    "inside_drag": "#3c8d93",
    "on_dark": "#fffdf8",
    "on_light": "#23211e",
}

DARK: dict[str, str] = {
    "paper": "#1b1a18",
    "raised": "#242320",
    "ink": "#e9e4d9",
    "muted": "#a8a194",
    "rule": "#45423c",
    "hair": "#33312d",
    "law": "#86bbe6",
    "law_band": "rgba(134,187,230,0.20)",
    "sheet": "#dca56b",
    "sheet_band": "rgba(220,165,107,0.12)",
    "cloud": "#77716a",
    "chosen": "#f0a05f",
    "second": "#e3a3cb",
    "heat": "#f0a060",
    "heat_fill": "rgba(240,160,96,0.22)",
    "range": "rgba(168,161,148,0.18)",
    "stretch": "rgba(168,161,148,0.09)",
    "disc": "rgba(240,160,96,0.30)",
    "disc_edge": "#f3b788",
    "track": "#5e5a52",
    "free": "#3a3833",
    "held": "#5f83c4",
    "inside_overspeed": "#f0c068",
    "axle_overspeed": "#d77ba2",
    "inside_drag": "#63b8bd",
    "on_dark": "#1b1a17",
    "on_light": "#23211f",
}

STATE_COLOUR: dict[AxleState, str] = {
    AxleState.DIFFERING: "free",
    AxleState.HELD: "held",
    AxleState.INSIDE_OVERSPEED: "inside_overspeed",
    AxleState.AXLE_OVERSPEED: "axle_overspeed",
    AxleState.INSIDE_DRAG: "inside_drag",
}

STATE_HATCH: dict[AxleState, str] = {
    AxleState.DIFFERING: "",
    AxleState.HELD: "x",
    AxleState.INSIDE_OVERSPEED: "/",
    AxleState.AXLE_OVERSPEED: "\\",
    AxleState.INSIDE_DRAG: "|",
}

STATE_SYMBOL: dict[AxleState, str] = {
    AxleState.HELD: "square",
    AxleState.INSIDE_OVERSPEED: "triangle-up",
    AxleState.AXLE_OVERSPEED: "diamond",
    AxleState.INSIDE_DRAG: "circle",
}


def style_sheet_block(colours: dict[str, str]) -> str:
    """The colours as custom properties of the style sheet."""
    return "".join(f"--{name.replace('_', '-')}:{value};" for name, value in colours.items())


def dark_by_light() -> dict[str, str]:
    """For every light colour its dark partner, so that drawn figures can change over."""
    return {value: DARK[name] for name, value in LIGHT.items()}
