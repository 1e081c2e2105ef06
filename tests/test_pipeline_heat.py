"""Friction power and energy: against conservation of energy, and on noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.heat import TorqueDoubt, energy, energy_by_group, plate_friction_power
from pipeline.plates import locking_torque

TORQUE_NM = st.floats(min_value=-3000, max_value=3000)
SPEED_RADPS = st.floats(min_value=0, max_value=200)


@given(TORQUE_NM, TORQUE_NM, SPEED_RADPS, SPEED_RADPS)
def test_what_goes_in_and_not_out_is_heat(
    torque_left: float, torque_right: float, speed_left: float, speed_right: float
) -> None:
    # Source: conservation of energy; the case turns at the mean speed and carries the torque sum.
    case_power = (torque_left + torque_right) * 0.5 * (speed_left + speed_right)
    lost = case_power - torque_left * speed_left - torque_right * speed_right
    found = plate_friction_power(torque_left, torque_right, speed_left, speed_right)
    assert float(found) == pytest.approx(lost, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    ("fast_nm", "slow_nm", "fast_radps", "slow_radps", "power_w"),
    [
        # Source: worked examples derived by hand: T_in 600, mu 0.1, dw 10 (sum law), the same
        # split 108/492 in drive, and overrun T_in -200 with 40 N m in each pack.
        (108.0, 492.0, 85.0, 75.0, 1920.0),
        (220.0, 380.0, 85.0, 75.0, 800.0),
        (-140.0, -60.0, 85.0, 75.0, 400.0),
    ],
)
def test_worked_examples_in_drive_and_overrun(
    fast_nm: float, slow_nm: float, fast_radps: float, slow_radps: float, power_w: float
) -> None:
    assert float(plate_friction_power(fast_nm, slow_nm, fast_radps, slow_radps)) == power_w


@given(st.floats(-2000, 2000), st.floats(-50, 50))
def test_a_sliding_pack_never_gives_power_back(input_nm: float, difference_radps: float) -> None:
    lock = float(locking_torque(input_nm, 80.0, 0.4, 0.2))
    difference_nm = -lock * np.sign(difference_radps)
    left, right = 0.5 * (input_nm + difference_nm), 0.5 * (input_nm - difference_nm)
    mean = 80.0
    power = plate_friction_power(
        left, right, mean + 0.5 * difference_radps, mean - 0.5 * difference_radps
    )
    assert float(power) == pytest.approx(0.5 * lock * abs(difference_radps), abs=1e-6)


def straight_running_energies(rng: np.random.Generator) -> tuple[float, float]:
    """Signed and rectified energy of 60 s at 100 Hz in which nothing slides. [J]"""
    n = 6000
    torque_left, torque_right = 200 + 5 * rng.standard_normal((2, n))
    speed_left, speed_right = 120 + 0.1 * rng.standard_normal((2, n))
    signed = plate_friction_power(torque_left, torque_right, speed_left, speed_right)
    rectified = 0.5 * np.abs(torque_left - torque_right) * np.abs(speed_left - speed_right)
    return energy(signed, 100.0), energy(rectified, 100.0)


def test_signed_energy_of_noisy_straight_running_is_indistinguishable_from_zero() -> None:
    runs = [straight_running_energies(np.random.default_rng(seed))[0] for seed in range(60)]
    standard_error = np.std(runs, ddof=1) / np.sqrt(len(runs))
    assert abs(np.mean(runs)) < 3 * standard_error


def test_rectified_energy_of_the_same_noise_reads_high_every_time() -> None:
    runs = np.array([straight_running_energies(np.random.default_rng(s)) for s in range(60)])
    # Source: mean magnitude of a normal variable, sqrt(2/pi) sigma, twice; both differences have
    # the standard deviation of their sides times the root of two.
    expected = 60 * 0.5 * (2 / np.pi) * (5 * np.sqrt(2)) * (0.1 * np.sqrt(2))
    assert runs[:, 1].min() > 10 * np.abs(runs[:, 0]).max()
    assert np.mean(runs[:, 1]) == pytest.approx(expected, rel=0.02)


def test_energy_of_groups_adds_up_to_the_energy_of_all() -> None:
    rng = np.random.default_rng(3)
    power = rng.normal(1000, 300, 500)
    group = rng.integers(0, 7, 500)
    assert energy_by_group(power, group, 7, 50.0).sum() == pytest.approx(energy(power, 50.0))


def test_doubt_of_an_offset_grows_with_the_angle_slid() -> None:
    # An offset of 10 N m over one radian of sliding is half of 10 J.
    doubt = TorqueDoubt(np.diag([10.0**2, 0.0]), gain=0.0)
    half = doubt.energy_half_width(np.array([500.0]), np.array([1.0]), np.array([0.0]))
    assert half.tolist() == [5.0]


def test_doubt_of_the_common_gain_is_a_share_of_the_energy() -> None:
    doubt = TorqueDoubt(np.zeros((2, 2)), gain=0.01)
    half = doubt.energy_half_width(np.array([500.0]), np.array([1.0]), np.array([2.0]))
    assert half.tolist() == [5.0]
