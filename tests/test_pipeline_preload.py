"""Which preload law holds, and the greater-of law, from samples that follow one by construction."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate import Choice, Grade
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
)
from pipeline.plates import PreloadLaw, locking_torque
from pipeline.preload import JudgedLaw, chance_of_greater, fit_greater_of, judged_law

RATE_HZ = 100.0
LAW = (84.0, 0.45, 0.35)


def samples(
    preload: PreloadLaw = PreloadLaw.GREATER_OF,
    seed: int = 1,
    law: tuple[float, float, float] = LAW,
    input_nm: tuple[float, float] = (-450.0, 900.0),
    laps: int = 8,
    noise_nm: float = 6.0,
    lap_friction: float = 0.01,
    offset_nm: float = 0.0,
    gain_mismatch: float = 0.0,
    zero_nm: float = 0.0,
) -> SlidingSamples:
    """Laps of sliding, each with a little more or less friction than the others."""
    rng = np.random.default_rng(seed)
    n = 300 * laps
    lap = np.repeat(np.arange(laps), 300)
    torque = rng.uniform(*input_nm, n)
    side = np.where(rng.random(n) < 0.5, 1.0, -1.0)
    friction = 1 + lap_friction * rng.normal(size=laps)[lap]
    true = -side * friction * locking_torque(torque, *law, preload)
    difference = true + offset_nm + gain_mismatch * torque + noise_nm * rng.standard_normal(n)
    torque = torque + gain_mismatch * true
    return SlidingSamples(torque + zero_nm, difference, 2.0 * side, lap, RATE_HZ)


def judged(seen: SlidingSamples, stated: PreloadLaw | None = None) -> JudgedLaw:
    return judged_law(
        seen, 0.0, 0.0, find_zero=False, stated=stated, grade=Grade.MEASURED, units="laps"
    )


def test_springs_and_both_ramps_come_back_from_a_pack_that_the_greater_of_them_presses() -> None:
    law = fit_greater_of(samples(), 0.0, 0.0)
    assert law.missing == {}
    for term, truth in zip((BREAKAWAY, DRIVE, OVERRUN), LAW, strict=True):
        assert law.value(term) == pytest.approx(truth, abs=2 * interval_of(law, term))


def test_the_sum_of_springs_and_ramps_would_read_such_a_pack_as_hardly_preloaded() -> None:
    # The straight line through the ramps' part meets the zero line at zero; derived here.
    steep = samples(input_nm=(250.0, 900.0))
    assert abs(fit_lock_law(steep, 0.0, 0.0).value(BREAKAWAY)) < 10.0


def test_a_sensor_offset_and_gain_mismatch_are_found_and_do_not_move_the_greater_of_law() -> None:
    law = fit_greater_of(samples(offset_nm=15.0, gain_mismatch=0.02), 0.0, 0.0)
    assert -law.value(OFFSET) == pytest.approx(15.0, abs=1.0)
    assert -law.value(GAIN) == pytest.approx(0.02, abs=0.002)
    assert law.value(BREAKAWAY) == pytest.approx(84.0, abs=1.5)
    assert law.value(DRIVE) == pytest.approx(0.45, abs=0.006)


def test_an_unknown_zero_of_the_input_torque_shows_where_the_ramps_rule() -> None:
    law = fit_greater_of(samples(zero_nm=15.0), 0.0, zero_tolerance_nm=30.0, find_zero=True)
    assert law.value(ZERO) == pytest.approx(15.0, abs=2.5)
    assert law.value(DRIVE) == pytest.approx(0.45, abs=0.006)


def test_a_band_of_the_greater_of_law_holds_the_law() -> None:
    grid = np.linspace(-400, 800, 41)
    curve, half = fit_greater_of(samples(), 0.0, 0.0).curve(grid)
    truth = locking_torque(grid, *LAW, PreloadLaw.GREATER_OF)
    assert np.mean(np.abs(curve - truth) < 1.5 * half) > 0.9


def test_the_mirrored_car_has_the_same_greater_of_law() -> None:
    seen = samples(offset_nm=8.0)
    mirror = replace(
        seen,
        torque_difference_nm=-seen.torque_difference_nm,
        speed_difference_radps=-seen.speed_difference_radps,
    )
    here, there = (fit_greater_of(each, 0.0, 0.0) for each in (seen, mirror))
    for term in (BREAKAWAY, DRIVE, OVERRUN):
        assert there.value(term) == pytest.approx(here.value(term), rel=1e-6)
    assert there.value(OFFSET) == pytest.approx(-here.value(OFFSET), rel=1e-4)


def test_a_ramp_that_never_beats_the_springs_has_no_lock_ratio_but_a_bound() -> None:
    law = fit_greater_of(samples(input_nm=(-150.0, 900.0)), 0.0, 0.0)
    assert law.index(OVERRUN) is None
    assert "never clearly push harder" in law.missing[OVERRUN]
    # 84 N m of springs over the 145 to 150 N m of input torque that the log goes up to.
    assert re.search("no more than 5[678] %", law.missing[OVERRUN])


def test_springs_that_never_beat_the_ramps_have_no_breakaway_torque_but_a_bound() -> None:
    law = fit_greater_of(samples(input_nm=(250.0, 900.0)), 0.0, 0.0)
    assert law.index(BREAKAWAY) is None
    assert "no more than" in law.missing[BREAKAWAY]
    assert law.value(DRIVE) == pytest.approx(0.45, abs=0.006)


@pytest.mark.parametrize("truth", list(PreloadLaw))
def test_the_right_law_is_chosen_where_a_log_visits_both_sides_of_the_knee(
    truth: PreloadLaw,
) -> None:
    rng = np.random.default_rng(5)
    chosen = [
        judged(
            samples(
                truth,
                seed,
                law=(rng.uniform(50, 130), rng.uniform(0.25, 0.5), rng.uniform(0.1, 0.4)),
                laps=6,
                lap_friction=0.03,
                noise_nm=15.0,
            )
        ).choice.chosen
        for seed in range(40)
    ]
    assert chosen.count(str(truth)) >= 38


def vague_log(rng: np.random.Generator) -> tuple[PreloadLaw, SlidingSamples]:
    """A log of either law, from hopeless to clear: few laps, much noise, little torque."""
    truth = PreloadLaw.ADDING if rng.random() < 0.5 else PreloadLaw.GREATER_OF
    return truth, samples(
        truth,
        int(rng.integers(2**31)),
        law=(rng.uniform(30, 140), rng.uniform(0.15, 0.5), rng.uniform(0.05, 0.4)),
        input_nm=(-rng.uniform(80, 400), rng.uniform(150, 900)),
        laps=int(rng.integers(5, 12)),
        noise_nm=float(rng.choice([20.0, 60.0, 200.0])),
        lap_friction=float(rng.choice([0.0, 0.02, 0.06])),
    )


def odds_against_truth(logs: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Stated odds of the likelier law, and whether it was the right one; shape (logs,) each."""
    rng = np.random.default_rng(seed)
    odds, right = np.empty(logs), np.empty(logs, dtype=bool)
    for i in range(logs):
        truth, seen = vague_log(rng)
        laws = fit_lock_law(seen, 0.0, 0.0), fit_greater_of(seen, 0.0, 0.0)
        chance, _ = chance_of_greater(*laws, seen)
        odds[i] = max(chance, 1 - chance)
        right[i] = (chance > 0.5) == (truth is PreloadLaw.GREATER_OF)
    return odds, right


