"""The one documented, versioned JSON object of a session; see README, "The JSON object"."""

from __future__ import annotations

import json
from typing import Any

from pipeline.estimate import Bound, Choice, Estimate, Missing, Predicted
from pipeline.result import (
    CornerSummary,
    HeatSummary,
    LapSummary,
    SessionResult,
    SlipEvent,
)

SCHEMA = "sidegear.session/1"
"""Name and version. Within version 1 keys are only added, never renamed or removed."""


def to_json(result: SessionResult) -> str:
    """The session's result as one line of JSON; a missing number carries its reason."""
    return json.dumps(to_object(result), ensure_ascii=False, allow_nan=False)


def to_object(result: SessionResult) -> dict[str, Any]:
    """The session's result as plain JSON types."""
    info = result.session
    return {
        "schema": SCHEMA,
        "session": {
            "id": info.id,
            "name": info.name,
            "car": info.car,
            "circuit": info.circuit,
            "driver": info.driver,
            "date": info.date,
            "build": info.build,
            "rate_hz": info.rate_hz,
            "samples": info.samples,
            "duration_s": info.duration_s,
            "circuit_length_m": info.circuit_length_m,
            "grade": str(info.grade),
            "tyres": info.tyres,
        },
        "laps": [_lap(lap) for lap in result.laps],
        "events": [_event(event) for event in result.events],
        "corners": [_corner(corner) for corner in result.corners],
        "estimates": {name: answer_object(answer) for name, answer in result.estimates.items()},
        "choices": {name: _choice(choice) for name, choice in result.choices.items()},
        "predictions": {name: answer_object(answer) for name, answer in result.predictions.items()},
        "heat": _heat(result.heat),
        "findings": [
            {
                "sentence": finding.sentence,
                "consequence": finding.consequence,
                "needs_attention": finding.needs_attention,
                "grade": str(finding.grade),
                "rests_on": list(finding.rests_on),
                "assumed": finding.assumed,
            }
            for finding in result.findings
        ],
        "exclusions": [
            {
                "what": left_out.what,
                "reason": left_out.reason,
                "count": left_out.count,
                "unit": left_out.unit,
                "of": left_out.of,
                "consequence": left_out.consequence,
            }
            for left_out in result.exclusions
        ],
        "quality": [
            {
                "channel": note.channel,
                "kind": note.kind,
                "count": note.count,
                "first_s": note.first_s,
                "detail": note.detail,
                "consequence": note.consequence,
                "spans_s": [list(span) for span in note.spans_s],
                "serious": note.serious,
                "untrusted": note.untrusted,
                "remedy": note.remedy,
            }
            for note in result.quality
        ],
        "budgets": {
            name: [
                {"input": line.input, "half_width": line.half_width, "share": line.share}
                for line in lines
            ]
            for name, lines in result.budgets.items()
        },
        "thresholds": [
            {"name": each.name, "value": each.value, "unit": each.unit, "source": each.source}
            for each in result.thresholds
        ],
        "provenance": dict(result.provenance),
    }


def answer_object(answer: Estimate | Bound | Missing | Predicted) -> dict[str, Any]:
    """A number with its ends and evidence, a bound, or the reason why there is none."""
    if isinstance(answer, Missing):
        return {"missing": answer.reason}
    if isinstance(answer, Bound):
        # Under its own key, so that no reader takes it for a value.
        return {
            str(answer.side).replace(" ", "_"): answer.value,
            "unit": answer.unit,
            **_evidence(answer),
        }
    common = {"value": answer.value, "low": answer.low, "high": answer.high, "unit": answer.unit}
    if isinstance(answer, Predicted):
        return {**common, "method": answer.method}
    return {**common, **_evidence(answer)}


def _evidence(answer: Estimate | Bound) -> dict[str, Any]:
    return {
        "level": answer.level,
        "n": answer.n,
        "grade": str(answer.grade),
        "method": answer.method,
        **({"at": answer.at} if answer.at else {}),
    }


def _choice(choice: Choice | Missing) -> dict[str, Any]:
    if isinstance(choice, Missing):
        return {"missing": choice.reason}
    return {
        "chosen": choice.chosen or None,
        "odds": dict(choice.odds),
        "reason": choice.reason,
        "n": choice.n,
        "grade": str(choice.grade),
        "method": choice.method,
    }


def _heat(heat: HeatSummary | Missing) -> dict[str, Any]:
    if isinstance(heat, Missing):
        return {"missing": heat.reason}
    return {
        "basis": "fitted" if heat.fitted else "assumed",
        **{name: answer_object(answer) for name, answer in heat.answers.items()},
    }


def _number(name: str, answer: Estimate | Missing) -> dict[str, Any]:
    """A table's number under its own name with ends beside it; or its reason in its place."""
    if isinstance(answer, Missing):
        return {name: {"missing": answer.reason}}
    return {name: answer.value, f"{name}_low": answer.low, f"{name}_high": answer.high}


def _lap(lap: LapSummary) -> dict[str, Any]:
    return {
        "number": lap.number,
        "start_s": lap.start_s,
        "end_s": lap.end_s,
        "lap_time_s": lap.lap_time_s,
        "valid": lap.valid,
        "reason": lap.reason,
        **_number("energy_j", lap.energy_j),
        **_number("peak_power_w", lap.peak_power_w),
        **_number("mean_power_w", lap.mean_power_w),
        **_number("effective_lock_drive", lap.effective_lock_drive),
        **_number("effective_lock_overrun", lap.effective_lock_overrun),
        **_number("torque_bias_drive", lap.torque_bias_drive),
        **_number("torque_bias_overrun", lap.torque_bias_overrun),
        "events": {str(state): count for state, count in lap.event_counts.items()},
    }


def _event(event: SlipEvent) -> dict[str, Any]:
    return {
        "state": str(event.state),
        "start_s": event.start_s,
        "end_s": event.end_s,
        "lap": event.lap,
        "corner": event.corner,
        "phase": str(event.phase),
        "peak_speed_difference_radps": event.peak_speed_difference_radps,
        **_number("energy_j", event.energy_j),
    }


def _corner(corner: CornerSummary) -> dict[str, Any]:
    return {
        "number": corner.number,
        "direction": corner.direction,
        "start_m": corner.start_m,
        "apex_m": corner.apex_m,
        "end_m": corner.end_m,
        "radius_m": corner.radius_m,
        "passes": corner.passes,
        "energy_j": answer_object(corner.energy_j),
        "yaw_moment_nm": {
            str(phase): answer_object(moment) for phase, moment in corner.yaw_moment_nm.items()
        },
        "events": {str(state): count for state, count in corner.event_counts.items()},
        "energy_by_lap_j": {str(lap): energy for lap, energy in corner.energy_by_lap_j.items()},
        "exit_speed_mps": answer_object(corner.exit_speed_mps),
        "exit_gain_mps_per_m": corner.exit_gain_mps_per_m,
    }
