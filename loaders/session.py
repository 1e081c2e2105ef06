"""A log in SI units on one even time base: what the logbook holds and the analysis starts from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class Treatment(StrEnum):
    """What happened to samples on the way in."""

    DROPPED = "dropped"
    """Outside the channel's physical limits; treated as missing."""
    CLAMPED = "clamped"
    """Pinned at the channel's largest value; kept and marked."""
    FILLED = "filled"
    """A short hole, bridged by the channel's rule and marked."""
    MISSING = "missing"
    """A hole too long to bridge; left open."""
    RESAMPLED = "resampled"
    """Carried from uneven stamps or a slower channel to the time base."""


@dataclass(frozen=True, slots=True)
class SampleCount:
    """How many samples of a channel were treated in one way."""

    channel: str
    treatment: Treatment
    count: int
    first_s: float
    detail: str


@dataclass(frozen=True, slots=True)
class Source:
    """Where a session comes from, and how it was read."""

    file: str
    sha256: str
    size_bytes: int
    rows: int
    dialect: str
    channel_map: str
    notes: tuple[str, ...] = ()
    maps_sha256: str = ""
    """Of the channel maps that the log was read with; empty when it was not read from a file."""


@dataclass(frozen=True, slots=True)
class Line:
    """A channel that is a column of the log times a factor, and an offset; row for row."""

    column: str
    factor: float
    offset: float

    def of(self, values: FloatArray) -> FloatArray:
        """The channel of the column's values."""
        if (self.factor, self.offset) == (1.0, 0.0):
            return values
        with np.errstate(over="ignore"):  # what overflows is outside every limit
            return values * self.factor + self.offset


@dataclass(frozen=True, slots=True)
class Session:
    """One log in SI units on one even time base. A hole is NaN and counted."""

    name: str
    rate_hz: float
    time_s: FloatArray
    channels: Mapping[str, FloatArray]
    suspect: Mapping[str, BoolArray]
    """Per channel, the samples that were filled or clamped; absent when there are none."""
    counts: tuple[SampleCount, ...]
    source: Source
    metadata: Mapping[str, str] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """Name of the log and the first digits of its content's hash: one log, one id.

        Only letters, digits, dot, dash and underscore of the name are kept.
        """
        safe = "".join(c if c.isalnum() or c in "._-" else "_" for c in self.name)
        # A leading dot would hide the files.
        return f"{safe[:60].lstrip('.') or 'log'}-{self.source.sha256[:8]}"
