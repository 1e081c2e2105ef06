"""What energy a recorded session would make under another law of the packs.

The session's own energy plus what the law changes when the axle is run again, so that what the
model leaves out of both runs stays in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import LEAST_SPEED_MPS
from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Estimate, Missing, Predicted
from pipeline.plates import PreloadLaw
from pipeline.regression import student_t
from pipeline.rerun import DRIVER_S, AxleParts, Law, Recorded, grip, rerun
from pipeline.result import SessionResult

FloatArray = NDArray[np.float64]
Range = tuple[float, float]

# Where the tyres' answer makes or takes away more of the energy than this share of today's, the
# history would not have stayed what it was. Chosen by us.
FROZEN_UP_TO = 0.25
# Less than this near the tyres' limit tells little of it. Chosen by us.
LEAST_SATURATED_S = 5.0


@dataclass(frozen=True, slots=True)
class Driven:
    """The recorded session as it would have been driven with other parts."""

    energy: Predicted
    """Per lap. [J]"""
    power_w: FloatArray
    """Friction power of the packs, shape (n,)."""
    limits: tuple[str, ...]
    """Where the number ends, in sentences."""
    too_far: str
    """Why the recorded history hardly holds for so large a change; empty where it does."""


def _recorded(result: SessionResult, sheet: BuildSheet) -> Recorded:
    """The session's traces as the axle is run again from them."""
    traces, car = result.traces, sheet.car
    assert traces.torque is not None
    assert traces.wheels_radps is not None
    mean = traces.speed_mps / car.rolling_radius_m
    # Expected is left less right, so that turning left makes it negative.
    yaw = -traces.expected_difference_radps * car.rolling_radius_m / car.track_m
    turning = traces.expected_difference_radps
    given = (
        traces.torque.input_nm,
        traces.torque.difference_nm,
        0.5 * (traces.wheels_radps[0] + traces.wheels_radps[1]),
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


def driven_with(
    result: SessionResult,
    sheet: BuildSheet,
    today: tuple[Law, PreloadLaw],
    law: list[Predicted],
    preload: PreloadLaw,
) -> Driven | Missing:
    """Energy per lap under the new law, its friction power over time, and what to say of it.

    The log's own energy plus what the law changes in the axle run again, so that what the model
    leaves out of both runs stays in.
    """
    traces = result.traces
    assert traces.friction_power_w is not None
    logged = np.nan_to_num(traces.friction_power_w)
    parts = _axle_parts(result, sheet)
    if isinstance(parts, Missing):
        return parts
    recorded = _recorded(result, sheet)
    capacity = grip(recorded, parts)
    counted = [lap.number for lap in result.laps if lap.valid]
    measured = [lap.energy_j for lap in result.laps if lap.valid]
    energies = np.array([each.value for each in measured if isinstance(each, Estimate)])
    if len(counted) < 2 or len(energies) < len(counted):
        return Missing("a mean over laps needs two that count, with their energy")

    def run(numbers: Law, law_kind: PreloadLaw, driver_s: float) -> FloatArray:
        return rerun(recorded, parts, capacity[:2], numbers, law_kind, driver_s)

    def by_lap(power_w: FloatArray) -> FloatArray:
        sums = [float(np.sum(power_w[traces.lap == lap])) for lap in counted]
        return np.array(sums) / recorded.rate_hz

    middle = law_of([each.value for each in law])
    before = {driver_s: run(*today, driver_s) for driver_s in DRIVER_S}
    after = {driver_s: run(middle, preload, driver_s) for driver_s in DRIVER_S}
    usual = DRIVER_S[1]
    changes: dict[float | str, FloatArray] = {
        driver_s: by_lap(after[driver_s] - before[driver_s]) for driver_s in DRIVER_S
    }
    for end in ("low", "high"):
        numbers = law_of([getattr(each, end) for each in law])
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
    limits: tuple[str, ...] = ()
    if capacity[2] < LEAST_SATURATED_S:
        seen = f"Tyres near their limit were seen for {capacity[2]:.0f} s only"
        limits = (f"{seen}; how they answer less lock is hardly known.",)
    too_far = _too_far(change_j) if abs(change_j) > FROZEN_UP_TO * before_j else ""
    return Driven(answer, logged + after[usual] - before[usual], limits, too_far)


def _too_far(change_j: float) -> str:
    return (
        f"The wheels would turn much differently: {change_j / 1000:+.1f} kJ a lap. A recorded "
        "history hardly holds for a change this large: the ranges of energy and temperatures hold "
        "only as far as the driver drives on as recorded. Change in smaller steps."
    )


def law_of(numbers: list[float]) -> Law:
    """Three numbers as breakaway torque and both lock ratios."""
    breakaway, drive, overrun = numbers
    return breakaway, drive, overrun
