"""What other parts would do on this circuit: a recorded session run again under another law.

The history of input torque and speeds stays as it was driven. Only the packs change, and as far as
the tyres allow, the speed difference with them. The driver, his line and the lap time stay what
they were: a change large enough to be driven differently is beyond this.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import LEAST_SPEED_MPS
from pipeline.build_sheet import BuildSheet, Differential
from pipeline.changed_parts import (
    breakaway_share,
    force_share,
    lock_share,
    new_over_run_in,
    ramp_share,
)
from pipeline.estimate import Estimate, Missing, Predicted, Prediction
from pipeline.plates import PreloadLaw
from pipeline.predict import bench_readings, stated_law
from pipeline.regression import student_t
from pipeline.rerun import DRIVER_S, AxleParts, Law, Recorded, grip, rerun
from pipeline.result import HeatSummary, SessionResult
from pipeline.session_heat import with_friction

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Range = tuple[float, float]

# Where the tyres' answer makes or takes away more of the energy than this share of today's, the
# history would not have stayed what it was. Chosen by us.
FROZEN_UP_TO = 0.25
# Less than this near the tyres' limit tells little of it. Chosen by us.
LEAST_SATURATED_S = 5.0
LAW_NAMES = ("breakaway_torque_nm", "lock_drive", "lock_overrun")


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One set of parts on the recorded session, beside today's."""

    build: str
    today: Mapping[str, Estimate | Predicted | Missing]
    then: Mapping[str, Prediction]
    limits: tuple[str, ...]
    """What these numbers rest on and where they end, in sentences."""
    heat_today: HeatSummary | Missing
    heat_then: HeatSummary | Missing


def what_if(result: SessionResult, today: BuildSheet, then: BuildSheet) -> WhatIf | Missing:
    """The numbers of a session under other parts, beside those it had.

    Parameters
    ----------
    result : SessionResult
        The recorded session, analysed with the build sheet that it was driven with.
    today, then : BuildSheet
        What was in the car, and what would be.

    Returns
    -------
    WhatIf, or Missing where the session shows no law to start from.
    """
    found = [result.estimates.get(name) for name in LAW_NAMES]
    known = [answer for answer in found if isinstance(answer, Estimate)]
    traces = result.traces
    if (
        len(known) < len(found)
        or traces.input_torque_nm is None
        or traces.torque_difference_nm is None
        or traces.friction_power_w is None
    ):
        why = next((a.reason for a in found if isinstance(a, Missing)), "it only bounds the law")
        return Missing(f"this session does not show the packs' law to start from: {why}")
    both = result.estimates, today.differential, then.differential
    shares = {
        "breakaway_torque_nm": breakaway_share(result.estimates, today, then),
        "lock_drive": lock_share(*both, "drive_ramp_deg"),
        "lock_overrun": lock_share(*both, "overrun_ramp_deg"),
    }
    law: dict[str, Prediction] = {
        name: _times(answer, shares[name]) for name, answer in zip(LAW_NAMES, known, strict=True)
    }
    preload_today = _preload(result, today)
    preload_then = (stated_law(then) if _law_changes(today, then) else None) or preload_today
    then_law = [law[name] for name in LAW_NAMES]
    there = [answer for answer in then_law if isinstance(answer, Predicted)]
    limits = [*_LIMITS, *_what_is_new(today, then)]
    numbers: dict[str, Prediction] = {**law, "lock_overrun_to_drive": _way(result, *both[1:])}
    heat_then: HeatSummary | Missing = Missing("the law of these parts is not known")
    energy: Prediction = Missing("the law of these parts is not known")
    if len(there) == len(then_law):
        numbers_today = _law_of([answer.value for answer in known])
        energy, power, words = _energy(
            result, today, (numbers_today, preload_today), there, preload_then
        )
        limits += words
        heat_then = result.heat
        if isinstance(result.heat, HeatSummary):
            heat_then = with_friction(result.heat, power, then)
    numbers["energy_per_lap_j"] = energy
    numbers["spring_force_n"] = _force(result, today, then)
    numbers |= _bench_and_new(law, then, preload_then)
    law_today: dict[str, Prediction] = {
        name: Predicted(each.value, each.low, each.high, each.unit, each.method)
        for name, each in zip(LAW_NAMES, known, strict=True)
    }
    before = {
        **{name: _today(result, name) for name in numbers},
        **_bench_and_new(law_today, today, preload_today),
    }
    return WhatIf(
        build=then.differential.build,
        today=before,
        then=numbers,
        limits=tuple(limits),
        heat_today=result.heat,
        heat_then=heat_then,
    )


def _force(result: SessionResult, today: BuildSheet, then: BuildSheet) -> Prediction:
    """Washer force with the other parts, from the force that the session finds today."""
    share, now = force_share(result.estimates, today, then), _today(result, "spring_force_n")
    if isinstance(share, Missing):
        return share
    if isinstance(now, Missing):
        return now
    low, high = now.low * share[0], now.high * share[1]
    return Predicted(0.5 * (low + high), low, high, "N", "today's force times the parts' ratio")


