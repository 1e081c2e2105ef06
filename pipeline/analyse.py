"""One session and its build sheet in, everything it says out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from loaders.normalise import Session
from loaders.quality import signal_faults, with_faults_marked
from pipeline.account import exclusions, provenance, session_info, thresholds
from pipeline.axle import (
    LEAST_SPEED_MPS,
    SMOOTH_BODY_S,
    SMOOTH_S,
    AxleMotion,
    axle_states,
    expected_speed_difference,
    odd_samples,
    rolling_speeds,
)
from pipeline.bounded import flattened
from pipeline.bounds import sample_noise
from pipeline.budget import budgets
from pipeline.build_sheet import BuildSheet, Circuit
from pipeline.choices import session_choices
from pipeline.corner_exits import with_exits
from pipeline.corners import Corner, corner_index, find_corners, lap_distance, path_curvature
from pipeline.delay import Delay
from pipeline.estimate import Grade
from pipeline.estimates import lock_fit, session_estimates
from pipeline.evidence import Evidence
from pipeline.findings import findings
from pipeline.friction_estimates import friction_estimates
from pipeline.heat import plate_friction_power
from pipeline.judder_estimates import judder_estimates
from pipeline.lap_starts import crossings
from pipeline.laps import Lap, cut, judge, lap_index
from pipeline.lateness import delay_answer, is_late, torque_lateness
from pipeline.learn import Learnt, learn
from pipeline.predict import predictions
from pipeline.quality import quality_notes
from pipeline.read_back import read_back
from pipeline.result import (
    NO_STATE,
    QualityNote,
    SessionResult,
    StateArray,
    Traces,
)
from pipeline.runs import bridge, mean_over
from pipeline.session_heat import (
    friction_loss_share,
    friction_tolerance,
    heat_summary,
    oil_mean,
)
from pipeline.shaft_twist import shaft_loss_power, stiffness_answer
from pipeline.signals import Signals, of_axle, resolve, with_torques_in_step
from pipeline.speed_difference import corner_measures
from pipeline.stretches import around, by_stretch, excerpt, some, telling
from pipeline.summaries import corner_summaries, lap_summaries, slip_events
from pipeline.torque import ShaftTorque

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Input torque that counts as neither drive nor overrun: the larger of the two. Chosen by us.
_NEUTRAL_NM = 20.0
_NEUTRAL_SHARE = 0.03
# The same for a log without torque, by longitudinal acceleration.
_NEUTRAL_MPS2 = 0.4
# A corner takes seconds; over half a second a straight line still follows it. Chosen by us.
_LONGEST_BRIDGE_S = 0.5


def analyse(session: Session, sheet: BuildSheet, circuit: Circuit) -> SessionResult:
    """Everything that one session says.

    Raises
    ------
    InputError
        If the session lacks the wheel speeds of the driven axle.
    """
    session, own_names = of_axle(session, sheet.car)
    faults = signal_faults(session)
    session = with_faults_marked(session, faults)
    signals = resolve(session, sheet)
    delay = torque_lateness(session.channels, sheet, signals)
    if signals.input is not None and isinstance(delay, Delay) and is_late(delay):
        session = with_torques_in_step(session, delay.value_s, signals.input.channels)
        signals = resolve(session, sheet)
    crossed, first_number, laps_from = crossings(session.channels, signals, circuit)
    laps: tuple[Lap, ...] = ()
    if len(crossed):
        whole = cut(signals.time_s, crossed, first_number)
        laps = judge(whole, signals.speed_mps, signals.clean, signals.rate_hz)
    learnt = learn(signals, laps, sheet)
    notes = tuple(
        _as_logged(note, own_names)
        for note in quality_notes(session, faults, sheet, signals, learnt, delay)
    )
    moving_friction = friction_estimates(signals, learnt, sheet.differential)
    if signals.torque is not None:
        # From here on those without what the sensors differ by are enough.
        signals = replace(signals, torque=learnt.torque)
    distance, length = lap_distance(laps, signals.time_s, signals.speed_mps)
    corners = _corners(signals, laps, distance, length)
    expected, state = _states(signals, learnt, sheet)
    evidence = _evidence(signals, learnt, sheet, laps, corners, distance, state)
    events = slip_events(evidence)
    lap_table = lap_summaries(evidence, events)
    corner_table = with_exits(
        corner_summaries(evidence, events), evidence, distance, signals.speed_mps
    )
    noise = flattened(evidence, learnt)
    measures, corner_parts = corner_measures(evidence, learnt, expected, signals.speed_mps, events)
    estimates = {
        **session_estimates(evidence, learnt, lap_table, events, noise),
        **measures,
        "torque_delay_s": delay_answer(signals, delay),
        **moving_friction,
        "half_shaft_stiffness_nmprad": stiffness_answer(
            learnt.twist, signals.grade, learnt.clusters.name
        ),
        **judder_estimates(evidence, signals, learnt),
    }
    choices = session_choices(learnt, signals.grade)
    predicted = predictions(sheet)
    estimates |= read_back(
        sheet, learnt.law, learnt.clusters.name, estimates, predicted, signals.grade
    )
    estimates["friction_loss_share"] = friction_loss_share(evidence, signals)
    estimates["oil_mean_c"] = oil_mean(evidence, signals)
    heat = heat_summary(
        evidence,
        signals,
        sheet,
        session.channels.get("ambient_temperature_c"),
        friction_tolerance(evidence, estimates["energy_per_lap_j"]),
    )
    info = session_info(session, sheet, circuit, signals, length)
    parts_of_intervals = budgets(evidence, learnt, estimates, noise.shifts, corner_parts)
    return SessionResult(
        session=info,
        laps=lap_table,
        events=events,
        corners=corner_table,
        estimates=estimates,
        predictions=predicted,
        lock_fit=lock_fit(evidence, learnt, predicted),
        findings=findings(
            info,
            lap_table,
            events,
            corner_table,
            estimates,
            predicted,
            choices,
            notes,
            sheet,
            heat,
        ),
        exclusions=exclusions(signals, learnt, laps),
        quality=notes,
        thresholds=thresholds(learnt, sheet),
        provenance=provenance(session, sheet, signals, learnt, laps_from),
        traces=Traces(
            time_s=signals.time_s,
            lap=_lap_numbers(evidence),
            distance_m=distance,
            speed_mps=signals.speed_mps,
            speed_difference_radps=learnt.difference_radps,
            expected_difference_radps=expected,
            state=state,
            torque=learnt.torque,
            friction_power_w=evidence.power_w,
            x_m=signals.x_m,
            y_m=signals.y_m,
            wheels_radps=(signals.left_radps, signals.right_radps),
        ),
        choices=choices,
        heat=heat,
        budgets=parts_of_intervals,
    )


def _as_logged(note: QualityNote, own_names: Mapping[str, str]) -> QualityNote:
    """The note with the channels of this axle under the names that the channel map has."""
    remedy = note.remedy
    for plain, theirs in own_names.items():
        remedy = remedy.replace(f"channels.{plain}", f"channels.{theirs}")
    return replace(note, channel=own_names.get(note.channel, note.channel), remedy=remedy)


def _corners(
    signals: Signals, laps: tuple[Lap, ...], distance: FloatArray, length: float
) -> tuple[Corner, ...]:
    if signals.yaw_rate_radps is None:
        return ()
    grid, curvature = path_curvature(
        laps, distance, length, signals.speed_mps, signals.yaw_rate_radps
    )
    return find_corners(grid, curvature)


def _states(signals: Signals, learnt: Learnt, sheet: BuildSheet) -> tuple[FloatArray, StateArray]:
    """Expected speed difference and axle state, shape (n,) each."""
    n = len(signals.time_s)
    if signals.yaw_rate_radps is None or signals.ground is None:
        return np.full(n, np.nan), np.full(n, NO_STATE, dtype=np.int8)
    smooth = odd_samples(SMOOTH_S, signals.rate_hz)
    calm = odd_samples(SMOOTH_BODY_S, signals.rate_hz)
    ground, yaw_rate_radps, radii = signals.ground, signals.yaw_rate_radps, learnt.rolling
    pull = signals.input_torque_nm
    if pull is None:
        pull = signals.accel_long_mps2

    def rolling(here: slice) -> tuple[FloatArray, FloatArray]:
        wide, within = around(here, calm // 2, n)
        speeds = rolling_speeds(ground.part(wide), radii.radius_left_m, radii.radius_right_m)
        return mean_over(speeds[0], calm, within), mean_over(speeds[1], calm, within)

    def motion(here: slice) -> AxleMotion:
        left_rolling, right_rolling = rolling(here)
        # Where nothing tells the input torque, neither is said.
        along = (
            np.full(len(left_rolling), np.nan) if pull is None else mean_over(pull, smooth, here)
        )
        return AxleMotion(
            speed_mps=signals.speed_mps[here],
            yaw_rate_radps=yaw_rate_radps[here],
            left_radps=mean_over(signals.left_radps, smooth, here),
            right_radps=mean_over(signals.right_radps, smooth, here),
            left_rolling_radps=left_rolling,
            right_rolling_radps=right_rolling,
            driving=along > 0,
            coasting=along <= 0,
        )

    slip = sheet.states.overspeed_slip if signals.speed_is_independent else np.inf
    state = axle_states(motion, n, learnt.sliding_radps, slip, signals.rate_hz)
    return by_stretch(lambda here: expected_speed_difference(*rolling(here)), n), state


def _phase(signals: Signals) -> NDArray[np.int8]:
    """Index into `PHASES` of every sample, shape (n,)."""
    n, known, neutral = len(signals.time_s), signals.input_torque_nm, _NEUTRAL_NM
    if known is not None and np.isfinite(known).any():
        neutral = max(neutral, _NEUTRAL_SHARE * float(np.nanpercentile(np.abs(some(known)), 99)))
        if signals.input is not None and signals.grade is Grade.KINEMATIC:
            neutral = max(neutral, signals.input.zero_tolerance_nm)
    elif signals.accel_long_mps2 is not None:
        known, neutral = signals.accel_long_mps2, _NEUTRAL_MPS2
    else:
        known = np.zeros(n)
    pull, smooth = known, odd_samples(SMOOTH_S, signals.rate_hz)

    def phase(here: slice) -> NDArray[np.int8]:
        mean = mean_over(pull, smooth, here)
        return np.int8(1) + (mean > neutral).view(np.int8) - (mean < -neutral).view(np.int8)

    return by_stretch(phase, n)


def _evidence(
    signals: Signals,
    learnt: Learnt,
    sheet: BuildSheet,
    laps: tuple[Lap, ...],
    corners: tuple[Corner, ...],
    distance: FloatArray,
    state: StateArray,
) -> Evidence:
    torque = learnt.torque
    power = None if torque is None else _friction_power(signals, torque)
    noise = shaft_loss = None
    if power is not None and torque is not None and learnt.split is None:
        noise = _noise(signals, torque)
        shaft_loss = _shaft_loss(signals, torque, learnt)
        power = power if shaft_loss is None else power - shaft_loss
    if power is not None and learnt.split is not None:
        # What the tyres say of a held axle is no friction power, and its noise would count.
        held = np.abs(learnt.difference_radps) <= learnt.sliding_radps
        power = np.where(held, 0.0, power)
    lap_of = lap_index(laps, len(signals.time_s))
    corner_of = by_stretch(
        lambda here: np.where(
            lap_of[here] >= 0, corner_index(corners, distance[here]), np.int32(-1)
        ),
        len(distance),
    )
    return Evidence(
        rate_hz=signals.rate_hz,
        time_s=signals.time_s,
        grade=signals.grade,
        why_no_torque=(
            learnt.split.why_no_law
            if learnt.split is not None and learnt.split.why_no_law
            else "the log does not hold both half-shaft torques"
        ),
        laps=laps,
        lap_of=lap_of,
        corners=corners,
        corner_of=corner_of,
        state=state,
        states_told=signals.yaw_rate_radps is not None,
        phase=_phase(signals),
        difference_radps=signals.difference_radps,
        torque=torque,
        input=signals.input,
        power_w=power,
        noise=noise,
        shaft_loss_w=shaft_loss,
        bridged=~signals.clean,
        sliding=learnt.sliding,
        doubt=learnt.doubt,
        across_m=_across(signals, sheet),
        radius_left_m=learnt.rolling.radius_left_m,
        radius_right_m=learnt.rolling.radius_right_m,
        x_m=signals.x_m,
        y_m=signals.y_m,
    )


def _across(signals: Signals, sheet: BuildSheet) -> FloatArray:
    """How far the lines of both driven wheels' forces lie apart, shape (n,). [m]"""
    if signals.ground is None:
        return np.broadcast_to(sheet.car.track_m, signals.time_s.shape)
    return signals.ground.across_m


