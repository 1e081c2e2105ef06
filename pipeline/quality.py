"""What was found in the log's own signals, and what each thing does to which result."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from loaders.agreement import driving_signs, turned
from loaders.channels import CHANNEL_BY_NAME
from loaders.normalise import SampleCount, Session, Treatment
from loaders.quality import FaultKind, SignalFault
from loaders.seen import TORQUES, Seen, wheel_names
from pipeline.build_sheet import BuildSheet
from pipeline.channel_labels import label, plain_unit
from pipeline.cross_checks import cross_checks
from pipeline.delay import Delay, thinned
from pipeline.learn import Learnt
from pipeline.lock import ZERO
from pipeline.result import QualityNote
from pipeline.signals import Signals
from pipeline.timing_checks import drifts, late_torques
from pipeline.torque_checks import coasting, swapped_torques

FloatArray = NDArray[np.float64]

# What the car does as a whole is slow: so many samples a second tell which way and how fast.
SLOW_HZ = 10.0
_LOOKED_AT = (
    *wheel_names("f"), *wheel_names("r"), *TORQUES, "engine_speed_radps", "speed_mps",
    "accel_long_mps2", "accel_lat_mps2", "yaw_rate_radps", "steering_angle_rad",
)  # fmt: skip
# So large a share of a channel outside its limits is no sensor fault.
_MOSTLY_OUTSIDE = 0.05

_TREATED = {
    Treatment.DROPPED: "treated as missing",
    Treatment.CLAMPED: "the true value was larger; not used for the friction law",
    Treatment.FILLED: "bridged by a straight line; not used for the friction law",
    Treatment.MISSING: "left open; energy bridges up to 0.5 s and widens its interval",
    Treatment.RESAMPLED: "short events of this channel are softened",
}
_TREATED_ELSEWHERE = {
    Treatment.CLAMPED: "the true value was larger",
    Treatment.FILLED: "bridged by the channel's rule",
    Treatment.MISSING: "left open; what needs it has a gap there",
}


def quality_notes(
    session: Session,
    faults: tuple[SignalFault, ...],
    sheet: BuildSheet,
    signals: Signals,
    learnt: Learnt,
    delay: Delay | str,
) -> tuple[QualityNote, ...]:
    """Every note on the signals, those first that make other numbers wrong."""
    seen, channel_map = _seen(session, sheet, signals), session.source.channel_map
    sides, signs = turned(seen), driving_signs(seen)
    notes = [
        *cross_checks(seen, sides, signs, channel_map),
        *swapped_torques(signals, learnt, sides, signs, channel_map),
        *late_torques(signals, delay, channel_map),
        *drifts(session.channels, sheet, signals),
        *(_of_fault(fault, learnt) for fault in faults),
        *_counted(session),
        *_zeros(signals, learnt),
        *coasting(session.channels, signals, learnt),
    ]
    return tuple(sorted(notes, key=lambda note: not note.serious))


def _seen(session: Session, sheet: BuildSheet, signals: Signals) -> Seen:
    every = max(1, round(session.rate_hz / SLOW_HZ))
    car = sheet.car

    def some(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else thinned(values, every)

    names = [name for name in _LOOKED_AT if name in session.channels]
    # Those of a long log are fetched one by one; two at a time, for more would need more memory.
    with ThreadPoolExecutor(2) as threads:
        slow = threads.map(lambda name: thinned(session.channels[name], every), names)
        known = dict(zip(names, slow, strict=True))
    # Tyres stated as of two sizes are no fault: seen as if both were of the mean one.
    for side, radius in zip("lr", car.driven_radii_m, strict=True):
        wheel = f"wheel_speed_{car.driven_axle[0]}{side}_radps"
        if wheel in known:
            known[wheel] = known[wheel] * (radius / car.driven_radius_m)
    return Seen(
        rate_hz=session.rate_hz / every,
        channels={name: values for name, values in known.items() if np.isfinite(values).any()},
        speed_mps=thinned(signals.speed_mps, every),
        x_m=some(signals.x_m),
        y_m=some(signals.y_m),
        brakes_off=signals.brakes_off[every // 2 :: every][: len(session.time_s) // every],
        driven=car.driven_axle[0],
        track_m=car.track_m,
        driven_radius_m=car.driven_radius_m,
        undriven_radius_m=car.undriven_rolling_radius_m,
        mass_kg=car.mass_kg,
    )


def _counted(session: Session) -> list[QualityNote]:
    """What was done to samples on the way in."""
    notes = [_of_count(session, count) for count in session.counts]
    return notes + [
        QualityNote("file", "reading", 1, None, note, "check that the file means it so")
        for note in session.source.notes
    ]


def _of_count(session: Session, count: SampleCount) -> QualityNote:
    known = CHANNEL_BY_NAME.get(count.channel)
    consequence = _treated(count.channel, count.treatment)
    outside = known is not None and count.treatment is Treatment.DROPPED
    if known is None or not outside or count.count < _MOSTLY_OUTSIDE * session.source.rows:
        return QualityNote(
            count.channel, str(count.treatment), count.count, count.first_s, count.detail,
            consequence,
        )  # fmt: skip
    return QualityNote(
        count.channel, "wrong unit", count.count, count.first_s,
        f"{100 * count.count / session.source.rows:.0f} % of the {label(count.channel)} are "
        f"{count.detail}, which no circuit car reaches: its unit is wrong",
        f"treated as missing: what is left of the channel is no {known.quantity}",
        serious=True,
        untrusted=count.channel in (*wheel_names("f"), *wheel_names("r"), *TORQUES[:3]),
        remedy=f"Set the unit under [channels.{count.channel}] in {session.source.channel_map}.",
    )  # fmt: skip


def _treated(channel: str, treatment: Treatment) -> str:
    """What a treatment of a channel's samples does to the results."""
    if channel.startswith(("wheel_speed_", "shaft_torque_")):
        return _TREATED[treatment]
    return _TREATED_ELSEWHERE.get(treatment, _TREATED[treatment])


