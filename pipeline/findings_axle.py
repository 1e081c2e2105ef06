"""What the log says of the axle: heat, wheels that run away, wheels that are held."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from pipeline.estimate import Estimate, Grade, SessionAnswer
from pipeline.finding_words import finding
from pipeline.findings_bounds import CAUTION, TIGHT_CIRCLES
from pipeline.result import (
    AxleState,
    CornerSummary,
    Finding,
    LapSummary,
    Phase,
    SessionInfo,
    SlipEvent,
)

# Held for most of the time in corners, the rest being overspeed of the axle as a whole, and with
# none of the speed difference but what the sensors leave open, wheels never turn apart. Chosen by
# us.
_MOSTLY = 0.8
_NOTHING = 0.05


def energy(
    info: SessionInfo, estimates: Mapping[str, SessionAnswer], corners: tuple[CornerSummary, ...]
) -> list[Finding]:
    """What a lap turns into heat, and the corner that costs most."""
    per_lap = estimates["energy_per_lap_j"]
    if not isinstance(per_lap, Estimate):
        return []
    rests_on = ("energy_per_lap_j",)
    if per_lap.low <= 0:
        return [
            finding(
                info,
                f"The packs turn next to nothing into heat: below "
                f"{max(per_lap.high, 0) / 1000:.2f} kJ a lap ({per_lap.n} laps).",
                "Packs that never slide make no heat, and open ones next to none.",
                rests_on=rests_on,
            )
        ]
    said = (
        f"The packs turn {per_lap.value / 1000:.1f} kJ a lap into heat "
        f"({per_lap.low / 1000:.1f} to {per_lap.high / 1000:.1f}, {per_lap.n} laps)"
    )
    known = [
        (corner, corner.energy_j) for corner in corners if isinstance(corner.energy_j, Estimate)
    ]
    costliest = max(known, key=lambda pair: pair[1].value, default=None)
    where = ""
    if costliest is not None:
        share = costliest[1].value / per_lap.value
        where = f"; corner {costliest[0].number} costs most, {100 * share:.0f} % of it"
    return [
        finding(
            info,
            f"{said}{where}.",
            "Energy since the build is what wears plates; watch it together with oil temperature.",
            rests_on=rests_on,
        )
    ]


def overspeed(
    info: SessionInfo,
    events: tuple[SlipEvent, ...],
    counted: list[LapSummary],
    estimates: Mapping[str, SessionAnswer],
) -> list[Finding]:
    """How often the inside wheel runs away under drive, and where."""
    name = "inside_overspeed_s_per_lap"
    seconds = estimates[name]
    if not isinstance(seconds, Estimate):
        return []
    here = _on(events, counted, AxleState.INSIDE_OVERSPEED)
    if not here:
        return [
            finding(
                info,
                f"The inside wheel never runs away under drive in {len(counted)} laps.",
                "The lock on drive is enough for this grip.",
                rests_on=(name,),
            )
        ]
    return [
        finding(
            info,
            f"The inside wheel runs away under drive {len(here)} times in {len(counted)} laps, "
            f"{_seconds_a_lap(seconds)}{_most_often(here)}.",
            "More lock on drive or more breakaway torque would hold it, at the price of push "
            "on the way out.",
            rests_on=(name,),
        )
    ]


def held(
    info: SessionInfo,
    events: tuple[SlipEvent, ...],
    counted: list[LapSummary],
    estimates: Mapping[str, SessionAnswer],
) -> list[Finding]:
    """How long corners are taken with the axle held, and on which pedal."""
    name = "held_s_per_lap"
    seconds = estimates[name]
    here = _on(events, counted, AxleState.HELD)
    if not isinstance(seconds, Estimate) or not here:
        return []
    phase, count = Counter(str(event.phase) for event in here).most_common(1)[0]
    return [
        finding(
            info,
            f"In corners the axle is held for {_seconds_a_lap(seconds)}{_most_often(here)}; "
            f"{100 * count / len(here):.0f} % of these stretches are under {phase}.",
            "While held the tyres scrub and the car resists turning.",
            rests_on=(name,),
        )
    ]


def turning(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """How far apart the wheels turn in corners, where no torque says why."""
    if info.grade is Grade.MEASURED:
        return []
    takes, ahead, names = [], [], []
    for phase, where in ((Phase.DRIVE, "under drive"), (Phase.OVERRUN, "on the overrun")):
        name = f"speed_difference_share_{phase}"
        share = estimates.get(name)
        if isinstance(share, Estimate):
            value, low, high = 100 * share.value, 100 * share.low, 100 * share.high
            if high < 0:
                ahead.append(
                    f"{where} the inside wheel is ahead of the outside one by {-value:.0f} % of it "
                    f"({-high:.0f} to {-low:.0f})"
                )
            else:
                takes.append(f"{value:.0f} % {where} ({low:.0f} to {high:.0f})")
            names.append(name)
    if not names:
        return []
    if all(_holds(estimates, phase) for phase in (Phase.DRIVE, Phase.OVERRUN)):
        return [
            finding(
                info,
                "The driven wheels never turn apart in corners, neither under drive nor on the "
                "overrun: a spool, or a pack that holds more than this driving asks for.",
                f"How hard it holds takes torque channels to tell. {TIGHT_CIRCLES}{CAUTION}",
                rests_on=tuple(names),
            )
        ]
    return [
        finding(
            info,
            "Of the speed difference that corners ask for, the wheels take "
            f"{'; '.join([' and '.join(takes) or 'nothing', *ahead])}.",
            "Near 100 % the packs let the wheels turn as the corner asks, near 0 % they hold them "
            "together, and where it is ahead the inside wheel runs away. A firm, a soft and a worn "
            "pack can all hold: this alone says nothing of how hard.",
            rests_on=tuple(names),
        )
    ]


def _holds(estimates: Mapping[str, SessionAnswer], phase: Phase) -> bool:
    """Whether the wheels take nothing of the speed difference that corners ask for."""
    held, share = (
        estimates.get(f"{name}_{phase}") for name in ("held_share", "speed_difference_share")
    )
    return (
        isinstance(held, Estimate)
        and isinstance(share, Estimate)
        and held.value > _MOSTLY
        and max(abs(share.low), abs(share.high)) < _NOTHING
    )


def _seconds_a_lap(seconds: Estimate) -> str:
    return f"{seconds.value:.1f} s a lap ({seconds.low:.1f} to {seconds.high:.1f})"


def _on(
    events: tuple[SlipEvent, ...], counted: list[LapSummary], state: AxleState
) -> list[SlipEvent]:
    numbers = {lap.number for lap in counted}
    return [event for event in events if event.lap in numbers and event.state is state]


def _most_often(events: list[SlipEvent]) -> str:
    corners = Counter(event.corner for event in events if event.corner is not None)
    if not corners:
        return ""
    corner, count = corners.most_common(1)[0]
    return f", most often in corner {corner} ({count} of {len(events)})"
