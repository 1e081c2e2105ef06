"""The invented session with something taken away or turned against the page."""

from __future__ import annotations

import dataclasses

import numpy as np
from session_results import estimate

from pipeline.estimate import Grade, Missing
from pipeline.result import Exclusion, Finding, Phase, QualityNote, SessionResult, Threshold

NO_TORQUE = Missing("the log holds no torque")


def without_torque(result: SessionResult) -> SessionResult:
    """The same session as if no torque had been logged."""
    return dataclasses.replace(
        result,
        session=dataclasses.replace(result.session, grade=Grade.KINEMATIC),
        laps=tuple(
            dataclasses.replace(
                lap, energy_j=NO_TORQUE, peak_power_w=NO_TORQUE, mean_power_w=NO_TORQUE,
                effective_lock_drive=NO_TORQUE, effective_lock_overrun=NO_TORQUE,
                torque_bias_drive=NO_TORQUE, torque_bias_overrun=NO_TORQUE,
            )
            for lap in result.laps
        ),
        corners=tuple(
            dataclasses.replace(
                corner, energy_j=NO_TORQUE, energy_by_lap_j={},
                yaw_moment_nm=dict.fromkeys(Phase, NO_TORQUE),
            )
            for corner in result.corners
        ),
        estimates=dict.fromkeys(result.estimates, NO_TORQUE),
        predictions={},
        lock_fit=None,
        traces=dataclasses.replace(
            result.traces, torque=None, friction_power_w=None
        ),
    )  # fmt: skip


def without_position(result: SessionResult) -> SessionResult:
    """The same session as if no position had been logged."""
    return dataclasses.replace(
        result, traces=dataclasses.replace(result.traces, x_m=None, y_m=None)
    )


def without_laps(result: SessionResult) -> SessionResult:
    """The same session with no lap, no corner and nothing learnt."""
    outside = np.full_like(result.traces.lap, -1)
    return dataclasses.replace(
        result, laps=(), events=(), corners=(), findings=(), estimates={}, predictions={},
        lock_fit=None, exclusions=(), quality=(), thresholds=(),
        traces=dataclasses.replace(result.traces, lap=outside),
    )  # fmt: skip


HOSTILE = (
    """</script><script>document.title="run"</script><img src=x onerror=alert(1)>"'`${1}&lt;"""
)


def hostile(result: SessionResult) -> SessionResult:
    """The same session with markup wherever a log, a build sheet or a file name can put text."""
    bad = HOSTILE
    return dataclasses.replace(
        result,
        session=dataclasses.replace(
            result.session, id=bad, name=bad, car=bad, circuit=bad, driver=bad, date=bad, build=bad
        ),
        laps=tuple(
            dataclasses.replace(lap, reason=bad) if not lap.valid else lap for lap in result.laps
        ),
        corners=tuple(dataclasses.replace(corner, direction=bad) for corner in result.corners),
        estimates={
            **result.estimates,
            bad: Missing(bad),
            "lock_drive": estimate(0.4, 0.1, bad, method=bad),
        },
        predictions={"lock_drive": Missing(bad)},
        findings=(Finding(bad, bad, True, Grade.MEASURED, (bad,)),),
        exclusions=(Exclusion(bad, bad, 1, bad, 2, bad),),
        quality=(QualityNote(bad, bad, 1, None, bad, bad),),
        thresholds=(Threshold(bad, 1.0, bad, bad),),
        provenance={bad: bad},
    )
