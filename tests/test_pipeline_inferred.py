"""What a log with input torque, but without its split, says of the packs."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import circuit_car
import numpy as np
import pytest
from simulated import FULLY_FITTED, SHAFTS, session_of, sheet_of, simulate

from loaders.normalise import Session
from pipeline.analyse import analyse
from pipeline.build_sheet import BuildSheet, Circuit
from pipeline.estimate import Bound, Estimate, Grade, Missing, Side
from pipeline.result import SessionResult

LAW = ("breakaway_torque_nm", "lock_drive", "lock_overrun")


@cache
def logged(car: circuit_car.Car, seed: int = 71) -> tuple[Session, circuit_car.Truth]:
    drive, log = simulate(seed, car, circuit_car.short_circuit(), laps=6, sensors=FULLY_FITTED)
    return session_of(log, without=SHAFTS), circuit_car.truth(drive)


def stated(car: circuit_car.Car) -> BuildSheet:
    """The sheet of a car whose owner knows how the springs are built in."""
    sheet = sheet_of(car)
    return replace(sheet, differential=replace(sheet.differential, preload_law="adding"))


@cache
def seen(car: circuit_car.Car) -> SessionResult:
    return analyse(logged(car)[0], stated(car), Circuit())


def allows(answer: object, true: float) -> bool:
    if isinstance(answer, Bound):
        return true >= answer.value if answer.side is Side.AT_LEAST else true <= answer.value
    assert isinstance(answer, Estimate | Missing)
    return isinstance(answer, Missing) or answer.low <= true <= answer.high


PLAIN = circuit_car.Car()
SPOOL = PLAIN.with_parts(spool=True)
OPEN = PLAIN.with_parts(spring_force_n=0.0, drive_ramp_deg=90.0, overrun_ramp_deg=90.0)
FRONT = circuit_car.front_driven_car()
FRONT_OPEN = FRONT.with_parts(spring_force_n=0.0, drive_ramp_deg=90.0, overrun_ramp_deg=90.0)


@pytest.mark.parametrize("car", [PLAIN, FRONT], ids=["rear-driven", "front-driven"])
def test_breakaway_torque_and_lock_ratios_hold_the_truth_without_half_shaft_torques(
    car: circuit_car.Car,
) -> None:
    result, true = seen(car), logged(car)[1]
    assert result.session.grade is Grade.INFERRED
    for name in LAW:
        assert allows(result.estimates[name], getattr(true, name)), name
    drive = result.estimates["lock_drive"]
    assert isinstance(drive, Estimate)
    assert drive.grade is Grade.INFERRED


@pytest.mark.parametrize("car", [PLAIN, FRONT], ids=["rear-driven", "front-driven"])
def test_the_energy_of_a_lap_holds_the_truth(car: circuit_car.Car) -> None:
    result, true = seen(car), logged(car)[1]
    answer = result.estimates["energy_per_lap_j"]
    assert isinstance(answer, Estimate)
    counted = {lap.number for lap in result.laps if lap.valid}
    energy = np.mean([lap.energy_j for lap in true.laps if lap.number in counted])
    assert answer.low <= energy <= answer.high


def steering_zero_deg(result: SessionResult) -> list[float]:
    """Every zero told of the steering angle. [degrees]"""
    return [
        float(note.detail.split()[0])
        for note in result.quality
        if (note.channel, note.kind) == ("steering_angle_rad", "zero")
    ]


def test_the_zero_taken_out_of_a_steering_angle_is_told() -> None:
    session = logged(FRONT)[0]
    off = {"steering_angle_rad": session.channels["steering_angle_rad"] + np.radians(2.0)}
    result = analyse(
        replace(session, channels={**session.channels, **off}), stated(FRONT), Circuit()
    )
    (plain,), (found,) = steering_zero_deg(seen(FRONT)), steering_zero_deg(result)
    assert found - plain == pytest.approx(2.0, abs=0.11)
    assert result.estimates["lock_drive"].value == pytest.approx(
        seen(FRONT).estimates["lock_drive"].value, abs=1e-6
    )
    assert not steering_zero_deg(seen(PLAIN))


def test_short_slides_are_not_lost_from_the_energy() -> None:
    # On firm packs the inside wheel runs away in short bursts, with half of all the energy.
    firm = PLAIN.with_parts(drive_ramp_deg=45.0)
    result, true = seen(firm), logged(firm)[1]
    answer = result.estimates["energy_per_lap_j"]
    assert isinstance(answer, Estimate)
    counted = {lap.number for lap in result.laps if lap.valid}
    energy = np.mean([lap.energy_j for lap in true.laps if lap.number in counted])
    assert answer.value == pytest.approx(energy, rel=0.15)


def test_a_spool_has_no_lock_ratio_and_holds_at_least_so_much() -> None:
    result = seen(SPOOL)
    for name in LAW:
        assert not isinstance(result.estimates[name], Estimate), name
    held = result.estimates["locking_torque_drive_nm"]
    assert not isinstance(held, Estimate)


@pytest.mark.parametrize("car", [OPEN, FRONT_OPEN], ids=["rear-driven", "front-driven"])
def test_an_open_differential_is_never_said_to_lock(car: circuit_car.Car) -> None:
    result = seen(car)
    for name in (*LAW, "locking_torque_drive_nm", "locking_torque_overrun_nm"):
        assert allows(result.estimates[name], 0.0), (name, result.estimates[name])
    assert allows(result.estimates["energy_per_lap_j"], 0.0)


@pytest.mark.parametrize(
    ("channel", "said"),
    [("accel_lat_mps2", "lateral acceleration"), ("yaw_rate_radps", "yaw rate")],
)
def test_without_a_channel_that_the_wheels_need_it_says_which(channel: str, said: str) -> None:
    session = logged(PLAIN)[0]
    kept = {name: values for name, values in session.channels.items() if name != channel}
    result = analyse(replace(session, channels=kept), stated(PLAIN), Circuit())
    drive = result.estimates["lock_drive"]
    assert isinstance(drive, Missing)
    assert said in drive.reason


@pytest.mark.parametrize(
    ("channel", "ratio"), [("steering_angle_rad", 1.0), ("none of them", None)]
)
def test_where_the_heading_of_driven_front_wheels_is_not_known_it_says_what_to_log_and_state(
    channel: str, ratio: float | None
) -> None:
    session, sheet = logged(FRONT)[0], stated(FRONT)
    kept = {name: values for name, values in session.channels.items() if name != channel}
    blind = replace(sheet, car=replace(sheet.car, steering_ratio=ratio))
    drive = analyse(replace(session, channels=kept), blind, Circuit()).estimates["lock_drive"]
    assert isinstance(drive, Missing)
    assert "log the steering angle and state steering_ratio" in drive.reason


def test_a_steering_wheel_that_is_not_straight_on_the_straight_changes_little() -> None:
    session, straight = logged(FRONT)[0], seen(FRONT).estimates["lock_drive"]
    turned = session.channels["steering_angle_rad"] + 0.02
    crooked = replace(session, channels={**session.channels, "steering_angle_rad": turned})
    drive = analyse(crooked, stated(FRONT), Circuit()).estimates["lock_drive"]
    assert isinstance(straight, Estimate)
    assert isinstance(drive, Estimate)
    assert drive.value == pytest.approx(straight.value, abs=0.02)


def test_without_the_cars_mass_it_says_what_to_state() -> None:
    sheet = stated(PLAIN)
    bare = replace(sheet, car=replace(sheet.car, mass_kg=None))
    drive = analyse(logged(PLAIN)[0], bare, Circuit()).estimates["lock_drive"]
    assert isinstance(drive, Missing)
    assert "mass_kg" in drive.reason


def test_where_the_preload_law_is_not_stated_the_interval_is_wider_and_says_so() -> None:
    unstated = analyse(logged(PLAIN)[0], sheet_of(PLAIN), Circuit())
    wide, narrow = (result.estimates["breakaway_torque_nm"] for result in (unstated, seen(PLAIN)))
    assert isinstance(narrow, Estimate)
    if isinstance(wide, Estimate):
        assert wide.half_width >= narrow.half_width
    assert unstated.choices["preload_law"].chosen == ""  # type: ignore[union-attr]
