"""The invented circuit of the invented session: its path, its corners and a car's speed on it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.result import FloatArray

CIRCUIT_LENGTH_M = 2_412.0


@dataclass(frozen=True, slots=True)
class Circuit:
    """Closed path with curvature, sampled evenly along its length."""

    distance_m: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    curvature_pm: FloatArray


def invented_circuit(points: int = 2_400) -> Circuit:
    """A closed path: a circle bent by a few waves, scaled to its length."""
    angle = np.linspace(0.0, 2.0 * np.pi, points + 1)
    radius = (
        1.0
        + 0.28 * np.cos(2 * angle + 0.4)
        + 0.16 * np.cos(3 * angle + 1.9)
        + 0.10 * np.cos(5 * angle - 0.8)
        + 0.05 * np.cos(8 * angle + 0.3)
    )
    x, y = 1.5 * radius * np.cos(angle), radius * np.sin(angle)
    length = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))))
    scale = CIRCUIT_LENGTH_M / length[-1]
    distance = np.linspace(0.0, CIRCUIT_LENGTH_M, points)
    x, y = (np.interp(distance, scale * length, scale * part) for part in (x, y))
    dx, dy = np.gradient(x, distance), np.gradient(y, distance)
    curvature = dx * np.gradient(dy, distance) - dy * np.gradient(dx, distance)
    curvature[:3], curvature[-3:] = curvature[3], curvature[-4]
    return Circuit(distance, x, y, curvature)


def corner_stretches(circuit: Circuit) -> list[tuple[float, float, float, float]]:
    """Start, apex, end and signed curvature of each bend."""
    tight = np.abs(circuit.curvature_pm) > 1.0 / 160.0
    edges = np.flatnonzero(np.diff(tight.astype(int)))
    found = []
    for start, stop in pairwise(edges.tolist()):
        inside = slice(start + 1, stop + 1)
        if not tight[inside].all() or stop - start < 25:
            continue
        apex = start + 1 + int(np.abs(circuit.curvature_pm[inside]).argmax())
        place = circuit.distance_m
        found.append((place[start], place[apex], place[stop], circuit.curvature_pm[apex]))
    return found


def speed_along(circuit: Circuit) -> FloatArray:
    """Grip-limited speed with straight-line limits on the way in and out, two passes."""
    speed = np.minimum(62.0, np.sqrt(13.0 / np.maximum(np.abs(circuit.curvature_pm), 1e-4)))
    step = circuit.distance_m[1]
    for _ in range(2):
        for i in range(speed.size):
            speed[i] = min(speed[i], np.sqrt(speed[i - 1] ** 2 + 2 * 5.0 * step))
        for i in range(speed.size - 1, -1, -1):
            after = speed[(i + 1) % speed.size]
            speed[i] = min(speed[i], np.sqrt(after**2 + 2 * 9.5 * step))
    return speed
