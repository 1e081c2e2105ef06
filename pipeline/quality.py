"""What was found in the log's own signals, and what each thing does to which result."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loaders.normalise import Session, Treatment
from loaders.quality import FaultKind, SignalFault
from pipeline.build_sheet import BuildSheet
from pipeline.channel_labels import label, plain_unit
from pipeline.cross_checks import SLOW_HZ, Seen, cross_checks, driven_swapped, torque_signs
from pipeline.delay import (
    Delay,
    drift,
    rate_of_change,
    thinned,
)
from pipeline.lateness import NOTABLE_DELAY_S, is_late
from pipeline.learn import Learnt
from pipeline.lock import ZERO
from pipeline.regression import student_t
from pipeline.result import QualityNote
from pipeline.signals import Signals

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_NOTABLE_DRIFT_S = 0.050
_MOVING_MPS = 8.0
_STRAIGHT_MPS2 = 1.0
_SHUT = 0.05
_LEAST_COASTING_S = 3.0
_LEAST_SLIDING_S = 1.0
_FEWEST_CLUSTERS = 3

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
    seen = _seen(session, sheet, signals)
    notes = [
        *cross_checks(seen),
        *_swapped_torques(signals, learnt, seen),
        *_late(session, signals, delay),
        *_drifts(session, sheet, signals),
        *(_of_fault(fault, learnt) for fault in faults),
        *_counted(session),
        *_zeros(signals, learnt),
        *_coasting(session, signals, learnt),
    ]
    return tuple(sorted(notes, key=lambda note: not note.serious))


def _seen(session: Session, sheet: BuildSheet, signals: Signals) -> Seen:
    every = max(1, round(session.rate_hz / SLOW_HZ))
    car = sheet.car

    def some(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else values[::every]

    known = {
        name: values[::every]
        for name, values in session.channels.items()
        if np.isfinite(values[::every]).any()
    }
    return Seen(
        rate_hz=session.rate_hz / every,
        channels=known,
        speed_mps=signals.speed_mps[::every],
        x_m=some(signals.x_m),
        y_m=some(signals.y_m),
        brakes_off=signals.brakes_off[::every],
        driven=car.driven_axle[0],
        track_m=car.track_m,
        driven_radius_m=car.rolling_radius_m,
        undriven_radius_m=car.undriven_rolling_radius_m or car.rolling_radius_m,
        channel_map=session.source.channel_map,
    )


def _counted(session: Session) -> list[QualityNote]:
    """What was done to samples on the way in."""
    notes = [
        QualityNote(count.channel, str(count.treatment), count.count, count.first_s, count.detail,
                    _treated(count.channel, count.treatment))
        for count in session.counts
    ]  # fmt: skip
    return notes + [
        QualityNote("file", "reading", 1, None, note, "check that the file means it so")
        for note in session.source.notes
    ]


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


def _swapped_torques(signals: Signals, learnt: Learnt, seen: Seen) -> list[QualityNote]:
    """Whether the half-shaft torques sit on each other's sides: sliding packs oppose the slip.

    Notes
    -----
    ``-dT sign(dw)`` is the locking torque and never negative. Its mean over the sliding samples of
    each lap or stretch, and their t interval; driven wheels that are themselves swapped are put
    right for this check only.
    """
    if signals.torque is None:
        return []
    chosen = learnt.sliding & np.isfinite(signals.torque.difference_nm)
    where = "shaft_torque_left_nm"
    if np.count_nonzero(chosen) < _LEAST_SLIDING_S * signals.rate_hz:
        why = "not observable: the packs hardly slide in this log"
        return [QualityNote(where, "swapped sides", 0, None, why, "taken as mapped")]
    side = -1.0 if driven_swapped(seen) else 1.0
    signs = torque_signs(seen)
    if signs["shaft_torque_left_nm"] != signs["shaft_torque_right_nm"]:
        return []  # their difference is a sum; said with the sign
    side *= signs["shaft_torque_left_nm"]
    locking = (
        -side * signals.torque.difference_nm[chosen] * np.sign(learnt.difference_radps[chosen])
    )
    mean, half, clusters = _mean_of_clusters(locking, learnt.clusters.label[chosen])
    if clusters < _FEWEST_CLUSTERS or mean + half >= 0:
        return []
    sliding_s = len(locking) / signals.rate_hz
    return [
        QualityNote(
            where, "swapped sides", len(locking), None,
            f"left and right half-shaft torque look swapped: in {sliding_s:.0f} s of sliding the "
            f"faster wheel gets {-mean:.0f} N·m more than the slower one ({-mean - half:.0f} to "
            f"{-mean + half:.0f}, {clusters} {learnt.clusters.name}), which friction cannot do",
            "breakaway torque, lock and energy come out negative and mean nothing",
            serious=True,
            remedy="Exchange the columns of [channels.shaft_torque_left_nm] and "
            f"[channels.shaft_torque_right_nm] in {seen.channel_map}.",
        )
    ]  # fmt: skip


def _mean_of_clusters(values: FloatArray, cluster: NDArray[np.intp]) -> tuple[float, float, int]:
    """Mean of the clusters' means, its 95 % half width, and how many clusters."""
    _, where, counts = np.unique(cluster, return_inverse=True, return_counts=True)
    means = np.bincount(where, values) / counts
    m = len(means)
    if m < _FEWEST_CLUSTERS:
        return float(means.mean()) if m else 0.0, np.inf, m
    half = student_t(m - 1) * float(means.std(ddof=1)) / np.sqrt(m)
    return float(means.mean()), half, m


