"""Thinning: no sample lies further off the drawn strokes than is said, and no gap is bridged."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from drawn_laps import decoded, spread
from hypothesis import given
from hypothesis import strategies as st

from reports.thin import FINEST, GAP_CODE, evenly, lap_lines


def drawn(values: np.ndarray, laps: list[np.ndarray], limit: int, reach: float = 1.0):
    return lap_lines({"line": values}, {"line": reach}, laps, limit)


@given(
    st.lists(st.integers(2, 900), min_size=1, max_size=4),
    st.integers(1, 400),
    st.integers(0, 2**32 - 1),
)
def test_no_sample_lies_further_off_its_stroke_than_is_said(
    sizes: list[int], limit: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    values = np.cumsum(rng.standard_normal(sum(sizes)))
    ends = np.cumsum([0, *sizes])
    laps = [np.arange(a, b) for a, b in pairwise(ends)]
    lines, allowed = drawn(values, laps, limit, reach=10.0)
    for lap, line in zip(laps, lines, strict=True):
        off = np.abs(spread(line["line"], lap.size) - values[lap]).max()
        rounding = np.ptp(values[lap]) / GAP_CODE
        assert off <= 10.0 * allowed + rounding + 1e-6


def test_a_smooth_line_takes_few_strokes_and_stays_within_a_pixel() -> None:
    values = np.sin(np.linspace(0.0, 12.0, 6_000))
    lines, allowed = drawn(values, [np.arange(6_000)], 6_000, reach=2.0)
    assert allowed == FINEST
    begin, _ = decoded(lines[0]["line"], 6_000)
    assert begin.size < 250


def test_a_limit_that_is_too_small_for_a_noisy_line_widens_the_tolerance() -> None:
    values = np.random.default_rng(3).standard_normal(20_000)
    lines, allowed = drawn(values, [np.arange(20_000)], 4_000)
    begin, _ = decoded(lines[0]["line"], 20_000)
    assert allowed > FINEST
    assert begin.size <= 4_100


def test_the_highest_and_lowest_sample_of_a_lap_survive_whatever_surrounds_them() -> None:
    values = np.random.default_rng(3).standard_normal(20_000)
    values[7_919], values[12_345] = 40.0, -40.0
    lines, _ = drawn(values, [np.arange(20_000)], 300)
    begin, seen = decoded(lines[0]["line"], 20_000)
    assert {7_919, 12_345} <= set(begin.tolist())
    assert (seen.min(), seen.max()) == pytest.approx((-40.0, 40.0), abs=0.01)


def test_a_gap_of_one_sample_is_still_a_gap_and_only_there() -> None:
    values = np.sin(np.linspace(0.0, 9.0, 5_000))
    values[2_500] = np.nan
    lines, _ = drawn(values, [np.arange(5_000)], 100)
    begin, seen = decoded(lines[0]["line"], 5_000)
    assert begin[np.isnan(seen)].tolist() == [2_500]
    assert {2_499, 2_501} <= set(begin.tolist())


def test_a_lap_without_a_value_has_no_line() -> None:
    values = np.concatenate((np.full(500, np.nan), np.ones(500)))
    lines, _ = drawn(values, [np.arange(500), np.arange(500, 1_000)], 100)
    assert [list(line) for line in lines] == [[], ["line"]]


def test_samples_may_be_left_out_of_a_lap() -> None:
    values = np.arange(1_000.0)
    kept = np.flatnonzero(np.arange(1_000) % 3 != 0)
    lines, _ = drawn(values, [kept], 1_000, reach=1_000.0)
    np.testing.assert_allclose(spread(lines[0]["line"], kept.size), values[kept], atol=3.0)


def test_an_even_choice_holds_both_ends_and_no_more_than_asked() -> None:
    kept = evenly(10_001, 100)
    assert (kept[0], kept[-1], kept.size) == (0, 10_000, 100)
