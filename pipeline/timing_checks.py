"""Whether the channels of one log keep the same time: delays, and clocks that part."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from loaders.seen import wheel_names
from pipeline.build_sheet import BuildSheet
from pipeline.channel_labels import label
from pipeline.delay import Delay, drift, rate_of_change, thinned
from pipeline.lateness import NOTABLE_DELAY_S, is_late
from pipeline.result import QualityNote
from pipeline.signals import Signals

FloatArray = NDArray[np.float64]
Channels = Mapping[str, FloatArray]

_NOTABLE_DRIFT_S = 0.050
_DRIFT_HZ = 20.0


def late_torques(signals: Signals, found: Delay | str, channel_map: str) -> list[QualityNote]:
    """How much later the torques are logged than the wheel speeds."""
    if signals.input is None or not signals.input.channels:
        return []
    channel = signals.input.channels[0]
    if isinstance(found, str):
        return [QualityNote(
            channel, "delay", 0, None,
            f"delay between torque and wheel speed not observable: {found}",
            "taken as none; a delay would put torque on the wrong side of a change of slip",
        )]  # fmt: skip
    span = (
        f"({1e3 * found.low_s:+.0f} to {1e3 * found.high_s:+.0f} ms, {found.stretches} stretches)"
    )
    if not is_late(found):
        return [QualityNote(
            channel, "delay", 0, None,
            f"torque is logged {1e3 * found.value_s:+.0f} ms later than wheel speed {span}: "
            f"no delay over {1e3 * NOTABLE_DELAY_S:.0f} ms",
            "none",
        )]  # fmt: skip
    which = "later" if found.value_s > 0 else "earlier"
    return [
        QualityNote(
            channel, "delay", len(signals.time_s), None,
            f"torque is logged {1e3 * abs(found.value_s):.0f} ms {which} than wheel speed {span}",
            "taken out before anything else; what is left of it lies within the interval",
            remedy=f"State delay_s = {found.value_s:.3f} under the torque channels in "
            f"{channel_map}, or log both from one unit.",
        )
    ]  # fmt: skip


def drifts(channels: Channels, sheet: BuildSheet, signals: Signals) -> list[QualityNote]:
    """Groups of channels whose clocks part from that of the driven wheels over the log."""
    every = max(1, round(signals.rate_hz / _DRIFT_HZ))
    rate = signals.rate_hz / every

    def thin(values: FloatArray) -> FloatArray:
        return thinned(values, every)

    wheels = rate_of_change(0.5 * (thin(signals.left_radps) + thin(signals.right_radps)), rate)
    # Alike by pairs: accelerations here, turn rates below.
    pairs = []
    speed = channels.get("speed_mps")
    if speed is not None:
        pairs.append(("speed_mps", rate_of_change(thin(speed), rate), wheels))
    for name in ("accel_long_mps2", "input_torque_nm", "engine_torque_nm"):
        if name in channels:
            pairs.append((name, thin(channels[name]), wheels))
    if signals.torque is not None:
        left, right = signals.torque.both
        pairs.append(("shaft_torque_left_nm", thin(left) + thin(right), wheels))
    undriven = "f" if sheet.car.driven_axle == "rear" else "r"
    turning = (*wheel_names(undriven), "yaw_rate_radps")
    if all(name in channels for name in turning):
        left, right, yaw_rate = (thin(channels[name]) for name in turning)
        pairs.append(("yaw_rate_radps", yaw_rate, right - left))
    notes = []
    for name, late, reference in pairs:
        found = drift(late, reference, rate)
        if isinstance(found, str) or max(found.low_s, -found.high_s) < _NOTABLE_DRIFT_S:
            continue
        slower = "later and later" if found.value_s > 0 else "earlier and earlier"
        notes.append(QualityNote(
            name, "clock drift", len(signals.time_s), None,
            f"the {label(name)} comes {slower} against the wheel speeds: by "
            f"{abs(found.value_s):.2f} s over the log "
            f"({min(abs(found.low_s), abs(found.high_s)):.2f} to "
            f"{max(abs(found.low_s), abs(found.high_s)):.2f})",
            "not corrected: towards the end of the log this channel does not belong to the others",
            serious=True,
            remedy="Log both groups from one clock, or cut the log into short stretches.",
        ))  # fmt: skip
    return notes
