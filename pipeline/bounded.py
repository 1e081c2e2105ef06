"""The session's numbers that are known from one side only, or only together with another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import SMOOTH_S, odd_samples
from pipeline.bounds import (
    Flattening,
    Typical,
    averaged_noise,
    flattening,
    held_torque,
    run_away_ceiling,
    typical_locking,
)
from pipeline.estimate import Answer, Bound, Estimate, Missing, SessionAnswer, Side
from pipeline.evidence import PHASES, Evidence
from pipeline.learn import Learnt
from pipeline.lock import BREAKAWAY, DRIVE, LEAST_SLIDING_S, OVERRUN, SlidingSamples
from pipeline.result import STATES, AxleState, Phase
from pipeline.stretches import excerpt, some, telling
from pipeline.torque import ShaftTorque, averaged_at

BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

_TERM = {Phase.DRIVE: DRIVE, Phase.OVERRUN: OVERRUN}
# An interval that holds all that is possible says no more than a bound does, unless it is narrow
# all the same: then it says that the part does next to nothing. Chosen by us.
_NARROW_NM = 15.0
_NARROW_LOCK = 0.03
# From this share of a slope lost to noise on, the correction is worth no more than the guess.
# Chosen by us.
_MOST_FLATTENED = 0.2
# Of more sliding samples, as many evenly spread ones say as much of the torques they carry.
_MOST_LOOKED_AT = 200_000


def sliding_samples(evidence: Evidence, learnt: Learnt, chosen: BoolArray) -> SlidingSamples:
    """The chosen samples as the friction law sees them; of very many, every k-th."""
    at, every = looked_at(chosen)
    return samples_at(evidence, learnt, at, evidence.rate_hz / every)


def looked_at(chosen: BoolArray) -> tuple[IndexArray, int]:
    """Where the chosen samples are, of very many every k-th, and which k."""
    at = np.flatnonzero(chosen)
    every = 1 + len(at) // _MOST_LOOKED_AT
    return at[::every].copy(), every


def samples_at(
    evidence: Evidence, learnt: Learnt, at: IndexArray, rate_hz: float
) -> SlidingSamples:
    """Samples as the friction law sees them, so many of them a second."""
    assert evidence.torque is not None
    torque = evidence.torque[at]
    return SlidingSamples(
        torque.input_nm,
        torque.difference_nm,
        learnt.flange_radps[at],
        learnt.clusters.label[at],
        rate_hz,
    )


def bounded(
    evidence: Evidence, learnt: Learnt, numbers: Mapping[str, Answer], noise: Flattening
) -> dict[str, SessionAnswer]:
    """The locking torque where the pack works, and bounds in place of what cannot be told.

    Notes
    -----
    Breakaway torque and lock ratio are never negative, so a locking torque that is known bounds
    either of them: ``T_pre <= T_lock`` and ``k <= T_lock / T_in``. Where the fit's interval spans
    all of that, or noise has flattened the slopes, the log cannot tell the two apart, and the bound
    is all it says.
    """
    shifts, flat = noise.shifts, noise.share > _MOST_FLATTENED
    locking = {phase: _locking(evidence, learnt, phase) for phase in _TERM}
    breakaway = _widened(numbers["breakaway_torque_nm"], shifts.get(BREAKAWAY, 0.0))
    found = {"breakaway_torque_nm": _breakaway(evidence, learnt, breakaway, locking, flat=flat)}
    for phase, term in _TERM.items():
        name = f"lock_{phase}"
        lock = _widened(numbers[name], shifts.get(term, 0.0))
        found[name] = _lock(evidence, learnt, lock, phase, locking[phase], flat=flat)
    return {**found, **{f"locking_torque_{phase}_nm": each for phase, each in locking.items()}}


def flattened(evidence: Evidence, learnt: Learnt) -> Flattening:
    """What noise in the input torque did to the law; nothing where there is none."""
    if learnt.law is None or evidence.torque is None or not evidence.sliding.any():
        return Flattening({}, 0.0)
    window = odd_samples(SMOOTH_S, evidence.rate_hz)
    noise = _input_noise(evidence.torque, evidence.sliding, window)
    at, every = looked_at(evidence.sliding)
    smooth = averaged_at(evidence.torque, window, at).input_nm
    known = np.isfinite(smooth)
    samples = samples_at(evidence, learnt, at[known], evidence.rate_hz / every)
    return flattening(replace(samples, input_torque_nm=smooth[known]), learnt.law, noise)


def _input_noise(torque: ShaftTorque, sliding: BoolArray, window: int) -> float:
    """Standard deviation of the averaged input torque's noise while the pack slides. [N m]"""
    pieces = telling(sliding)
    left, right = (excerpt(each, pieces) for each in torque.both)
    return averaged_noise(left + right, window, excerpt(sliding, pieces))


