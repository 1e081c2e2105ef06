"""When the car crosses the start line, by the best evidence in the log."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import Circuit, StartLine
from pipeline.laps import (
    crossings_from_beacon,
    crossings_from_lap_number,
    crossings_of_line,
)
from pipeline.plane import on_plane, origin
from pipeline.signals import Signals

FloatArray = NDArray[np.float64]


def crossings(
    channels: Mapping[str, FloatArray], signals: Signals, circuit: Circuit
) -> tuple[FloatArray, int, str]:
    """Times of crossing the start line [s], the first lap's number, and how both are known."""
    lap_number = channels.get("lap_number")
    if lap_number is not None and np.isfinite(lap_number).any():
        first = int(lap_number[np.isfinite(lap_number)][0])
        return crossings_from_lap_number(signals.time_s, lap_number), first, "lap number channel"
    beacon = channels.get("lap_beacon")
    if beacon is not None:
        return crossings_from_beacon(signals.time_s, beacon), 0, "beacon channel"
    line = circuit.start_line
    why = _why_line_cannot_serve(channels, signals, line)
    if line is None or signals.x_m is None or signals.y_m is None or why:
        return np.empty(0), 0, f"none: the log has no lap number and no beacon, and {why}"
    left, right = _line_ends(channels, line)
    times = crossings_of_line(signals.time_s, signals.x_m, signals.y_m, left, right)
    return times, 0, "crossing of the start line by position"


def _why_line_cannot_serve(
    channels: Mapping[str, FloatArray], signals: Signals, line: StartLine | None
) -> str:
    if signals.x_m is None:
        return "no position to cross a start line with"
    if line is None:
        return "circuit.toml states no start line"
    if line.unit == "deg" and "latitude_rad" not in channels:
        return "circuit.toml states the start line in degrees but the position is in metres"
    if line.unit == "m" and "position_x_m" not in channels:
        return "circuit.toml states the start line in metres but the position is in degrees"
    return ""


def _line_ends(
    channels: Mapping[str, FloatArray], line: StartLine
) -> tuple[tuple[float, float], tuple[float, float]]:
    if line.unit == "m":
        return line.left, line.right
    ends = np.radians([line.left, line.right])
    east, north = on_plane(ends[:, 0], ends[:, 1], origin(channels))
    return (float(east[0]), float(north[0])), (float(east[1]), float(north[1]))
