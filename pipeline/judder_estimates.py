"""The session's numbers on judder: how fast, how strong, in which corner."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate import Answer, Estimate, Missing
from pipeline.evidence import Evidence
from pipeline.judder import Judder, find_judder
from pipeline.learn import Learnt
from pipeline.runs import close_gaps
from pipeline.signals import Signals
from pipeline.stretches import by_stretch

NAMES = ("judder_frequency_hz", "judder_amplitude_radps")
# The speed difference of a juddering pack may touch zero for a moment.
_GAP_S = 0.1
_MOVING_MPS = 8.0


def judder_estimates(evidence: Evidence, signals: Signals, learnt: Learnt) -> dict[str, Answer]:
    """Frequency and amplitude of judder, or why none is claimed."""
    # By the wheels: juddering flanges pass zero in every swing.
    apart = by_stretch(
        lambda here: np.abs(learnt.difference_radps[here]) > learnt.sliding_radps,
        len(learnt.difference_radps),
    )
    sliding = close_gaps(apart, round(_GAP_S * signals.rate_hz)) & signals.clean
    found = find_judder(
        signals.difference_radps,
        lambda at: 0.5 * (signals.left_radps[at] + signals.right_radps[at]),
        sliding,
        ~sliding & signals.clean & (signals.speed_mps > _MOVING_MPS),
        learnt.clusters.label,
        signals.rate_hz,
    )
    if isinstance(found, str):
        return dict.fromkeys(NAMES, Missing(found))
    method = (
        f"spectrum of the speed difference while the packs slide, {found.rise:.1f} times the power "
        f"beside it; interval over {learnt.clusters.name}"
    )
    where = _where(found, evidence)
    half = found.amplitude_half_radps
    return {
        "judder_frequency_hz": Estimate(
            found.frequency_hz, found.low_hz, found.high_hz, "Hz", found.laps, evidence.grade,
            method, at=where,
        ),
        "judder_amplitude_radps": Estimate(
            found.amplitude_radps, found.amplitude_radps - half, found.amplitude_radps + half,
            "rad/s", found.laps, evidence.grade, method, at=where,
        ),
    }  # fmt: skip


def _where(found: Judder, evidence: Evidence) -> str:
    """The corner that most of the judder is in, in words; empty when it is in none."""
    corner = evidence.corner_of[found.middle]
    inside: NDArray[np.bool_] = corner >= 0
    total = float(found.strength.sum())
    if not inside.any() or total <= 0:
        return ""
    by_corner = np.bincount(corner[inside], found.strength[inside])
    most = int(np.argmax(by_corner))
    share = 100 * float(by_corner[most]) / total
    return f"most in corner {evidence.corners[most].number}, {share:.0f} % of it"
