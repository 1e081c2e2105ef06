"""The torque at the ring gear from whatever the log holds, against forms and true drives."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import circuit_car
import numpy as np
import pytest
from simulated import session_of, sheet_of, simulate

from loaders.normalise import Session
from pipeline.build_sheet import BuildSheet, Driveline
from pipeline.engine_torque import from_engine, through_driveline
from pipeline.estimate import Grade
from pipeline.input_torque import InputTorque, Running
from pipeline.push import from_acceleration
from pipeline.signals import resolve

SHAFTS = ("shaft_torque_left_nm", "shaft_torque_right_nm")
RATE_HZ = 100.0
CAR = circuit_car.Car()


@cache
def driven(faults: bool = True) -> tuple[Session, np.ndarray]:
    """A session on the short circuit with the true torque at the ring gear."""
    sensors = circuit_car.Sensors() if faults else circuit_car.Sensors.perfect()
    drive, log = simulate(21, circuit=circuit_car.short_circuit(), laps=4, sensors=sensors)
    session = session_of(log)
    exact = drive["shaft_torque_left_nm"] + drive["shaft_torque_right_nm"]
    return session, np.interp(session.time_s, drive.time_s, exact)


def without(session: Session, *names: str) -> Session:
    return replace(session, channels={k: v for k, v in session.channels.items() if k not in names})


def found(session: Session, sheet: BuildSheet | None = None) -> InputTorque:
    input_torque = resolve(session, sheet or sheet_of(CAR)).input
    assert input_torque is not None
    return input_torque


def line_of_errors(seen: InputTorque, true_nm: np.ndarray) -> tuple[float, float, float]:
    """Zero [N m] and gain of the error over the true torque, and the spread about that line."""
    error = (seen.torque_nm - true_nm)[seen.usable]
    design = np.column_stack((np.ones(len(error)), true_nm[seen.usable]))
    (zero, gain), *_ = np.linalg.lstsq(design, error)
    return float(zero), float(gain), float(np.std(error - design @ (zero, gain)))


def running(**channels: np.ndarray | float) -> Running:
    """Ten seconds of even running at the given speeds; other channels held as given."""
    n = round(10 * RATE_HZ)
    values = {name: np.broadcast_to(np.asarray(v, float), (n,)) for name, v in channels.items()}
    speed, case = values.pop("speed_mps"), values.pop("case_radps")
    return Running(
        rate_hz=RATE_HZ,
        case_radps=case,
        speed_mps=speed,
        standing=speed < 0.5,
        brakes_off=np.ones(n, bool),
        brakes_known=True,
        speed_is_independent=True,
        yaw_rate_radps=values.pop("yaw_rate_radps", None),
        channels=values,
    )


# --- closed forms ---------------------------------------------------------------------------------


def test_losses_take_from_either_direction_of_the_torque() -> None:
    still = np.zeros(2)
    torque = through_driveline(np.array([100.0, -20.0]), np.full(2, 10.0), still, 0.8, 0.1, 0.1)
    assert torque.tolist() == pytest.approx([800.0, -250.0])


def test_what_spins_keeps_the_torque_that_speeds_it_up() -> None:
    # 100 N m at ratio 10 and 20 rad/s2 at the case: the engine keeps 0.1 * 10 * 20 = 20 N m of
    # its own, the case 0.5 * 20 = 10 N m of what arrives.
    torque = through_driveline(np.array([100.0]), np.array([10.0]), np.array([20.0]), 1.0, 0.1, 0.5)
    assert torque.tolist() == pytest.approx([10 * (100 - 20) - 10])


def test_even_running_asks_for_drag_and_rolling_resistance_alone() -> None:
    # 0.312 m * (0.5 * 1.2 * 0.78 * 40^2 N + 0.014 * 1180 * 9.81 N).
    seen, _ = from_acceleration(
        running(speed_mps=40.0, case_radps=40 / 0.312, accel_long_mps2=0.0), sheet_of(CAR)
    )
    assert seen is not None
    assert seen.torque_nm[500] == pytest.approx(0.312 * (748.8 + 162.06), rel=1e-3)


def test_uphill_the_accelerometer_feels_the_push_that_the_speed_does_not_show() -> None:
    uphill = 9.81 * 0.05
    at = {"speed_mps": 40.0, "case_radps": 40 / 0.312}
    felt, _ = from_acceleration(running(accel_long_mps2=uphill * 1.02, **at), sheet_of(CAR))
    level, _ = from_acceleration(running(accel_long_mps2=0.0, **at), sheet_of(CAR))
    assert felt is not None
    assert level is not None
    # Without a standstill the average over the log stands for the zero, hills included.
    assert felt.torque_nm[500] == pytest.approx(level.torque_nm[500])
    slope = next(each for each in felt.tolerances if "slope" in each.name)
    assert slope.zero_nm > 0.312 * 1180 * 0.2


# --- against true drives --------------------------------------------------------------------------


def test_half_shafts_are_taken_before_anything_else() -> None:
    assert found(driven()[0]).grade is Grade.MEASURED


def test_a_half_shaft_channel_without_a_sample_is_none() -> None:
    session, _ = driven()
    blank = {**session.channels, SHAFTS[0]: np.full(len(session.time_s), np.nan)}
    assert found(replace(session, channels=blank)).grade is Grade.INFERRED


def test_a_ring_gear_channel_is_taken_before_the_engine() -> None:
    session, true = driven()
    seen = without(session, *SHAFTS)
    seen = replace(seen, channels={**seen.channels, "input_torque_nm": true + 12.0})
    input_torque = found(seen)
    assert input_torque.grade is Grade.INFERRED
    # The car stands in its box with slack shafts, so the channel shows its zero.
    assert np.abs(input_torque.torque_nm - true).max() < 0.5


def test_engine_torque_gives_the_ring_gears_within_its_own_tolerances() -> None:
    session, true = driven()
    seen = found(without(session, *SHAFTS))
    zero, gain, spread = line_of_errors(seen, true)
    assert seen.grade is Grade.INFERRED
    assert abs(gain) < seen.gain_tolerance
    assert abs(zero) < seen.zero_tolerance_nm + 2.0
    assert spread < 0.05 * np.abs(true).max()


def test_exact_channels_give_the_ring_gears_torque_to_one_part_in_a_hundred() -> None:
    session, true = driven(faults=False)
    zero, gain, _ = line_of_errors(found(without(session, *SHAFTS)), true)
    assert abs(zero) < 3.0
    assert abs(gain) < 0.01


def test_the_gear_is_told_from_engine_and_wheel_speed() -> None:
    session, _ = driven()
    with_gear = found(without(session, *SHAFTS))
    without_gear = found(without(session, *SHAFTS, "gear"))
    both = with_gear.usable & without_gear.usable
    assert both.sum() > 0.95 * with_gear.usable.sum()
    assert np.array_equal(with_gear.torque_nm[both], without_gear.torque_nm[both])


def test_ratios_that_nobody_stated_are_found_and_shown_as_found() -> None:
    session, true = driven()
    sheet = replace(sheet_of(CAR), driveline=Driveline(efficiency=(0.95, 0.96)))
    seen = found(without(session, *SHAFTS), sheet)
    _, gain, _ = line_of_errors(seen, true)
    assert abs(gain) < seen.gain_tolerance
    assert any("ratios found from engine over wheel speed: 11.3" in note for note in seen.notes)


def test_a_wrong_final_drive_is_named_with_what_the_speeds_say() -> None:
    session, _ = driven()
    sheet = sheet_of(CAR)
    sheet = replace(sheet, driveline=replace(sheet.driveline, final_drive=3.98))
    notes = found(without(session, *SHAFTS), sheet).notes
    assert any(note.startswith("gear 2: engine turns 7.8") for note in notes)


def test_shifts_and_slipping_clutches_are_not_usable() -> None:
    session, _ = driven()
    seen = found(without(session, *SHAFTS))
    changes = np.flatnonzero(np.diff(session.channels["gear"]) != 0)
    assert len(changes) > 10
    assert not seen.usable[changes].any()
    assert not seen.usable[session.channels["speed_mps"] < 0.5].any()


def test_without_engine_speed_and_ratios_the_engine_tells_nothing_and_it_says_so() -> None:
    session, _ = driven()
    signals = resolve(
        without(session, *SHAFTS, "engine_speed_radps"),
        replace(sheet_of(CAR), driveline=Driveline()),
    )
    assert signals.grade is Grade.KINEMATIC
    assert "gear_ratios" in dict(signals.sources)["no better input torque"]


def test_acceleration_gives_the_torque_within_its_own_wide_tolerances() -> None:
    session, true = driven()
    seen = found(without(session, *SHAFTS, "engine_torque_nm"))
    zero, gain, _ = line_of_errors(seen, true)
    assert seen.grade is Grade.KINEMATIC
    assert abs(gain) < seen.gain_tolerance
    assert abs(zero) < seen.zero_tolerance_nm


def test_acceleration_tells_no_torque_under_braking() -> None:
    session, _ = driven()
    seen = found(without(session, *SHAFTS, "engine_torque_nm"))
    braking = session.channels["brake_pressure_pa"] > 1e6
    assert braking.sum() > RATE_HZ
    assert not seen.usable[braking].any()


def test_without_mass_and_drag_there_is_no_torque_and_the_reason_names_the_keys() -> None:
    session, _ = driven()
    sheet = sheet_of(CAR)
    sheet = replace(sheet, car=replace(sheet.car, mass_kg=None, drag_area_m2=None))
    signals = resolve(without(session, *SHAFTS, "engine_torque_nm"), sheet)
    assert signals.input is None
    assert "mass_kg and drag_area_m2" in dict(signals.sources)["input torque"]


def test_an_engine_that_idles_off_zero_is_zeroed_there() -> None:
    session, _ = driven()
    shifted = session.channels["engine_torque_nm"] + 6.0
    seen = found(
        replace(
            without(session, *SHAFTS),
            channels={**without(session, *SHAFTS).channels, "engine_torque_nm": shifted},
        )
    )
    assert seen.zero is not None
    assert seen.zero.offset_nm == pytest.approx(6.0, abs=1.0)


def test_an_open_log_without_engine_torque_says_why_the_engine_does_not_serve() -> None:
    seen, why = from_engine(running(speed_mps=40.0, case_radps=120.0), sheet_of(CAR))
    assert seen is None
    assert why == "the log has no engine torque"
