"""What the page's script makes of the laps that a page carries, for tests of whole figures."""

from __future__ import annotations

import base64
import copy
from typing import Any

import numpy as np

from pipeline.result import FloatArray, IntArray
from reports.thin import GAP_CODE, VALUE_BITS


def decoded(line: list[Any], size: int) -> tuple[IntArray, FloatArray]:
    """Sample numbers and values at which the strokes of a packed line begin."""
    offset, step, text = line
    codes = np.frombuffer(base64.b64decode(text), dtype="<u2").astype(np.int64)
    value = codes & GAP_CODE
    begin = np.concatenate(([0], np.cumsum(1 << (codes >> VALUE_BITS))[:-1]))
    values = np.where(value == GAP_CODE, np.nan, offset + step * value)
    return np.minimum(begin, size - 1), values


def spread(line: list[Any], size: int) -> FloatArray:
    """The value of a packed line at every sample of its lap."""
    begin, values = decoded(line, size)
    last = np.concatenate((np.diff(begin) > 0, [True]))  # what fills the last block up is dropped
    return np.interp(np.arange(size), begin[last], values[last])


def lap_values(lap: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """One lap's columns by the name that traces bind to."""
    size = lap["size"]
    lines = dict(lap["lines"])
    metres = spread(lines.pop("distance"), size)
    columns: dict[str, dict[str, Any]] = {
        "samples": dict(zip("xy", lap["samples"], strict=True)),
        "corner_energy": {"marker.size": lap["corner_energy"]},
    }
    for code, (base, length) in enumerate(lap["states"]):
        columns[f"state_{code}"] = {"base": base, "x": length, "y": [code] * len(base)}
    for code, (x, y) in enumerate(lap["events"], start=1):
        columns[f"events_{code}"] = {"x": x, "y": y}
    if "east" in lines:
        east, north = (spread(lines.pop(name), size) for name in ("east", "north"))
        columns["path"] = {"x": east, "y": north}
    for name, line in lines.items():
        begin, values = decoded(line, size)
        columns[name] = {"x": metres[begin], "y": values}
    return columns


def bound(figure: dict[str, Any], lap: dict[str, Any]) -> dict[str, Any]:
    """The figure as it is drawn with one lap chosen."""
    drawn, values = copy.deepcopy(figure), lap_values(lap)
    for trace in drawn["data"]:
        for path, column in values.get(trace.get("meta", {}).get("bind", ""), {}).items():
            *parents, last = path.split(".")
            place = trace
            for parent in parents:
                place = place[parent]
            place[last] = list(column)
    return drawn
