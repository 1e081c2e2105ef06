"""The friction law from sliding samples that follow it by construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.lock import (
    BREAKAWAY,
    DRIVE,
    GAIN,
    OFFSET,
    OVERRUN,
    ZERO,
    LockLaw,
    SlidingSamples,
    fit_lock_law,
    interval_of,
    overrun_to_drive,
)
from pipeline.plates import locking_torque

RATE_HZ = 100.0
LAW = (84.0, 0.45, 0.22)


def samples(
    seed: int = 1,
    law: tuple[float, float, float] = LAW,
    input_nm: tuple[float, float] = (-250.0, 900.0),
    offset_nm: float = 0.0,
    gain_mismatch: float = 0.0,
    left_faster_share: float = 0.5,
    noise_nm: float = 6.0,
) -> SlidingSamples:
    """Eight laps of sliding; each lap drives a little differently."""
    rng = np.random.default_rng(seed)
    n = 4000
    lap = np.repeat(np.arange(8), n // 8)
    torque = rng.uniform(*input_nm, n) + 20 * rng.normal(size=8)[lap]
    side = np.where(rng.random(n) < left_faster_share, 1.0, -1.0)
    true = -side * locking_torque(torque, *law)
    difference = true + offset_nm + gain_mismatch * torque + noise_nm * rng.standard_normal(n)
    torque = torque + gain_mismatch * true
    return SlidingSamples(torque, difference, side * rng.uniform(0.5, 5, n), lap, RATE_HZ)


def fitted(**how: object) -> LockLaw:
    return fit_lock_law(samples(**how), gain_tolerance=0.0, zero_tolerance_nm=0.0)  # type: ignore[arg-type]


def test_breakaway_and_both_locks_come_back() -> None:
    law = fitted()
    for term, truth in zip((BREAKAWAY, DRIVE, OVERRUN), LAW, strict=True):
        assert law.value(term) == pytest.approx(truth, abs=2 * interval_of(law, term))


def test_a_sensor_offset_and_gain_mismatch_are_found_and_do_not_move_the_law() -> None:
    law = fitted(offset_nm=15.0, gain_mismatch=0.02)
    # The fit is to -dT sign(dw), so both come with the opposite sign.
    assert -law.value(OFFSET) == pytest.approx(15.0, abs=1.0)
    assert -law.value(GAIN) == pytest.approx(0.02, abs=0.002)
    assert law.value(BREAKAWAY) == pytest.approx(84.0, abs=1.5)
    assert law.value(DRIVE) == pytest.approx(0.45, abs=0.004)


def test_more_breakaway_torque_leaves_both_locks() -> None:
    # Common practice, no source: shims and washers do not set the lock percentage.
    before, after = fitted(), fitted(law=(130.0, 0.45, 0.22))
    assert after.value(BREAKAWAY) - before.value(BREAKAWAY) == pytest.approx(46.0, abs=1.0)
    for term in (DRIVE, OVERRUN):
        assert after.value(term) == pytest.approx(before.value(term), abs=interval_of(before, term))


def test_an_open_differential_reads_as_nothing() -> None:
    law = fitted(law=(0.0, 0.0, 0.0))
    for term in (BREAKAWAY, DRIVE, OVERRUN):
        assert law.value(term) == pytest.approx(0.0, abs=2 * interval_of(law, term))


def test_a_log_without_overrun_says_so_and_still_gives_the_rest() -> None:
    law = fitted(input_nm=(30.0, 900.0))
    assert "overrun" in law.missing[OVERRUN]
    assert law.index(OVERRUN) is None
    assert law.value(DRIVE) == pytest.approx(0.45, abs=0.005)


def test_turns_to_one_side_only_leave_the_offset_open_and_widen_the_breakaway_torque() -> None:
    how = {"left_faster_share": 0.0}
    law = fit_lock_law(samples(**how), gain_tolerance=0.02, zero_tolerance_nm=20.0)  # type: ignore[arg-type]
    assert OFFSET in law.missing
    assert interval_of(law, BREAKAWAY) > 20.0


def test_what_laps_cannot_show_is_added_to_the_breakaway_torque_alone() -> None:
    sure = fit_lock_law(samples(), gain_tolerance=0.0, zero_tolerance_nm=0.0)
    doubtful = fit_lock_law(samples(), gain_tolerance=0.05, zero_tolerance_nm=10.0)
    assert interval_of(doubtful, BREAKAWAY) > interval_of(sure, BREAKAWAY) + 3.0
    assert interval_of(doubtful, DRIVE) == interval_of(sure, DRIVE)


def test_an_unknown_zero_of_the_input_torque_is_found_where_drive_meets_overrun() -> None:
    seen = samples()
    clear = np.abs(seen.input_torque_nm) > 40.0
    shifted = SlidingSamples(
        seen.input_torque_nm[clear] + 12.0,
        seen.torque_difference_nm[clear],
        seen.speed_difference_radps[clear],
        seen.lap[clear],
        RATE_HZ,
    )
    blind = fit_lock_law(shifted, 0.0, zero_tolerance_nm=30.0)
    found = fit_lock_law(shifted, 0.0, zero_tolerance_nm=30.0, find_zero=True)
    assert found.value(ZERO) == pytest.approx(12.0, abs=2.5)
    assert found.value(BREAKAWAY) == pytest.approx(84.0, abs=2 * interval_of(found, BREAKAWAY))
    assert interval_of(found, BREAKAWAY) < 0.5 * interval_of(blind, BREAKAWAY)


def test_the_ratio_of_the_locks_has_its_interval() -> None:
    value, half = overrun_to_drive(fitted())
    assert value == pytest.approx(0.22 / 0.45, abs=2 * half)
    assert half < 0.05


def test_a_ratio_is_no_better_known_than_its_locks_where_two_laws_fit() -> None:
    law = fitted()
    open_law = replace(law, undecided={OVERRUN: 0.10})
    value, half = overrun_to_drive(law)
    assert overrun_to_drive(open_law)[0] == value
    assert overrun_to_drive(open_law)[1] == pytest.approx(half + 0.10 / law.value(DRIVE))


def test_the_band_holds_the_law_it_was_drawn_from() -> None:
    grid = np.linspace(-200, 800, 11)
    curve, half = fitted(seed=3).curve(grid)
    assert np.all(np.abs(curve - locking_torque(grid, *LAW)) < 2 * half)
    assert np.all(half > 0)


def test_the_mirrored_car_has_the_same_law() -> None:
    seen = samples(offset_nm=8.0)
    mirror = SlidingSamples(
        seen.input_torque_nm,
        -seen.torque_difference_nm,
        -seen.speed_difference_radps,
        seen.lap,
        RATE_HZ,
    )
    here, there = (fit_lock_law(each, 0.0, 0.0) for each in (seen, mirror))
    for term in (BREAKAWAY, DRIVE, OVERRUN):
        assert there.value(term) == pytest.approx(here.value(term), rel=1e-9)
    assert there.value(OFFSET) == pytest.approx(-here.value(OFFSET), rel=1e-6)
