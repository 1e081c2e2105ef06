"""What the numbers mean, in sentences a mechanic can act on."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Choice, Missing, Prediction, SessionAnswer
from pipeline.findings_axle import energy, held, overspeed, turning
from pipeline.findings_bounds import apart, bounds, breakaway_at_most
from pipeline.findings_friction import friction
from pipeline.findings_heat import loss_share, temperatures
from pipeline.findings_lock import breakaway, impossible, locks, preload, way
from pipeline.findings_parts import ramps, service, stack
from pipeline.findings_signals import (
    counted_laps,
    delay,
    radii,
    sensors,
    signals_that_lie,
    untrusted,
)
from pipeline.parts import Limits, Oil
from pipeline.result import (
    CornerSummary,
    Finding,
    HeatSummary,
    LapSummary,
    QualityNote,
    SessionInfo,
    SlipEvent,
)


def why_no_advice(
    info: SessionInfo,
    estimates: Mapping[str, SessionAnswer],
    quality: tuple[QualityNote, ...],
) -> tuple[Finding, ...]:
    """Why nothing may be said on parts: signals that cannot be what the map says they are."""
    return (*impossible(info, estimates), *untrusted(info, quality))


def findings(
    info: SessionInfo,
    laps: tuple[LapSummary, ...],
    events: tuple[SlipEvent, ...],
    corners: tuple[CornerSummary, ...],
    estimates: Mapping[str, SessionAnswer],
    predicted: Mapping[str, Prediction],
    choices: Mapping[str, Choice | Missing],
    quality: tuple[QualityNote, ...] = (),
    sheet: BuildSheet | None = None,
    heat: HeatSummary | Missing | None = None,
) -> tuple[Finding, ...]:
    """The session's findings, the ones that need a hand first; before all, signals that lie."""
    counted = [lap for lap in laps if lap.valid]
    limits = Limits() if sheet is None else sheet.limits
    oil = Oil() if sheet is None else sheet.oil
    found = [*signals_that_lie(info, quality), *counted_laps(info, laps, counted)]
    if no_advice := why_no_advice(info, estimates, quality):
        # Advice on parts would rest on columns that cannot be what the map says.
        return (*found, no_advice[0])
    found += [
        *breakaway(info, estimates, predicted),
        *locks(info, estimates, predicted),
        *preload(info, estimates, choices),
        *way(info, estimates, choices),
        *bounds(info, estimates, predicted),
        *apart(info, estimates),
        *breakaway_at_most(info, estimates),
        *ramps(info, estimates),
        *stack(info, estimates, limits),
        *service(info, estimates, limits),
        *energy(info, estimates, corners),
        *loss_share(info, estimates),
        *temperatures(info, heat, oil, limits),
        *overspeed(info, events, counted, estimates),
        *held(info, events, counted, estimates),
        *turning(info, estimates),
        *friction(info, estimates),
        *sensors(info, estimates),
        *delay(info, estimates),
        *radii(info, estimates),
    ]
    return tuple(sorted(found, key=lambda each: not each.needs_attention))
