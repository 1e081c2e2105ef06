"""What the temperatures say: how warm plates and oil got, and the margin over a race."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.estimate import Estimate, Missing, Predicted, SessionAnswer
from pipeline.finding_words import finding
from pipeline.parts import Limits, Oil
from pipeline.result import Finding, HeatSummary, SessionInfo

# Of the order of this share of the power that passes is lost in a differential at most.
# Common practice, no source.
_USUAL_LOSS = 0.05

_HOT = (
    "Housing and oil stay hot long after a run: let them cool before anybody works on them. "
    "The limits of the oil's and the unit's makers come first."
)


def temperatures(
    info: SessionInfo, heat: HeatSummary | Missing | None, oil: Oil, limits: Limits
) -> list[Finding]:
    """How warm plates and oil got, against their limits."""
    if heat is None or isinstance(heat, Missing):
        return []
    plates, oil_peak = (heat.answers[f"{name}_peak_c"] for name in ("plates", "oil"))
    if isinstance(plates, Missing) or isinstance(oil_peak, Missing):
        return []
    checked = [
        _against("the plates", plates, limits.plate_temperature_c),
        _against("the oil", oil_peak, oil.limit_c),
    ]
    beyond = [words for words in checked if words]
    how = "found with the log's oil temperature" if heat.fitted else "assumed"
    return [
        finding(
            info,
            f"The plates reach {_said(plates)}, the oil {_said(oil_peak)} ({how})."
            + "".join(f" {words}" for words in beyond),
            f"{_NARROWER if not heat.fitted else ''}{_HOT if beyond else ''}".strip()
            or "Both stay under the limits that the build sheet states.",
            # Ranges alone raise no alarm that the next log with a thermometer would take back.
            needs_attention=bool(beyond) and (heat.fitted or any(_SURE in each for each in beyond)),
            assumed=not heat.fitted,
        ),
        *_race(info, heat, limits),
    ]


_SURE = "is above"
_NARROWER = "An oil temperature in the log narrows this. "


def _said(answer: Estimate | Predicted) -> str:
    return f"{answer.value:.0f} °C ({answer.low:.0f} to {answer.high:.0f})"


def _against(what: str, answer: Estimate | Predicted, limit_c: float | None) -> str:
    if limit_c is None or answer.high <= limit_c:
        return ""
    if answer.low > limit_c:
        return f"That {_SURE} the limit of {limit_c:.0f} °C for {what}."
    return f"The limit of {limit_c:.0f} °C for {what} may be passed."


def _race(info: SessionInfo, heat: HeatSummary, limits: Limits) -> list[Finding]:
    margin, end = heat.answers["oil_margin_k"], heat.answers["oil_race_end_c"]
    if isinstance(margin, Missing) or isinstance(end, Missing) or limits.race_length_s is None:
        return []
    minutes = limits.race_length_s / 60
    short = margin.low < 0
    return [
        finding(
            info,
            f"At this pace the oil is at {_said(end)} after {minutes:.0f} minutes"
            f"{'' if heat.fitted else ' (assumed)'}; margin to its limit {margin.value:.0f} K "
            f"({margin.low:.0f} to {margin.high:.0f}).",
            (
                f"{'' if heat.fitted else _NARROWER}Where the margin goes below zero, cool the "
                f"unit or drive shorter. {_HOT}"
            )
            if short
            else "The same air, pace and cooling are taken for the whole of it.",
            needs_attention=short and (heat.fitted or margin.high < 0),
            assumed=not heat.fitted,
        )
    ]


def loss_share(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """Whether the packs take an unusual share of the power that passes; silent when not."""
    share = estimates.get("friction_loss_share")
    if not isinstance(share, Estimate) or share.high <= _USUAL_LOSS:
        return []
    return [
        finding(
            info,
            f"The packs take {100 * share.value:.1f} % of the power that passes "
            f"({100 * share.low:.1f} to {100 * share.high:.1f}); up to about 5 % is usual.",
            "Look for a wheel that spins for long, unequal tyres or far too much lock; watch the "
            f"oil temperature. {_HOT}",
            needs_attention=True,
            rests_on=("friction_loss_share",),
        )
    ]
