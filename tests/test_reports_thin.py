"""Thinning: every extreme and every gap of a trace is still there to be drawn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.thin import GAP_CODE, evenly, extremes, two_byte_codes


def test_the_highest_and_lowest_sample_survive_whatever_surrounds_them() -> None:
    rng = np.random.default_rng(3)
    values = rng.standard_normal(20_000)
    values[7_919], values[12_345] = 40.0, -40.0
    kept = extremes(values, 800)
    assert kept.size <= 800
    assert {7_919, 12_345, 0, 19_999} <= set(kept.tolist())


def test_a_gap_of_one_sample_is_still_a_gap() -> None:
    values = np.sin(np.linspace(0.0, 9.0, 5_000))
    values[2_500] = np.nan
    kept = extremes(values, 400)
    assert kept.size <= 400
    assert np.isnan(values[kept]).sum() == 1


def test_a_short_trace_is_kept_whole() -> None:
    assert extremes(np.arange(50.0), 50).tolist() == list(range(50))


def test_a_trace_of_nothing_but_gaps_is_thinned_too() -> None:
    kept = extremes(np.full(1_000, np.nan), 100)
    assert 0 < kept.size <= 100


@given(st.integers(0, 3_000), st.integers(8, 500), st.integers(0, 2**32 - 1), st.booleans())
def test_thinning_keeps_range_order_and_limit(
    size: int, limit: int, seed: int, gappy: bool
) -> None:
    rng = np.random.default_rng(seed)
    values = rng.standard_normal(size)
    if gappy and size:
        values[rng.random(size) < 0.2] = np.nan
    kept = extremes(values, limit)
    assert kept.size <= limit
    assert (np.diff(kept) > 0).all()
    if np.isfinite(values).any():
        assert np.nanmax(values[kept]) == np.nanmax(values)
        assert np.nanmin(values[kept]) == np.nanmin(values)


def test_an_even_choice_holds_both_ends_and_no_more_than_asked() -> None:
    kept = evenly(10_001, 100)
    assert (kept[0], kept[-1], kept.size) == (0, 10_000, 100)


@pytest.mark.parametrize("values", [[0.0, 1.0, 5.0], [-3.2, np.nan, 7.7], [4.0], [], [2.0, 2.0]])
def test_two_byte_codes_lose_less_than_a_pixel(values: list[float]) -> None:
    given_values = np.array(values)
    codes, offset, step = two_byte_codes(given_values)
    back = np.where(codes == GAP_CODE, np.nan, offset + step * codes.astype(float))
    reach = np.nanmax(given_values) - np.nanmin(given_values) if given_values.size else 0.0
    np.testing.assert_allclose(back, given_values, atol=reach / 60_000 + 1e-12)
