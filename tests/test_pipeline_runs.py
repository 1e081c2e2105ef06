"""Runs of samples: hysteresis, gaps, blips and holes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

import pipeline.stretches
from pipeline.runs import (
    bridge,
    close_gaps,
    drop_short,
    erode,
    mask_of,
    mean_at,
    moving_mean,
    runs,
    widen,
    with_hysteresis,
)

MASKS = hnp.arrays(np.bool_, st.integers(1, 60))


def mask(text: str) -> np.ndarray:
    """``"#"`` is True, anything else False."""
    return np.array([letter == "#" for letter in text])


def text(found: np.ndarray) -> str:
    return "".join("#" if each else "." for each in found)


@given(MASKS)
def test_a_mask_is_rebuilt_from_its_runs(found: np.ndarray) -> None:
    assert np.array_equal(mask_of(runs(found), len(found)), found)


def test_hysteresis_keeps_a_run_that_was_entered_once_and_drops_one_that_never_was() -> None:
    assert text(with_hysteresis(mask("..#......"), mask(".####.###"))) == ".####...."


def test_a_short_gap_is_closed_and_a_long_one_stays() -> None:
    assert text(close_gaps(mask("##.##...##"), 2)) == "#####...##"


def test_a_gap_at_an_end_is_not_between_two_runs() -> None:
    assert text(close_gaps(mask(".##."), 5)) == ".##."


def test_a_blip_is_dropped() -> None:
    assert text(drop_short(mask("#.###.##"), 3)) == "..###..."


@given(MASKS, st.integers(0, 5))
def test_what_is_widened_holds_what_was_there(found: np.ndarray, samples: int) -> None:
    assert np.all(widen(found, samples)[found])


@given(MASKS, st.integers(0, 5))
def test_what_is_eroded_was_there(found: np.ndarray, samples: int) -> None:
    assert np.all(found[erode(found, samples)])


def test_erosion_takes_samples_off_both_ends() -> None:
    assert text(erode(mask(".######.##."), 2)) == "...##......"


@given(st.integers(1, 9), st.floats(-1e6, 1e6))
def test_the_mean_of_a_constant_is_the_constant(samples: int, value: float) -> None:
    found = moving_mean(np.full(30, value), samples | 1)
    assert np.allclose(found, value, rtol=1e-9, atol=1e-6)


def test_a_mean_over_a_hole_is_a_hole() -> None:
    values = np.arange(9.0)
    values[4] = np.nan
    assert np.flatnonzero(np.isnan(moving_mean(values, 3))).tolist() == [3, 4, 5]


@given(
    hnp.arrays(np.float64, st.integers(1, 80), elements=st.floats(-99, 99) | st.just(np.nan)),
    st.integers(0, 20),
)
def test_a_mean_in_stretches_is_the_mean_at_once(values: np.ndarray, half: int) -> None:
    whole = moving_mean(values, 2 * half + 1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline.stretches, "AT_ONCE", 7)
        parts = moving_mean(values, 2 * half + 1)
    np.testing.assert_allclose(parts, whole, atol=1e-10)
    np.testing.assert_allclose(
        mean_at(values, 2 * half + 1, np.arange(len(values))), whole, atol=1e-10
    )


def test_a_straight_line_is_bridged_exactly() -> None:
    values = np.arange(10.0)
    holed = values.copy()
    holed[3:6] = np.nan
    assert bridge(holed, 3).tolist() == values.tolist()


def test_holes_at_the_ends_are_not_bridged() -> None:
    values = np.array([np.nan, 1.0, 2.0, np.nan])
    assert np.isnan(bridge(values, 5)[[0, 3]]).all()
