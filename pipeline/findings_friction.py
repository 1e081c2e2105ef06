"""What moving friction means for ramps, oil and plates: hysteresis, slope, warmth, break-loose."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.estimate import Estimate, SessionAnswer
from pipeline.finding_words import finding
from pipeline.result import Finding, SessionInfo

# From here on an effect is worth a word. Chosen by us.
_NOTABLE_SWING = 0.10
"""Hysteresis as a share of the lock ratio. [1]"""
_NOTABLE_SLOPE_S_PER_RAD = 0.002
"""Relative change of friction for each rad/s."""
_NOTABLE_WARMTH = 0.015
"""Relative change of friction for each 10 K. [1]"""
_NOTABLE_PEAK = 1.08
"""Friction at break-loose over running friction. [1]"""


def friction(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    """Everything on how friction moves that is clearly there and large enough to act on."""
    return [
        *_judder(info, estimates),
        *_ramps(info, estimates),
        *_slope(info, estimates),
        *_warmth(info, estimates),
        *_peak(info, estimates),
    ]


def _known(estimates: Mapping[str, SessionAnswer], name: str) -> Estimate | None:
    found = estimates.get(name)
    return found if isinstance(found, Estimate) else None


def _judder(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    fast, far = (
        _known(estimates, name) for name in ("judder_frequency_hz", "judder_amplitude_radps")
    )
    if fast is None or far is None:
        return []
    where = f", {fast.at}" if fast.at else ""
    return [
        finding(
            info,
            f"The sliding packs judder at {fast.value:.1f} Hz ({fast.low:.1f} to {fast.high:.1f}): "
            f"the wheels swing {far.value:.2f} rad/s against each other ({far.low:.2f} to "
            f"{far.high:.2f}){where}.",
            "Plates that grip and let go in turn: look at the oil and its friction modifier, then "
            "for glazed plates. If the drained oil carries metal, take the differential out and "
            "look at it before it runs again.",
            needs_attention=True,
            rests_on=("judder_frequency_hz", "judder_amplitude_radps"),
        )
    ]


def _ramps(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    said = []
    for side in ("drive", "overrun"):
        swing, lock = (_known(estimates, f"{name}_{side}") for name in ("lock_hysteresis", "lock"))
        if swing is None or lock is None or swing.low <= _NOTABLE_SWING * lock.value:
            continue
        mu = _known(estimates, f"ramp_friction_{side}")
        implied = (
            ""
            if mu is None
            else f"; friction of {mu.value:.2f} ({mu.low:.2f} to {mu.high:.2f}) on the ramps "
            "does that"
        )
        said.append(
            finding(
                info,
                f"Under {side} the lock is {100 * swing.value:.1f} points higher while the torque "
                f"falls than while it rises ({100 * swing.low:.1f} to {100 * swing.high:.1f})"
                f"{implied}.",
                "The ramps hold on to their clamping force. Look at ramps and cross-pins for dry, "
                "worn or galled faces at the next strip.",
                rests_on=(f"lock_hysteresis_{side}", f"ramp_friction_{side}")
                if mu is not None
                else (f"lock_hysteresis_{side}",),
            )
        )
    return said


def _slope(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    slow = _known(estimates, "friction_per_speed_slow")
    if slow is None or slow.high >= -_NOTABLE_SLOPE_S_PER_RAD:
        return []
    return [
        finding(
            info,
            f"The plates' friction falls as they slide faster, by {-100 * slow.value:.1f} % for "
            f"each rad/s of slow sliding ({-100 * slow.high:.1f} to {-100 * slow.low:.1f}).",
            # Rodgers & Haviland, SAE, 1960s (abstract read): chatter comes with oils whose
            # friction rises as the sliding speed falls; modifiers cure it and cost torque.
            "Such a pack is prone to judder. Fresh oil with the friction modifier that the maker "
            "of the differential names settles it, at the price of some lock.",
            needs_attention=True,
            rests_on=("friction_per_speed_slow",),
        )
    ]


def _warmth(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    warm = _known(estimates, "friction_per_10_k")
    if warm is None or max(warm.low, -warm.high) < _NOTABLE_WARMTH:
        return []
    falls = warm.value < 0
    ends = sorted((abs(warm.low), abs(warm.high)))
    return [
        finding(
            info,
            f"Breakaway torque and lock {'fall' if falls else 'rise'} by "
            f"{100 * abs(warm.value):.1f} % for each 10 K of oil temperature "
            f"({100 * ends[0]:.1f} to {100 * ends[1]:.1f}).",
            "Compare setups at like temperatures, and bench checks with a log only warm.",
            rests_on=("friction_per_10_k",),
        )
    ]


def _peak(info: SessionInfo, estimates: Mapping[str, SessionAnswer]) -> list[Finding]:
    peak = _known(estimates, "static_to_running_friction")
    if peak is None or peak.low <= _NOTABLE_PEAK:
        return []
    return [
        finding(
            info,
            f"The held axle lets go at {peak.value:.2f} times the running friction "
            f"({peak.low:.2f} to {peak.high:.2f}, {peak.n} times).",
            "It lets go with a jerk, and a breakaway torque measured on the bench reads higher "
            "than the running one here by as much.",
            rests_on=("static_to_running_friction",),
        )
    ]