def _widened(answer: Answer, by: float) -> Answer:
    if isinstance(answer, Missing) or by == 0.0:
        return answer
    half = float(np.hypot(answer.half_width, by))
    return replace(answer, low=answer.value - half, high=answer.value + half)


def _locking(evidence: Evidence, learnt: Learnt, phase: Phase) -> SessionAnswer:
    """What the packs carry at the input torque of their usual sliding, or what they held."""
    if evidence.torque is None:
        ceiling = _run_away(evidence) if phase is Phase.DRIVE else None
        return ceiling or Missing(evidence.why_no_torque)
    here = evidence.phase == PHASES.index(phase)
    samples = sliding_samples(evidence, learnt, evidence.sliding & here)
    typical = None
    if samples.seconds() >= LEAST_SLIDING_S:
        typical = _by_law(learnt, samples, phase) or _by_laps(learnt, samples)
    if typical is not None:
        return Estimate(
            typical.torque_nm,
            typical.torque_nm - typical.half_width_nm,
            typical.torque_nm + typical.half_width_nm,
            "N m",
            typical.clusters,
            evidence.grade,
            f"at the middle of the input torques at which the pack slides under {phase}; "
            f"{learnt.clusters.name} left out one by one",
            at=_at(typical.input_torque_nm),
        )
    level = held_torque(
        evidence.torque,
        here & ~evidence.bridged,
        learnt.clusters.label,
        learnt.doubt,
        evidence.rate_hz,
    )
    if level is None:
        ceiling = _run_away(evidence) if phase is Phase.DRIVE else None
        return ceiling or Missing(
            f"the pack neither slides nor holds anything clear of zero under {phase}"
        )
    return Bound(
        Side.AT_LEAST, level.torque_nm, "N m", level.laps, evidence.grade,
        f"torque difference that the packs held under {phase}; noise and sensors' tolerances "
        "taken off; friction at rest may exceed friction while sliding",
        at=_at(level.input_torque_nm),
    )  # fmt: skip


def _by_law(learnt: Learnt, samples: SlidingSamples, phase: Phase) -> Typical | None:
    law = learnt.law
    if law is None or law.index(_TERM[phase]) is None:
        return None
    middle = float(np.median(samples.input_torque_nm))
    curve, half = law.curve(np.array([middle]))
    return Typical(middle, float(curve[0]), float(half[0]), law.fit.clusters)


def _by_laps(learnt: Learnt, samples: SlidingSamples) -> Typical | None:
    """Without a law the gain that both torques share is in the number as a whole."""
    found = typical_locking(samples)
    if found is None:
        return None
    half = float(np.hypot(found.half_width_nm, learnt.doubt.gain * found.torque_nm))
    return replace(found, half_width_nm=half)


def _at(input_torque_nm: float) -> str:
    which = "input" if input_torque_nm >= 0 else "overrun"
    return f"at {abs(input_torque_nm):.0f} N·m of {which} torque"


