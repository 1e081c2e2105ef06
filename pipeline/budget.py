"""Which inputs an estimate's interval comes from, and which one is worth measuring better."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.estimate import Estimate, SessionAnswer
from pipeline.evidence import Evidence, energy_doubts
from pipeline.learn import Learnt
from pipeline.lock import BREAKAWAY, DRIVE, OVERRUN
from pipeline.regression import mean_interval
from pipeline.result import BudgetLine
from pipeline.speed_difference import LAPS

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
                    LAPS: float(law.fit.half_width(law.gradient(**{term: 1.0}))),
                    **law.doubts.get(term, {}),
                    NOISE: flattened.get(term, 0.0),
                    PRELOAD: law.undecided.get(term, 0.0),
                }
    if evidence.power_w is not None and len(evidence.counted) > 1:
        energy, doubts = energy_doubts(evidence, evidence.lap_of, len(evidence.laps))
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