def _late(session: Session, signals: Signals, found: Delay | str) -> list[QualityNote]:
    """How much later the torques are logged than the wheel speeds."""
    if signals.input_torque_nm is None:
        return []
    channel = "shaft_torque_left_nm" if signals.torque is not None else "input_torque_nm"
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
            channel, "delay", len(session.time_s), None,
            f"torque is logged {1e3 * abs(found.value_s):.0f} ms {which} than wheel speed {span}",
            "taken out before anything else; what is left of it lies within the interval"
            if signals.torque is not None
            else "not corrected: what rests on torque and wheel speed together rests on samples "
            "that do not belong together",
            serious=signals.torque is None,
            remedy=f"State delay_s = {found.value_s:.3f} under the torque channels in "
            f"{session.source.channel_map}, or log both from one unit.",
        )
    ]  # fmt: skip


def _drifts(session: Session, sheet: BuildSheet, signals: Signals) -> list[QualityNote]:
    """Groups of channels whose clocks part from that of the driven wheels over the log."""
    every = max(1, round(session.rate_hz / SLOW_HZ))
    rate = session.rate_hz / every
    wheels = rate_of_change(thinned(0.5 * (signals.left_radps + signals.right_radps), every), rate)
    # Alike by pairs: accelerations here, turn rates below.
    pairs = []
    speed = session.channels.get("speed_mps")
    if speed is not None:
        pairs.append(("speed_mps", rate_of_change(thinned(speed, every), rate), wheels))
    for name in ("accel_long_mps2", "input_torque_nm", "engine_torque_nm"):
        if name in session.channels:
            pairs.append((name, thinned(session.channels[name], every), wheels))
    if signals.torque is not None:
        pairs.append(("shaft_torque_left_nm", thinned(signals.torque.input_nm, every), wheels))
    undriven = "f" if sheet.car.driven_axle == "rear" else "r"
    left, right = (session.channels.get(f"wheel_speed_{undriven}{side}_radps") for side in "lr")
    yaw_rate = session.channels.get("yaw_rate_radps")
    if left is not None and right is not None and yaw_rate is not None:
        turn = thinned(right - left, every)
        pairs.append(("yaw_rate_radps", thinned(yaw_rate, every), turn))
    notes = []
    for name, late, reference in pairs:
        found = drift(late, reference, rate)
        if isinstance(found, str) or max(found.low_s, -found.high_s) < _NOTABLE_DRIFT_S:
            continue
        slower = "later and later" if found.value_s > 0 else "earlier and earlier"
        notes.append(QualityNote(
            name, "clock drift", len(session.time_s), None,
            f"the {label(name)} comes {slower} against the wheel speeds: by "
            f"{abs(found.value_s):.2f} s over the log "
            f"({min(abs(found.low_s), abs(found.high_s)):.2f} to "
            f"{max(abs(found.low_s), abs(found.high_s)):.2f})",
            "not corrected: towards the end of the log this channel does not belong to the others",
            serious=True,
            remedy="Log both groups from one clock, or cut the log into short stretches.",
        ))  # fmt: skip
    return notes


def _coasting(session: Session, signals: Signals, learnt: Learnt) -> list[QualityNote]:
    """What the torques read on straight coasting, where little torque passes."""
    if signals.torque is None:
        return []
    coasting = signals.steady & signals.brakes_off & (signals.speed_mps > _MOVING_MPS)
    if signals.yaw_rate_radps is not None:
        coasting &= np.abs(signals.speed_mps * signals.yaw_rate_radps) < _STRAIGHT_MPS2
    throttle, gear = session.channels.get("throttle_ratio"), session.channels.get("gear")
    coasting &= signals.torque.input_nm < 0 if throttle is None else throttle < _SHUT
    where, channel = "coasting straight on", "shaft_torque_left_nm"
    neutral = None if gear is None else coasting & (gear == 0)
    in_neutral = neutral is not None and np.count_nonzero(neutral) > signals.rate_hz
    if neutral is not None and in_neutral:
        coasting, where = neutral, "rolling in neutral"
    coasting &= (learnt.clusters.label >= 0) & np.isfinite(signals.torque.difference_nm)
    seconds = np.count_nonzero(coasting) / signals.rate_hz
    cluster = learnt.clusters.label[coasting]
    if seconds < _LEAST_COASTING_S or len(np.unique(cluster)) < _FEWEST_CLUSTERS:
        why = f"not observable: {seconds:.1f} s of straight coasting in the counted laps"
        return [QualityNote(channel, "zero while coasting", 0, None, why, "none")]
    mean, half, m = _mean_of_clusters(signals.torque.difference_nm[coasting], cluster)
    total, total_half, _ = _mean_of_clusters(signals.torque.input_nm[coasting], cluster)
    clear = abs(mean) > half
    return [
        QualityNote(
            channel, "zero while coasting", int(np.count_nonzero(coasting)), None,
            f"left minus right reads {mean:+.1f} N·m ({mean - half:+.1f} to {mean + half:+.1f}), "
            f"both together {total:+.0f} N·m ({total - total_half:+.0f} to "
            f"{total + total_half:+.0f}) while {where}, {seconds:.0f} s in {m} "
            f"{learnt.clusters.name}",
            "not taken out: a preloaded pack may hold it against unequal tyres; compare with the "
            "offset between the sensors"
            if clear
            else "none: the difference cannot be told from zero",
        )
    ]  # fmt: skip
