"""How a finding is put: its frame, and how an estimate is set against the build sheet."""

from __future__ import annotations

from pipeline.estimate import Estimate, Missing, Prediction, SessionAnswer
from pipeline.result import Finding, SessionInfo


def finding(
    info: SessionInfo,
    sentence: str,
    consequence: str,
    *,
    needs_attention: bool = False,
    rests_on: tuple[str, ...] = (),
    assumed: bool = False,
) -> Finding:
    """A finding of this session, at the session's grade."""
    return Finding(sentence, consequence, needs_attention, info.grade, rests_on, assumed)


def against_sheet(
    found: Estimate, predicted: Prediction, unit: str, scale: float
) -> tuple[str, bool]:
    """How an estimate stands to the build sheet's range, and whether it misses it."""
    if isinstance(predicted, Missing):
        return "", False
    low, high = predicted.low * scale, predicted.high * scale
    span = f"{low:.0f} to {high:.0f} {unit}"
    if found.high < predicted.low:
        return f", below what the build sheet's parts give ({span})", True
    if found.low > predicted.high:
        return f", above what the build sheet's parts give ({span})", True
    return f", as the build sheet's parts give ({span})", False


def notable(answer: SessionAnswer, least: float) -> Estimate | None:
    """The estimate when it is clearly away from zero and large enough to speak of."""
    if not isinstance(answer, Estimate) or answer.low <= 0 <= answer.high:
        return None
    return answer if abs(answer.value) > least else None
