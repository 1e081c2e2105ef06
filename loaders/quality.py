"""What a session's signals show of their own faults, one by one: counted and placed in time.

Faults that show only where channels are compared with each other are not told here.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from loaders.channels import CHANNEL_BY_NAME, TIME, Between, Quantity
from loaders.normalise import Session, Treatment
from loaders.signal_faults import (
    FROZEN_S,
    Spans,
    frozen_spans,
    spans_of,
    spike_spans,
    stop_spans,
    written_step,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Channels of a long log are worked on two at a time; more would need more memory.
_AT_ONCE = 2
# Nominal, wheels of every circuit car taken together: only to tell standing from moving.
_ROUGH_RADIUS_M = 0.3
_MOVING_MPS = 5.0
# So long without a sample of any channel is a gap in the recording.
_LEAST_GAP_S = 0.05
# A clock that leaps while the car is found where it was: it moved less than this share of the way.
_LEAP_SHARE = 0.25
_LEAST_LEAP_S = 0.5
_TELLING_MPS = 8.0
_LOOK_BACK_S = 0.5
# Two torque sensors that spike within this time have both felt a shift or a kerb.
_TOGETHER_S = 0.05
# A driver may hold the wheel still for a second, and a path may run due north.
_STILL_S = {Quantity.ANGLE: 3.0, Quantity.DISTANCE: 3.0}

_CAN_FREEZE = (
    Quantity.ANGULAR_SPEED, Quantity.SPEED, Quantity.TORQUE, Quantity.ACCELERATION, Quantity.ANGLE,
    Quantity.YAW_RATE, Quantity.DISTANCE,
)  # fmt: skip
# Quantities whose lower end is a natural one (a wheel at rest, a brake not pressed) stop at the
# upper end only; a throttle lives at both of its ends, and a temperature moves too slowly to tell.
_STOPS_AT = {
    Quantity.ANGULAR_SPEED: (True,),
    Quantity.SPEED: (True,),
    Quantity.PRESSURE: (True,),
    Quantity.TORQUE: (True, False),
    Quantity.ACCELERATION: (True, False),
    Quantity.YAW_RATE: (True, False),
    Quantity.ANGLE: (True, False),
}
_NO_STOP = ("latitude_rad", "longitude_rad")


class FaultKind(StrEnum):
    """What is wrong with a signal."""

    FROZEN = "frozen"
    SPIKES = "spikes"
    STOP = "at its stop"
    GAP = "gap in the recording"
    LEAP = "time jump"
    STEP = "step"


@dataclass(frozen=True, slots=True)
class SignalFault:
    """One kind of fault of one channel."""

    channel: str
    kind: FaultKind
    count: int
    """Samples concerned; for gaps and jumps, how many there are."""
    spans_s: tuple[tuple[float, float], ...]
    """First and last time of each stretch. [s]"""
    size: float
    """The longest stretch [s], or the highest spike, the stop or the step [channel's unit]."""
    unit: str
    spans: Spans
    """The same stretches in samples."""


def signal_faults(session: Session) -> tuple[SignalFault, ...]:
    """Every fault that a session's signals show one by one, channel by channel.

    Notes
    -----
    Channels held between samples (gear, lap) are only looked at for gaps in the recording. Limits
    of what is seen are stated with each function of `signal_faults`. The channels are taken a few
    at a time, so that a mapping that fetches them one by one will do.
    """
    held = {name: session.channels[name] for name in session.channels if _shows_moving(name)}
    found, moves = _cuts(session), _moves(held)
    votes = np.zeros(len(session.time_s), dtype=np.int8)
    for each in moves.values():
        votes += each
    anyone = _moving(moves, votes, "")

    def looked_at(name: str) -> tuple[list[SignalFault], _Spikes | None]:
        moving = _moving(moves, votes, name) if name in moves else anyone
        return _of_channel(session, name, session.channels[name], moving)

    names = [name for name in session.channels if _is_looked_at(name)]
    spikes: dict[str, _Spikes] = {}
    with ThreadPoolExecutor(_AT_ONCE) as threads:
        for name, (faults, own) in zip(names, threads.map(looked_at, names), strict=True):
            found += faults
            if own is not None:
                spikes[name] = own
    for name, alone in _alone(spikes, session.rate_hz).items():
        height = float(alone.heights.max(initial=0.0))
        unit = CHANNEL_BY_NAME[name].unit
        found += _fault(session, name, FaultKind.SPIKES, alone.spans, height, unit)
    return tuple(found)


def _is_looked_at(name: str) -> bool:
    channel = CHANNEL_BY_NAME[name]
    return channel.between is not Between.HOLD and channel.quantity is not Quantity.TEMPERATURE


def _of_channel(
    session: Session, name: str, values: FloatArray, moving: BoolArray
) -> tuple[list[SignalFault], _Spikes | None]:
    """A channel's faults but its spikes, and those, which have to be held against others'."""
    channel, found, spikes = CHANNEL_BY_NAME[name], [], None
    stride = _stride(session, name)
    stops = _stops(session, name, values)
    if channel.quantity in _CAN_FREEZE:
        shortest = _STILL_S.get(channel.quantity, FROZEN_S)
        spans = stride * frozen_spans(
            values[::stride], moving[::stride], session.rate_hz / stride, shortest
        )
        spans = spans[~_at_a_stop(session, name, values, spans[:, 0], stops)]
        found += _fault(session, name, FaultKind.FROZEN, spans, _longest(spans, session), "s")
    found += stops
    if stride == 1:
        spans = spike_spans(values, session.rate_hz)
        heights = np.abs(values[spans[:, 0]] - values[spans[:, 0] - 1])
        spikes = _Spikes(spans, heights)
    if name.startswith("wheel_speed"):
        found += _step(session, name, values)
    return found, spikes


def _at_a_stop(
    session: Session,
    name: str,
    values: FloatArray,
    at: NDArray[np.intp],
    stops: list[SignalFault],
) -> BoolArray:
    """Which of the samples are the signal's stop rather than a frozen reading."""
    if not len(at):
        return np.zeros(0, dtype=bool)
    pinned = np.isin(values[at], [stop.size for stop in stops])
    if (name, Treatment.CLAMPED) in {(c.channel, c.treatment) for c in session.counts}:
        pinned |= np.abs(values[at]) == np.nanmax(np.abs(values))
    return pinned


@dataclass(frozen=True, slots=True)
class _Spikes:
    spans: Spans
    heights: FloatArray
    """Of each spike's first sample from the sample before it."""


def _alone(spikes: Mapping[str, _Spikes], rate_hz: float) -> dict[str, _Spikes]:
    """The spikes that no second channel of the same quantity shows: those are the car's own."""
    guard, alone = max(1, round(_TOGETHER_S * rate_hz)), {}
    for name, own in spikes.items():
        quantity, spans = CHANNEL_BY_NAME[name].quantity, own.spans
        others = [
            other.spans[:, 0]
            for key, other in spikes.items()
            if key != name and CHANNEL_BY_NAME[key].quantity is quantity
        ]
        seen = np.sort(np.concatenate(others)) if others else np.empty(0)
        near = np.searchsorted(seen, spans[:, 0] - guard) < np.searchsorted(
            seen, spans[:, 0] + guard, side="right"
        )
        alone[name] = _Spikes(spans[~near], own.heights[~near])
    return alone


def with_faults_marked(session: Session, faults: tuple[SignalFault, ...]) -> Session:
    """The session with samples of frozen, spiking or stopped signals marked as suspect.

    Nothing is changed or left out here; what must not rest on suspect samples leaves them out.
    """
    suspect: dict[str, BoolArray] = dict(session.suspect)
    for fault in faults:
        if fault.kind not in (FaultKind.FROZEN, FaultKind.SPIKES, FaultKind.STOP):
            continue
        mask = suspect.get(fault.channel)
        mask = np.zeros(len(session.time_s), dtype=bool) if mask is None else mask.copy()
        for start, stop in fault.spans.tolist():
            mask[start:stop] = True
        suspect[fault.channel] = mask
    return replace(session, suspect=suspect)


def _fault(
    session: Session, name: str, kind: FaultKind, spans: Spans, size: float, unit: str
) -> list[SignalFault]:
    if not len(spans):
        return []
    times = session.time_s[np.column_stack((spans[:, 0], spans[:, 1] - 1))]
    count = int((spans[:, 1] - spans[:, 0]).sum())
    placed = tuple((float(first), float(last)) for first, last in times)
    return [SignalFault(name, kind, count, placed, size, unit, spans)]


def _longest(spans: Spans, session: Session) -> float:
    return float((spans[:, 1] - spans[:, 0]).max() / session.rate_hz) if len(spans) else 0.0


def _shows_moving(name: str) -> bool:
    return name.startswith("wheel_speed") or name == "speed_mps"


def _moves(channels: Mapping[str, FloatArray]) -> dict[str, BoolArray]:
    """Where the car moves, by each channel that shows it."""
    return {
        name: (values if name == "speed_mps" else _ROUGH_RADIUS_M * values) > _MOVING_MPS
        for name, values in channels.items()
    }


def _moving(moves: Mapping[str, BoolArray], votes: NDArray[np.int8], besides: str) -> BoolArray:
    """Where two other channels say that the car moves; one where there is only one."""
    own = moves.get(besides)
    others = len(moves) - (own is not None)
    least = min(2, max(1, others))
    return np.asarray((votes if own is None else votes - own.view(np.int8)) >= least)


def _stride(session: Session, name: str) -> int:
    """Every how many samples of the time base a slower channel has one of its own."""
    not_own = sum(
        count.count
        for count in session.counts
        if count.channel == name and count.treatment is Treatment.RESAMPLED
    )
    n = len(session.time_s)
    holes = int(np.count_nonzero(~np.isfinite(session.channels[name]))) if not_own else 0
    return max(1, round((n - holes) / max(1, n - holes - not_own)))


def _stops(session: Session, name: str, values: FloatArray) -> list[SignalFault]:
    channel = CHANNEL_BY_NAME[name]
    if name in _NO_STOP:
        return []
    found: list[SignalFault] = []
    known = {
        c.detail for c in session.counts if (c.channel, c.treatment) == (name, Treatment.CLAMPED)
    }
    suspect = session.suspect.get(name)
    for upper in _STOPS_AT.get(channel.quantity, ()):
        spans = stop_spans(values, upper=upper)
        if known and suspect is not None and len(spans) and suspect[spans[:, 0]].all():
            continue  # counted on the way in
        end = float(values[spans[0, 0]]) if len(spans) else 0.0
        found += _fault(session, name, FaultKind.STOP, spans, end, channel.unit)
    return found


def _step(session: Session, name: str, values: FloatArray) -> list[SignalFault]:
    step = written_step(values, session.suspect.get(name))
    if step is None:
        return []
    whole = np.array([[0, len(values)]], dtype=np.intp)
    return _fault(session, name, FaultKind.STEP, whole, step, CHANNEL_BY_NAME[name].unit)


def _cuts(session: Session) -> list[SignalFault]:
    """Gaps in the recording, parted into pauses and jumps of the clock."""
    full = [name for name in session.channels if _stride(session, name) == 1]
    if len(full) < 2:
        return []
    absent = np.ones(len(session.time_s), dtype=bool)
    for name in full:
        here = ~np.isfinite(session.channels[name])
        if name in session.suspect:
            here |= session.suspect[name]
        absent &= here
        if not absent.any():
            return []
    spans = spans_of(absent)
    spans = spans[spans[:, 1] - spans[:, 0] >= max(1.0, _LEAST_GAP_S * session.rate_hz)]
    leaps = np.array([_leapt(session, int(a), int(b)) for a, b in spans], dtype=bool)
    found: list[SignalFault] = []
    for kind, chosen in ((FaultKind.GAP, spans[~leaps]), (FaultKind.LEAP, spans[leaps])):
        for fault in _fault(session, TIME, kind, chosen, _longest(chosen, session), "s"):
            found.append(replace(fault, count=len(chosen)))
    return found


def _leapt(session: Session, start: int, stop: int) -> bool:
    """Whether the clock jumped: the car is found where it was, though it was moving."""
    seconds = (stop - start) / session.rate_hz
    x, y = session.channels.get("position_x_m"), session.channels.get("position_y_m")
    speed = session.channels.get("speed_mps")
    back = round(_LOOK_BACK_S * session.rate_hz)
    if seconds < _LEAST_LEAP_S or x is None or y is None or speed is None:
        return False
    before, after = slice(max(0, start - back), start), slice(stop, stop + back)
    ends = [channel[part] for channel in (x, y, speed) for part in (before, after)]
    ends = [part[np.isfinite(part)] for part in ends]
    if not all(len(part) for part in ends):
        return False
    moved = float(np.hypot(ends[1][0] - ends[0][-1], ends[3][0] - ends[2][-1]))
    slower = min(float(ends[4][-1]), float(ends[5][0]))
    return slower > _TELLING_MPS and moved < _LEAP_SHARE * slower * seconds
