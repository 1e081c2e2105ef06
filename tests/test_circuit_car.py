"""The simulated car must obey physics before it may judge the estimator."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path

import circuit_car
import numpy as np
import pytest
from circuit_car import Car, Differential, Drive, Driver, Friction, Sensors, Shafts, sample_day
from circuit_car.axle import solve_axle
from circuit_car.car import car_table
from circuit_car.control import N_STATE, OIL_C_R, PLATES_C_R, TWIST_RL, W_GRL, W_RL, W_RR
from circuit_car.friction import Packs, friction_factor, ramps_after
from circuit_car.halfshafts import both_axles, flange, one_axle, outer_end
from circuit_car.heat import Heat, warm
from circuit_car.log_files import upsampled
from circuit_car.sample_day import FOLDER, Session, sessions
from circuit_car.sensors import lagged
from circuit_car.truth import STATES, rolling_speeds, runs_of, with_hysteresis
from circuit_car.tyre import TyreScale, lateral_shape, longitudinal_shape, tyre_forces

QUICK = Driver(stand_before_s=1.0, stand_after_s=1.0)


@pytest.fixture(scope="module")
def sample_drive() -> Drive:
    return circuit_car.drive(
        Car(), circuit_car.hollin_fell(), Driver(), laps=3, rng=np.random.default_rng(101)
    )


@pytest.fixture(scope="module")
def short_drive() -> Drive:
    return circuit_car.drive(
        Car(), circuit_car.short_circuit(), QUICK, laps=2, rng=np.random.default_rng(5)
    )


def _speed_difference(drive: Drive) -> np.ndarray:
    return drive["wheel_speed_rl_radps"] - drive["wheel_speed_rr_radps"]


def _torque_difference(drive: Drive) -> np.ndarray:
    return drive["shaft_torque_left_nm"] - drive["shaft_torque_right_nm"]


def _input_torque(drive: Drive) -> np.ndarray:
    return drive["shaft_torque_left_nm"] + drive["shaft_torque_right_nm"]


# --- energy ------------------------------------------------------------------------------------


def test_engine_work_is_found_again_in_the_energy_book_within_half_a_percent(
    sample_drive: Drive,
) -> None:
    book = sample_drive.energy
    assert abs(book.residual_j) < 0.005 * book.engine_j
    # The packs' account alone is small, so it is held against the residual by itself too.
    assert abs(book.residual_j) < 0.15 * book.packs_j


def test_every_loss_account_is_a_loss(sample_drive: Drive) -> None:
    book = sample_drive.energy
    for joule in (book.aero_j, book.rolling_j, book.brakes_j, book.tyres_j, book.gearbox_j):
        assert joule > 0.0
    assert np.diff(sample_drive["friction_energy_j"]).min() > -1e-9


def test_friction_power_is_the_power_that_enters_the_case_and_does_not_leave_it(
    sample_drive: Drive,
) -> None:
    d = sample_drive
    left, right = d["wheel_speed_rl_radps"], d["wheel_speed_rr_radps"]
    through = _input_torque(d) * 0.5 * (left + right)
    out = d["shaft_torque_left_nm"] * left + d["shaft_torque_right_nm"] * right
    np.testing.assert_allclose(d["friction_power_w"], through - out, atol=1e-6)


def test_friction_energy_is_the_integral_of_friction_power(sample_drive: Drive) -> None:
    summed = sample_drive["friction_power_w"].sum() * 1e-3
    assert summed == pytest.approx(sample_drive.energy.packs_j, rel=0.01)


# --- differential ------------------------------------------------------------------------------


def test_sliding_packs_carry_exactly_their_capacity_against_the_faster_side(
    sample_drive: Drive,
) -> None:
    d = sample_drive
    sliding = d["stuck"] == 0.0
    assert sliding.sum() > 1000
    expected = -d["lock_capacity_nm"] * np.sign(_speed_difference(d))
    np.testing.assert_allclose(_torque_difference(d)[sliding], expected[sliding], rtol=1e-9)


def test_stuck_packs_turn_alike_and_carry_no_more_than_their_capacity(sample_drive: Drive) -> None:
    d = sample_drive
    stuck = d["stuck"] == 1.0
    assert stuck.sum() > 1000
    assert np.abs(_speed_difference(d)[stuck]).max() == 0.0
    excess = np.abs(_torque_difference(d)[stuck]) - d["lock_capacity_nm"][stuck]
    assert excess.max() < 1e-6


def test_capacity_follows_the_torque_law_of_the_parts(sample_drive: Drive) -> None:
    expected = sample_drive.car.differential.capacity_nm(_input_torque(sample_drive))
    np.testing.assert_allclose(sample_drive["lock_capacity_nm"], expected, rtol=1e-9)


def test_sticking_and_sliding_do_not_chatter(sample_drive: Drive) -> None:
    changes = np.abs(np.diff(sample_drive["stuck"])).sum()
    assert changes < 20.0 * sample_drive.time_s[-1]


def _worked_example(**parts: object) -> Differential:
    # Our own statics worked by hand: mu 0.10, four faces per pack, plates 60/45 mm, ramps on
    # 42 mm at 45 degrees, springs 2000 N.
    base = Differential(4, 0.060, 0.045, 0.10, 0.042, 45.0, 45.0, 2000.0)
    return replace(base, **parts)  # type: ignore[arg-type]


def test_parts_give_the_breakaway_torque_and_lock_worked_by_hand() -> None:
    diff = _worked_example()
    assert diff.breakaway_torque_nm == pytest.approx(84.0)
    assert diff.lock_drive == pytest.approx(0.5)
    assert diff.capacity_nm(np.array([600.0]))[0] == pytest.approx(384.0)
    series = _worked_example(preload_law="greater_of")
    assert series.capacity_nm(np.array([600.0]))[0] == pytest.approx(300.0)
    assert series.capacity_nm(np.array([100.0]))[0] == pytest.approx(84.0)


@pytest.mark.parametrize(
    ("angle_deg", "lock"),
    # Same parts, derived by hand from F = T / (2 R tan(angle)).
    [(30.0, 0.8660), (45.0, 0.5), (60.0, 0.2887), (75.0, 0.1340), (80.0, 0.0882), (90.0, 0.0)],
)
def test_a_smaller_ramp_angle_locks_more(angle_deg: float, lock: float) -> None:
    diff = _worked_example(drive_ramp_deg=angle_deg)
    assert diff.lock_drive == pytest.approx(lock, abs=5e-5)


@pytest.mark.parametrize("law", ["adding", "greater_of"])
def test_both_preload_laws_drive_and_close_their_energy_book(law: str) -> None:
    car = Car().with_parts(preload_law=law, spring_force_n=6000.0)
    d = circuit_car.drive(
        car, circuit_car.short_circuit(), QUICK, laps=1, rng=np.random.default_rng(3)
    )
    assert abs(d.energy.residual_j) < 0.005 * d.energy.engine_j
    np.testing.assert_allclose(
        d["lock_capacity_nm"], car.differential.capacity_nm(_input_torque(d)), rtol=1e-9
    )


def test_an_open_differential_has_no_torque_difference_and_no_friction_heat() -> None:
    d = circuit_car.drive(
        Car().with_parts(friction_faces_per_pack=0),
        circuit_car.short_circuit(),
        QUICK,
        laps=1,
        rng=np.random.default_rng(3),
    )
    assert np.abs(_torque_difference(d)).max() < 1e-9
    assert d.energy.packs_j == pytest.approx(0.0, abs=1e-6)
    assert np.abs(_speed_difference(d)).max() > 2.0


def test_a_spool_never_lets_the_wheels_turn_differently() -> None:
    d = circuit_car.drive(
        Car().with_parts(spool=True),
        circuit_car.short_circuit(),
        QUICK,
        laps=1,
        rng=np.random.default_rng(3),
    )
    assert np.abs(_speed_difference(d)).max() == 0.0


def test_a_one_way_unit_adds_nothing_on_overrun() -> None:
    diff = Differential(overrun_ramp_deg=90.0)
    assert diff.capacity_nm(np.array([-400.0]))[0] == pytest.approx(diff.breakaway_torque_nm)


# --- friction that moves ------------------------------------------------------------------------


def _sliding(drive: Drive) -> np.ndarray:
    moving = drive["speed_mps"] > 5.0
    return moving & (drive["stuck"] == 0.0) & (np.abs(_speed_difference(drive)) > 0.5)


def _drive_short(car: Car, seed: int = 3, laps: int = 2) -> Drive:
    return circuit_car.drive(
        car, circuit_car.short_circuit(), QUICK, laps=laps, rng=np.random.default_rng(seed)
    )


def test_friction_falls_from_rest_as_stribeck_has_it() -> None:
    # Neale, Tribology Handbook, table 7.4: oiled sintered plates 0.10 static, 0.05 dynamic.
    diff = _worked_example(
        friction_coefficient=0.05, friction=Friction(static_ratio=2.0, stribeck_speed_mps=0.1)
    )

    def mu(sliding_mps: float) -> float:
        difference = 2.0 * sliding_mps / diff.effective_radius_m
        return 0.05 * float(friction_factor(diff.packs(), difference, 80.0))

    assert mu(0.0) == pytest.approx(0.10)
    assert mu(0.1) == pytest.approx(0.05 + 0.05 * np.exp(-1.0))
    assert mu(5.0) == pytest.approx(0.05)


def test_a_friction_slope_is_per_metre_a_second_of_the_plates() -> None:
    diff = _worked_example(friction=Friction(slope_spm=-0.005))
    # Plates on 52.5 mm at 8 rad/s difference slide at 0.21 m/s.
    factor = friction_factor(diff.packs(), 8.0, 80.0)
    assert 0.10 * factor == pytest.approx(0.10 - 0.005 * 0.21)


def test_friction_moves_with_the_temperature_of_the_plates() -> None:
    packs = _worked_example(friction=Friction(per_kelvin=-0.002)).packs()
    assert friction_factor(packs, 5.0, 80.0) == pytest.approx(1.0)
    assert friction_factor(packs, 5.0, 130.0) == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("angle_deg", "rising", "falling"),
    # Wedge with friction coefficient 0.1: 1/tan(angle +- atan 0.1), by hand.
    [(30.0, 1.391, 2.216), (45.0, 0.818, 1.222), (60.0, 0.451, 0.719)],
)
def test_ramps_with_friction_clamp_less_on_the_way_up_than_on_the_way_down(
    angle_deg: float, rising: float, falling: float
) -> None:
    diff = _worked_example(drive_ramp_deg=angle_deg, ramp_friction=0.1)
    packs = diff.packs()
    plain = 0.1 * 4 * 0.0525 / 0.042  # lock at 45 degrees without ramp friction
    assert packs.k_drive_rising == pytest.approx(plain * rising, abs=5e-4)
    assert packs.k_drive_falling == pytest.approx(plain * falling, abs=5e-4)


def test_the_clamping_force_stays_while_the_torque_turns_round() -> None:
    packs = _worked_example(ramp_friction=0.1).packs()
    held = 0.0
    seen = []
    for torque in (100.0, 500.0, 400.0, 300.0, 450.0, 100.0, 0.0, -200.0):
        held = ramps_after(torque, packs, held)
        seen.append(held)
    up, down = packs.k_drive_rising, packs.k_drive_falling
    over = packs.k_overrun_rising
    assert seen == pytest.approx(
        [100 * up, 500 * up, 500 * up, 300 * down, 450 * up, 100 * down, 0.0, -200 * over]
    )


def test_packs_at_rest_hold_the_static_capacity_and_break_loose_above_it() -> None:
    diff = _worked_example(friction=Friction(static_ratio=1.3))
    assert diff.break_loose_torque_nm == pytest.approx(1.3 * 84.0)

    def stuck(torque_each_way: float) -> bool:
        # Wheels at rest, pushed apart: q is the torque that brakes a wheel.
        return bool(
            solve_axle(
                80.0, 80.0, 2000.0, 2000.0, 200.0, -torque_each_way, torque_each_way, 0.0,
                diff.packs(), 0.0, 80.0,
            )[-1]
        )  # fmt: skip

    assert stuck(0.5 * 1.3 * 84.0 - 0.01)
    assert not stuck(0.5 * 1.3 * 84.0 + 0.01)


def test_moving_friction_of_every_kind_closes_the_energy_book_and_feeds_nothing_back() -> None:
    car = Car().with_parts(
        friction=Friction(static_ratio=1.3, slope_spm=-0.01, per_kelvin=-0.001),
        ramp_friction=0.08, gear_friction_nm=4.0,
    )  # fmt: skip
    d = _drive_short(car)
    assert abs(d.energy.residual_j) < 0.005 * d.energy.engine_j
    assert np.diff(d["friction_energy_j"]).min() > -1e-9
    through = _input_torque(d) * 0.5 * (d["wheel_speed_rl_radps"] + d["wheel_speed_rr_radps"])
    out = sum(
        d[f"shaft_torque_{side}_nm"] * d[f"wheel_speed_r{side[0]}_radps"]
        for side in ("left", "right")
    )
    np.testing.assert_allclose(d["friction_power_w"], through - out, atol=1e-6)


def test_sliding_packs_follow_the_stated_friction_in_speed_and_temperature() -> None:
    car = Car().with_parts(friction=Friction(static_ratio=1.4, slope_spm=0.01, per_kelvin=-0.002))
    d = _drive_short(car)
    parts, slides = car.differential, _sliding(d)
    v = 0.5 * np.abs(_speed_difference(d)) * parts.effective_radius_m
    factor = 1.0 + 0.4 * np.exp(-v / 0.02) + 0.01 / parts.friction_coefficient * v
    factor *= 1.0 - 0.002 * (d["plate_temperature_c"] - 80.0)
    expected = factor * parts.capacity_nm(_input_torque(d))
    # The loop takes speed and temperature from the start of its half millisecond.
    error = (d["lock_capacity_nm"] / expected - 1.0)[slides]
    assert np.percentile(np.abs(error), 99) < 0.01


def test_torque_that_falls_meets_more_lock_than_torque_that_rises() -> None:
    d = _drive_short(Car().with_parts(ramp_friction=0.08))
    change = np.gradient(_input_torque(d), 1e-3)
    pulls = _sliding(d) & (_input_torque(d) > 150.0)
    above_springs = d["lock_capacity_nm"] - d.car.differential.breakaway_torque_nm
    lock = above_springs[pulls] / _input_torque(d)[pulls]
    low, high = d.car.differential.lock_ratios(d.car.differential.drive_ramp_deg)
    assert low - 1e-9 < lock.min() < lock.max() < high + 1e-9
    assert np.median(lock[change[pulls] > 400.0]) == pytest.approx(low, abs=1e-6)
    assert np.median(lock[change[pulls] < -400.0]) > 0.5 * (low + high)


def test_gears_alone_carry_a_few_newton_metres_in_an_open_differential() -> None:
    d = _drive_short(Car().with_parts(friction_faces_per_pack=0, gear_friction_nm=4.0), laps=1)
    np.testing.assert_allclose(d["lock_capacity_nm"], 4.0)
    assert np.abs(_speed_difference(d)).max() > 2.0
    assert circuit_car.truth(d).running == pytest.approx((4.0, 0.0, 0.0), abs=1e-6)


@pytest.mark.parametrize("law", ["adding", "greater_of"])
def test_the_running_law_of_constant_friction_is_that_of_the_parts(law: str) -> None:
    known = circuit_car.truth(_drive_short(Car().with_parts(preload_law=law)))
    assert known.running.breakaway_torque_nm == pytest.approx(known.breakaway_torque_nm, abs=0.01)
    assert known.running.lock_drive == pytest.approx(known.lock_drive, abs=1e-4)
    assert known.running.lock_overrun == pytest.approx(known.lock_overrun, abs=1e-4)


# --- half-shafts -------------------------------------------------------------------------------


def _ring(shafts: Shafts, impedance: float, packs: Packs, steps: int, start: float) -> np.ndarray:
    """Speed difference of the flanges while the wheels turn 4 rad/s apart. [rad/s]

    The pack slides; with the large ``impedance`` the wheels hardly move.
    """
    dt = 0.0005
    q = np.zeros(N_STATE)
    q[W_RL], q[W_RR] = 82.0, 78.0
    # Wound up by what the packs carry, so that only the kick is left to ring.
    carried = 0.5 * packs.preload * friction_factor(packs, 4.0, 80.0)
    q[TWIST_RL], q[TWIST_RL + 1] = np.array([-1.0, 1.0]) * carried / shafts.stiffness_nmprad
    q[W_GRL], q[W_GRL + 1] = 82.0 + 0.5 * start, 78.0 - 0.5 * start
    seen = []
    for _ in range(steps):
        torque = np.array([-carried, carried])
        ends = [flange(q, shafts, 2 + side, impedance, torque[side], dt) for side in range(2)]
        solved = one_axle(q, packs, 1, ends[0], ends[1], 0.0, 0.0)
        for side in range(2):
            change = solved[side]
            wheel = outer_end(shafts, change, impedance, torque[side], ends[side][2], dt)
            wound = q[W_GRL + side] - q[W_RL + side] + 0.5 * (change - wheel)
            q[TWIST_RL + side] += wound * dt
            q[W_GRL + side] += change
            q[W_RL + side] += wheel
        seen.append(q[W_GRL] - q[W_GRL + 1] - 4.0)
    return np.array(seen)


def test_a_flange_rings_against_a_held_wheel_at_its_natural_frequency() -> None:
    # One mass on one spring: f = sqrt(c / J) / 2 pi, here 31.8 Hz.
    shafts = Shafts(1600.0, 0.0, 0.04)
    swing = _ring(shafts, 1e9, Car().differential.packs(), 4000, 0.5)
    upward = np.flatnonzero((swing[:-1] < 0.0) & (swing[1:] >= 0.0))
    period_s = np.diff(upward).mean() * 0.0005
    assert 1.0 / period_s == pytest.approx(np.sqrt(1600.0 / 0.04) / (2.0 * np.pi), rel=0.01)
    # Midpoint rule: nothing is lost to the numbers over two seconds.
    assert np.abs(swing[-200:]).max() == pytest.approx(np.abs(swing[:200]).max(), rel=0.02)


@pytest.mark.parametrize(("share", "grows"), [(0.8, False), (1.2, True)])
def test_a_falling_friction_makes_the_flange_swing_up_when_it_outweighs_the_shafts_damping(
    share: float, grows: bool
) -> None:
    # Derived here: each flange sees half the packs' torque T_pre / 2 on a difference that moves by
    # twice its own speed, so friction falling with s = dmu/dv feeds it with T_pre R s / (2 mu).
    damping = 0.6
    parts = Car().differential
    arm = parts.breakaway_torque_nm * parts.effective_radius_m / (2.0 * parts.friction_coefficient)
    steep = replace(parts, friction=Friction(slope_spm=-share * damping / arm))
    swing = _ring(Shafts(1600.0, damping, 0.04), 1e9, steep.packs(), 4000, 0.2)
    early, late = np.abs(swing[:400]).max(), np.abs(swing[-400:]).max()
    assert late > 1.2 * early if grows else late < 0.8 * early


def test_shafts_close_the_energy_book_and_stiff_ones_drive_like_rigid_ones() -> None:
    rigid = _drive_short(Car())
    stiff = _drive_short(replace(Car(), shafts=Shafts(2.0e5)))
    soft = _drive_short(replace(Car(), shafts=Shafts(3.0e3)))
    for d in (stiff, soft):
        assert abs(d.energy.residual_j) < 0.005 * d.energy.engine_j
        assert d.energy.shafts_j > 0.0
    assert stiff.time_s[-1] == pytest.approx(rigid.time_s[-1], abs=0.3)
    assert stiff.energy.packs_j == pytest.approx(rigid.energy.packs_j, rel=0.05)
    assert rigid.energy.shafts_j == 0.0


def test_a_soft_shaft_is_wound_up_by_the_torque_it_carries() -> None:
    # w_flange - w_wheel = (dT/dt) / c, less a little damping.
    d = _drive_short(replace(Car(), shafts=Shafts(4000.0, 0.0)))
    twist = np.cumsum(d["flange_speed_left_radps"] - d["wheel_speed_rl_radps"]) * 1e-3
    over_a_tenth = twist[100:] - twist[:-100]
    expected = (d["shaft_torque_left_nm"][100:] - d["shaft_torque_left_nm"][:-100]) / 4000.0
    moving = (d["speed_mps"] > 5.0)[100:]
    slope, _ = np.polyfit(expected[moving], over_a_tenth[moving], 1)
    assert slope == pytest.approx(1.0, abs=0.01)
    assert np.corrcoef(expected[moving], over_a_tenth[moving])[0, 1] > 0.99


def test_judder_is_a_narrow_band_in_the_wheels_speed_difference_while_sliding() -> None:
    calm = _judder_spectrum(Friction())
    rough = _judder_spectrum(Friction(slope_spm=-0.02))
    band = (FREQUENCY_HZ > 25.0) & (FREQUENCY_HZ < 33.0)
    beside = (FREQUENCY_HZ > 35.0) & (FREQUENCY_HZ < 45.0)
    assert rough[band].max() > 5.0 * calm[band].max()
    assert rough[band].max() > 30.0 * rough[beside].max()
    assert 26.0 < FREQUENCY_HZ[20 + np.argmax(rough[20:])] < 33.0  # 12.5 Hz and above


WINDOW = 320  # samples at 200 Hz
FREQUENCY_HZ = np.fft.rfftfreq(WINDOW, 1.0 / 200.0)


def _judder_spectrum(friction: Friction) -> np.ndarray:
    """Mean power spectrum of the difference of the wheel speeds where the packs slide."""
    shafts = Shafts(1600.0, 1.0, 0.04)
    d = _drive_short(replace(Car(), shafts=shafts).with_parts(friction=friction), seed=5)
    slides = (d["stuck"] == 0.0) & (d["speed_mps"] > 5.0)
    difference, slides = _speed_difference(d)[::5], slides[::5]
    window = np.hanning(WINDOW)
    powers = []
    for start in range(0, len(difference) - WINDOW, WINDOW // 2):
        if slides[start : start + WINDOW].mean() > 0.9:
            part = np.gradient(difference[start : start + WINDOW])  # whitens the slow part
            powers.append(np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2)
    return np.mean(powers, axis=0)


# --- which axle is driven ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def front_drive() -> Drive:
    return _drive_short(circuit_car.front_driven_car())


@pytest.fixture(scope="module")
def four_wheel_drive() -> Drive:
    return _drive_short(circuit_car.four_wheel_driven_car())


def test_a_front_driven_car_drives_its_front_wheels_and_closes_its_book(front_drive: Drive) -> None:
    d = front_drive
    assert abs(d.energy.residual_j) < 0.005 * d.energy.engine_j
    difference = d["wheel_speed_fl_radps"] - d["wheel_speed_fr_radps"]
    sliding = (d["stuck"] == 0.0) & (np.abs(difference) > 0.3)
    assert sliding.sum() > 1000
    expected = -d["lock_capacity_nm"] * np.sign(difference)
    np.testing.assert_allclose(_torque_difference(d)[sliding], expected[sliding], rtol=1e-9)
    pulls = d["input_torque_nm"] > 500.0
    assert np.median(d["slip_fl"][pulls]) > 0.01 > np.abs(np.median(d["slip_rl"][pulls]))


def test_steered_wheels_roll_along_their_own_heading(front_drive: Drive) -> None:
    d = front_drive
    calm = (d["speed_mps"] > 8.0) & (np.abs(d["slip_fl"]) < 0.02)
    turned = calm & (np.abs(d["steering_angle_rad"]) > 0.1)
    assert turned.sum() > 1000
    left, _ = rolling_speeds(d)
    error = d["wheel_speed_fl_radps"] - left * (1.0 + d["slip_fl"])
    # Slip is that of half a millisecond earlier.
    assert np.percentile(np.abs(error[calm]), 99.5) < 0.1
    unsteered = (d["speed_mps"] - 0.75 * d["yaw_rate_radps"]) / 0.3125 * (1.0 + d["slip_fl"])
    assert np.abs(d["wheel_speed_fl_radps"] - unsteered)[turned].max() > 0.3


def test_two_driven_axles_share_the_torque_and_close_one_book(four_wheel_drive: Drive) -> None:
    d = four_wheel_drive
    assert abs(d.energy.residual_j) < 0.005 * d.energy.engine_j
    steady = (d["speed_mps"] > 8.0) & (np.abs(d["input_torque_nm"]) > 300.0)
    steady &= np.abs(np.gradient(d["input_torque_nm"])) < 5.0
    front, rear = d["front_input_torque_nm"][steady], d["input_torque_nm"][steady]
    # What speeds up each case is missing behind the centre, so the split is met nearly.
    assert np.median(front / (front + rear)) == pytest.approx(0.40, abs=0.005)
    total = d["friction_energy_j"][-1] + d["front_friction_energy_j"][-1]
    assert total == pytest.approx(d.energy.packs_j, rel=1e-3)


def test_each_of_two_differentials_follows_its_own_parts(four_wheel_drive: Drive) -> None:
    d = four_wheel_drive
    for prefix, axle in (("", "rear"), ("front_", "front")):
        parts = d.car.differential_of(axle)
        expected = parts.capacity_nm(d[f"{prefix}input_torque_nm"])
        np.testing.assert_allclose(d[f"{prefix}lock_capacity_nm"], expected, rtol=1e-9)
    assert d.car.driven_axles == ("rear", "front")


def test_the_front_axle_can_be_looked_at_alone(four_wheel_drive: Drive) -> None:
    front = circuit_car.front_axle_of(four_wheel_drive)
    known = circuit_car.truth(front)
    parts = four_wheel_drive.car.front_differential
    assert known.breakaway_torque_nm == parts.breakaway_torque_nm
    assert known.running.lock_drive == pytest.approx(parts.lock_drive, abs=1e-3)
    log = circuit_car.spoil(front, Sensors.perfect(), rate_hz=100.0, rng=np.random.default_rng(1))
    np.testing.assert_allclose(
        log["shaft_torque_left_nm"],
        four_wheel_drive["front_shaft_torque_left_nm"][::10][: len(log["time_s"])],
    )


def test_the_centre_finds_the_torque_that_the_engine_leaves() -> None:
    car = car_table(circuit_car.four_wheel_driven_car())
    q = np.full(N_STATE, 80.0)
    front = ((2500.0, 300.0, 0.0), (2400.0, 250.0, 0.0))
    rear = ((2600.0, 350.0, 0.0), (2500.0, 450.0, 0.0))
    a_engine, drive = 30_000.0, 2_000.0
    f, r = both_axles(q, car, front, rear, 240.0, a_engine, drive)
    change = 0.4 * 0.5 * (f[0] + f[1]) + 0.6 * 0.5 * (r[0] + r[1])
    centre = drive - a_engine * change
    # Each axle gets its share less what speeds up its own case.
    assert f[2] == pytest.approx(0.4 * centre - 240.0 * 0.5 * (f[0] + f[1]), abs=1e-4)
    assert r[2] == pytest.approx(0.6 * centre - 240.0 * 0.5 * (r[0] + r[1]), abs=1e-4)


# --- tyre --------------------------------------------------------------------------------------

# Coefficients of the 1989 form as read in the public file src/simulink/pacajeka_init.m of the
# repository n-jokic/Vehicle_MPC_control; the forces were computed from them apart from this code.
PLAIN = TyreScale()


@pytest.mark.parametrize(
    ("load_n", "slip", "force_n"),
    [(4000, 0.02, 2281.77), (4000, 0.05, 3823.68), (4000, 0.10, 4234.44), (4000, 1.0, 2898.60),
     (6000, 0.05, 5687.15)],
)  # fmt: skip
def test_pure_longitudinal_force_agrees_with_the_published_coefficients(
    load_n: float, slip: float, force_n: float
) -> None:
    fx, fy, _ = tyre_forces(float(load_n), slip, 0.0, PLAIN)
    assert fx == pytest.approx(force_n, abs=0.01)
    assert fy == 0.0


@pytest.mark.parametrize(
    ("load_n", "angle_deg", "force_n"),
    [(4000, 1.0, 1009.38), (4000, 4.0, 3096.61), (4000, 8.0, 3676.79), (6000, 4.0, 3833.10)],
)
def test_pure_lateral_force_agrees_with_the_published_coefficients(
    load_n: float, angle_deg: float, force_n: float
) -> None:
    fx, fy, _ = tyre_forces(float(load_n), 0.0, float(np.radians(angle_deg)), PLAIN)
    assert fy == pytest.approx(force_n, abs=0.01)
    assert fx == 0.0


def test_peaks_at_four_kilonewton_agree_with_the_published_coefficients() -> None:
    assert longitudinal_shape(4000.0)[0] == pytest.approx(4235.20, abs=0.01)
    assert lateral_shape(4000.0)[0] == pytest.approx(3690.40, abs=0.01)


def test_combined_slip_costs_force_and_never_feeds_energy_back() -> None:
    rng = np.random.default_rng(1)
    for load, slip, angle in zip(
        rng.uniform(200, 7000, 200), rng.uniform(-1, 1, 200), rng.uniform(-0.5, 0.5, 200),
        strict=True,
    ):  # fmt: skip
        fx, fy, _ = tyre_forces(load, slip, angle, PLAIN)
        pure, _, _ = tyre_forces(load, slip, 0.0, PLAIN)
        assert fx * slip >= 0.0
        assert fy * angle >= 0.0
        peak_x, peak_y = longitudinal_shape(load)[0], lateral_shape(load)[0]
        assert (fx / peak_x) ** 2 + (fy / peak_y) ** 2 < 1.0 + 1e-9
        if abs(slip) < 0.05:
            assert abs(fx) <= abs(pure) + 1e-9


def test_slope_of_the_longitudinal_force_is_its_derivative() -> None:
    for slip in (-0.3, -0.02, 0.01, 0.08, 0.4):
        up, _, _ = tyre_forces(3000.0, slip + 1e-6, 0.05, PLAIN)
        down, _, _ = tyre_forces(3000.0, slip - 1e-6, 0.05, PLAIN)
        _, _, slope = tyre_forces(3000.0, slip, 0.05, PLAIN)
        assert slope == pytest.approx((up - down) / 2e-6, rel=1e-4)


# --- the run -----------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_drive_and_log_and_another_seed_does_not() -> None:
    def both(seed: int) -> tuple[Drive, circuit_car.Log]:
        d = circuit_car.drive(
            Car(), circuit_car.short_circuit(), QUICK, laps=1, rng=np.random.default_rng(seed)
        )
        log = circuit_car.spoil(d, Sensors(), rate_hz=100.0, rng=np.random.default_rng(seed))
        return d, log

    (d1, log1), (d2, log2), (d3, _) = both(4), both(4), both(5)
    for name, values in d1.channels.items():
        np.testing.assert_array_equal(values, d2[name])
    for name, values in log1.channels.items():
        np.testing.assert_array_equal(values, log2[name])
    assert d3.time_s[-1] != d1.time_s[-1]


def test_every_axle_state_occurs_in_every_flying_lap_of_the_sample_setup(
    sample_drive: Drive,
) -> None:
    known = circuit_car.truth(sample_drive)
    state = circuit_car.axle_states(sample_drive)
    for lap in known.laps:
        if not lap.flying:
            continue
        seen = Counter(state[sample_drive["lap_number"] == lap.number].tolist())
        for name in (*STATES, "differing"):
            assert seen[name] > 150, (lap.number, name)
        wild = [
            e
            for e in known.events
            if e.state == "inside overspeed"
            and lap.start_s <= e.start_s < lap.end_s
            and e.end_s - e.start_s > 0.25
        ]
        assert len(wild) >= 3


def test_sliding_is_visited_over_the_torques_that_tell_the_lock_ratios(sample_drive: Drive) -> None:
    flying = (sample_drive["lap_number"] >= 1) & (sample_drive["lap_number"] <= sample_drive.laps)
    sliding = flying & (np.abs(_speed_difference(sample_drive)) > 0.3)
    t_in = _input_torque(sample_drive)[sliding]
    edges = [-300, -200, -100, 0, 200, 400, 700, 1000, 1500, 2000]
    counts, _ = np.histogram(t_in, edges)
    assert (counts > 300).all(), dict(zip(edges, counts.tolist(), strict=False))


def test_laps_are_plausible_for_the_circuit(sample_drive: Drive) -> None:
    laps = [lap for lap in circuit_car.truth(sample_drive).laps if lap.flying]
    assert [lap.number for lap in laps] == [1, 2, 3]
    for lap in laps:
        assert 60.0 < lap.time_s < 68.0
    times = [lap.time_s for lap in laps]
    assert max(times) - min(times) > 0.05
    sideways = np.abs(sample_drive["lateral_speed_mps"]) / np.maximum(sample_drive["speed_mps"], 5)
    assert sideways.max() < 0.35  # she never spins


def test_the_car_stands_before_and_after_the_run(sample_drive: Drive) -> None:
    speed, driver = sample_drive["speed_mps"], sample_drive.driver
    assert np.abs(speed[: int(driver.stand_before_s * 1000)]).max() < 0.01
    assert np.abs(speed[-int(driver.stand_after_s * 1000 - 1000) :]).max() < 0.05
    assert sample_drive["station_m"][-1] == pytest.approx(
        (sample_drive.laps + 2) * sample_drive.circuit.length_m + sample_drive.circuit.pit_box_m,
        abs=1.5,
    )


def test_a_mirrored_car_on_a_mirrored_circuit_drives_the_mirrored_run() -> None:
    # No line noise: it is drawn to the left whatever the circuit.
    driver = replace(QUICK, line_sigma_m=0.0)
    circuit = circuit_car.short_circuit()

    def go(car: Car, on: circuit_car.Circuit) -> Drive:
        return circuit_car.drive(car, on, driver, laps=1, rng=np.random.default_rng(8))

    reflected = circuit_car.mirrored(go(Car(), circuit))
    driven = go(Car().mirrored(), circuit.mirrored())
    assert len(driven.time_s) == len(reflected.time_s)
    for name, tolerance in (
        ("yaw_rate_radps", 1e-4),
        ("accel_lat_mps2", 1e-2),
        ("wheel_speed_rl_radps", 1e-2),
        ("shaft_torque_left_nm", 2.0),
        ("position_y_m", 1e-2),
    ):
        # 60 s in: rounding grows slowly through stick and slip.
        np.testing.assert_allclose(
            driven[name][:60_000], reflected[name][:60_000], atol=tolerance, err_msg=name
        )


# --- sensors -----------------------------------------------------------------------------------


def test_perfect_sensors_log_the_exact_signals(short_drive: Drive) -> None:
    log = circuit_car.spoil(
        short_drive, Sensors.perfect(), rate_hz=100.0, rng=np.random.default_rng(1)
    )
    for name, values in log.channels.items():
        np.testing.assert_allclose(values, short_drive[name][::10][: len(values)], atol=1e-9)


def test_switching_one_fault_off_leaves_the_other_channels_as_they_were(
    short_drive: Drive,
) -> None:
    def spoil(sensors: Sensors) -> circuit_car.Log:
        return circuit_car.spoil(short_drive, sensors, rate_hz=100.0, rng=np.random.default_rng(1))

    full, part = spoil(Sensors()), spoil(replace(Sensors(), torque_offset_sigma_nm=0.0))
    shift = full["shaft_torque_left_nm"] - part["shaft_torque_left_nm"]
    offset = full.drawn["shaft_torque_left_nm"][0]
    assert abs(offset) > 0.1
    np.testing.assert_allclose(shift[np.isfinite(shift)], offset, atol=1e-9)
    for name in ("wheel_speed_rl_radps", "yaw_rate_radps", "position_x_m"):
        np.testing.assert_array_equal(full[name], part[name])


def test_tooth_timing_lags_by_no_more_than_two_teeth_and_is_right_on_average(
    short_drive: Drive,
) -> None:
    sensors = replace(Sensors.perfect(), wheel_teeth=48)
    log = circuit_car.spoil(short_drive, sensors, rate_hz=100.0, rng=np.random.default_rng(1))
    true = short_drive["wheel_speed_fl_radps"][::10][: len(log["time_s"])]
    steady = (true > 30.0) & (np.abs(np.gradient(true, 0.01)) < 60.0)
    lag_s = 2.0 * 2.0 * np.pi / 48.0 / 30.0
    error = (log["wheel_speed_fl_radps"] - true)[steady]
    assert np.abs(error).max() < 70.0 * lag_s + 0.05
    assert abs(error.mean()) < 0.02


def test_missing_samples_are_short_and_few(short_drive: Drive) -> None:
    log = circuit_car.spoil(short_drive, Sensors(), rate_hz=100.0, rng=np.random.default_rng(2))
    total = 0
    for name, values in log.channels.items():
        if name.startswith("position"):
            continue
        for a, b in runs_of(np.isnan(values)):
            total += 1
            assert (b - a) / 100.0 <= 0.61  # two may touch
    assert 5 < total < 100


def test_the_ring_gear_and_the_thermometers_are_logged_only_where_they_are_fitted(
    short_drive: Drive,
) -> None:
    def spoil(sensors: Sensors) -> circuit_car.Log:
        return circuit_car.spoil(short_drive, sensors, rate_hz=100.0, rng=np.random.default_rng(1))

    bare = spoil(Sensors())
    fitted = spoil(Sensors(ring_gear_fitted=True, thermometers_fitted=True))
    assert set(fitted.channels) - set(bare.channels) == {
        "input_torque_nm", "oil_temperature_c", "ambient_temperature_c",
    }  # fmt: skip
    for name, values in bare.channels.items():
        np.testing.assert_array_equal(values, fitted[name])


def test_the_ring_gear_carries_the_sum_of_both_half_shafts(short_drive: Drive) -> None:
    np.testing.assert_allclose(
        short_drive["input_torque_nm"], _input_torque(short_drive), atol=1e-9
    )


def test_stated_offsets_and_gains_of_the_half_shaft_torques_are_those_of_the_log(
    short_drive: Drive,
) -> None:
    sensors = replace(
        Sensors.perfect(), torque_offset_left_nm=15.0, torque_gain_right=-0.02, torque_delay_s=0.04
    )
    log = circuit_car.spoil(short_drive, sensors, rate_hz=100.0, rng=np.random.default_rng(1))
    late = slice(4, None)  # 40 ms at 100 Hz
    left, right = (short_drive[f"shaft_torque_{side}_nm"][::10] for side in ("left", "right"))
    n = len(log["time_s"])
    np.testing.assert_allclose(log["shaft_torque_left_nm"][late], left[: n - 4] + 15.0, atol=1e-9)
    np.testing.assert_allclose(log["shaft_torque_right_nm"][late], 0.98 * right[: n - 4], atol=1e-9)


def test_a_lagging_thermometer_has_made_63_percent_of_a_step_after_its_time_constant() -> None:
    # First-order step response 1 - exp(-t/tau).
    step = np.concatenate([[20.0], np.full(20_000, 30.0)])
    seen = lagged(step, 8.0, 1e-3)
    assert seen[0] == pytest.approx(20.0)
    assert seen[8000] == pytest.approx(30.0 - 10.0 * np.exp(-1.0), rel=1e-9)


# --- heat --------------------------------------------------------------------------------------


def test_plates_and_oil_settle_where_heat_in_equals_heat_out() -> None:
    # Balance of each lump at rest, by hand: oil = air + (P + P_gear) / (G_0 + G_v v),
    # plates = oil + P / G.
    heat = Heat(ambient_c=20.0, gear_loss=0.02)
    q = np.full(N_STATE, 45.0)
    for _ in range(40_000):
        warm(q, 1, heat, 500.0, 40_000.0, 30.0, 1.0)
    assert q[OIL_C_R] == pytest.approx(20.0 + (500.0 + 800.0) / (6.0 + 0.40 * 30.0), abs=1e-6)
    assert q[PLATES_C_R] == pytest.approx(q[OIL_C_R] + 500.0 / 70.0, abs=1e-6)


def test_heat_of_the_packs_is_found_again_in_plates_oil_and_air(sample_drive: Drive) -> None:
    d, heat = sample_drive, sample_drive.car.heat
    plates, oil = d["plate_temperature_c"], d["oil_temperature_c"]
    case = 0.5 * (d["wheel_speed_rl_radps"] + d["wheel_speed_rr_radps"])
    gears = heat.gear_loss * np.abs(_input_torque(d) * case).sum() * 1e-3
    cooling = heat.still_air_wpk + heat.moving_air_wpk_per_mps * np.abs(d["speed_mps"])
    to_air = (cooling * (oil - heat.ambient_c)).sum() * 1e-3
    stored = heat.plates_jpk * (plates[-1] - heat.start_c)
    stored += heat.housing_jpk * (oil[-1] - heat.start_c)
    assert stored + to_air == pytest.approx(d.energy.packs_j + gears, rel=0.002)
    assert gears < d.energy.gearbox_j
    assert 50.0 < oil.max() < plates.max() < 150.0


# --- the sample logs ---------------------------------------------------------------------------


@pytest.mark.parametrize("session", sessions(), ids=lambda session: session.name)
def test_the_truth_beside_a_sample_log_is_that_of_its_setup(session: Session) -> None:
    known = json.loads((FOLDER / "truth" / f"{session.name}.json").read_text(encoding="utf-8"))
    parts = session.car.differential
    assert known["breakaway_torque_nm"] == pytest.approx(parts.breakaway_torque_nm, abs=1e-3)
    assert known["lock_drive"] == pytest.approx(parts.lock_drive, abs=1e-5)
    assert known["lock_overrun"] == pytest.approx(parts.lock_overrun, abs=1e-5)
    assert sum(lap["flying"] for lap in known["laps"]) == session.laps


def test_the_sample_logs_together_stay_under_nine_megabytes() -> None:
    assert sum(path.stat().st_size for path in FOLDER.glob("hollin_fell_run*")) < 9_000_000


@pytest.mark.slow
def test_the_script_writes_the_committed_sample_logs_again(tmp_path: Path) -> None:
    # Byte for byte on the kind of machine that wrote them: another mathematics library may round
    # a sine differently, and stick and slip make that visible.
    sample_day.main(tmp_path)
    for made in tmp_path.rglob("hollin_fell_run*"):
        assert made.read_bytes() == (FOLDER / made.relative_to(tmp_path)).read_bytes(), made.name


# --- small helpers of the truth ----------------------------------------------------------------


def test_hysteresis_keeps_runs_with_an_entry_closes_gaps_and_drops_blips() -> None:
    stay = np.zeros(2000, dtype=bool)
    enter = np.zeros(2000, dtype=bool)
    stay[100:400] = True  # never entered
    stay[500:700] = stay[750:900] = True  # gap of 50 ms
    enter[600] = enter[800] = True
    stay[1200:1300] = enter[1200:1300] = True  # 100 ms: a blip
    stay[1500:1651] = True
    enter[1650] = True
    found = with_hysteresis(enter, stay, 1e-3)
    assert runs_of(found) == [(500, 900), (1500, 1651)]


def test_upsampling_joins_close_samples_and_leaves_long_gaps_empty() -> None:
    values = np.full(20, np.nan)
    values[[0, 4, 8, 18]] = [0.0, 4.0, 8.0, 18.0]
    filled = upsampled(values, 5)
    np.testing.assert_allclose(filled[:9], np.arange(9.0))
    assert np.isnan(filled[9:18]).all()
    assert filled[18] == 18.0
    assert np.isnan(filled[19])
