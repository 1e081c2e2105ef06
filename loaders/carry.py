"""A channel from its own rows to the points of the time base: bridged, held, or left open.

Works on a stretch of the time base with some rows around it: as many as can matter, so that a log
carried stretch by stretch is the log carried at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loaders.channels import Between, Channel
from loaders.conversion import ChannelFacts
from loaders.delay import Surroundings, advanced, reach_s
from loaders.session import BoolArray, FloatArray, Treatment
from loaders.timebase import TimeBase

# A channel so much slower than its gap rule allows is not drawn across.
_SLOWEST_TO_GAP = 10.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some points of the time base and the rows around them."""

    base: TimeBase
    time_s: FloatArray
    """The points, shape (m,)."""
    stamps_s: FloatArray
    """The rows around them, shape (n,)."""
    index: NDArray[np.intp]
    """Of the points, the one nearest to each row; others for rows that belong to other points."""
    rows: slice
    """The rows that belong to these points."""
    first_row: int
    """How many rows of the log come before these."""
    begins: bool
    """Whether no row comes before these."""
    ends: bool
    """Whether no row comes after these."""


@dataclass(frozen=True, slots=True)
class Done:
    """What was done to some samples."""

    treatment: Treatment
    count: int
    first_s: float
    detail: str


@dataclass(frozen=True, slots=True)
class Carried:
    """One channel on some points of the time base."""

    values: FloatArray
    suspect: BoolArray
    done: tuple[Done, ...]


def longest_gap_s(channel: Channel, own_step_s: float) -> float:
    """The longest hole that is bridged. [s]

    A slower channel's own step is no hole, unless it is far too slow to be bridged at all.
    """
    gap = channel.longest_gap_s
    return max(gap, min(1.5 * own_step_s, _SLOWEST_TO_GAP * gap))


def margin_s(channel: Channel, facts: ChannelFacts, base: TimeBase, delay_s: float) -> float:
    """How far around a stretch the rows lie that can matter to it. [s]"""
    reach = reach_s(delay_s, facts.own_step_s) if delay_s else 0.0
    return longest_gap_s(channel, facts.own_step_s) + reach + 2 * (base.step_s + base.row_step_s)


def carry(
    channel: Channel, si: FloatArray, stretch: Stretch, facts: ChannelFacts, delay_s: float
) -> Carried:
    """One channel on the points of a stretch, with what was done to it.

    Parameters
    ----------
    si : array, shape (n,)
        The channel's samples in the rows of the stretch; NaN where it has none.
    facts : ChannelFacts
        Of all of the log.
    delay_s : float
        How late the logger stamps the channel.
    """
    if not facts.samples:
        why = "no sample is inside the limits" if facts.outside else "the column is blank"
        points = len(stretch.time_s)
        done = _done((Treatment.MISSING, stretch.time_s, why))
        return Carried(np.full(points, np.nan), np.zeros(points, dtype=bool), done)
    clamped = np.zeros(len(si), dtype=bool)
    first, stop = np.searchsorted(facts.clamped, (stretch.first_row, stretch.first_row + len(si)))
    clamped[facts.clamped[first:stop] - stretch.first_row] = True
    moved: tuple[Done, ...] = ()
    rows = stretch.rows
    if delay_s:
        around = Surroundings(
            stretch.base.row_step_s, facts.own_step_s, stretch.begins, stretch.ends
        )
        if facts.samples > 1:
            si, clamped = advanced(si, clamped, stretch.stamps_s, delay_s, channel.between, around)
        else:
            si = np.full(len(si), np.nan)
        there = stretch.stamps_s[rows][np.isfinite(si[rows])]
        moved = _done((Treatment.RESAMPLED, there, f"stamped {delay_s:g} s too late, as stated"))
    here = si[rows]
    own_here = np.isfinite(here)
    if stretch.base.even and len(here) == len(stretch.time_s) and own_here.all():
        return Carried(here, clamped[rows], moved)
    values, suspect, done = _onto_points(channel, si, clamped, own_here, stretch, facts.own_step_s)
    return Carried(values, suspect, moved + done)


def _onto_points(
    channel: Channel,
    si: FloatArray,
    clamped: BoolArray,
    own_here: BoolArray,
    stretch: Stretch,
    own_step: float,
) -> tuple[FloatArray, BoolArray, tuple[Done, ...]]:
    base, time_s = stretch.base, stretch.time_s
    grid_step, longest = base.step_s, longest_gap_s(channel, own_step)
    at = stretch.index[stretch.rows][own_here]
    has_own = np.zeros(len(time_s), dtype=bool)
    has_own[at] = True
    # On an even base a sample is its point's value; only points without one ask their neighbours.
    asked = np.flatnonzero(~has_own) if base.even else np.arange(len(time_s))
    values, hole = np.full(len(time_s), np.nan), np.zeros(len(time_s))
    beyond = np.zeros(len(time_s), dtype=bool)
    values[asked], hole[asked], beyond[asked] = _between_samples(
        channel, si, stretch, time_s[asked]
    )
    apart = (hole > longest) | beyond
    # Between uneven stamps a value is drawn, but not towards a sample beyond a hole.
    as_is = apart[at] | base.even
    values[at[as_is]] = si[stretch.rows][own_here][as_is]
    missing = ~has_own & apart
    slower_rate = own_step > 1.5 * grid_step
    # Between uneven stamps a point without a sample of its own is no hole yet.
    ordinary = 1.5 * max(own_step, grid_step) if slower_rate or not base.even else 0.0
    filled = ~has_own & ~missing & (hole > ordinary)
    slower = ~has_own & ~missing & ~filled & slower_rate
    values = np.where(missing, np.nan, values)
    pinned = np.zeros(len(time_s), dtype=bool)
    pinned[stretch.index[stretch.rows][clamped[stretch.rows]]] = True
    rate = f"{1 / own_step:.4g}" if slower_rate else ""
    return values, filled | pinned, _done(
        (Treatment.RESAMPLED, time_s[slower],
         f"channel of {rate} Hz carried to {base.rate_hz:g} Hz ({channel.between})"),
        (Treatment.FILLED, time_s[filled], f"holes up to {longest:.3g} s, {channel.between}"),
        (Treatment.MISSING, time_s[missing], f"holes longer than {longest:.3g} s"),
    )  # fmt: skip


def _between_samples(
    channel: Channel, si: FloatArray, stretch: Stretch, time_s: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """What the channel's samples give at each point, how far they lie apart, where none is near."""
    base = stretch.base
    own = np.isfinite(si)
    stamps, samples = stretch.stamps_s[own], si[own]
    if not len(stamps):
        nothing = np.full(len(time_s), np.nan)
        return nothing, nothing, np.ones(len(time_s), dtype=bool)
    after = np.searchsorted(stamps, time_s + 0.5 * base.step_s * base.even, side="right")
    before = np.maximum(after - 1, 0)
    following = np.minimum(after, len(stamps) - 1)
    if channel.between is Between.HOLD:
        values = samples[before]
    else:
        values = np.interp(time_s, stamps, samples)
    beyond = np.maximum(stamps[0] - time_s, time_s - stamps[-1]) > 0.5 * base.step_s
    # Where the log goes on, its next sample is further away than any hole that is bridged.
    beyond |= ((after == 0) & (not stretch.begins)) | ((after == len(stamps)) & (not stretch.ends))
    return values, stamps[following] - stamps[before], beyond


def _done(*treated: tuple[Treatment, FloatArray, str]) -> tuple[Done, ...]:
    return tuple(
        Done(treatment, len(times), float(times[0]), detail)
        for treatment, times, detail in treated
        if len(times)
    )
