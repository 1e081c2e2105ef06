"""Lines through a season of values: published examples, intervals that hold, quiet when steady."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.drift import TooFewUnitsError, by_unit, single_break, straight_line

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
    with pytest.raises(TooFewUnitsError, match="3 of the 4"):
        straight_line(np.arange(3.0), np.arange(3.0), np.ones(3))


def test_values_at_one_exposure_show_no_drift() -> None:
    with pytest.raises(TooFewUnitsError, match="no energy"):
        straight_line(np.ones(5), np.arange(5.0), np.ones(5))


def test_break_in_the_flow_of_the_nile_is_found_where_it_is_known_to_be() -> None:
    # Cobb, Biometrika 65, 1978: the flow dropped after 1898; data of statsmodels. Means of the two
    # parts 1097.75 and 849.97.
    flow = sm.datasets.nile.load_pandas().data
    found = single_break(
        flow["volume"].to_numpy(), np.ones(len(flow)), rng=np.random.default_rng(1)
    )
    assert found is not None
    assert flow["year"].iloc[found.after] == 1898
    assert found.step == pytest.approx(849.9722 - 1097.75, abs=0.01)
    assert found.p == 1 / 1000


def test_steady_values_seldom_break() -> None:
    rng = np.random.default_rng(2)
    sd = np.full(16, 0.02)
    found = [single_break(rng.normal(0, 0.03, 16), sd, rng=rng) for _ in range(150)]
    assert np.mean([each is not None and each.p <= 0.01 for each in found]) <= 0.04
