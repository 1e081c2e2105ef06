"""What a reported number is, and how far it can be trusted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Grade(StrEnum):
    """What kind of torque evidence a number rests on."""

    MEASURED = "measured"
    """Both half-shaft torques are logged."""
    INFERRED = "inferred"
    """Only the input torque is known; the split comes from the wheels."""
    KINEMATIC = "kinematic"
    """No torque is logged: speeds, position and accelerations only."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its interval, evidence grade and the count it rests on."""

    value: float
    low: float
    high: float
    unit: str
    n: int
    """How many of the things named in ``method`` the interval was taken over."""
    grade: Grade
    method: str
    level: float = 0.95

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.value, self.low, self.high))):
            msg = f"an estimate must be finite, got {self.value} [{self.low}, {self.high}]"
            raise ValueError(msg)
        if not self.low <= self.value <= self.high:
            msg = (
                f"an estimate lies within its interval, got {self.value} [{self.low}, {self.high}]"
            )
            raise ValueError(msg)

    @property
    def half_width(self) -> float:
        """Half the width of the interval, in the estimate's own unit."""
        return 0.5 * (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Missing:
    """A number that this log cannot give, and why."""

    reason: str


@dataclass(frozen=True, slots=True)
class Predicted:
    """A number worked out from the build sheet's parts; evidence of nothing yet."""

    value: float
    low: float
    high: float
    """Ends of the range that the sheet's own ranges allow."""
    unit: str
    method: str


Answer = Estimate | Missing
"""Every reported number is one of the two; never a NaN, never a guess."""

Prediction = Predicted | Missing
