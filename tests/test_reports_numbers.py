"""How numbers are written: rounded to their interval, never more precise than it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate import Estimate, Grade
from reports.numbers import MINUS, THIN_SPACE, count, decimals_for, lap_time, number, written


def estimate(value: float, low: float, high: float) -> Estimate:
    return Estimate(value, low, high, "N m", 6, Grade.MEASURED, "laps")


@pytest.mark.parametrize(
    ("half_width", "decimals"),
    [(0.0034, 3), (0.014, 3), (0.17, 2), (0.5, 1), (2.9, 1), (3.0, 0), (42.0, -1), (170.0, -1)],
)
def test_the_interval_decides_how_many_decimals_are_kept(half_width: float, decimals: int) -> None:
    assert decimals_for(half_width) == decimals


def test_an_even_interval_is_written_plus_minus_and_a_lopsided_one_with_both_ends() -> None:
    assert written(estimate(87.34, 83.2, 91.4), "N·m", 1.0).with_interval == "87 ± 4"
    assert written(estimate(87.34, 86.9, 97.4), "N·m", 1.0).with_interval == "87 (87 to 97)"


def test_a_number_is_shown_in_its_own_unit_with_the_interval_scaled_alike() -> None:
    text = written(estimate(20_412.0, 19_800.0, 21_000.0), "kJ", 1e-3)
    assert (text.value, text.low, text.high, text.unit) == ("20.4", "19.8", "21.0", "kJ")


def test_thousands_stand_apart_and_minus_is_a_minus() -> None:
    assert number(-1_234_567.8, 0) == f"{MINUS}1{THIN_SPACE}234{THIN_SPACE}568"
    assert number(1_234.0, -2) == f"1{THIN_SPACE}200"


def test_nothing_is_written_as_minus_zero() -> None:
    assert number(-0.0004, 2) == "0.00"


def test_a_lap_time_carries_over_into_minutes() -> None:
    assert lap_time(59.9996) == "1:00.000"
    assert lap_time(125.5) == "2:05.500"


def test_counts_agree_with_their_noun() -> None:
    assert (count(1, "lap"), count(0, "lap"), count(2, "corner")) == (
        "1 lap",
        "0 laps",
        "2 corners",
    )


@given(
    st.floats(-1e6, 1e6),
    st.floats(1e-6, 1e5),
    st.floats(1e-6, 1e5),
)
def test_the_written_value_lies_within_a_sixth_of_the_half_width(
    value: float, below: float, above: float
) -> None:
    text = written(estimate(value, value - below, value + above), "", 1.0)
    read = float(text.value.replace(THIN_SPACE, "").replace(MINUS, "-"))
    assert abs(read - value) <= 0.5 * (below + above) / 5.8 + 1e-9 * abs(value)
