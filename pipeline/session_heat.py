"""How warm plates and oil got in a session, for how long too warm, and what a race would make."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Estimate, Grade, Missing, Predicted, SessionAnswer
from pipeline.evidence import Evidence
from pipeline.heat import energy_by_group
from pipeline.parts import HeatPaths
from pipeline.result import HeatAnswer, HeatSummary, Pace
from pipeline.runs import bridge
from pipeline.signals import Signals
from pipeline.stretches import stretches
from pipeline.summaries import mean_answer
from pipeline.two_lumps import (
    HeatModel,
    Load,
    Lumps,
    assumed,
    averaged,
    identified,
    oil_time_constant_s,
    steady_oil_c,
    temperatures,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Plates answer within seconds; longer logs take longer steps. Chosen by us.
_STEP_S = 0.1
_MOST_STEPS = 100_000
_FIT_STEP_S = 1.0
_MOST_FIT_STEPS = 10_000
_LONGEST_BRIDGE_S = 2.0
_RACE_STEPS = 200

# J/kgK. Source: steel 460, from memory of the usual tables; aluminium 900, the same. Oil 2050 at
# 60 degC: Sonntag et al. as copied in public; its density of 0.864 kg/l from memory.
_CAPACITY = {"steel": 460.0, "aluminium": 900.0}
_OIL_JPL = 2050.0 * 0.864

# What a thermometer may read beside the truth, 95 %. Source: IEC 60584, thermocouples of class 1:
# 1.5 K, from memory. In the air around a car the sun and hot parts do more; chosen by us.
_OIL_THERMOMETER_K = 1.5
_AIR_THERMOMETER_K = 2.0

# What two lumps leave out of a time constant, as a share. Chosen by us.
_TWO_LUMPS = 0.03

# A friction power known worse than this is not told from none. Chosen by us.
_LEAST_KNOWN = 0.9

_ASSUMED = "assumed: the heat paths are the ranges of the build sheet"

_NEEDED = (
    "plates_mass_kg",
    "housing_mass_kg",
    "plates_to_oil_wpk",
    "still_air_wpk",
    "moving_air_wpk_per_mps",
    "gear_loss",
)


def heat_summary(
    evidence: Evidence,
    signals: Signals,
    sheet: BuildSheet,
    ambient_c: FloatArray | None,
    gain_tolerance: float,
) -> HeatSummary | Missing:
    """Temperatures of a session with their bands, and what follows from them.

    Parameters
    ----------
    evidence : Evidence
    signals : Signals
    sheet : BuildSheet
    ambient_c : array, shape (n,), or None
        The log's own air temperature. [degC]
    gain_tolerance : float
        95 % half width of the friction power, as a share. [1]
    """
    if why := _why_none(evidence, signals, sheet, ambient_c):
        return Missing(why)
    prior = prior_of(sheet, gain_tolerance)
    load = load_of(evidence, signals, sheet, ambient_c, _STEP_S, _MOST_STEPS)
    model, words = _model(prior, evidence, signals, sheet, ambient_c)
    bare = HeatSummary(
        model=model,
        load=load,
        pace=_pace(evidence, load),
        start_c=_start_c(signals, sheet),
        measured_oil_c=_shown_oil(signals, load),
        basis=words,
        grade=evidence.grade,
    )
    return worked_out(bare, sheet)


def prior_of(sheet: BuildSheet, gain_tolerance: float) -> HeatModel:
    """The heat model by the build sheet's ranges alone; the sheet has been looked through."""
    ranges = {name: getattr(sheet.heat, name) for name in _NEEDED}
    oil = (sheet.oil.volume_l or 0.0) * _OIL_JPL
    ends = []
    for at, share in ((0, 1 - gain_tolerance), (1, 1 + gain_tolerance)):
        end = {name: span[at] for name, span in ranges.items()}
        plates = end.pop("plates_mass_kg") * _CAPACITY["steel"]
        housing = end.pop("housing_mass_kg") * _CAPACITY[sheet.heat.housing_metal] + oil
        ends.append(Lumps(plates, housing, **end, friction_share=share))
    return assumed(*ends)


