"""Lines through a season of values: published examples, intervals that hold, quiet when steady."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.drift import Break, TooFewUnitsError, by_unit, single_break, straight_line
from pipeline.regression import student_t

# Sen, J. Amer. Statist. Assoc. 63, 1968: the worked example, as printed in scipy's own tests.
SEN_X = np.array([1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0])
SEN_Y = np.array([9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0])


def season(
    n: int, rng: np.random.Generator, slope: float = 0.0, scatter: float = 0.03
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    energy = rng.uniform(0.5, 1.5, n)
    exposure = np.cumsum(energy) - 0.5 * energy
    sd = rng.uniform(0.01, 0.03, n)
    value = 1 + slope * exposure + rng.normal(0, scatter, n) + sd * rng.normal(0, 1, n)
    return exposure, value, sd


def test_slope_of_the_published_example_lies_in_its_published_interval() -> None:
    # Sen 1968: slope 4, 93 % interval 3.71 to 4.38.
    assert 3.71 < straight_line(SEN_X, SEN_Y, np.full(7, 0.5)).slope < 4.38


def test_slope_agrees_with_the_rank_slope_of_a_general_library() -> None:
    expected = stats.theilslopes(SEN_Y, SEN_X).slope
    assert straight_line(SEN_X, SEN_Y, np.full(7, 0.5)).slope == pytest.approx(expected, rel=0.02)


def test_without_odd_values_the_line_is_the_weighted_one_of_a_general_library() -> None:
    rng = np.random.default_rng(3)
    x = np.arange(30.0)
    sd = rng.uniform(1.0, 3.0, 30)
    y = 5 + 0.2 * x + np.clip(sd * rng.normal(0, 1, 30), -0.8 * sd, 0.8 * sd)
    line = straight_line(x, y, sd)
    fitted = sm.WLS(y, sm.add_constant(x), weights=1 / sd**2).fit()
    assert line.slope == pytest.approx(fitted.params[1], rel=1e-9)
    assert line.at(0.0)[0] == pytest.approx(fitted.params[0], rel=1e-9)


def test_one_odd_session_does_not_bend_the_line() -> None:
    x, y, sd = season(16, np.random.default_rng(4))
    clean = straight_line(x, y, sd)
    y[12] += 1.0
    assert abs(straight_line(x, y, sd).slope - clean.slope) < clean.slope_half_width()


@settings(deadline=None)  # the first call loads the root finder
@given(shift=st.floats(-100, 100), scale=st.floats(0.01, 100), stretch=st.floats(0.01, 100))
def test_units_of_value_and_exposure_only_scale_the_line(
    shift: float, scale: float, stretch: float
) -> None:
    x, y, sd = season(10, np.random.default_rng(5), -0.03)
    plain = straight_line(x, y, sd)
    other = straight_line(stretch * x + shift, scale * y, scale * sd)
    assert other.slope == pytest.approx(plain.slope * scale / stretch, rel=1e-6)
    assert other.slope_p == pytest.approx(plain.slope_p, rel=1e-4)


@pytest.mark.parametrize("n", [5, 8, 16, 24])
def test_interval_of_the_slope_holds_the_truth_as_often_as_it_says(n: int) -> None:
    rng = np.random.default_rng(100 + n)
    held = 0
    for _ in range(400):
        line = straight_line(*season(n, rng, -0.02))
        held += abs(line.slope + 0.02) <= line.slope_half_width()
    assert 0.92 <= held / 400 <= 0.98


def test_sessions_of_one_day_count_as_one_unit() -> None:
    x, y, sd = by_unit(np.arange(6.0), np.arange(6.0), np.ones(6), np.array([0, 0, 0, 1, 1, 1]))
    assert x.tolist() == y.tolist() == [1.0, 4.0]
    assert sd == pytest.approx([3**-0.5, 3**-0.5])


def test_three_values_are_too_few_for_a_drift() -> None:
    with pytest.raises(TooFewUnitsError, match="and there are 3"):
        straight_line(np.arange(3.0), np.arange(3.0), np.ones(3))


def test_values_at_one_exposure_show_no_drift() -> None:
    with pytest.raises(TooFewUnitsError, match="no energy"):
        straight_line(np.ones(5), np.arange(5.0), np.ones(5))


def in_order(values: np.ndarray) -> np.ndarray:
    return np.arange(len(values), dtype=float)


def found_break(values: np.ndarray) -> Break:
    found = single_break(in_order(values), values, np.ones(len(values)))
    assert found is not None
    return found


def test_break_in_the_flow_of_the_nile_is_found_where_it_is_known_to_be() -> None:
    # Cobb, Biometrika 65, 1978: the flow dropped after 1898; data of statsmodels. Means of the two
    # parts 1097.75 and 849.97.
    flow = sm.datasets.nile.load_pandas().data
    found = found_break(flow["volume"].to_numpy())
    assert flow["year"].iloc[found.after] == 1898
    assert found.step == pytest.approx(849.9722 - 1097.75, abs=0.01)
    assert found.p < 1e-9
    assert found.over_line > 10


# NIST/SEMATECH e-Handbook of Statistical Methods, sec. 6.3.2.3 (CUSUM): group means; the published
# cumulative sum begins to rise at group 13 and signals at group 14.
HANDBOOK_CUSUM = np.array([
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
])  # fmt: skip
# Montgomery, Introduction to Statistical Quality Control, ex. 9.1: the published cumulative sum
# signals at observation 29 and dates the shift to between observations 22 and 23.
MONTGOMERY = np.array([
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40,
    10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62,
    11.31, 10.52,
])  # fmt: skip
# NIST/SEMATECH e-Handbook, sec. 6.3.2.4 (EWMA): published as in control.
HANDBOOK_EWMA = np.array([
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2,
    52.6, 52.4, 53.6, 52.1,
])  # fmt: skip


def test_step_of_the_handbooks_cusum_example_lies_before_group_13() -> None:
    found = found_break(HANDBOOK_CUSUM)
    assert found.after + 1 == 12
    assert found.p < 1e-6


def test_step_of_montgomerys_cusum_example_lies_where_its_sum_dates_it() -> None:
    assert found_break(MONTGOMERY).after + 1 == 22


def test_the_handbooks_process_in_control_neither_steps_nor_drifts() -> None:
    assert found_break(HANDBOOK_EWMA).p > 0.05
    line = straight_line(in_order(HANDBOOK_EWMA), HANDBOOK_EWMA, np.zeros(20))
    assert line.slope_p > 0.05


# Mann-Kendall examples: EPA QA/G-9S, 2006, p. 109 (S = 22, Z = 1.685, one-sided p = 0.046);
# Wisconsin Adm. Code NR 140, table A (S = -5); EPA QA/G-9 (S = 6, one-sided exact p = 0.117; from
# memory). Where that test finds no trend at a hundredth the line must claim none.
@pytest.mark.parametrize(
    ("values", "rises"),
    [
        ((10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15), True),
        ((100, 50, 85, 75, 50), False),
        ((5, 6, 11, 8, 10), True),
    ],
)
def test_a_slope_points_as_the_published_rank_test_does_and_is_no_surer(
    values: tuple[float, ...], rises: bool
) -> None:
    measured = np.array(values, dtype=float)
    line = straight_line(in_order(measured), measured, np.zeros(len(measured)))
    assert (line.slope > 0) is rises
    assert line.slope_p > 0.01


def test_coefficients_of_a_certified_regression_are_met() -> None:
    # NIST StRD, linear regression, Norris: certified slope and intercept. Values so unsure that
    # none is held back make the line that of least squares.
    folder = Path(stats.__file__).parent / "tests" / "data" / "nist_linregress"
    y, x = np.loadtxt(folder / "Norris.dat", skiprows=60).T
    line = straight_line(x, y, np.full(len(x), 100.0))
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-10)
    assert line.at(0.0)[0] == pytest.approx(-0.262323073774029, rel=1e-8)


@pytest.mark.parametrize("n", [6, 8, 24])
def test_steady_values_step_no_oftener_than_the_probability_says(n: int) -> None:
    rng = np.random.default_rng(2)
    sd = np.full(n, 0.02)
    found = [single_break(np.arange(n), rng.normal(0, 0.03, n), sd) for _ in range(2000)]
    assert np.mean([each is not None and each.p <= 0.05 for each in found]) <= 0.06


def test_a_steady_decline_is_better_told_by_a_line_than_by_a_step() -> None:
    rng = np.random.default_rng(7)
    assert found_break(1 - 0.03 * np.arange(16) + rng.normal(0, 0.02, 16)).over_line < 0


def test_what_is_fitted_beside_is_told_with_its_interval_and_leaves_the_slope_alone() -> None:
    rng = np.random.default_rng(8)
    held_slope = held_effect = 0
    for _ in range(300):
        x, y, sd = season(16, rng, -0.02)
        warmth = rng.normal(0, 1, 16) + 0.3 * (x - x.mean())
        warmth -= warmth.mean()
        line = straight_line(x, y - 0.05 * warmth, sd, warmth[:, None])
        held_slope += abs(line.slope + 0.02) <= line.slope_half_width()
        half = student_t(line.degrees_of_freedom) * line.effects_sd[0]
        held_effect += abs(line.effects[0] + 0.05) <= half
    assert 0.92 <= held_slope / 300 <= 0.98
    assert 0.92 <= held_effect / 300 <= 0.98


def test_a_step_is_told_apart_from_the_circuit_that_took_turns() -> None:
    rng = np.random.default_rng(9)
    turns = np.arange(16) % 2 - 0.5
    y = 1 + 0.4 * turns - 0.1 * (np.arange(16) > 9) + rng.normal(0, 0.01, 16)
    found = single_break(np.arange(16.0), y, np.full(16, 0.01), turns[:, None])
    assert found is not None
    assert found.after == 9
    assert abs(found.step + 0.1) < 4 * found.sd
