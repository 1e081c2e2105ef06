"""What a reported number is, and how far it can be trusted."""

from __future__ import annotations

import math
from collections.abc import Mapping
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
    at: str = ""
    """Under which condition the number holds, in words; empty when under all."""

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


class Side(StrEnum):
    """From which side a number is bounded."""

    AT_LEAST = "at least"
    AT_MOST = "at most"


@dataclass(frozen=True, slots=True)
class Bound:
    """A number that the log bounds from one side only."""

    side: Side
    value: float
    """The true number lies on the stated side of this one, at the stated level."""
    unit: str
    n: int
    """How many of the things named in ``method`` it was taken over."""
    grade: Grade
    method: str
    level: float = 0.95
    at: str = ""
    """Under which condition it holds, in words; empty when under all."""

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            msg = f"a bound must be finite, got {self.value}"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Missing:
    """A number that this log cannot give, and why."""

    reason: str


@dataclass(frozen=True, slots=True)
class Choice:
    """Which of a few named options holds, with the odds of each."""

    odds: Mapping[str, float]
    """Chance of each option; together 1."""
    chosen: str
    """The option that the log shows or the build sheet states; empty when it cannot be told."""
    n: int
    """How many of the things named in ``method`` the odds were taken over."""
    grade: Grade
    method: str
    reason: str = ""
    """Why it cannot be told; empty when it is."""

    def __post_init__(self) -> None:
        if abs(sum(self.odds.values()) - 1) > 1e-9:
            msg = f"odds are 1 together, got {dict(self.odds)}"
            raise ValueError(msg)
        if (self.chosen in self.odds) == bool(self.reason):
            msg = (
                f"a choice names an option or gives a reason, got {self.chosen!r}, {self.reason!r}"
            )
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Predicted:
    """A number worked out from the build sheet's parts; evidence of nothing yet."""

    value: float
    low: float
    high: float
    """Ends of the range that the sheet's own ranges allow."""
    unit: str
    method: str

    @property
    def half_width(self) -> float:
        """Half the width of the range, in the prediction's own unit."""
        return 0.5 * (self.high - self.low)


Answer = Estimate | Missing
"""Every reported number is one of the two; never a NaN, never a guess."""

SessionAnswer = Estimate | Bound | Missing
"""Where the session as a whole cannot give a number it may still bound it."""

Prediction = Predicted | Missing