def _friction_power(signals: Signals, torque: ShaftTorque) -> FloatArray:
    """Friction power with short holes of any of its four signals bridged, shape (n,). [W]"""
    longest = round(_LONGEST_BRIDGE_S * signals.rate_hz)
    bridged = [
        bridge(each, longest) for each in (*torque.both, signals.left_radps, signals.right_radps)
    ]
    return by_stretch(
        lambda here: plate_friction_power(*(each[here] for each in bridged)), len(bridged[0])
    )


def _noise(signals: Signals, torque: ShaftTorque) -> tuple[float, float]:
    """Noise of torque difference [N m] and speed difference [rad/s] seen here, of one sample."""
    window = odd_samples(SMOOTH_S, signals.rate_hz)
    usable = signals.clean & (signals.speed_mps > LEAST_SPEED_MPS)
    pieces = telling(usable)
    of_torque, of_speed = (
        sample_noise(
            excerpt(left, pieces) - excerpt(right, pieces), window, excerpt(usable, pieces)
        )
        for left, right in (
            torque.both,
            (signals.left_radps, signals.right_radps),
        )
    )
    return of_torque, of_speed


def _shaft_loss(signals: Signals, torque: ShaftTorque, learnt: Learnt) -> FloatArray | None:
    """What twisting half-shafts take of the power, shape (n,); None where they are rigid. [W]"""
    if isinstance(learnt.twist, str) or not learnt.twist.shows:
        return None
    whole = np.nan_to_num(bridge(torque.difference_nm, len(torque.difference_nm)))
    return shaft_loss_power(whole, learnt.twist.compliance, signals.rate_hz)


def _lap_numbers(evidence: Evidence) -> NDArray[np.int32]:
    numbers = np.array([lap.number for lap in evidence.laps] + [-1], dtype=np.int32)
    return numbers[evidence.lap_of]
