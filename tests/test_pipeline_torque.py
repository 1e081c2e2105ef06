"""Zeroing and correcting the torque sensors."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.torque import ShaftTorque, corrected, zero_at_standstill

RATE_HZ = 100.0


def stood(*levels_nm: float, seconds: float = 6.0) -> tuple[np.ndarray, np.ndarray]:
    """Torque and standing mask: one standstill per level, driving between them."""
    rng = np.random.default_rng(1)
    n = round(seconds * RATE_HZ)
    torque, standing = [], []
    for level in levels_nm:
        torque += [level + 3 * rng.standard_normal(n), 500 + 100 * rng.standard_normal(n)]
        standing += [np.ones(n, bool), np.zeros(n, bool)]
    return np.concatenate(torque), np.concatenate(standing)


def test_a_sensor_is_zeroed_where_the_car_stands() -> None:
    zero = zero_at_standstill(*stood(7.0, 7.0), RATE_HZ)
    assert zero.known
    assert zero.offset_nm == pytest.approx(7.0, abs=zero.half_width_nm)
    assert zero.half_width_nm < 1.0


def test_a_zero_that_drifts_is_less_sure() -> None:
    steady = zero_at_standstill(*stood(5.0, 5.0), RATE_HZ)
    drifting = zero_at_standstill(*stood(3.0, 7.0), RATE_HZ)
    assert drifting.half_width_nm > steady.half_width_nm + 1.0


@pytest.mark.parametrize(("levels_nm", "why"), [((0.0, 30.0), "disagree"), ((200.0,), "wound up")])
def test_a_standstill_that_cannot_be_a_zero_is_not_used(
    levels_nm: tuple[float, ...], why: str
) -> None:
    zero = zero_at_standstill(*stood(*levels_nm), RATE_HZ)
    assert not zero.known
    assert zero.offset_nm == 0.0
    assert why in zero.note


def test_a_car_that_never_stands_gives_no_zero() -> None:
    assert not zero_at_standstill(*stood(5.0, seconds=1.0), RATE_HZ).known


def test_sensors_with_different_zeros_and_gains_are_put_right() -> None:
    true = ShaftTorque(np.array([310.0, -40.0]), np.array([200.0, -150.0]))
    gain, offset = 0.01, 10.0
    left, right = true.left_nm * (1 + gain) + offset / 2, true.right_nm * (1 - gain) - offset / 2
    found = corrected(ShaftTorque(left, right), offset_nm=offset, gain_mismatch=gain)
    # To first order in the gain.
    assert found.left_nm == pytest.approx(true.left_nm, abs=2 * gain**2 * 310.0)
    assert found.right_nm == pytest.approx(true.right_nm, abs=2 * gain**2 * 310.0)
