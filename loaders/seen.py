"""What the checks of a mapped log look at: its channels at a modest rate, in SI."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from loaders.evidence import (
    BoolArray,
    FloatArray,
    heading_rate,
    over_stretch,
    rate_of_change,
)

DRIVEN, UNDRIVEN, PATH = "driven wheels", "undriven wheels", "the path"
TORQUES = (
    "shaft_torque_left_nm", "shaft_torque_right_nm", "input_torque_nm", "engine_torque_nm",
)  # fmt: skip
_MOVING_MPS = 8.0
_LEAST_MOVING_S = 10.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What the checks look at: channels at a modest rate, in SI; absent ones are None."""

    rate_hz: float
    channels: Mapping[str, FloatArray]
    speed_mps: FloatArray
    x_m: FloatArray | None
    y_m: FloatArray | None
    brakes_off: BoolArray
    driven: str
    """``"r"`` or ``"f"``."""
    track_m: float
    driven_radius_m: float
    undriven_radius_m: float | None
    mass_kg: tuple[float, float] | None = None
    """Between what the car's mass lies; None when it is not known. [kg]"""

    @property
    def undriven(self) -> str:
        """Letter of the other axle."""
        return "f" if self.driven == "r" else "r"

    @property
    def moving(self) -> BoolArray:
        """Where the car is fast enough to tell anything."""
        return self.speed_mps > _MOVING_MPS

    @property
    def tells(self) -> bool:
        """Whether the car moves for long enough to tell anything at all."""
        return int(np.count_nonzero(self.moving)) >= _LEAST_MOVING_S * self.rate_hz

    def radius_m(self, axle: str) -> float:
        """Rolling radius of an axle's wheels; the driven ones' when none is stated. [m]"""
        return self.driven_radius_m if axle == self.driven else self._other_radius_m

    @property
    def _other_radius_m(self) -> float:
        return self.undriven_radius_m or self.driven_radius_m

    def wheels(self, axle: str) -> tuple[FloatArray, FloatArray] | None:
        """Left and right wheel speed of an axle, if both are there. [rad/s]"""
        left, right = (self.channels.get(name) for name in wheel_names(axle))
        return None if left is None or right is None else (left, right)

    def gain_mps2(self) -> FloatArray:
        """How the ground speed grows, where the car moves. [m/s2]"""
        return np.where(self.moving, rate_of_change(self.speed_mps, self.rate_hz), np.nan)

    def mean(self, values: FloatArray) -> FloatArray:
        """Means over the same stretches."""
        return over_stretch(values, self.rate_hz)

    def path_turn_radps(self) -> FloatArray | None:
        """Turning of the path, > 0 to the left. [rad/s]"""
        if self.x_m is None or self.y_m is None:
            return None
        turn = heading_rate(self.x_m, self.y_m, self.rate_hz)
        return turn if np.isfinite(turn).any() else None

    def path_speed_mps(self) -> FloatArray | None:
        """Speed along the path. [m/s]"""
        if self.x_m is None or self.y_m is None:
            return None
        speed = np.hypot(*(rate_of_change(p, self.rate_hz) for p in (self.x_m, self.y_m)))
        return speed if np.isfinite(speed).any() else None


def wheel_names(axle: str) -> tuple[str, str]:
    """Channels of an axle's wheels, left and right.

    >>> wheel_names("r")
    ('wheel_speed_rl_radps', 'wheel_speed_rr_radps')
    """
    return f"wheel_speed_{axle}l_radps", f"wheel_speed_{axle}r_radps"
