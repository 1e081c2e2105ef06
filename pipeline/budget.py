"""Which inputs an estimate's interval comes from, and which one is worth measuring better."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate import Estimate, Grade, SessionAnswer
from pipeline.evidence import Evidence
from pipeline.heat import GAIN_OF_BOTH
from pipeline.learn import Learnt
from pipeline.lock import BREAKAWAY, DRIVE, OVERRUN, ZERO_OF_BOTH
from pipeline.regression import ClusterFit, mean_interval
from pipeline.result import BudgetLine
from pipeline.speed_difference import LAPS

FloatArray = NDArray[np.float64]

TYRES = "reading of the tyres"
PRELOAD, NOISE = "preload law", "noise in the input torque"

_TERMS = {"breakaway_torque_nm": BREAKAWAY, "lock_drive": DRIVE, "lock_overrun": OVERRUN}


def budgets(
    evidence: Evidence,
    learnt: Learnt,
    estimates: Mapping[str, SessionAnswer],
    flattened: Mapping[str, float],
    corner_parts: Mapping[str, Mapping[str, float]],
) -> dict[str, tuple[BudgetLine, ...]]:
    """The budget of each main estimate that is one, by its name.

    Parameters
    ----------
    evidence : Evidence
    learnt : Learnt
    estimates : mapping
    flattened : mapping
        How far noise in the input torque may have moved each term of the law.
    corner_parts : mapping
        By input, half widths of the speed-difference measures.
    """
    parts: dict[str, Mapping[str, float]] = {}
    if learnt.law is not None:
        law = learnt.law
        for name, term in _TERMS.items():
            if law.index(term) is not None:
                parts[name] = {
                    **laps_and_tyres(law.fit, law.gradient(**{term: 1.0})),
                    **by_source(law.doubts.get(term, {}), evidence),
                    NOISE: flattened.get(term, 0.0),
                    PRELOAD: law.undecided.get(term, 0.0),
                }
    if evidence.power_w is not None and len(evidence.counted) > 1:
        energy, doubts = evidence.by_lap
        counted = evidence.counted
        parts["energy_per_lap_j"] = {
            LAPS: mean_interval(energy[counted])[1],
            # A wrong calibration moves all laps together.
            **{name: float(np.mean(half[counted])) for name, half in doubts.items()},
        }
    return {
        name: lines(each)
        for name, each in {**parts, **corner_parts}.items()
        if isinstance(estimates.get(name), Estimate) and any(each.values())
    }


def laps_and_tyres(fit: ClusterFit, row: FloatArray) -> dict[str, float]:
    """Half widths of a term from the laps' scatter, and from what all laps misread alike.

    >>> laps = np.array([[99.0], [100.0], [101.0]])
    >>> alike = ClusterFit(np.array([100.0]), laps, 1.0, 9, np.array([[1.0]]))
    >>> {name: round(half, 1) for name, half in laps_and_tyres(alike, np.ones(1)).items()}
    {'scatter of the laps': 5.0, 'reading of the tyres': 2.0}
    """
    whole = float(fit.half_width(row))
    laps = float(replace(fit, shared=None).half_width(row))
    return {LAPS: laps, TYRES: math.sqrt(max(whole**2 - laps**2, 0.0))}


def by_source(doubts: Mapping[str, float], evidence: Evidence) -> dict[str, float]:
    """A term's doubts with those of an inferred input torque under the names of their own inputs.

    The parts of a doubt stand to it as the tolerances of the input torque do to their whole.
    """
    known = evidence.input
    if evidence.grade is not Grade.INFERRED or known is None:
        return dict(doubts)
    named: dict[str, float] = {}
    for name, half in doubts.items():
        if name == GAIN_OF_BOTH and known.gain_tolerance > 0:
            for each in known.tolerances:
                part = half * each.gain / known.gain_tolerance
                named[each.name] = math.hypot(named.get(each.name, 0.0), part)
        elif name == ZERO_OF_BOTH and known.zero_tolerance_nm > 0:
            for each in known.tolerances:
                part = half * each.zero_nm / known.zero_tolerance_nm
                named[each.name] = math.hypot(named.get(each.name, 0.0), part)
        else:
            named[name] = half
    return named


def lines(half_widths: Mapping[str, float]) -> tuple[BudgetLine, ...]:
    """Budget lines with their shares, the largest first; what adds nothing is left out.

    Parameters
    ----------
    half_widths : mapping
        By input, the half width that it alone would give.

    Notes
    -----
    Independent inputs: variances add, so each share is its square over the sum of squares.
    Source: JCGM 100:2008 (GUM), 5.1.2.

    >>> [(line.input, round(line.share, 2)) for line in lines({"a": 3.0, "b": 4.0, "c": 0.0})]
    [('b', 0.64), ('a', 0.36)]
    """
    total = sum(half**2 for half in half_widths.values())
    found = [
        BudgetLine(name, half, half**2 / total) for name, half in half_widths.items() if half > 0
    ]
    return tuple(sorted(found, key=lambda line: -line.share))