def friction_tolerance(evidence: Evidence, energy_per_lap: SessionAnswer) -> float:
    """How well the friction power is known, 95 % half width as a share. [1]

    Where the split of the torque is inferred, the energy's own interval says it.
    """
    known = evidence.doubt.gain
    if evidence.grade is not Grade.MEASURED and isinstance(energy_per_lap, Estimate):
        half = max(energy_per_lap.high - energy_per_lap.value, energy_per_lap.half_width)
        known = max(known, half / max(abs(energy_per_lap.value), 1e-9))
    return min(known, _LEAST_KNOWN)


def missing_paths(heat: HeatPaths) -> list[str]:
    """Which keys the temperatures need and the sheet leaves out."""
    return [f"{name} under [heat]" for name in _NEEDED if getattr(heat, name) is None]


def _why_none(
    evidence: Evidence, signals: Signals, sheet: BuildSheet, ambient_c: FloatArray | None
) -> str:
    if evidence.power_w is None:
        return f"without the packs' friction power no temperature: {evidence.why_no_torque}"
    if signals.input_torque_nm is None:
        return "without input torque the loss of the gears is not known"
    absent = missing_paths(sheet.heat)
    if ambient_c is None and sheet.heat.ambient_c is None:
        absent.append("ambient_c under [heat]")
    if signals.oil_c is None and sheet.heat.start_c is None:
        absent.append("start_c under [heat]")
    return f"the build sheet leaves out {', '.join(absent)}" if absent else ""