def _run_away(evidence: Evidence) -> Bound | None:
    """Where a wheel runs away, the packs lock with less than the input torque."""
    known = evidence.input
    if known is None:
        return None
    level = run_away_ceiling(
        known.torque_nm,
        known.usable & ~evidence.bridged,
        evidence.state == STATES.index(AxleState.INSIDE_OVERSPEED),
        evidence.difference_radps,
        evidence.lap_of,
        evidence.rate_hz,
    )
    if level is None:
        return None
    doubt = float(np.hypot(known.gain_tolerance * level.torque_nm, known.zero_tolerance_nm))
    return Bound(
        Side.AT_MOST, level.torque_nm + doubt, "N m", level.laps, evidence.grade,
        "input torque at which the inside wheel ran away: were it locked with more, the wheel "
        f"would have been held back; input torque by {known.source}",
        at=_at(level.input_torque_nm),
    )  # fmt: skip


def _breakaway(
    evidence: Evidence,
    learnt: Learnt,
    found: Answer,
    locking: Mapping[Phase, SessionAnswer],
    *,
    flat: bool,
) -> SessionAnswer:
    if isinstance(found, Estimate):
        ceiling = _lowest_locking(evidence, learnt)
        if flat and ceiling is not None:
            return _at_most(ceiling, found, "all of the locking torque; its slope is lost in noise")
        wide = found.half_width > _NARROW_NM and found.low <= 0
        return (
            found
            if ceiling is None or not wide or found.high < ceiling
            else _at_most(
                ceiling, found, "locking torque at the least input torque at which the pack slides"
            )
        )
    tops = [each for each in locking.values() if isinstance(each, Estimate)]
    if tops:
        least = min(tops, key=lambda each: each.high)
        return _at_most(least.high, least, f"all of the locking torque {least.at}")
    above = locking[Phase.DRIVE]
    if isinstance(above, Bound) and above.side is Side.AT_MOST:
        return above
    if evidence.torque is None:
        return found
    level = held_torque(
        evidence.torque,
        ~evidence.bridged,
        learnt.clusters.label,
        learnt.doubt,
        evidence.rate_hz,
        without_ramps=True,
    )
    if level is None:
        return found
    return Bound(
        Side.AT_LEAST, level.torque_nm, "N m", level.laps, evidence.grade,
        f"torque difference held {_at(level.input_torque_nm)}, less all that ramps could add",
    )  # fmt: skip


def _at_most(value: float, of: Estimate, how: str) -> Bound:
    return Bound(Side.AT_MOST, value, of.unit, of.n, of.grade, how, of.level)


def _lowest_locking(evidence: Evidence, learnt: Learnt) -> float | None:
    """Upper end of the law at the least input torque that the sliding pack saw. [N m]"""
    if learnt.law is None or evidence.torque is None or not evidence.sliding.any():
        return None
    torque = evidence.torque[some(np.flatnonzero(evidence.sliding))].input_nm
    ends = [
        float(sign * np.percentile(sign * torque[sign * torque > 0], 5))
        for sign, term in ((1, DRIVE), (-1, OVERRUN))
        if learnt.law.index(term) is not None and (sign * torque > 0).any()
    ]
    if not ends:
        return None
    curve, half = learnt.law.curve(np.array(ends))
    return float(np.min(curve + half))


def _lock(
    evidence: Evidence,
    learnt: Learnt,
    found: Answer,
    phase: Phase,
    locking: SessionAnswer,
    *,
    flat: bool,
) -> SessionAnswer:
    if not isinstance(locking, Estimate) or evidence.torque is None:
        return found
    here = evidence.sliding & (evidence.phase == PHASES.index(phase))
    size = np.abs(evidence.torque[some(np.flatnonzero(here))].input_nm)
    if isinstance(found, Missing):
        how = "all of the locking torque over the input torque"
        return Bound(
            Side.AT_MOST, locking.high / float(np.median(size)), "1", locking.n, locking.grade, how,
            locking.level,
        )  # fmt: skip
    law = learnt.law
    wide = found.half_width > _NARROW_LOCK and found.low <= 0
    if law is None or not (wide or flat):
        return found
    most = float(np.percentile(size, 95))
    curve, half = law.curve(np.array([most if phase is Phase.DRIVE else -most]))
    ceiling = float(curve[0] + half[0]) / most
    if found.high < ceiling and not flat:
        return found
    return _at_most(ceiling, found, "all of the locking torque over the largest input torque")
