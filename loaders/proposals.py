"""A channel map proposed from a log: names, units, sizes and how the columns move together.

Nothing here is used by itself: each proposal carries its reason, what cannot be told is said as a
tie with its options, and a person accepts or corrects the lot.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from loaders.channels import CHANNEL_BY_NAME


class Confidence(StrEnum):
    """How far a proposal may be trusted before somebody has looked at it."""

    SURE = "sure"
    """Its name and the physics agree."""
    LIKELY = "likely"
    """One of them says so, nothing speaks against it."""
    GUESS = "guess"
    """Sizes only, or the name and the physics differ."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """One column that is proposed for one channel."""

    channel: str
    column: str
    unit: str | None
    """None: what the log itself states."""
    confidence: Confidence
    reason: str
    sign: Literal[1, -1] = 1
    rolling_radius_m: float | None = None
    radius_open: bool = False
    """Whether the radius that the logger used still has to be stated."""


@dataclass(frozen=True, slots=True)
class Option:
    """One of the ways to settle a tie."""

    label: str
    proposals: tuple[Proposal, ...]


@dataclass(frozen=True, slots=True)
class Tie:
    """What the log cannot tell: a question and the answers to choose from."""

    question: str
    options: tuple[Option, ...]


@dataclass(frozen=True, slots=True)
class Time:
    """The column proposed as the time."""

    column: str
    unit: str | None
    reason: str
    date_column: str | None = None
    """The column of dates beside a column of clock times."""


@dataclass(frozen=True, slots=True)
class Rate:
    """How often a log without a time was written; a person has to state it."""

    fitting_hz: float | None
    """Rows per second that fit the columns, None when they do not tell."""
    reason: str


@dataclass(frozen=True, slots=True)
class Proposals:
    """All that is proposed for one log."""

    time: Time | None
    entries: tuple[Proposal, ...]
    ties: tuple[Tie, ...] = ()
    notes: tuple[str, ...] = ()
    """What contradicts itself in the log, in sentences."""
    rate: Rate | None = None
    """What is open in a log without a time column; None when it has one, or shows nothing."""


def in_map_order(entries: list[Proposal]) -> tuple[Proposal, ...]:
    """Proposals in the order of the channel table."""
    order = {name: i for i, name in enumerate(CHANNEL_BY_NAME)}
    return tuple(sorted(entries, key=lambda each: order[each.channel]))


def without_doubles(entries: list[Proposal]) -> tuple[list[Proposal], list[Tie]]:
    """Proposals of one column a channel; channels that several claim become ties."""
    kept, ties = [], []
    ordered = sorted(entries, key=lambda each: each.channel)
    for channel, group in itertools.groupby(ordered, key=lambda each: each.channel):
        claims = list(group)
        best = [each for each in claims if each.confidence is Confidence.SURE] or claims
        if len(best) == 1:
            kept += best
        else:
            columns = ", ".join(f"'{each.column}'" for each in best)
            options = tuple(Option(f"it is '{each.column}'", (each,)) for each in best)
            ties.append(Tie(f"which of {columns} is {channel}", options))
    return kept, ties
