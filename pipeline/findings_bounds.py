"""What the log bounds where it gives no number, and what driving would settle it."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.estimate import Bound, Estimate, Predicted, Prediction, SessionAnswer, Side
from pipeline.finding_words import finding
from pipeline.result import Finding, Phase, SessionInfo

# What driving would settle it. Common practice, no source; the cautions come with each.
STEADY_TURNS = (
    "For the next run: turns of constant radius both ways at three or four steady throttle "
    "openings, light to firm, some seconds each"
)
COASTING_TURNS = (
    "For the next run: coasting turns both ways, off the throttle in gear with the brakes off, "
    "from three or four speeds"
)
TIGHT_CIRCLES = (
    "For the next run: slow tight circles both ways, on a light steady throttle and coasting, ask "
    "for the largest speed difference at the least torque; if the wheels still turn as one, "
    "measure the breakaway torque on the bench"
)
CAUTION = (
    ". Closed ground and a qualified driver; makers' limits and the rules of the place come first."
)


def locking_bounds(estimates: Mapping[str, SessionAnswer]) -> dict[Phase, Bound]:
    """Bounds of the locking torque by the side of the ramps."""
    found = {
        phase: estimates.get(f"locking_torque_{phase}_nm") for phase in (Phase.DRIVE, Phase.OVERRUN)
    }
    return {phase: each for phase, each in found.items() if isinstance(each, Bound)}


def bounds(
    info: SessionInfo,
    estimates: Mapping[str, SessionAnswer],
    predicted: Mapping[str, Prediction],
) -> list[Finding]:
    """What the packs lock with at least or at most, and the driving that would tell it whole."""
    known = locking_bounds(estimates)
    held = {phase: each for phase, each in known.items() if each.side is Side.AT_LEAST}
    found = [_never_lets_go(info, held, estimates, predicted)] if held else []
    for phase, bound in known.items():
        if bound.side is Side.AT_MOST:
            found.append(
                finding(
                    info,
                    f"Under {phase} the packs lock with at most {_safe(bound)} N·m: {bound.at} "
                    "the inside wheel still ran away.",
                    f"{STEADY_TURNS}{CAUTION}",
                    rests_on=(f"locking_torque_{phase}_nm",),
                )
            )
    return found


def _never_lets_go(
    info: SessionInfo,
    held: Mapping[Phase, Bound],
    estimates: Mapping[str, SessionAnswer],
    predicted: Mapping[str, Prediction],
) -> Finding:
    """Packs that held all that was asked of them; more than their parts can is a warning."""
    parts = [
        f"at least {_safe(each)} N·m under {phase} ({each.at})" for phase, each in held.items()
    ]
    sentence = f"The packs held {' and '.join(parts)} and hardly slid, so they may hold more"
    rests_on = tuple(f"locking_torque_{phase}_nm" for phase in held)
    springs, sheet = estimates["breakaway_torque_nm"], predicted.get("breakaway_torque_nm")
    if (
        isinstance(springs, Bound)
        and springs.side is Side.AT_LEAST
        and isinstance(sheet, Predicted)
        and springs.value > sheet.high
    ):
        return finding(
            info,
            f"{sentence}; of that at least {_safe(springs)} N·m without any help of the ramps, "
            f"where the build sheet's springs give {sheet.low:.0f} to {sheet.high:.0f} N·m.",
            "A spool reads like this, and so does a pack that has welded or seized. Unless the "
            "build sheet is another unit's, take the differential out and look at it before the "
            "car runs again.",
            needs_attention=True,
            rests_on=(*rests_on, "breakaway_torque_nm"),
        )
    return finding(info, f"{sentence}.", f"{TIGHT_CIRCLES}{CAUTION}", rests_on=rests_on)


def _safe(bound: Bound) -> str:
    """The bound in whole newton metres, rounded to its safe side."""
    down = bound.side is Side.AT_LEAST
    return f"{int(bound.value) if down else -int(-bound.value // 1):d}"


def apart(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """Where breakaway and lock are known together only, and what would part them."""
    whole = estimates["breakaway_torque_nm"]
    if not isinstance(whole, Bound) or whole.side is not Side.AT_MOST:
        return []
    found = []
    for phase in (Phase.DRIVE, Phase.OVERRUN):
        lock, together = estimates[f"lock_{phase}"], estimates[f"locking_torque_{phase}_nm"]
        if not isinstance(together, Estimate) or not isinstance(lock, Bound):
            continue
        drill = STEADY_TURNS if phase is Phase.DRIVE else COASTING_TURNS
        found.append(
            finding(
                info,
                f"Breakaway torque and lock under {phase} cannot be told apart: the input torque "
                f"hardly changes while the packs slide. Known is what they do together: "
                f"{together.value:.0f} N·m ({together.low:.0f} to {together.high:.0f}) "
                f"{together.at}; so the breakaway torque is at most {_safe(whole)} N·m and the "
                f"lock at most {100 * lock.value:.0f} %.",
                f"{drill}{CAUTION}",
                needs_attention=True,
                rests_on=(f"locking_torque_{phase}_nm", "breakaway_torque_nm", f"lock_{phase}"),
            )
        )
    return found


def breakaway_at_most(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """A breakaway torque that only the ramps' side of the law bounds."""
    whole, lock = estimates["breakaway_torque_nm"], estimates["lock_drive"]
    if not isinstance(whole, Bound) or not isinstance(lock, Estimate):
        return []
    return [
        finding(
            info,
            f"The breakaway torque is at most {_safe(whole)} N·m: the packs slide only where the "
            "ramps push harder than the springs.",
            f"{COASTING_TURNS}, or measure it on the bench{CAUTION}",
            rests_on=("breakaway_torque_nm",),
        )
    ]
