"""How far apart the driven wheels turn in corners, against what the corner asks for."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import LEAST_SPEED_MPS
from pipeline.estimate import Answer, Estimate, Missing
from pipeline.evidence import PHASES, Evidence
from pipeline.learn import Learnt
from pipeline.regression import ratio_interval
from pipeline.result import STATES, AxleState, Phase, SlipEvent
from pipeline.stretches import by_stretch, each_stretch
from pipeline.summaries import mean_answer

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LAPS, RADII, TRACK = "scatter of the laps", "rolling radii", "track width"
"""Inputs as a budget names them."""

# Two tyres of one make roll alike to within this share where the log does not show it; what the
# track's effective width and the yaw rate's gain leave open. 95 %, chosen by us.
_ALIKE = 0.005
_TRACK = 0.01
_FEWEST_LAPS = 3
_LEAST_IN_CORNERS_S = 0.5


def corner_measures(
    evidence: Evidence,
    learnt: Learnt,
    expected_radps: FloatArray,
    speed_mps: FloatArray,
    events: tuple[SlipEvent, ...],
) -> tuple[dict[str, Answer], dict[str, dict[str, float]]]:
    """Speed-difference measures, and by input what their intervals come from.

    None needs torque but for telling drive from overrun.

    Parameters
    ----------
    evidence : Evidence
    learnt : Learnt
    expected_radps, speed_mps : array, shape (n,)
        Speed difference that the path asks for, and ground speed.
    events : tuple of SlipEvent
    """
    cornering = by_stretch(
        lambda part: (
            (np.abs(expected_radps[part]) > 2 * learnt.sliding_radps)
            & (speed_mps[part] > LEAST_SPEED_MPS)
            & np.isfinite(learnt.difference_radps[part])
        ),
        len(speed_mps),
    )
    found: dict[str, Answer] = {}
    parts: dict[str, dict[str, float]] = {}
    for phase in (Phase.DRIVE, Phase.OVERRUN):
        here = cornering & (evidence.phase == PHASES.index(phase))
        name = f"speed_difference_share_{phase}"
        found[name], parts[name] = _share_taken(
            evidence, learnt, here, expected_radps, speed_mps, phase
        )
        found[f"held_share_{phase}"] = _share_held(evidence, here, phase)
    found["slip_events_per_lap"] = _events_per_lap(evidence, events)
    return found, parts


def _by_lap(
    evidence: Evidence, here: BoolArray, values: Callable[[slice], tuple[FloatArray, ...]]
) -> FloatArray:
    """Sums of some values where chosen, shape (values, counted laps that have enough of them)."""
    laps = len(evidence.laps)

    def of_stretch(part: slice) -> FloatArray:
        chosen = here[part] & (evidence.lap_of[part] >= 0)
        lap = evidence.lap_of[part][chosen].astype(np.intp)
        sums = [np.bincount(lap, each[chosen], minlength=laps) for each in values(part)]
        return np.stack([np.bincount(lap, minlength=laps), *sums])

    count, *sums = np.sum(each_stretch(of_stretch, len(here)), axis=0)
    kept = [i for i in evidence.counted if count[i] >= _LEAST_IN_CORNERS_S * evidence.rate_hz]
    return np.stack([count[kept], *(each[kept] for each in sums)])


def _why_not(evidence: Evidence, laps: int, phase: Phase) -> str:
    if not evidence.states_told:
        return "the log has no yaw rate, so the expected speed difference is not known"
    return f"corners under {phase} in {laps} counted laps; an interval needs {_FEWEST_LAPS}"


def _share_taken(
    evidence: Evidence,
    learnt: Learnt,
    here: BoolArray,
    expected: FloatArray,
    speed: FloatArray,
    phase: Phase,
) -> tuple[Answer, dict[str, float]]:
    """Speed difference over the expected one: 1 turns freely, 0 is held, below 0 runs away."""

    def in_corners(part: slice) -> tuple[FloatArray, ...]:
        way = np.sign(expected[part])
        taken, asked = learnt.difference_radps[part] * way, np.abs(expected[part])
        return asked, taken, speed[part] * way

    _, asked, taken, swing = _by_lap(evidence, here, in_corners)
    if len(asked) < _FEWEST_LAPS:
        return Missing(_why_not(evidence, len(asked), phase)), {}
    share, scatter = ratio_interval(taken, asked)
    # Radii that differ by a share widen the difference asked for one way and narrow it the other.
    uneven = _radius_doubt(learnt) * float(np.sum(swing)) / float(np.sum(asked))
    parts = {LAPS: scatter, RADII: abs(share * uneven), TRACK: abs(share * _TRACK)}
    half = math.hypot(*parts.values())
    answer = Estimate(
        share, share - half, share + half, "1", len(asked), evidence.grade,
        f"sum of speed differences in corners under {phase} over what the path asks for; interval "
        "from the laps' scatter, the radii and the track",
    )  # fmt: skip
    return answer, parts


def _radius_doubt(learnt: Learnt) -> float:
    """95 % half width of ``1/R_L - 1/R_R``. [1/m]"""
    fit, radius = learnt.rolling.difference, learnt.rolling.radius_left_m
    if fit is None:
        return _ALIKE / radius
    first = np.eye(len(fit.coefficients))[0]
    return float(np.hypot(fit.half_width(first), learnt.rolling.model_doubt / radius))


def _share_held(evidence: Evidence, here: BoolArray, phase: Phase) -> Answer:
    """Share of the time in corners that the axle is held."""
    code = STATES.index(AxleState.HELD)
    whole, held = _by_lap(
        evidence, here, lambda part: ((evidence.state[part] == code).astype(np.float64),)
    )
    if len(whole) < _FEWEST_LAPS:
        return Missing(_why_not(evidence, len(whole), phase))
    share, half = ratio_interval(held, whole)
    return Estimate(
        share, share - half, share + half, "1", len(whole), evidence.grade,
        f"time held over time in corners under {phase}; interval from the laps' scatter",
    )  # fmt: skip


def _events_per_lap(evidence: Evidence, events: tuple[SlipEvent, ...]) -> Answer:
    if not evidence.states_told:
        return Missing("the log has no yaw rate, so the expected speed difference is not known")
    counts = {evidence.laps[i].number: 0 for i in evidence.counted}
    for event in events:
        if event.lap in counts:
            counts[event.lap] += 1
    values = np.array(list(counts.values()), dtype=np.float64)
    return mean_answer(values, np.zeros(len(values)), "1", evidence.grade, "laps")
