"""The robust fit and its intervals, against certified data, a reference library and chance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm

from pipeline.regression import (
    TooFewClustersError,
    fit_by_cluster,
    jackknife_covariance,
    mean_interval,
    ratio_interval,
    student_t,
)


def norris() -> tuple[np.ndarray, np.ndarray]:
    """Response and predictor of NIST StRD Norris, as shipped with SciPy. Shapes (36,)."""
    data = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    rows = np.loadtxt(data, skiprows=60)
    return rows[:, 0], rows[:, 1]


def test_the_fit_meets_certified_values_when_no_residual_is_large() -> None:
    # Source: NIST StRD, Norris: B0 -0.262323073774029, B1 1.00211681802045 (least squares). The
    # robust fit must come within the certified standard deviations of 0.2328 and 0.00042980.
    y, x = norris()
    fit = fit_by_cluster(np.column_stack((np.ones(36), x)), y, np.arange(36) // 4)
    assert fit.coefficients[0] == pytest.approx(-0.262323073774029, abs=0.232818)
    assert fit.coefficients[1] == pytest.approx(1.00211681802045, abs=4.2980e-4)


def test_without_noise_the_fit_is_exact() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(size=(200, 3))
    truth = np.array([84.0, 0.5, -2.0])
    fit = fit_by_cluster(x, x @ truth, np.arange(200) % 8)
    assert fit.coefficients == pytest.approx(truth, rel=1e-10)
    assert fit.half_width(np.eye(3)) == pytest.approx(0.0, abs=1e-8)


def test_the_robust_fit_agrees_with_a_reference_library() -> None:
    # Source: stack-loss data, Huber fit by statsmodels RLM: -41.0265, 0.8294, 0.9261, -0.1278.
    data = sm.datasets.stackloss.load_pandas()
    design = np.column_stack((np.ones(len(data.endog)), data.exog.to_numpy()))
    # Clusters play no part in the coefficients.
    fit = fit_by_cluster(design, data.endog.to_numpy(), np.arange(len(data.endog)) % 5)
    assert fit.coefficients == pytest.approx([-41.0265, 0.8294, 0.9261, -0.1278], abs=2e-3)


def test_one_wild_sample_in_ten_hardly_moves_the_fit() -> None:
    rng = np.random.default_rng(2)
    x = rng.uniform(0, 1000, 2000)
    y = 80 + 0.4 * x + rng.normal(0, 5, 2000)
    y[::10] += 500
    fit = fit_by_cluster(np.column_stack((np.ones(2000), x)), y, np.arange(2000) // 200)
    assert fit.coefficients[1] == pytest.approx(0.4, abs=0.002)
    assert fit.coefficients[0] == pytest.approx(80, abs=2)


def test_replicates_are_what_refitting_without_a_lap_gives() -> None:
    rng = np.random.default_rng(4)
    lap = np.repeat(np.arange(8), 400)
    x = rng.uniform(0, 1000, len(lap))
    y = 80 + rng.normal(0, 3, 8)[lap] + 0.4 * x + rng.standard_t(4, len(lap)) * 5
    design = np.column_stack((np.ones(len(x)), x))
    fit = fit_by_cluster(design, y, lap)
    refits = np.array(
        [
            fit_by_cluster(design[lap != g], y[lap != g], lap[lap != g]).coefficients
            for g in range(8)
        ]
    )
    spread = np.sqrt(np.diag(jackknife_covariance(refits)))
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(spread, rel=0.03)


@pytest.mark.parametrize("laps", [5, 8, 20])
def test_intervals_hold_the_truth_as_often_as_they_say(laps: int) -> None:
    """Samples of one lap share an error: intervals from samples would fail badly here."""
    inside = 0
    trials = 400
    for seed in range(trials):
        rng = np.random.default_rng([laps, seed])
        lap = np.repeat(np.arange(laps), 40)
        x = rng.uniform(0, 1, len(lap)) + 0.3 * rng.normal(size=laps)[lap]
        slope = 2.0 + 0.3 * rng.normal(size=laps)[lap]
        y = 1.0 + slope * x + 0.5 * rng.normal(size=laps)[lap] + 0.2 * rng.normal(size=len(lap))
        fit = fit_by_cluster(np.column_stack((np.ones(len(x)), x)), y, lap)
        half = float(fit.half_width(np.array([0.0, 1.0])))
        inside += abs(fit.coefficients[1] - 2.0) <= half
    assert 0.92 <= inside / trials <= 0.99


def test_two_laps_are_too_few_for_an_interval() -> None:
    with pytest.raises(TooFewClustersError, match="2 laps"):
        fit_by_cluster(np.ones((10, 1)), np.arange(10.0), np.arange(10) // 5)


def test_a_coefficient_that_one_lap_alone_holds_is_refused() -> None:
    lap = np.repeat(np.arange(4), 10)
    design = np.column_stack((np.ones(40), (lap == 2).astype(float)))
    with pytest.raises(TooFewClustersError, match="one lap alone"):
        fit_by_cluster(design, np.arange(40.0), lap)


def test_columns_that_cannot_be_told_apart_are_refused() -> None:
    x = np.linspace(0, 1, 40)
    design = np.column_stack((np.ones(40), x, 2 * x))
    with pytest.raises(TooFewClustersError, match="told apart"):
        fit_by_cluster(design, x, np.arange(40) % 4)


def test_paired_shoes_wear_as_published() -> None:
    # Source: Box, Hunter & Hunter, Statistics for Experimenters, table 3.5 (boys' shoes), t test
    # with 9 degrees of freedom: mean 0.41, 95 % interval 0.133 to 0.687.
    a = np.array([13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3])
    b = np.array([14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6])
    mean, half = mean_interval(b - a)
    assert (mean, mean - half, mean + half) == pytest.approx((0.41, 0.133, 0.687), abs=5e-4)


def test_a_ratio_of_sums_has_the_interval_of_its_linear_form() -> None:
    rng = np.random.default_rng(6)
    wholes = rng.uniform(50, 150, 12)
    parts = 0.5 * wholes + rng.normal(0, 3, 12)
    ratio, half = ratio_interval(parts, wholes)
    assert ratio == pytest.approx(parts.sum() / wholes.sum())
    # Reference: the t interval of the residuals' mean over the mean of the wholes.
    residual = parts - ratio * wholes
    expected = student_t(11) * scipy.stats.sem(residual) / wholes.mean()
    assert half == pytest.approx(expected, rel=1e-9)
