"""An invented session with every kind of result in it, for tests of what comes after the analysis.

The numbers are made up to look plausible, not simulated: nothing here checks physics. Circuit,
car and driver are invented.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from session_circuit import (
    CIRCUIT_LENGTH_M,
    Circuit,
    corner_stretches,
    invented_circuit,
    speed_along,
)

from pipeline.estimate import Answer, Estimate, Grade, Missing, Predicted, Prediction
from pipeline.result import (
    NO_STATE,
    SLIP_STATES,
    STATES,
    AxleState,
    CornerSummary,
    Exclusion,
    Finding,
    FloatArray,
    IntArray,
    LapSummary,
    LockFit,
    Phase,
    QualityNote,
    SessionInfo,
    SessionResult,
    SlipEvent,
    StateArray,
    Threshold,
    Traces,
)
from pipeline.torque import ShaftTorque

BREAKAWAY_NM, LOCK_DRIVE, LOCK_OVERRUN = 64.0, 0.38, 0.21
TRACK_WIDTH_M, WHEEL_RADIUS_M = 1.52, 0.301


def _without_blips(state: StateArray, shortest: int) -> StateArray:
    """The states with every stretch shorter than ``shortest`` samples given to the one before."""
    calm = state.copy()
    edges = [0, *(np.flatnonzero(np.diff(state)) + 1).tolist(), state.size]
    for start, stop in pairwise(edges):
        if start and stop - start < shortest:
            calm[start:stop] = calm[start - 1]
    return calm


@dataclass(frozen=True, slots=True)
class LapArrays:
    """One invented lap, sample by sample."""

    time_s: FloatArray
    distance_m: FloatArray
    speed_mps: FloatArray
    difference_radps: FloatArray
    expected_radps: FloatArray
    state: StateArray
    input_nm: FloatArray
    torque_difference_nm: FloatArray
    power_w: FloatArray


def _lap(circuit: Circuit, rate_hz: float, rng: np.random.Generator) -> LapArrays:
    speed = speed_along(circuit) * (1.0 + 0.012 * rng.standard_normal())
    time_at = np.concatenate(([0.0], np.cumsum(np.diff(circuit.distance_m) / speed[1:])))
    time = np.arange(0.0, time_at[-1], 1.0 / rate_hz)
    distance = np.interp(time, time_at, circuit.distance_m)
    v, curvature = (np.interp(distance, circuit.distance_m, part)
                    for part in (speed, circuit.curvature_pm))  # fmt: skip
    pull = np.gradient(v, time)
    window = np.ones(max(int(0.35 * rate_hz), 1))
    pull = np.convolve(pull, window / window.size, mode="same")
    input_nm = np.where(pull > 0, 190.0 * pull, 48.0 * pull) + 12.0 * rng.standard_normal(v.size)
    expected = -curvature * v * TRACK_WIDTH_M / WHEEL_RADIUS_M
    lateral = np.abs(curvature) * v * v
    side = np.sign(expected)
    spin = np.clip((input_nm - 560.0) / 300.0, 0.0, 1.0) * np.clip((lateral - 4.5) / 6.0, 0.0, 1.0)
    held = (np.abs(expected) > 0.35) & (input_nm < -170.0) & (lateral < 9.0)
    difference = np.where(held, 0.0, expected - side * spin * (7.0 + 3.0 * rng.random()))
    difference = difference + 0.06 * rng.standard_normal(v.size)
    inside = (spin > 0.12) & (side * (expected - difference) > 0.8)
    straight = (np.abs(expected) < 0.35) | (v < 8.0)
    drag = ~held & ~straight & (input_nm < -300.0)
    both = ~straight & (input_nm > 840.0) & ~inside
    difference = np.where(drag, difference + side * 1.6, difference)
    state = np.full(v.size, 0, dtype=np.int8)
    for mask, kind in (
        (held, AxleState.HELD), (inside, AxleState.INSIDE_OVERSPEED),
        (both, AxleState.AXLE_OVERSPEED), (drag, AxleState.INSIDE_DRAG),
    ):  # fmt: skip
        state[mask] = STATES.index(kind)
    state[straight] = NO_STATE
    state = _without_blips(state, shortest=int(0.15 * rate_hz))
    lock = (
        BREAKAWAY_NM
        + LOCK_DRIVE * np.maximum(input_nm, 0)
        + LOCK_OVERRUN * np.maximum(-input_nm, 0)
    )
    lock = lock * (1.0 + 0.05 * rng.standard_normal(v.size)) + 7.0 * rng.standard_normal(v.size)
    share = np.tanh(difference / 0.25)
    torque_difference = -lock * share
    power = -0.5 * torque_difference * difference
    return LapArrays(
        time, distance, v, difference, expected, state, input_nm, torque_difference, power
    )


def estimate(
    value: float, half: float, unit: str, n: int = 6, grade: Grade = Grade.MEASURED,
    method: str = "laps, t interval",
) -> Estimate:  # fmt: skip
    """An invented estimate with an even interval."""
    return Estimate(value, value - half, value + half, unit, n, grade, method)


def _events(lap: int, start_s: float, arrays: LapArrays, circuit: Circuit,
            corners: tuple[CornerSummary, ...]) -> list[SlipEvent]:  # fmt: skip
    edges = np.flatnonzero(np.diff(arrays.state)) + 1
    starts = np.concatenate(([0], edges))
    stops = np.concatenate((edges, [arrays.state.size]))
    events = []
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        code = int(arrays.state[start])
        if code < 1 or stop - start < 8:
            continue
        part = slice(start, stop)
        place = float(arrays.distance_m[(start + stop) // 2])
        at = [c.number for c in corners if c.start_m - 30 <= place <= c.end_m + 30]
        torque = float(arrays.input_nm[part].mean())
        energy = float(np.trapezoid(arrays.power_w[part], arrays.time_s[part]))
        events.append(
            SlipEvent(
                state=STATES[code],
                start_s=start_s + float(arrays.time_s[start]),
                end_s=start_s + float(arrays.time_s[stop - 1]),
                lap=lap,
                corner=at[0] if at else None,
                phase=Phase.DRIVE
                if torque > 60
                else Phase.OVERRUN
                if torque < -60
                else Phase.NEUTRAL,
                peak_speed_difference_radps=float(np.abs(arrays.difference_radps[part]).max()),
                energy_j=estimate(energy, abs(energy) * 0.06 + 1.0, "J"),
                x_m=float(np.interp(place, circuit.distance_m, circuit.x_m)),
                y_m=float(np.interp(place, circuit.distance_m, circuit.y_m)),
            )
        )
    return events


def _counts(events: list[SlipEvent]) -> dict[AxleState, int]:
    return {state: sum(event.state is state for event in events) for state in SLIP_STATES}


def _corner(number: int, stretch: tuple[float, float, float, float], laps: dict[int, LapArrays],
            rng: np.random.Generator) -> CornerSummary:  # fmt: skip
    start, apex, end, curvature = stretch
    by_lap = {}
    for lap, arrays in laps.items():
        inside = (arrays.distance_m >= start - 30.0) & (arrays.distance_m <= end + 30.0)
        by_lap[lap] = float(np.trapezoid(arrays.power_w[inside], arrays.time_s[inside]))
    mean = float(np.mean(list(by_lap.values())))
    half = 2.4 * float(np.std(list(by_lap.values()))) / np.sqrt(len(by_lap)) + 0.004 * abs(mean)
    yaw: dict[Phase, Answer] = {
        Phase.OVERRUN: estimate(-95.0 - 30 * rng.random(), 18.0 + 8 * rng.random(), "N m"),
        Phase.NEUTRAL: estimate(-20.0 + 30 * rng.random(), 22.0 + 5 * rng.random(), "N m"),
        Phase.DRIVE: estimate(110.0 + 60 * rng.random(), 25.0 + 9 * rng.random(), "N m"),
    }
    if number == 3:
        yaw[Phase.NEUTRAL] = Missing("the corner was never taken with next to no input torque")
    return CornerSummary(
        number=number, direction="left" if curvature > 0 else "right",
        start_m=start, apex_m=apex, end_m=end, radius_m=1.0 / abs(curvature), passes=len(laps),
        energy_j=estimate(mean, half, "J", len(laps)), yaw_moment_nm=yaw, event_counts={},
        energy_by_lap_j=by_lap,
    )  # fmt: skip


def _lap_summary(number: int, start_s: float, arrays: LapArrays, events: list[SlipEvent],
                 reason: str) -> LapSummary:  # fmt: skip
    power = arrays.power_w
    energy = float(np.trapezoid(power, arrays.time_s))
    sliding = np.abs(arrays.difference_radps) > 0.5

    def effective(mask: FloatArray, truth: float) -> Answer:
        count = int((sliding & mask).sum())
        if count < 50:
            return Missing("the packs did not slide long enough in this lap")
        ratio = np.abs(arrays.torque_difference_nm / arrays.input_nm)[sliding & mask]
        return estimate(float(np.median(ratio)), 0.018 + 0.01 * truth, "1", 7, method="corners")

    drive = effective(arrays.input_nm > 150.0, LOCK_DRIVE)
    overrun = effective(arrays.input_nm < -100.0, LOCK_OVERRUN)
    return LapSummary(
        number=number, start_s=start_s, end_s=start_s + float(arrays.time_s[-1]),
        valid=not reason, reason=reason,
        energy_j=estimate(energy, 0.021 * energy, "J", 9, method="corners, signed power"),
        peak_power_w=estimate(float(power.max()), 0.03 * float(power.max()), "W", 9),
        mean_power_w=estimate(float(power.mean()), 0.02 * float(power.mean()), "W", 9),
        effective_lock_drive=drive, effective_lock_overrun=overrun,
        torque_bias_drive=estimate(2.5, 0.2, "1"), torque_bias_overrun=estimate(1.8, 0.2, "1"),
        event_counts=_counts(events),
    )  # fmt: skip


def _lock_fit(numbers: IntArray, laps: list[LapArrays]) -> LockFit:
    torque = np.concatenate([lap.input_nm for lap in laps])
    difference = np.concatenate([lap.difference_radps for lap in laps])
    lock = -np.concatenate([lap.torque_difference_nm for lap in laps]) * np.sign(difference)
    lap = np.concatenate(
        [np.full(one.time_s.size, n) for n, one in zip(numbers, laps, strict=True)]
    )
    sliding = np.flatnonzero(np.abs(difference) > 0.8)
    kept = sliding[np.unique(np.linspace(0, sliding.size - 1, 2_800).astype(int))]
    curve = np.linspace(float(torque[kept].min()), float(torque[kept].max()), 101)
    law = BREAKAWAY_NM + LOCK_DRIVE * np.maximum(curve, 0) + LOCK_OVERRUN * np.maximum(-curve, 0)
    sheet = 78.0 + 0.395 * np.maximum(curve, 0) + 0.20 * np.maximum(-curve, 0)
    half, sheet_half = 4.0 + 0.014 * np.abs(curve), 7.0 + 0.035 * np.abs(curve)
    return LockFit(
        input_torque_nm=torque[kept], locking_torque_nm=lock[kept],
        sample_lap=lap[kept].astype(np.int64), curve_input_nm=curve, curve_nm=law,
        curve_low_nm=law - half, curve_high_nm=law + half, predicted_nm=sheet,
        predicted_low_nm=sheet - sheet_half, predicted_high_nm=sheet + sheet_half,
        samples_used=int(sliding.size), seconds_used=float(sliding.size) / 100.0,
    )  # fmt: skip


FINDINGS: tuple[Finding, ...] = (
    Finding(
        "On drive the pack locks 38 % (36.6 to 39.4) of the input torque, as the build sheet "
        "expects.",
        "The drive ramps and the plates' friction are as built; nothing to change here.",
        False, Grade.MEASURED, ("lock_drive",),
    ),
    Finding(
        "The breakaway torque is 64 N m (60 to 68), below the 78 N m (71 to 85) that the washers "
        "of the build sheet should give.",
        "The washers have set or the pack has become thinner. Check the stack height at the next "
        "service.",
        True, Grade.MEASURED, ("breakaway_torque_nm",),
    ),
    Finding(
        "Corner 5 makes 31 % of the heat of a lap, nearly all of it on the way out.",
        "If the oil runs hot, look at the drive out of corner 5 first.",
        False, Grade.MEASURED, ("energy_per_lap_j", "peak_power_w"),
    ),
)  # fmt: skip


def _estimates(
    energies: list[float], peaks: list[float]
) -> tuple[dict[str, Answer], dict[str, Prediction]]:
    energy, peak = float(np.mean(energies)), float(np.mean(peaks))
    estimates: dict[str, Answer] = {
        "breakaway_torque_nm": estimate(64.0, 4.1, "N m"),
        "lock_drive": estimate(0.380, 0.014, "1"),
        "lock_overrun": estimate(0.212, 0.019, "1"),
        "lock_overrun_to_drive": estimate(0.56, 0.07, "1"),
        "energy_per_lap_j": estimate(energy, 0.03 * energy, "J"),
        "peak_power_w": Estimate(peak, 0.96 * peak, 1.09 * peak, "W", 6, Grade.MEASURED,
                                 "laps, highest of each"),
        "rolling_radius_ratio": estimate(1.00213, 0.00031, "1", 5, method="straight runs"),
        "channel_delay_s": Missing("the log holds no second speed to compare with"),
    }  # fmt: skip
    predictions: dict[str, Prediction] = {
        "breakaway_torque_nm": Predicted(78.0, 71.0, 85.0, "N m", "washer and plate data"),
        "lock_drive": Predicted(0.395, 0.36, 0.43, "1", "ramp and plate data"),
        "lock_overrun": Missing("the build sheet does not state the overrun ramp"),
    }
    return estimates, predictions


def invented_session(laps: int = 6, rate_hz: float = 100.0, seed: int = 7) -> SessionResult:
    """A session of ``laps`` counted laps with an out-lap before and an in-lap after them."""
    rng = np.random.default_rng(seed)
    circuit = invented_circuit()
    stretches = corner_stretches(circuit)
    numbers = np.arange(laps + 2)
    arrays = [_lap(circuit, rate_hz, rng) for _ in numbers]
    counted = {int(n): arrays[n] for n in numbers[1:-1]}
    corners = tuple(_corner(i + 1, s, counted, rng) for i, s in enumerate(stretches))
    starts = np.concatenate(([0.0], np.cumsum([a.time_s[-1] + 1.0 / rate_hz for a in arrays])))
    events, summaries = [], []
    for n in numbers.tolist():
        mine = _events(n, float(starts[n]), arrays[n], circuit, corners)
        reason = {
            0: "out-lap: it starts in the pit lane",
            int(laps + 1): "in-lap: it ends in the pit lane",
        }
        summaries.append(_lap_summary(n, float(starts[n]), arrays[n], mine, reason.get(n, "")))
        events += mine
    corners = tuple(
        dataclasses.replace(c, event_counts=_counts([e for e in events if e.corner == c.number]))
        for c in corners
    )
    good = [summary for summary in summaries if summary.valid]
    estimates, predictions = _estimates(
        [s.energy_j.value for s in good if isinstance(s.energy_j, Estimate)],
        [s.peak_power_w.value for s in good if isinstance(s.peak_power_w, Estimate)],
    )
    traces = _traces(circuit, numbers, arrays, starts)
    return SessionResult(
        session=_info(traces, rate_hz), laps=tuple(summaries), events=tuple(events),
        corners=corners, estimates=estimates, predictions=predictions,
        lock_fit=_lock_fit(numbers[1:-1], arrays[1:-1]), findings=FINDINGS,
        exclusions=_exclusions(traces.time_s.size, laps + 2), quality=QUALITY,
        thresholds=THRESHOLDS, provenance=PROVENANCE, traces=traces,
    )  # fmt: skip


def _traces(circuit: Circuit, numbers: IntArray, laps: list[LapArrays],
            starts: FloatArray) -> Traces:  # fmt: skip
    def joined(name: str) -> FloatArray:
        return np.concatenate([getattr(lap, name) for lap in laps])

    distance, difference = joined("distance_m"), joined("difference_radps")
    difference[400:430] = np.nan
    middle = difference.size // 2
    difference[middle : middle + 120] = np.nan
    return Traces(
        time_s=np.concatenate([s + lap.time_s for s, lap in zip(starts, laps, strict=False)]),
        lap=np.repeat(numbers, [lap.time_s.size for lap in laps]),
        distance_m=distance, speed_mps=joined("speed_mps"), speed_difference_radps=difference,
        expected_difference_radps=joined("expected_radps"), state=joined("state").astype(np.int8),
        torque=ShaftTorque(
            *(0.5 * (joined("input_nm") + way * joined("torque_difference_nm")) for way in (1, -1))
        ),
        friction_power_w=joined("power_w"),
        x_m=np.interp(distance, circuit.distance_m, circuit.x_m),
        y_m=np.interp(distance, circuit.distance_m, circuit.y_m),
    )  # fmt: skip


def _info(traces: Traces, rate_hz: float) -> SessionInfo:
    return SessionInfo(
        id="2031-05-17-hollin-fell-2", name="second run", car="Ostrel C3", circuit="Hollin Fell",
        driver="Mira Tolland", date="17 May 2031", build="build 12: drive 45°, overrun 60°",
        rate_hz=rate_hz, samples=traces.time_s.size, duration_s=float(traces.time_s[-1]),
        circuit_length_m=CIRCUIT_LENGTH_M, grade=Grade.MEASURED,
    )  # fmt: skip


def _exclusions(samples: int, laps: int) -> tuple[Exclusion, ...]:
    return (
        Exclusion("laps that start or end in the pit lane", "not a full lap", 2, "laps", laps,
                  "they carry no numbers and are not in any interval"),
        Exclusion("samples around gear shifts", "the torque rings while the clutch is open",
                  samples // 31, "samples", samples, "not used for the law; their heat counts"),
        Exclusion("stuck samples", "a stuck pack only says that it holds at least as much",
                  samples // 3, "samples", samples, "not used for the law"),
    )  # fmt: skip


QUALITY: tuple[QualityNote, ...] = (
    QualityNote("wheel_speed_rl_radps", "dropout", 150, 4.0, "two gaps, the longer 1.2 s",
                "drawn as gaps; their heat is missing from two laps"),
    QualityNote("torque_right_nm", "offset", 1, None, "+6.2 N m against the left on straights",
                "taken out before the law was fitted"),
)  # fmt: skip

THRESHOLDS: tuple[Threshold, ...] = (
    Threshold("stuck below", 0.31, "rad/s", "three steps of the 48-tooth wheels at 100 Hz"),
    Threshold("inside overspeed above", 0.8, "rad/s", "chosen: 2 % of the speed in slow corners"),
    Threshold("shortest event", 0.08, "s", "eight samples"),
    Threshold("slowest speed judged", 8.0, "m/s", "below it the tooth count is too coarse"),
)

PROVENANCE: dict[str, str] = {
    "log": "hollin-fell-run-2.csv",
    "log SHA-256": "4be1f0c2a7d95c1e0f6f3f7b3b7f5dbd0f86d4c1d4b1a2c9e0b5a6d7c8e9f012",
    "channel map": "ostrel-c3.toml",
    "build sheet": "build-12.toml",
    "sidegear": "0.1.0",
    "seed": "20310517",
}
