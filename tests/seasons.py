"""Invented seasons: what a logbook holds after so many sessions of a pack that wears as told."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

TRUE = {"breakaway_torque_nm": 90.0, "lock_drive": 0.38, "lock_overrun": 0.21}
FIRST_DAY = date(2026, 3, 7)

Wear = Callable[[float], Mapping[str, float]]
"""From the share of the season to the factors on the true values; an absent one is 1."""


def steady(_: float) -> Mapping[str, float]:
    """A pack that does not change."""
    return {}


@dataclass(frozen=True)
class Scatter:
    """How sessions of one and the same pack differ. Relative standard deviations."""

    between_sessions: float = 0.03
    between_days: float = 0.0
    own: tuple[float, float] = (0.01, 0.03)
    """Least and largest standard deviation that a session states of itself."""


def published_sessions(
    count: int,
    rng: np.random.Generator,
    wear: Wear = steady,
    scatter: Scatter = Scatter(),
    per_day: int = 1,
    build: str = "A",
    first: int = 0,
) -> list[dict[str, Any]]:
    """Published results of so many sessions, as far as a season reads them."""
    day_effect = 1 + scatter.between_days * rng.normal(0, 1, (count, len(TRUE)))
    return [
        _published(
            first + i,
            FIRST_DAY + timedelta(days=7 * ((first + i) // per_day)),
            wear(i / max(1, count - 1)),
            day_effect[i // per_day],
            scatter,
            build,
            rng,
        )
        for i in range(count)
    ]


def _published(
    number: int,
    on: date,
    factors: Mapping[str, float],
    day_effect: np.ndarray,
    scatter: Scatter,
    build: str,
    rng: np.random.Generator,
) -> dict[str, Any]:
    laps = int(rng.integers(8, 20))
    per_lap = 42e3 * (1 + 0.05 * rng.normal())
    estimates = {"energy_per_lap_j": _estimate(per_lap, 0.03 * per_lap, "J")}
    for j, (name, value) in enumerate(TRUE.items()):
        true = value * factors.get(name, 1.0)
        own = rng.uniform(*scatter.own) * value
        seen = true * day_effect[j] + scatter.between_sessions * value * rng.normal()
        estimates[name] = _estimate(
            seen + own * rng.normal(), own, "N m" if name.endswith("_nm") else "1"
        )
    return {
        "session": {
            "id": f"run{number:03d}-0000",
            "name": f"run{number:03d}",
            "car": "Ostrel C3",
            "date": on.isoformat(),
            "build": build,
            "circuit": "Hollin Fell",
            "duration_s": 90.0 * laps,
        },
        "laps": [
            {
                "number": lap,
                "valid": True,
                "lap_time_s": float(92.0 + 0.3 * rng.normal()),
                "energy_j": per_lap,
            }
            for lap in range(laps)
        ],
        "corners": [_corner(number, laps, rng) for number in range(1, 8)],
        "estimates": estimates,
    }


def _corner(number: int, laps: int, rng: np.random.Generator) -> dict[str, Any]:
    energy = 1e3 * number * (1 + 0.05 * rng.normal(0, 1, laps))
    return {
        "number": number,
        "energy_by_lap_j": {str(lap): float(value) for lap, value in enumerate(energy)},
        "yaw_moment_nm": {"drive": _estimate(200 + 10 * rng.normal(), 10, "N m")},
    }


def _estimate(value: float, sd: float, unit: str) -> dict[str, Any]:
    return {
        "value": value,
        "low": value - 1.96 * sd,
        "high": value + 1.96 * sd,
        "unit": unit,
        "level": 0.95,
        "n": 10,
        "grade": "measured",
        "method": "invented",
    }