def _zeros(signals: Signals, learnt: Learnt) -> list[QualityNote]:
    notes = []
    for side, zero in zip(("left", "right"), signals.zeros, strict=False):
        consequence = "taken out before anything else" if zero.known else _unknown_zero(learnt)
        notes.append(
            QualityNote(f"shaft_torque_{side}_nm", "zero", 1, None, zero.note, consequence)
        )
    turned = None if learnt.split is None else learnt.split.steering_zero_rad
    if turned is not None:
        detail = f"{np.degrees(turned):+.1f} degrees at the road wheels while the car runs straight"
        consequence = "taken out where the split is read off the steered wheels"
        notes.append(QualityNote("steering_angle_rad", "zero", 1, None, detail, consequence))
    return notes


def _unknown_zero(learnt: Learnt) -> str:
    if learnt.law is not None and learnt.law.index(ZERO) is not None:
        return (
            f"the input torque's zero of {learnt.law.value(ZERO):+.1f} N·m was found where the law "
            "under drive meets the one on overrun"
        )
    return "the build sheet's offset tolerance widens the breakaway torque"


def _of_fault(fault: SignalFault, learnt: Learnt) -> QualityNote:
    """One fault of one signal, in words."""
    serious, remedy = False, ""
    if fault.kind is FaultKind.STEP:
        detail = f"written in steps of {fault.size:.2g} {fault.unit}"
        consequence = (
            f"a left-right difference under {max(learnt.sliding_radps, fault.size):.2f} rad/s does "
            "not show in this log; slower sliding counts as stuck"
        )
        return QualityNote(fault.channel, "step", fault.count, None, detail, consequence)
    once = len(fault.spans_s) == 1
    times = "once" if once else f"{len(fault.spans_s)} times"
    longest = f"{times}, {'for' if once else 'for up to'} {fault.size:.2f} s"
    if fault.kind is FaultKind.FROZEN:
        detail = f"the {label(fault.channel)} stands still while the car moves, {longest}"
        consequence = "not used for the friction law; states, events and energy there are not real"
        serious, remedy = True, "Check sensor, plug and wiring of this channel."
    elif fault.kind is FaultKind.SPIKES:
        detail = (
            f"single samples up to {fault.size:.4g} {plain_unit(fault.channel)} off those around"
        )
        consequence = "not used for the friction law; a peak value may be a spike's"
    elif fault.kind is FaultKind.STOP:
        detail = f"pinned at {fault.size:.4g} {plain_unit(fault.channel)}, {times}"
        consequence = "the true value was beyond; not used for the friction law"
    elif fault.kind is FaultKind.LEAP:
        detail = (
            f"the clock jumps forward {longest}, and the car is found where it was: no driving is "
            "missing"
        )
        consequence = "lap times and all that is counted per lap or over time are wrong there"
        serious, remedy = True, "Export the log again, or leave these laps out."
    else:
        detail = f"nothing was recorded, {longest}"
        consequence = "left open; laps that hold it have less energy and fewer events than driven"
    return QualityNote(
        fault.channel, str(fault.kind), fault.count, fault.spans_s[0][0], detail, consequence,
        spans_s=fault.spans_s, serious=serious, remedy=remedy,
    )  # fmt: skip
