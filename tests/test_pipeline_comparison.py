"""Setup against setup: no claim out of nothing, none out of a drifting day, power as promised."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.comparison import (
    CannotCompareError,
    Run,
    Scatter,
    difference,
    false_discoveries_held,
    plan_runs,
    power_of,
    scatter_of,
    smallest_difference,
)


def day(
    order: str,
    rng: np.random.Generator,
    effect: float = 0.0,
    drift: float = 0.0,
    scatter: float = 0.01,
    lap_sd: float = 0.02,
    laps: int = 8,
) -> list[Run]:
    """Invented runs: B is higher by the effect, everything drifts evenly over the day."""
    runs = []
    for i, letter in enumerate(order):
        seen = rng.normal(0, lap_sd, laps)
        level = 1 + effect * (letter == "B") + drift * i / (len(order) - 1)
        value = level + scatter * rng.normal() + seen.mean()
        runs.append(Run(letter == "B", float(i), float(value), float(seen.std(ddof=1) / laps**0.5)))
    return runs


def test_without_history_it_is_the_regression_of_a_general_library() -> None:
    runs = [Run(r.is_b, r.hour, r.value, 0.0) for r in day("ABBABA", np.random.default_rng(1))]
    design = np.array([[1.0, run.is_b, run.hour] for run in runs])
    expected = sm.OLS([run.value for run in runs], design).fit()
    found = difference(runs)
    assert found.value == pytest.approx(expected.params[1], rel=1e-9)
    assert found.sd == pytest.approx(expected.bse[1], rel=1e-9)
    assert found.p == pytest.approx(expected.pvalues[1], rel=1e-9)


@given(drift=st.floats(-50, 50), level=st.floats(-100, 100))
def test_an_even_drift_of_the_day_changes_nothing(drift: float, level: float) -> None:
    runs = day("ABBA", np.random.default_rng(1), effect=0.1)
    moved = [Run(r.is_b, r.hour, r.value + level + drift * r.hour, r.sd) for r in runs]
    assert difference(moved).value == pytest.approx(difference(runs).value, abs=1e-9)
    assert difference(moved).sd == pytest.approx(difference(runs).sd, abs=1e-9)


def test_a_then_b_is_called_confounded() -> None:
    with pytest.raises(CannotCompareError, match="went AABB: what changed"):
        difference(day("AABB", np.random.default_rng(2)))


def test_one_setup_alone_is_no_comparison() -> None:
    with pytest.raises(CannotCompareError, match="only setup A"):
        difference(day("AAAA", np.random.default_rng(2)))


def test_three_runs_leave_no_measure_of_chance() -> None:
    with pytest.raises(CannotCompareError, match="3 runs leave nothing"):
        difference(day("ABA", np.random.default_rng(2)))


def test_days_before_make_three_runs_enough() -> None:
    history = Scatter(0.01**2, 8)
    assert difference(day("ABA", np.random.default_rng(2)), history).degrees_of_freedom == 8


@pytest.mark.parametrize("order", ["ABBA", "ABAB", "ABBABAAB"])
@pytest.mark.parametrize("history", [Scatter(0.0, 0), Scatter(0.01**2, 10)])
def test_equal_setups_are_claimed_to_differ_in_one_day_of_twenty(
    order: str, history: Scatter
) -> None:
    rng = np.random.default_rng(3)
    claimed = np.mean(
        [difference(day(order, rng, drift=0.02), history).p < 0.05 for _ in range(600)]
    )
    assert claimed <= 0.068  # 0.05 and two standard deviations of the count


def test_over_corners_at_most_one_claim_in_twenty_is_false() -> None:
    rng = np.random.default_rng(4)
    any_false = 0
    for _ in range(400):
        p = np.array([difference(day("ABBABAAB", rng, drift=0.02)).p for _ in range(9)])
        any_false += bool(false_discoveries_held(p).any())
    assert any_false / 400 <= 0.072


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_claims_are_those_of_a_general_library(p: Sequence[float]) -> None:
    expected = stats.false_discovery_control(np.array(p)) <= 0.05
    claimed = false_discoveries_held(np.array(p))
    # The library's adjusted values are rounded differently right at the border.
    close = np.isclose(stats.false_discovery_control(np.array(p)), 0.05, rtol=1e-9)
    assert np.array_equal(claimed[~close], expected[~close])


def test_a_lock_difference_of_a_tenth_is_found_at_the_measured_grade() -> None:
    # What sessions of the invented car state of their lock on drive: 0.003 of its own; runs differ
    # by hardly more.
    rng = np.random.default_rng(5)
    found = [
        difference(day("ABBA", rng, effect=0.1, scatter=0.003, lap_sd=0.008)).p < 0.05
        for _ in range(300)
    ]
    assert np.mean(found) >= 0.9


def test_the_interval_holds_the_true_difference_as_often_as_it_says() -> None:
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(600):
        found = difference(day("ABBABA", rng, effect=0.05, drift=0.1))
        held += abs(found.value - 0.05) <= found.half_width()
    assert 0.92 <= held / 600 <= 0.98


def test_a_difference_within_the_margin_is_called_nothing() -> None:
    found = difference(day("ABBABAAB", np.random.default_rng(7), scatter=0.001, lap_sd=0.001))
    assert found.is_nothing(0.05)
    assert not found.is_nothing(0.0005)


@pytest.mark.parametrize("order", ["ABBABAAB", "ABBABAABABBA"])
def test_the_promised_power_is_that_of_simulated_days(order: str) -> None:
    rng = np.random.default_rng(8)
    scatter = Scatter(0.01**2, 0)
    promised = power_of(order, 0.03, 0.02, scatter, 8)
    seen = np.mean([difference(day(order, rng, effect=0.03)).p < 0.05 for _ in range(600)])
    assert seen == pytest.approx(promised, abs=0.05)


def test_the_plan_is_the_shortest_that_keeps_its_promise() -> None:
    plan = plan_runs(0.03, 0.02, Scatter(0.01**2, 0), laps_per_run=8)
    assert plan is not None
    assert plan.power >= 0.9
    assert power_of(plan.order[:-4], 0.03, 0.02, Scatter(0.01**2, 0), 8) < 0.9


def test_a_difference_too_small_for_any_day_has_no_plan() -> None:
    assert plan_runs(1e-5, 0.02, Scatter(0.01**2, 0), laps_per_run=8) is None


def test_the_smallest_difference_of_an_order_has_just_the_wanted_power() -> None:
    scatter = Scatter(0.01**2, 4)
    size = smallest_difference("ABBA", 0.02, scatter, 8)
    assert power_of("ABBA", size, 0.02, scatter, 8) == pytest.approx(0.9, abs=1e-4)


def test_scatter_of_days_before_is_what_was_put_in() -> None:
    rng = np.random.default_rng(9)
    days = [day("AAAA", rng, drift=0.1, scatter=0.03, lap_sd=0.01) for _ in range(300)]
    found = scatter_of(days)
    assert found.variance**0.5 == pytest.approx(0.03, rel=0.1)
    assert found.degrees_of_freedom == 600