def load_of(
    evidence: Evidence,
    signals: Signals,
    sheet: BuildSheet,
    ambient_c: FloatArray | None,
    step_s: float,
    most_steps: int,
    friction_w: FloatArray | None = None,
) -> Load:
    """What warms and cools the lumps over even steps; the friction power may be another one."""
    power = evidence.power_w if friction_w is None else friction_w
    assert power is not None
    assert signals.input_torque_nm is not None
    count = len(signals.time_s)
    samples = max(round(step_s * signals.rate_hz), -(-count // most_steps), 1)
    case = 0.5 * (signals.left_radps + signals.right_radps)
    through = np.abs(signals.input_torque_nm * case)
    longest = round(_LONGEST_BRIDGE_S * signals.rate_hz)
    friction, passed, speed = (
        averaged(bridge(each, longest), samples) for each in (power, through, signals.speed_mps)
    )
    air = np.full(len(friction), sheet.heat.ambient_c or 0.0)
    if ambient_c is not None and np.isfinite(ambient_c).any():
        air = np.full(len(friction), float(np.nanmedian(ambient_c)))
    return Load(samples / signals.rate_hz, friction, passed, speed, air)


def _start_c(signals: Signals, sheet: BuildSheet) -> float:
    if signals.oil_c is not None and np.isfinite(signals.oil_c).any():
        return float(signals.oil_c[np.isfinite(signals.oil_c)][0])
    assert sheet.heat.start_c is not None
    return sheet.heat.start_c


def _shown_oil(signals: Signals, load: Load) -> FloatArray | None:
    """The log's oil temperature over the steps; NaN where it has none."""
    if signals.oil_c is None or not np.isfinite(signals.oil_c).any():
        return None
    samples = round(load.step_s * signals.rate_hz)
    shown = averaged(signals.oil_c, samples)
    there = averaged(np.isfinite(signals.oil_c).astype(np.float64), samples) > 0
    return np.where(there, shown, np.nan)


def _model(
    prior: HeatModel,
    evidence: Evidence,
    signals: Signals,
    sheet: BuildSheet,
    ambient_c: FloatArray | None,
) -> tuple[HeatModel, str]:
    slow = load_of(evidence, signals, sheet, ambient_c, _FIT_STEP_S, _MOST_FIT_STEPS)
    shown = _shown_oil(signals, slow)
    if shown is None:
        return prior, f"{_ASSUMED}, the log has no oil temperature"
    try:
        model = identified(prior, slow, shown)
    except ValueError as problem:
        return prior, f"{_ASSUMED}, {problem}"
    return model, (
        "heat paths fitted to the log's oil temperature within the build sheet's ranges; "
        f"{model.blocks} one-minute blocks"
    )


def _pace(evidence: Evidence, load: Load) -> Pace | None:
    middle = (np.arange(len(load.friction_w)) + 0.5) * load.step_s + evidence.time_s[0]
    on = np.zeros(len(middle), dtype=bool)
    for at in evidence.counted:
        lap = evidence.laps[at]
        on |= (middle >= lap.start_s) & (middle < lap.end_s)
    if not on.any():
        return None
    means = (
        float(np.mean(each[on]))
        for each in (load.friction_w, load.through_w, load.speed_mps, load.ambient_c)
    )
    return Pace(on, *means)


def worked_out(heat: HeatSummary, sheet: BuildSheet) -> HeatSummary:
    """The summary with its traces and numbers, against the limits of a sheet."""
    model, load, pace, start_c = heat.model, heat.load, heat.pace, heat.start_c
    count, race_s = len(load.friction_w), sheet.limits.race_length_s

    def all_of(lumps: Lumps) -> FloatArray:
        """Both traces, then what the pace of the counted laps leads to."""
        plates, oil = temperatures(lumps, load, start_c, start_c)
        ends = np.full(4, np.nan)
        if pace is not None:
            ends[:2] = (
                steady_oil_c(
                    lumps, pace.friction_w, pace.through_w, pace.speed_mps, pace.ambient_c
                ),
                oil_time_constant_s(lumps, pace.speed_mps),
            )
            if race_s is not None:
                ends[2] = oil_after(lumps, pace, race_s, start_c)
                ends[3] = ends[2] + float(np.max((plates - oil)[pace.on]))
        return np.concatenate((plates, oil, ends))

    value, half = all_of(model.lumps), model.half_width(all_of)
    # The time constant is no temperature.
    degrees = np.arange(len(value)) != 2 * count + 1
    thermometers = np.hypot(_OIL_THERMOMETER_K, _AIR_THERMOMETER_K)
    half = np.hypot(half, np.where(degrees, thermometers, _TWO_LUMPS * value))
    plates, oil, ends = value[:count], value[count : 2 * count], value[2 * count :]
    plates_half, oil_half = half[:count], half[count : 2 * count]
    say = _Said(model, heat.basis, heat.grade)
    at_plates, at_oil = int(np.argmax(plates)), int(np.argmax(oil))
    no_pace = None if pace is not None else Missing("no lap counts")
    no_race = no_pace
    if race_s is None:
        no_race = Missing("the build sheet states no race_length_s under [limits]")
    limits = sheet.limits
    steady, constant, oil_end, plates_end = (
        why or say.number(ends[k], half[2 * count + k], unit)
        for k, unit, why in (
            (0, "degC", no_pace),
            (1, "s", no_pace),
            (2, "degC", no_race),
            (3, "degC", no_race),
        )
    )
    return replace(
        heat,
        plates_c=plates,
        plates_half_c=plates_half,
        oil_c=oil,
        oil_half_c=oil_half,
        answers={
            "plates_peak_c": say.number(plates[at_plates], plates_half[at_plates], "degC"),
            "oil_peak_c": say.number(oil[at_oil], oil_half[at_oil], "degC"),
            "oil_steady_c": steady,
            "oil_time_constant_s": constant,
            "plates_above_limit_s": say.seconds_above(
                plates, plates_half, limits.plate_temperature_c, load.step_s,
                "plate_temperature_c under [limits]",
            ),
            "oil_above_limit_s": say.seconds_above(
                oil, oil_half, sheet.oil.limit_c, load.step_s, "limit_c under [oil]"
            ),
            "oil_race_end_c": oil_end,
            "plates_race_end_c": plates_end,
            "oil_margin_k": _margin(sheet.oil.limit_c, oil_end, "limit_c under [oil]"),
            "plates_margin_k": _margin(
                limits.plate_temperature_c, plates_end, "plate_temperature_c under [limits]"
            ),
        },
    )  # fmt: skip


def oil_after(lumps: Lumps, pace: Pace, race_s: float, start_c: float) -> float:
    """Oil temperature after a race at the mean of the counted laps. [degC]"""
    one = np.ones(_RACE_STEPS)
    load = Load(
        race_s / _RACE_STEPS,
        pace.friction_w * one,
        pace.through_w * one,
        pace.speed_mps * one,
        pace.ambient_c * one,
    )
    return float(temperatures(lumps, load, start_c, start_c)[1][-1])


def _margin(limit_c: float | None, end: HeatAnswer, key: str) -> HeatAnswer:
    """How far a temperature stays below its limit; below zero: beyond it. [K]"""
    if isinstance(end, Missing):
        return end
    if limit_c is None:
        return Missing(f"the build sheet leaves out {key}")
    value, low, high = limit_c - end.value, limit_c - end.high, limit_c - end.low
    if isinstance(end, Predicted):
        return Predicted(value, low, high, "K", end.method)
    return Estimate(value, low, high, "K", end.n, end.grade, end.method)


@dataclass(frozen=True, slots=True)
class _Said:
    """How a number of the heat model is reported: fitted with its grade, or as assumed."""

    model: HeatModel
    words: str
    grade: Grade

    def number(self, value: float, half: float, unit: str) -> HeatAnswer:
        value, half = float(value), float(half)
        return self.span(value, value - half, value + half, unit)

    def span(self, value: float, low: float, high: float, unit: str) -> HeatAnswer:
        if self.model.fitted:
            return Estimate(value, low, high, unit, self.model.blocks, self.grade, self.words)
        return Predicted(value, low, high, unit, self.words)

    def seconds_above(
        self, trace: FloatArray, half: FloatArray, limit_c: float | None, step_s: float, key: str
    ) -> HeatAnswer:
        if limit_c is None:
            return Missing(f"the build sheet leaves out {key}")
        low, value, high = (
            step_s * float(np.count_nonzero(each > limit_c))
            for each in (trace - half, trace, trace + half)
        )
        return self.span(value, low, high, "s")


def oil_mean(evidence: Evidence, signals: Signals) -> Estimate | Missing:
    """Oil temperature that the log shows, over the counted laps. [degC]"""
    if signals.oil_c is None or not np.isfinite(signals.oil_c).any():
        return Missing("the log has no oil temperature")
    seen = [
        float(np.mean(oil[np.isfinite(oil)]))
        for at in evidence.counted
        if np.isfinite(oil := signals.oil_c[evidence.laps[at].samples]).any()
    ]
    shared = np.full(len(seen), _OIL_THERMOMETER_K)
    return mean_answer(np.array(seen), shared, "degC", evidence.grade, "laps")


def friction_loss_share(evidence: Evidence, signals: Signals) -> Estimate | Missing:
    """Friction energy of the packs over the energy that passes the ring gear, counted laps. [1]"""
    pull, laps = signals.input_torque_nm, len(evidence.laps)
    if evidence.power_w is None or pull is None:
        return Missing(evidence.why_no_torque)
    energy, half = evidence.lap_energies
    left, right = signals.left_radps, signals.right_radps
    passing = [
        energy_by_group(
            np.abs(pull[here] * (0.5 * (left[here] + right[here]))),
            evidence.lap_of[here],
            laps,
            evidence.rate_hz,
        )
        for here in stretches(len(pull))
    ]
    passed = np.sum(passing, axis=0)
    counted = [at for at in evidence.counted if passed[at] > 0]
    return mean_answer(
        energy[counted] / passed[counted], half[counted] / passed[counted],
        "1", evidence.grade, "laps",
    )  # fmt: skip
