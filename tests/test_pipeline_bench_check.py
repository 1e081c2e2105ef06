"""Bench checks of breakaway, and ramps with friction, by worked examples of statics."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bench_check import (
    Method,
    breakaway_from_reading,
    loaded_ramps,
    wrench_reading,
)
from pipeline.plates import PreloadLaw, breakaway_torque, effective_radius, lock_ratio
from pipeline.ramps import thrust_ratio

# Worked by hand: mu 0.10, 4 faces a pack, radii 60 and 45 mm, ramps 45 degrees at 42 mm, 2000 N.
RADIUS_M = effective_radius(0.060, 0.045)
BREAKAWAY_NM = breakaway_torque(0.10, 4, RADIUS_M, 2000.0)
LOCK = lock_ratio(0.10, 4, RADIUS_M, 0.042, math.radians(45))


# Source: worked example by hand from the balance of torques; M_pre of one pack is 42 N m.
@pytest.mark.parametrize(
    ("method", "law", "reading_nm"),
    [
        (Method.OTHER_WHEEL_HELD, PreloadLaw.ADDING, 42.0),
        (Method.OTHER_WHEEL_HELD, PreloadLaw.GREATER_OF, 42.0),
        (Method.IN_GEAR_BACKWARD, PreloadLaw.ADDING, 168.0),
        (Method.IN_GEAR_BACKWARD, PreloadLaw.GREATER_OF, 84.0),
    ],
)
def test_one_differential_reads_four_ways_on_the_bench(
    method: Method, law: PreloadLaw, reading_nm: float
) -> None:
    assert wrench_reading(BREAKAWAY_NM, LOCK, method, law) == pytest.approx(reading_nm)


@pytest.mark.parametrize("law", list(PreloadLaw))
@pytest.mark.parametrize("method", list(Method))
@given(
    breakaway_nm=st.floats(min_value=1, max_value=300), lock=st.floats(min_value=0, max_value=0.95)
)
def test_a_reading_leads_back_to_the_breakaway_torque(
    method: Method, law: PreloadLaw, breakaway_nm: float, lock: float
) -> None:
    reading = wrench_reading(breakaway_nm, lock, method, law)
    assert breakaway_from_reading(reading, lock, method, law) == pytest.approx(breakaway_nm)


@given(st.floats(min_value=1, max_value=300), st.floats(min_value=0, max_value=0.95))
def test_in_gear_the_wrench_carries_the_whole_law_at_its_own_torque(
    breakaway_nm: float, lock: float
) -> None:
    # The other wheel is free: the difference of the half-shafts and their sum are the reading.
    reading = wrench_reading(breakaway_nm, lock, Method.IN_GEAR_FORWARD, PreloadLaw.ADDING)
    assert breakaway_nm + lock * reading == pytest.approx(reading)


def test_a_wheel_turned_forward_is_held_back_as_on_overrun() -> None:
    assert loaded_ramps(Method.IN_GEAR_FORWARD) == "overrun"
    assert loaded_ramps(Method.IN_GEAR_BACKWARD) == "drive"
    assert loaded_ramps(Method.OTHER_WHEEL_HELD) is None


@pytest.mark.parametrize("law", list(PreloadLaw))
def test_a_lock_ratio_of_one_cannot_be_turned_in_gear(law: PreloadLaw) -> None:
    with pytest.raises(ValueError, match="check with the other wheel held"):
        wrench_reading(80.0, 1.0, Method.IN_GEAR_BACKWARD, law)


# Source: worked by hand, friction 0.1 on the ramp: 1/tan(angle + atan 0.1), then with minus.
@pytest.mark.parametrize(
    ("angle_deg", "rising", "falling"),
    [(45, 0.818, 1.222), (30, 1.391, 2.216), (60, 0.451, 0.719)],
)
def test_ramp_friction_parts_rising_from_falling_torque(
    angle_deg: float, rising: float, falling: float
) -> None:
    found = thrust_ratio(math.radians(angle_deg), 0.1)
    assert found == pytest.approx((rising, falling), abs=5e-4)


@given(st.floats(min_value=20, max_value=85))
def test_a_frictionless_ramp_thrusts_by_its_angle_alone(angle_deg: float) -> None:
    rising, falling = thrust_ratio(math.radians(angle_deg))
    assert rising == falling == pytest.approx(1 / math.tan(math.radians(angle_deg)))


def test_an_upright_flank_pushes_nothing_and_friction_does_not_pull() -> None:
    rising, falling = thrust_ratio(math.radians(90), 0.1)
    assert rising == 0.0
    assert 0.0 <= falling < 0.11


def test_a_ramp_flatter_than_its_friction_angle_is_refused() -> None:
    with pytest.raises(ValueError, match="does not let go"):
        thrust_ratio(math.radians(5), 0.1)