def _bench_and_new(
    law: Mapping[str, Prediction], sheet: BuildSheet, preload: PreloadLaw
) -> dict[str, Prediction]:
    """What a wrench would read, and the breakaway torque before the plates have run in."""
    breakaway, ratio = law["breakaway_torque_nm"], new_over_run_in(sheet.differential)
    new: Prediction = Missing("the build sheet leaves out the plates' radii")
    if isinstance(breakaway, Missing):
        new = breakaway
    elif ratio is not None:
        new = Predicted(
            ratio * breakaway.value, ratio * breakaway.low, ratio * breakaway.high, "N m",
            "new plates carry by uniform pressure",
        )  # fmt: skip
    return {**bench_readings(law, preload), "breakaway_new_plates_nm": new}


_LIMITS = (
    "Input torque, line and lap time stay as recorded; another driver's answer is not in this.",
    "The ranges are for the recorded day; another one with the same parts differs as well.",
    "Plate friction is what this session shows, unless the friction of the sheet changes.",
)


def _today(result: SessionResult, name: str) -> Estimate | Predicted | Missing:
    for source in (result.estimates, result.predictions):
        answer = source.get(name)
        if isinstance(answer, (Estimate, Predicted)):
            return answer
    return Missing("not known of today's parts")


def _preload(result: SessionResult, sheet: BuildSheet) -> PreloadLaw:
    """The law that today's numbers belong to."""
    if result.lock_fit is not None:
        return PreloadLaw(result.lock_fit.preload_law)
    return stated_law(sheet) or PreloadLaw.ADDING


def _law_changes(today: BuildSheet, then: BuildSheet) -> bool:
    return stated_law(then) is not None and stated_law(then) is not stated_law(today)


def _times(answer: Estimate, share: Range | Missing) -> Prediction:
    """A number of today times what the parts change it by."""
    if isinstance(share, Missing):
        return share
    low, high = max(answer.low, 0.0) * share[0], answer.high * share[1]
    middle = float(np.clip(answer.value * 0.5 * sum(share), low, high))
    method = "today's number of the log times the ratio of the parts"
    return Predicted(middle, low, high, answer.unit, method)


def _way(result: SessionResult, today: Differential, then: Differential) -> Prediction:
    """Lock on overrun over lock on drive: the plates cancel, so only the ramps change it."""
    now = result.estimates["lock_overrun_to_drive"]
    if not isinstance(now, Estimate):
        return now if isinstance(now, Missing) else Missing("today's ratio is only bounded")
    shares = [ramp_share(today, then, f"{side}_ramp_deg") for side in ("overrun", "drive")]
    for share in shares:
        if isinstance(share, Missing):
            return share
    overrun, drive = (share for share in shares if not isinstance(share, Missing))
    if drive[0] <= 0:
        return Missing("the drive ramps may give no lock")
    return _times(now, (overrun[0] / drive[1], overrun[1] / drive[0]))


def _what_is_new(today: BuildSheet, then: BuildSheet) -> list[str]:
    said = []
    if today.differential.plate_friction != then.differential.plate_friction:
        said.append(
            "Other plates or oil: their friction is known by the sheet's ranges only. Use the oil "
            "that the unit's maker names; the wrong one can weld plates within minutes."
        )
    if today.washers != then.washers or today.stack != then.stack:
        said.append("Washers and shims: check the breakaway torque on the bench after assembly.")
    if _law_changes(today, then):
        said.append("Springs and ramps act together in another way than today.")
    return said


def _recorded(result: SessionResult, sheet: BuildSheet) -> Recorded:
    """The session's traces as the axle is run again from them."""
    traces, car = result.traces, sheet.car
    assert traces.input_torque_nm is not None
    assert traces.torque_difference_nm is not None
    assert traces.wheel_mean_radps is not None
    mean = traces.speed_mps / car.rolling_radius_m
    # Expected is left less right, so that turning left makes it negative.
    yaw = -traces.expected_difference_radps * car.rolling_radius_m / car.track_m
    turning = traces.expected_difference_radps
    given = (
        traces.input_torque_nm,
        traces.torque_difference_nm,
        traces.wheel_mean_radps,
        traces.speed_difference_radps,
        mean,
        turning,
        traces.speed_mps * yaw,
    )
    known = np.all(np.isfinite(np.stack(given)), axis=0)
    pull, apart, wheels, difference, rolling, turning, lateral = (
        np.where(known, each, 0.0) for each in given
    )
    return Recorded(
        rate_hz=result.session.rate_hz,
        input_nm=pull,
        torque_difference_nm=apart,
        mean_radps=wheels,
        difference_radps=difference,
        rolling_mean_radps=rolling,
        rolling_difference_radps=turning,
        lateral_mps2=lateral,
        usable=known & (np.nan_to_num(traces.speed_mps) > LEAST_SPEED_MPS),
    )


