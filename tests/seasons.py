"""Invented seasons: what a logbook holds after so many sessions of a pack that wears as told."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
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


@dataclass(frozen=True)
class Setting:
    """Where and how warm a season is driven, and what that does to every quantity."""

    circuits: Sequence[str] = ("Hollin Fell",)
    """By session, over and over."""
    between_circuits: float = 0.0
    oil_c: Callable[[float], float] | None = None
    """Oil temperature by the share of the season; not logged when None."""
    oil_scatter_k: float = 6.0
    per_10_k: float = 0.0
    """Relative change for 10 K over 90 degC."""


def published_sessions(
    count: int,
    rng: np.random.Generator,
    wear: Wear = steady,
    scatter: Scatter = Scatter(),
    per_day: int = 1,
    build: str = "A",
    first: int = 0,
    setting: Setting = Setting(),
) -> list[dict[str, Any]]:
    """Published results of so many sessions, as far as a season reads them."""
    day_effect = 1 + scatter.between_days * rng.normal(0, 1, (count, len(TRUE)))
    at_circuit = dict.fromkeys(setting.circuits, np.ones(len(TRUE)))
    if setting.between_circuits:
        for each in at_circuit:
            at_circuit[each] = 1 + setting.between_circuits * rng.normal(0, 1, len(TRUE))
    results = []
    for i in range(count):
        share = i / max(1, count - 1)
        circuit = setting.circuits[i % len(setting.circuits)]
        oil_c, warm = None, 1.0
        if setting.oil_c is not None:
            oil_c = setting.oil_c(share) + setting.oil_scatter_k * rng.normal()
            warm = 1 + setting.per_10_k * (oil_c - 90) / 10
        result = _published(
            first + i,
            FIRST_DAY + timedelta(days=7 * ((first + i) // per_day)),
            wear(share),
            warm * day_effect[i // per_day] * at_circuit[circuit],
            scatter,
            build,
            rng,
        )
        result["session"]["circuit"] = circuit
        if oil_c is not None:
            result["estimates"]["oil_mean_c"] = _estimate(oil_c, 0.75, "degC")
        results.append(result)
    return results


def _published(
    number: int,
    on: date,
    factors: Mapping[str, float],
    beside: np.ndarray,
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
        seen = true * beside[j] + scatter.between_sessions * value * rng.normal()
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
        "end_m": 100.0 * number,
        "exit_speed_mps": _estimate(20 + 0.1 * rng.normal(), 0.1, "m/s"),
        "exit_gain_mps_per_m": 0.2,
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
