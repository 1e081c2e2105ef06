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

from pipeline.build_sheet import BuildSheet, Differential
from pipeline.changed_heat import warmer_by, with_parts
from pipeline.changed_parts import (
    breakaway_share,
    force_share,
    lock_share,
    new_over_run_in,
    ramp_share,
)
from pipeline.estimate import Estimate, Missing, Predicted, Prediction
from pipeline.findings import why_no_advice
from pipeline.plates import PreloadLaw, locking_torque
from pipeline.predict import bench_readings, stated_law
from pipeline.result import HeatSummary, SessionResult
from pipeline.stated_parts import INSIDE, differing
from pipeline.what_if_energy import Driven, driven_with, law_of

FloatArray = NDArray[np.float64]
Range = tuple[float, float]

LAW_NAMES = ("breakaway_torque_nm", "lock_drive", "lock_overrun")


@dataclass(frozen=True, slots=True)
class LawCurve:
    """Torque that the packs hold over the input torque, with the ends of its range. [N m]"""

    middle_nm: FloatArray
    low_nm: FloatArray
    high_nm: FloatArray


@dataclass(frozen=True, slots=True)
class DrawnLaws:
    """Today's law and that of the other parts over the input torques that the log visited."""

    input_nm: FloatArray
    today: LawCurve
    then: LawCurve | None
    """None where the law of these parts is not known."""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One set of parts on the recorded session, beside today's."""

    build: str
    today: Mapping[str, Estimate | Predicted | Missing]
    then: Mapping[str, Prediction]
    limits: tuple[str, ...]
    """What these numbers rest on and where they end, in sentences."""
    too_far: str
    """Why the recorded history hardly holds for so large a change; empty where it does."""
    heat_today: HeatSummary | Missing
    heat_then: HeatSummary | Missing
    warmer: Mapping[str, Predicted]
    """How much warmer plates and oil run than today, by the names of the temperatures. [K]"""
    laws: DrawnLaws | None
    """None where the session has no law to draw."""


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
    if lies := why_no_advice(result.session, result.estimates, result.quality):
        return Missing(f"this session says nothing on parts: {lies[0].sentence.rstrip('.')}")
    found = [result.estimates.get(name) for name in LAW_NAMES]
    known = [answer for answer in found if isinstance(answer, Estimate)]
    traces = result.traces
    if len(known) < len(found) or traces.torque is None or traces.friction_power_w is None:
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
    driven: Driven | Missing = Missing("the law of these parts is not known")
    if len(there) == len(then_law):
        from_law = law_of([answer.value for answer in known]), preload_today
        driven = driven_with(result, today, from_law, there, preload_then)
    ends, too_far = ((), "") if isinstance(driven, Missing) else (driven.limits, driven.too_far)
    heat_then, warmer = _heat(result, driven, today, then)
    numbers["energy_per_lap_j"] = driven if isinstance(driven, Missing) else driven.energy
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
        limits=(*limits, *ends, *((too_far,) if too_far else ())),
        too_far=too_far,
        heat_today=result.heat,
        heat_then=heat_then,
        warmer=warmer,
        laws=_laws(result, there if len(there) == len(then_law) else None, preload_then),
    )


def _heat(
    result: SessionResult, driven: Driven | Missing, today: BuildSheet, then: BuildSheet
) -> tuple[HeatSummary | Missing, dict[str, Predicted]]:
    """Temperatures with the other parts' friction power, and how much warmer than today."""
    if isinstance(driven, Missing) or isinstance(result.heat, Missing):
        return (driven if isinstance(driven, Missing) else result.heat), {}
    doubt = driven.energy.half_width / max(driven.energy.value, 1e-9)
    heat = with_parts(result.heat, driven.power_w, doubt, today, then)
    if isinstance(heat, Missing):
        return heat, {}
    return heat, warmer_by(result.heat, heat, doubt, then)


def _laws(
    result: SessionResult, law: list[Predicted] | None, preload: PreloadLaw
) -> DrawnLaws | None:
    fit = result.lock_fit
    if fit is None:
        return None
    then = None
    if law is not None:
        middle, low, high = (
            locking_torque(
                fit.curve_input_nm, *law_of([getattr(each, end) for each in law]), preload
            )
            for end in ("value", "low", "high")
        )
        then = LawCurve(middle, low, high)
    today = LawCurve(fit.curve_nm, fit.curve_low_nm, fit.curve_high_nm)
    return DrawnLaws(fit.curve_input_nm, today, then)


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
    beside = dict.fromkeys(
        was.table for was, _ in differing(today, then) if was.table not in INSIDE
    )
    if beside:
        tables = ", ".join(f"[{table}]" for table in beside)
        said.append(
            f"What is changed under {tables} has no part in these numbers: the car, its driveline "
            "and its sensors stay as they were in the session."
        )
    if _law_changes(today, then):
        said.append("Springs and ramps act together in another way than today.")
    return said
