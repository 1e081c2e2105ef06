"""Make the sample logs: three sessions of one invented test day, with the truth beside them.

Run with the tests folder on the path: ``python -m circuit_car.sample_day [folder]``.
The same machine writes the same bytes every time.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from circuit_car.car import Car
from circuit_car.circuit import hollin_fell
from circuit_car.driver import Driver
from circuit_car.log_files import (
    RUN1_COLUMNS,
    RUN2_COLUMNS,
    RUN3_COLUMNS,
    latitude_longitude,
    upsampled,
    write_table,
)
from circuit_car.running import Drive, drive
from circuit_car.sensors import Log, Sensors, spoil
from circuit_car.truth import axle_states, truth

FOLDER = Path(__file__).parents[2] / "sample_logs"
DATE = "2026-04-18"


@dataclass(frozen=True)
class Session:
    """One run of the day: its name, seed, length and logging rate."""

    name: str
    car: Car
    seed: int
    laps: int
    rate_hz: float


def sessions() -> tuple[Session, ...]:
    """Two runs on the firm setup, one on softer ramps and springs."""
    firm = Car()
    soft = firm.with_parts(drive_ramp_deg=60.0, overrun_ramp_deg=75.0, spring_force_n=1500.0)
    return (
        Session("hollin_fell_run1", firm, 221, 5, 100.0),
        Session("hollin_fell_run2", firm, 132, 3, 50.0),
        Session("hollin_fell_run3", soft, 153, 3, 100.0),
    )


def run_session(session: Session) -> tuple[Drive, Log]:
    """Drive one session and log it."""
    drive_rng, log_rng = np.random.default_rng(session.seed).spawn(2)
    driven = drive(session.car, hollin_fell(), Driver(), laps=session.laps, rng=drive_rng)
    return driven, spoil(driven, Sensors(), rate_hz=session.rate_hz, rng=log_rng)


def with_positions_filled(log: Log) -> Log:
    """The log with its 20 Hz position drawn straight to every row."""
    longest = round(0.11 * log.rate_hz)
    channels = dict(log.channels)
    for name in ("position_x_m", "position_y_m"):
        channels[name] = upsampled(channels[name], longest)
    return replace(log, channels=channels)


def with_latitude_longitude(log: Log, driven: Drive) -> Log:
    """The log with geographic position beside the local one."""
    latitude, longitude = latitude_longitude(
        log["position_x_m"], log["position_y_m"], driven.circuit
    )
    return replace(
        log, channels=log.channels | {"latitude_deg": latitude, "longitude_deg": longitude}
    )


def _parts(car: Car) -> dict[str, Any]:
    """Parts of the differential; friction that the sample cars keep constant is not named."""
    parts = asdict(car.differential)
    for name in ("friction", "ramp_friction", "gear_friction_nm"):
        del parts[name]
    return parts


def truth_document(session: Session, driven: Drive, log: Log) -> dict[str, Any]:
    """All that is known of a session, ready for JSON."""
    known = truth(driven)
    state = axle_states(driven)
    lap_number = driven["lap_number"]
    names = ("axle overspeed", "inside overspeed", "inside drag", "held", "differing")

    def lap_row(lap: Any) -> dict[str, Any]:
        here = state[lap_number == lap.number]
        return {
            "number": lap.number,
            "start_s": round(lap.start_s, 3),
            "end_s": round(lap.end_s, 3),
            "time_s": round(lap.time_s, 3),
            "flying": lap.flying,
            "friction_energy_j": round(lap.energy_j, 1),
            "peak_friction_power_w": round(lap.peak_power_w, 1),
            "time_in_state_s": {n: round(float((here == n).sum()) * 1e-3, 3) for n in names},
        }

    return {
        "session": session.name,
        "invented": True,
        "car": driven.car.name,
        "circuit": driven.circuit.name,
        "driver": driven.driver.name,
        "date": DATE,
        "seed": session.seed,
        "differential": _parts(driven.car),
        "breakaway_torque_nm": round(known.breakaway_torque_nm, 4),
        "lock_drive": round(known.lock_drive, 6),
        "lock_overrun": round(known.lock_overrun, 6),
        "radius_rear_left_m": known.radius_left_m,
        "radius_rear_right_m": known.radius_right_m,
        "sensor_offset_and_gain": {
            name: {"offset_si": float(f"{offset:.6g}"), "gain": float(f"{gain:.6g}")}
            for name, (offset, gain) in log.drawn.items()
            if offset or gain
        },
        "laps": [lap_row(lap) for lap in known.laps],
        "events": [
            {
                "state": e.state,
                "start_s": round(e.start_s, 3),
                "end_s": round(e.end_s, 3),
                "peak_speed_difference_radps": round(e.peak_speed_difference_radps, 3),
                "energy_j": round(e.energy_j, 2),
            }
            for e in known.events
        ],
    }


def write_session(session: Session, folder: Path) -> None:
    """Write one log and its truth."""
    driven, log = run_session(session)
    if session.name.endswith("run1"):
        write_table(
            folder / f"{session.name}.csv",
            with_positions_filled(log),
            RUN1_COLUMNS,
            delimiter=",",
            head=lambda c: c.text,
            unit_row=True,
        )
    elif session.name.endswith("run2"):
        write_table(
            folder / f"{session.name}.csv",
            with_latitude_longitude(with_positions_filled(log), driven),
            RUN2_COLUMNS,
            delimiter=";",
            head=lambda c: f"{c.text} [{c.unit}]",
            preamble=(
                f"event;{driven.circuit.name} test day",
                f"car;{driven.car.name}",
                f"driver;{driven.driver.name}",
                f"date;{DATE}",
                "session;run 2",
                f"rate [Hz];{session.rate_hz:.0f}",
                "note;figures invented",
                "",
            ),
            decimal_comma=True,
        )
    else:
        write_table(
            folder / f"{session.name}.txt",
            log,
            RUN3_COLUMNS,
            delimiter="\t",
            head=lambda c: c.text,
        )
    document = truth_document(session, driven, log)
    text = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
    (folder / "truth" / f"{session.name}.json").write_text(text, encoding="utf-8", newline="\n")


def main(folder: Path = FOLDER) -> None:
    """Write all sessions."""
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    for session in sessions():
        write_session(session, folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
