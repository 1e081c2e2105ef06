"""What no analysis of half-shaft torques goes without, in plain numpy: a measure of time."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray


def physics_chain(channels: Mapping[str, NDArray[np.float64]], rate_hz: float) -> float:
    """Friction energy of a session, by lap and cumulated, and the wheels' slip. [J]"""
    left, right = channels["wheel_speed_rl_radps"], channels["wheel_speed_rr_radps"]
    difference = left - right
    torque = channels["shaft_torque_left_nm"] - channels["shaft_torque_right_nm"]
    power = -0.5 * torque * difference
    energy = np.cumsum(power) / rate_hz
    speed = channels["speed_mps"]
    slip = 0.5 * (left + right) * 0.312 / np.maximum(speed, 1.0) - 1
    laps = channels["lap_number"].astype(np.intp) if "lap_number" in channels else None
    by_lap = np.bincount(laps, weights=power) if laps is not None else power.sum()
    return float(energy[-1] + np.sum(by_lap) + np.max(slip))
