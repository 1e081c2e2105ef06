"""Friction that moves widens the constants that stand for it; friction that does not, does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.lock import DRIVE, OFFSET, LockLaw, SlidingSamples, fit_lock_law, interval_of
from pipeline.misfit import NOT_CONSTANT, with_movement_doubt

FloatArray = NDArray[np.float64]


def _sliding(seed: int, factor: str) -> SlidingSamples:
    """Eight laps on both sides of the law: 90 N m and 41 %, times what speed or direction make."""
    rng = np.random.default_rng(seed)
    n = 4000
    torque = rng.uniform(-300.0, 900.0, n)
    speed = rng.uniform(0.5, 6.0, n)
    rising = rng.standard_normal(n) * 1000.0
    friction = {
        "constant": np.ones(n),
        "speed": 1.0 - 0.04 * (speed - 3.0),
        "direction": 1.0 - 0.08 * np.sign(rising * torque),
    }[factor]
    locking = friction * (90.0 + 0.41 * np.maximum(torque, 0) + 0.23 * np.maximum(-torque, 0))
    side = np.where(rng.random(n) < 0.5, 1.0, -1.0)
    return SlidingSamples(
        torque, -side * (locking + 5.0 * rng.standard_normal(n)), side * speed,
        np.repeat(np.arange(8), n // 8), 100.0, rising,
    )  # fmt: skip


def _law(samples: SlidingSamples) -> LockLaw:
    return fit_lock_law(samples, 0.0, 0.0)


@pytest.mark.parametrize("factor", ["speed", "direction"])
def test_friction_that_moves_widens_the_lock_ratio_to_a_good_part_of_its_movement(
    factor: str,
) -> None:
    samples = _sliding(1, factor)
    law = with_movement_doubt(_law(samples), samples)
    # Half of the sliding has friction that differs by 5.5 % (speed) or 8 % (direction) from the
    # middle.
    assert 0.3 * 0.055 * 0.41 < law.doubts[DRIVE][NOT_CONSTANT] < 0.08 * 0.41
    assert interval_of(law, DRIVE) > 2 * interval_of(_law(samples), DRIVE)


def test_constant_friction_widens_nothing_that_matters() -> None:
    grown = []
    for seed in range(10):
        samples = _sliding(seed, "constant")
        plain = _law(samples)
        doubted = with_movement_doubt(plain, samples)
        grown.append(interval_of(doubted, DRIVE) / interval_of(plain, DRIVE))
    assert np.median(grown) == 1.0
    assert max(grown) < 2.0


def test_what_turns_to_one_side_have_more_of_is_not_taken_for_a_zero_of_the_sensors() -> None:
    samples = _sliding(1, "direction")
    # To the left the pack is deep in its hysteresis, to the right on the way into it.
    left = samples.faster_side > 0
    locking = samples.locking_torque_nm * np.where(left, 0.99, 1.01)
    uneven = replace(samples, torque_difference_nm=-samples.faster_side * locking)
    law = _law(uneven)
    widened = interval_of(with_movement_doubt(law, uneven), OFFSET)
    assert abs(law.value(OFFSET)) > interval_of(law, OFFSET)
    assert abs(law.value(OFFSET)) < widened