def test_the_likelier_law_is_right_at_least_as_often_as_its_odds_say() -> None:
    odds, right = odds_against_truth(150, seed=3)
    middling = odds < 0.95
    assert middling.sum() > 30
    # Two standard deviations of a share over so many logs.
    slack = 2 * np.sqrt(0.25 / middling.sum())
    assert right[middling].mean() > odds[middling].mean() - slack
    assert right[~middling].mean() > 0.95


@pytest.mark.slow
def test_odds_come_true_in_every_class_of_two_thousand_vague_logs() -> None:
    odds, right = odds_against_truth(2000, seed=4)
    for low, high in ((0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 0.99), (0.99, 1.0)):
        here = (odds >= low) & (odds < high)
        said, true = odds[here].mean(), right[here].mean()
        print(f"{low:.2f} to {high:.2f}: {here.sum()} logs, said {said:.3f}, true {true:.3f}")
        assert true > said - 3 * np.sqrt(said * (1 - said) / here.sum())


def greater_of_intervals(logs: int, seed: int) -> np.ndarray:
    """Share of intervals that hold breakaway torque and both locks, shape (3,)."""
    inside = np.zeros(3)
    for i in range(logs):
        law = fit_greater_of(samples(seed=seed + i, lap_friction=0.02), 0.0, 0.0)
        inside += [
            abs(law.value(term) - truth) <= interval_of(law, term)
            for term, truth in zip((BREAKAWAY, DRIVE, OVERRUN), LAW, strict=True)
        ]
    return np.asarray(inside / logs)


def test_intervals_of_the_greater_of_law_hold_the_truth() -> None:
    assert np.all(greater_of_intervals(60, seed=100) >= 0.85)


@pytest.mark.slow
def test_intervals_of_the_greater_of_law_hold_the_truth_in_a_thousand_logs() -> None:
    held = greater_of_intervals(1000, seed=1000)
    print(held)
    assert np.all(held >= 0.92)
    assert np.all(held <= 0.98)


def undecided() -> JudgedLaw:
    """Only torques at which the ramps rule, and springs that add nothing."""
    return judged(samples(law=(20.0, 0.45, 0.35), input_nm=(120.0, 900.0)))


def test_a_log_that_shows_ramps_only_leaves_the_law_open_with_the_reason() -> None:
    choice = undecided().choice
    assert choice.chosen == ""
    assert "ramps push harder than the springs wherever the pack slides" in choice.reason


def test_an_open_law_widens_the_breakaway_torque_to_what_either_law_allows() -> None:
    law = undecided().law
    assert law.value(BREAKAWAY) + interval_of(law, BREAKAWAY) >= 20.0
    assert law.value(BREAKAWAY) + interval_of(law, BREAKAWAY) < 90.0


def test_a_stated_law_is_taken_and_the_odds_still_tell_what_the_log_says() -> None:
    found = judged(samples(), stated=PreloadLaw.ADDING)
    assert found.law.preload is PreloadLaw.ADDING
    assert found.choice.chosen == "adding"
    assert found.choice.odds["greater of"] > 0.95


def test_a_choice_must_name_an_option_or_say_why_it_cannot() -> None:
    with pytest.raises(ValueError, match="names an option or gives a reason"):
        Choice({"one": 0.5, "other": 0.5}, "", 8, Grade.MEASURED, "laps")
    with pytest.raises(ValueError, match="odds are 1 together"):
        Choice({"one": 0.5, "other": 0.2}, "one", 8, Grade.MEASURED, "laps")


def test_an_open_pack_reads_as_nothing_whatever_the_law() -> None:
    law: LockLaw = judged(samples(law=(0.0, 0.0, 0.0))).law
    for term in (BREAKAWAY, DRIVE, OVERRUN):
        assert abs(law.value(term)) <= interval_of(law, term) + 0.5


def test_springs_alone_leave_the_law_open_however_free_of_noise_the_log_is() -> None:
    seen = samples(law=(84.0, 0.0, 0.0), noise_nm=0.0)
    assert judged(seen).choice.chosen == ""