# Where the build sheet leaves them out: usual sizes of a circuit car, chosen by us.
_WHEEL_INERTIA_KGM2 = (0.9, 1.3)
_DRIVELINE_INERTIA_KGM2 = 3.5


def _axle_parts(result: SessionResult, sheet: BuildSheet) -> AxleParts | Missing:
    softness = result.estimates.get("slip_per_torque_difference")
    if not isinstance(softness, Estimate) or softness.low <= 0:
        return Missing("the tyres' slip under torque is not known from this log")
    car, line = sheet.car, sheet.driveline
    wheel = _middle(car.wheel_inertia_kgm2 or _WHEEL_INERTIA_KGM2)
    driveline = _DRIVELINE_INERTIA_KGM2
    if line.engine_inertia_kgm2 and line.gear_ratios and line.final_drive:
        # The engine in a middle gear: the log's own gear changes too fast to matter more.
        turns = line.gear_ratios[len(line.gear_ratios) // 3] * line.final_drive
        driveline = _middle(line.engine_inertia_kgm2) * turns**2
        driveline += _middle(line.driveline_inertia_kgm2 or (0.1, 0.1))
    radius = car.rolling_radius_m
    return AxleParts(wheel, driveline, radius, 1 / (radius**2 * softness.value))


def _middle(span: Range) -> float:
    return 0.5 * sum(span)


def _energy(
    result: SessionResult,
    sheet: BuildSheet,
    today: tuple[Law, PreloadLaw],
    law: list[Predicted],
    preload: PreloadLaw,
) -> tuple[Prediction, FloatArray, list[str]]:
    """Energy per lap under the new law, its friction power over time, and what to say of it.

    The log's own energy plus what the law changes in the axle run again, so that what the model
    leaves out of both runs stays in.
    """
    traces = result.traces
    assert traces.friction_power_w is not None
    logged = np.nan_to_num(traces.friction_power_w)
    parts = _axle_parts(result, sheet)
    if isinstance(parts, Missing):
        return parts, logged, []
    recorded = _recorded(result, sheet)
    capacity = grip(recorded, parts)
    counted = [lap.number for lap in result.laps if lap.valid]
    measured = [lap.energy_j for lap in result.laps if lap.valid]
    energies = np.array([each.value for each in measured if isinstance(each, Estimate)])
    if len(counted) < 2 or len(energies) < len(counted):
        return Missing("a mean over laps needs two that count, with their energy"), logged, []

    def run(numbers: Law, law_kind: PreloadLaw, driver_s: float) -> FloatArray:
        return rerun(recorded, parts, capacity[:2], numbers, law_kind, driver_s)

    def by_lap(power_w: FloatArray) -> FloatArray:
        sums = [float(np.sum(power_w[traces.lap == lap])) for lap in counted]
        return np.array(sums) / recorded.rate_hz

    middle = _law_of([each.value for each in law])
    before = {driver_s: run(*today, driver_s) for driver_s in DRIVER_S}
    after = {driver_s: run(middle, preload, driver_s) for driver_s in DRIVER_S}
    usual = DRIVER_S[1]
    changes: dict[float | str, FloatArray] = {
        driver_s: by_lap(after[driver_s] - before[driver_s]) for driver_s in DRIVER_S
    }
    for end in ("low", "high"):
        numbers = _law_of([getattr(each, end) for each in law])
        changes[end] = by_lap(run(numbers, preload, usual) - before[usual])
    before_j, change_j = float(energies.mean()), float(changes[usual].mean())
    ends = [before_j + float(change.mean()) for change in changes.values()]
    # Both the recorded laps and those to come scatter.
    each = energies + changes[usual]
    scatter = student_t(len(counted) - 1) * float(np.std(each, ddof=1)) / np.sqrt(len(counted))
    half = float(np.sqrt(2) * scatter)
    value = before_j + change_j
    answer = Predicted(
        value, max(min(ends) - half, 0.0), max(ends) + half, "J",
        f"energy of {len(counted)} recorded laps plus what the axle, run again, makes more of it; "
        "range from the laps, the law, and a quick or slow driver",
    )  # fmt: skip
    words = []
    if abs(change_j) > FROZEN_UP_TO * before_j:
        words.append(_far_from_recorded(change_j))
    if capacity[2] < LEAST_SATURATED_S:
        words.append(
            f"Tyres near their limit were seen for {capacity[2]:.0f} s only; how they answer less "
            "lock is hardly known."
        )
    return answer, logged + after[usual] - before[usual], words


def _far_from_recorded(change_j: float) -> str:
    return (
        f"The wheels would turn much differently: {change_j / 1000:+.1f} kJ a lap. A recorded "
        "history does not hold for a change this large; take energy and temperatures as a "
        "direction only, and change in smaller steps."
    )


def _law_of(numbers: list[float]) -> Law:
    breakaway, drive, overrun = numbers
    return breakaway, drive, overrun
