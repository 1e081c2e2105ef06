"""What the log says of the parts inside: ramps, washers, stack height, service limits."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.estimate import Estimate, SessionAnswer
from pipeline.finding_words import finding
from pipeline.parts import Limits
from pipeline.result import Finding, SessionInfo


def ramps(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """Whether both ramp sides tell the same friction; if not, ramps or sheet are wrong."""
    ratio = estimates.get("friction_overrun_to_drive")
    drive, overrun = (estimates.get(f"friction_by_{side}_ramps") for side in ("drive", "overrun"))
    if not (
        isinstance(ratio, Estimate)
        and isinstance(drive, Estimate)
        and isinstance(overrun, Estimate)
    ):
        return []
    said = (
        f"the drive ramps stand for a plate friction of {drive.value:.3f} ({drive.low:.3f} to "
        f"{drive.high:.3f}), the overrun ramps for {overrun.value:.3f} ({overrun.low:.3f} to "
        f"{overrun.high:.3f})"
    )
    rests_on = ("friction_by_drive_ramps", "friction_by_overrun_ramps", "friction_overrun_to_drive")
    if ratio.low <= 1 <= ratio.high:
        return _agreed(info, drive, estimates, said, rests_on)
    return [
        finding(
            info,
            f"The ramp sides contradict each other: {said}.",
            "The plates are the same on both sides, so a ramp is worn or not the one of the build "
            "sheet, or an angle is measured from the other side. Measure both angles.",
            needs_attention=True,
            rests_on=rests_on,
        )
    ]


def _agreed(
    info: SessionInfo,
    drive: Estimate,
    estimates: Mapping[str, SessionAnswer],
    said: str,
    rests_on: tuple[str, ...],
) -> list[Finding]:
    """Both ramp sides agree; whether the breakaway torque does too tells of the washers."""
    fits = "Ramp angles, ramp radius and faces of the build sheet fit the log"
    both = finding(info, f"Both ramp sides agree: {said}.", f"{fits}.", rests_on=rests_on)
    third = estimates.get("friction_by_breakaway")
    if not isinstance(third, Estimate):
        return [both]
    by_breakaway = (
        f"the breakaway torque for {third.value:.3f} ({third.low:.3f} to {third.high:.3f})"
    )
    rests_on = (*rests_on, "friction_by_breakaway")
    if third.low <= drive.high and drive.low <= third.high:
        return [
            finding(
                info,
                f"All three agree: {said}, {by_breakaway}.",
                f"{fits}, and the washers push as built.",
                rests_on=rests_on,
            )
        ]
    if isinstance(estimates.get("stack_loss_m"), Estimate):
        return [both]  # `stack` says it, in millimetres
    word = "less" if third.high < drive.low else "more"
    return [
        both,
        finding(
            info,
            f"The ramps agree, {by_breakaway}, if the washers push as built: so they push {word} "
            "than the build sheet says.",
            "Shims, stack height and washers tell why; ramps and plates need no look for it.",
            needs_attention=True,
            rests_on=rests_on,
        ),
    ]


def stack(
    info: SessionInfo, estimates: Mapping[str, SessionAnswer], limits: Limits
) -> list[Finding]:
    """How much height the stack has lost, and the shim that restores it."""
    force, loss = estimates.get("spring_force_n"), estimates.get("stack_loss_m")
    if not isinstance(force, Estimate) or not isinstance(loss, Estimate):
        return []
    pushes = f"The washers push with {force.value:.0f} N ({force.low:.0f} to {force.high:.0f})"
    span = f"{1000 * loss.low:.2f} to {1000 * loss.high:.2f} mm"
    rests_on = ("spring_force_n", "stack_loss_m")
    if loss.low <= 0 <= loss.high:
        return [
            finding(
                info,
                f"{pushes}; a loss of stack height is not shown ({span}).",
                "The washers' own scatter is in this: measured in a press, they tell more "
                "(force_share in the build sheet).",
                rests_on=rests_on,
            )
        ]
    if loss.high < 0:
        return [
            finding(
                info,
                f"{pushes}, more than as built: pressed {-1000 * loss.high:.2f} to "
                f"{-1000 * loss.low:.2f} mm further.",
                "Check shims, stack height and washers against the build sheet.",
                needs_attention=True,
                rests_on=rests_on,
            )
        ]
    over = limits.stack_loss_m is not None and loss.value > limits.stack_loss_m
    due = " That is beyond the limit of the build sheet." if over else ""
    return [
        finding(
            info,
            f"{pushes}: the stack has lost {1000 * loss.value:.2f} mm ({span}).{due}",
            f"A shim of {1000 * loss.value:.2f} mm restores the build if the washers have kept "
            "their strength. Strip and measure before shimming; check on the bench afterwards.",
            needs_attention=True,
            rests_on=rests_on,
        )
    ]


def service(
    info: SessionInfo, estimates: Mapping[str, SessionAnswer], limits: Limits
) -> list[Finding]:
    """Whether the breakaway torque is within the limits for service."""
    found = estimates.get("breakaway_torque_nm")
    if limits.breakaway_nm is None or not isinstance(found, Estimate):
        return []
    low, high = limits.breakaway_nm
    inside = low <= found.low and found.high <= high
    outside = found.high < low or found.low > high
    if inside:
        return []
    where = "below" if found.value < 0.5 * (low + high) else "above"
    sure = "is" if outside else "may be"
    return [
        finding(
            info,
            f"The breakaway torque {sure} {where} its service limits: {found.value:.0f} N·m "
            f"({found.low:.0f} to {found.high:.0f}) against {low:.0f} to {high:.0f}.",
            "Service due: strip, measure and shim; the maker's limits come first."
            if outside
            else "Check on the bench before the next event.",
            needs_attention=True,
            rests_on=("breakaway_torque_nm",),
        )
    ]
