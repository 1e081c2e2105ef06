"""The account that goes with an analysis: which session, what was left out, by which limits."""

from __future__ import annotations

import numpy as np

from loaders.normalise import Session
from pipeline.about import program_version
from pipeline.axle import LONGEST_GAP_S, SHORTEST_EVENT_S
from pipeline.build_sheet import BuildSheet, Circuit
from pipeline.estimate import Grade
from pipeline.laps import FASTEST_TO_MEDIAN, SLOWEST_TO_MEDIAN, Lap
from pipeline.learn import Learnt
from pipeline.result import Exclusion, SessionInfo, Threshold
from pipeline.signals import Signals


def session_info(
    session: Session, sheet: BuildSheet, circuit: Circuit, signals: Signals, length: float
) -> SessionInfo:
    """Which session this is."""
    about = {key.strip().lower(): value for key, value in session.metadata.items()}
    n = len(signals.time_s)
    return SessionInfo(
        id=session.id,
        name=session.name,
        car=sheet.car.name,
        circuit=circuit.name or about.get("circuit", ""),
        driver=about.get("driver", ""),
        date=about.get("date", ""),
        build=sheet.differential.build,
        rate_hz=signals.rate_hz,
        samples=n,
        duration_s=n / signals.rate_hz,
        circuit_length_m=length,
        grade=signals.grade,
        tyres=about.get("tyres", about.get("tyre", "")),
    )


def exclusions(signals: Signals, learnt: Learnt, laps: tuple[Lap, ...]) -> tuple[Exclusion, ...]:
    """Laps and samples that enter no estimate or no law, and why."""
    n = len(signals.time_s)
    left_out = [
        Exclusion("lap " + str(lap.number), lap.reason, 1, "laps", len(laps),
                  "its numbers are shown but enter no estimate")
        for lap in laps
        if not lap.valid
    ]  # fmt: skip
    on_laps = learnt.clusters.label >= 0
    for what, reason, mask, consequence in (
        ("damaged samples",
         "a wheel speed or torque is missing, filled, frozen, spiking or at its stop",
         on_laps & ~signals.clean, "not used for the friction law"),
        ("transients", "a gear shift, or brakes coming on",
         on_laps & signals.clean & ~signals.steady, "not used for the friction law"),
        ("stuck samples", f"the pack sticks or slides slower than {learnt.sliding_radps:.2f} rad/s",
         on_laps & signals.steady & ~learnt.sliding,
         "a stuck pack only says that it holds; not used for the friction law"),
    ):  # fmt: skip
        count = int(np.count_nonzero(mask))
        if count:
            left_out.append(Exclusion(what, reason, count, "samples", n, consequence))
    return tuple(left_out)


def thresholds(learnt: Learnt, sheet: BuildSheet) -> tuple[Threshold, ...]:
    """The limits between axle states, each with where it comes from."""
    return (
        Threshold("pack slides above", learnt.sliding_radps, "rad/s",
                  "four standard deviations of this log's smoothed wheel speed difference, "
                  "at least 0.3"),
        Threshold("corner from an expected difference of", 2 * learnt.sliding_radps, "rad/s",
                  "twice the sliding threshold"),
        Threshold("wheel runs away or drags from a slip of", sheet.states.overspeed_slip, "",
                  "build sheet, [states] overspeed_slip"),
        Threshold("shortest event", SHORTEST_EVENT_S, "s", "chosen by us"),
        Threshold("longest gap inside an event", LONGEST_GAP_S, "s", "chosen by us"),
        Threshold("slowest counted lap, to the median", SLOWEST_TO_MEDIAN, "", "chosen by us"),
        Threshold("fastest counted lap, to the median", FASTEST_TO_MEDIAN, "", "chosen by us"),
    )  # fmt: skip


def provenance(
    session: Session, sheet: BuildSheet, signals: Signals, learnt: Learnt, laps_from: str
) -> dict[str, str]:
    """Which file and settings the numbers come from, and where each signal was found."""
    source = session.source
    radii = learnt.why_no_radius or f"fitted on {learnt.radii_from}"
    return {
        "log": source.file,
        "log SHA-256": source.sha256,
        "log size": f"{source.size_bytes} bytes, {source.rows} rows",
        "read as": source.dialect,
        "channel map": source.channel_map,
        "build": sheet.differential.build,
        "axle": sheet.car.driven_axle
        + ("; the other is driven too" if sheet.car.other_axle == "driven" else ""),
        "laps from": laps_from,
        **dict(signals.sources),
        "rolling radii": (
            f"left {1000 * learnt.rolling.radius_left_m:.1f} mm, "
            f"right {1000 * learnt.rolling.radius_right_m:.1f} mm; {radii}"
        ),
        "intervals": f"95 %, by leaving out {learnt.clusters.name} one by one",
        "evidence grade": {
            Grade.MEASURED: "measured: both half-shaft torques",
            Grade.INFERRED: "inferred: input torque without its split",
            Grade.KINEMATIC: "kinematic: no torque",
        }[signals.grade],
        "sidegear": program_version(),
    }
