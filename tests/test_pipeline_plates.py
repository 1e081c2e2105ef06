"""From parts to breakaway torque and lock, against textbooks, a standard and the trade."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.build_sheet import BuildSheet, Car, Differential, Sensors, States
from pipeline.estimate import Missing, Predicted
from pipeline.plates import (
    bias_ratio,
    breakaway_torque,
    effective_radius,
    effective_radius_new,
    lock_from_bias_ratio,
    lock_ratio,
    locking_torque,
    pack_torque,
    ramp_angle_to_plane,
)
from pipeline.predict import predictions

FACES = st.integers(min_value=1, max_value=24)
ANGLES_RAD = st.floats(min_value=math.radians(20), max_value=math.radians(85))


# Source: SAE J2817, torque bias ratio against locking effect, table as summarised in print.
@pytest.mark.parametrize(("ratio", "locking_percent"), [(2, 33.3), (3, 50.0), (4, 60.0), (5, 66.7)])
def test_bias_ratio_and_locking_effect_agree_with_the_standards_table(
    ratio: float, locking_percent: float
) -> None:
    assert 100 * lock_from_bias_ratio(ratio) == pytest.approx(locking_percent, abs=0.05)


@given(st.floats(min_value=0.0, max_value=0.95))
def test_bias_ratio_and_lock_are_each_others_inverse(lock: float) -> None:
    assert lock_from_bias_ratio(bias_ratio(lock)) == pytest.approx(lock, abs=1e-12)


def test_a_run_in_plate_clutch_carries_what_the_textbook_says() -> None:
    # Source: Bhandari, Design of Machine Elements, example 11.1: d 100, D 200 mm, mu 0.2,
    # p_a 1 MPa at the inner edge, uniform wear: P 15707.963268 N, M 235619.449019 N mm.
    outer, inner = 0.100, 0.050
    force = 2 * math.pi * 1e6 * inner * (outer - inner)
    assert force == pytest.approx(15707.963268, rel=1e-9)
    torque = pack_torque(0.2, 1, effective_radius(outer, inner), force)
    assert torque == pytest.approx(235.619449019, rel=1e-9)


def test_a_new_plate_clutch_carries_what_the_textbook_says() -> None:
    # Source: Bhandari, Design of Machine Elements, example 11.2: the same data at uniform
    # pressure: P 23561.944902 N, M 366519.142919 N mm.
    outer, inner = 0.100, 0.050
    force = math.pi * 1e6 * (outer**2 - inner**2)
    assert force == pytest.approx(23561.944902, rel=1e-9)
    torque = pack_torque(0.2, 1, effective_radius_new(outer, inner), force)
    assert torque == pytest.approx(366.519142919, rel=1e-9)


def test_a_pack_of_many_plates_carries_face_by_face() -> None:
    # Source: Bhandari, Design of Machine Elements, example 11.8: 5 steel and 4 bronze plates make
    # 8 faces, d 75, D 150 mm, mu 0.1, P 2650.718801 N: M 119282.346066 N mm.
    faces = 5 + 4 - 1
    torque = pack_torque(0.1, faces, effective_radius(0.075, 0.0375), 2650.718801)
    assert torque == pytest.approx(119.282346066, rel=1e-9)


# Source: computed here once from the ratio formulas, R_i/R_o against the two pressure laws.
@pytest.mark.parametrize(("inner_to_outer", "ratio"), [(0.5, 1.0370), (0.7, 1.0104), (0.9, 1.0009)])
def test_new_and_run_in_radius_differ_by_little_on_narrow_rings(
    inner_to_outer: float, ratio: float
) -> None:
    found = effective_radius_new(1.0, inner_to_outer) / effective_radius(1.0, inner_to_outer)
    assert found == pytest.approx(ratio, abs=5e-5)


def test_faces_raise_breakaway_and_lock_in_proportion() -> None:
    # Common practice, no source: more plates, more lock.
    few = breakaway_torque(0.1, 4, 0.05, 2000), lock_ratio(0.1, 4, 0.05, 0.04, math.radians(45))
    many = breakaway_torque(0.1, 8, 0.05, 2000), lock_ratio(0.1, 8, 0.05, 0.04, math.radians(45))
    assert many == pytest.approx((2 * few[0], 2 * few[1]))


@given(ANGLES_RAD, ANGLES_RAD)
def test_a_smaller_ramp_angle_locks_more(first_rad: float, second_rad: float) -> None:
    # Common practice, no source.
    if first_rad == second_rad:
        return
    small, large = sorted((first_rad, second_rad))
    assert lock_ratio(0.1, 4, 0.05, 0.04, small) >= lock_ratio(0.1, 4, 0.05, 0.04, large)


def test_a_flank_along_the_axis_pushes_nothing() -> None:
    assert lock_ratio(0.1, 4, 0.05, 0.04, math.radians(90)) == pytest.approx(0, abs=1e-12)


@given(st.floats(min_value=-3000, max_value=3000), st.floats(min_value=0, max_value=200))
def test_shims_move_the_law_up_and_leave_its_slopes(torque_nm: float, more_nm: float) -> None:
    # Common practice, no source: shims and washers set breakaway, ramps and faces set lock.
    before = locking_torque(torque_nm, 50.0, 0.4, 0.2)
    after = locking_torque(torque_nm, 50.0 + more_nm, 0.4, 0.2)
    assert float(after - before) == pytest.approx(more_nm, abs=1e-9)


@pytest.mark.parametrize(("from_axis_deg", "from_plane_deg"), [(45, 45), (30, 60), (60, 30)])
def test_a_ramp_angle_reads_alike_from_axis_and_from_plane(
    from_axis_deg: float, from_plane_deg: float
) -> None:
    assert ramp_angle_to_plane(from_axis_deg, "axis") == pytest.approx(
        ramp_angle_to_plane(from_plane_deg, "plane of rotation")
    )


WHOLE_SHEET = Differential(
    build="example",
    drive_ramp_deg=45.0,
    overrun_ramp_deg=60.0,
    ramp_radius_m=0.042,
    friction_faces_per_pack=4,
    plate_outer_radius_m=0.060,
    plate_inner_radius_m=0.045,
    friction_coefficient=(0.08, 0.12),
    spring_force_n=(1800.0, 2200.0),
)


def sheet_of(parts: Differential) -> BuildSheet:
    return BuildSheet(Car("example", "rear", 1.5, 0.31), parts, Sensors(), States())


def test_a_whole_build_sheet_predicts_a_range_around_the_middle_of_its_parts() -> None:
    # Source: worked example derived by hand: mu 0.10, 4 faces, R_e 52.5 mm, R_r 42 mm, 45 degrees,
    # 2000 N: T_pre 84 N m, k 0.5; at 60 degrees k 0.2887.
    found = predictions(sheet_of(WHOLE_SHEET))
    breakaway, drive, overrun = (
        found[name] for name in ("breakaway_torque_nm", "lock_drive", "lock_overrun")
    )
    assert isinstance(breakaway, Predicted)
    assert isinstance(drive, Predicted)
    assert isinstance(overrun, Predicted)
    assert breakaway.low < 84 < breakaway.high
    assert drive.value == pytest.approx(0.5)
    assert overrun.value == pytest.approx(0.2887, abs=5e-5)


def test_a_build_sheet_with_gaps_says_which_keys_it_lacks() -> None:
    found = predictions(sheet_of(Differential(build="bare")))["lock_drive"]
    assert isinstance(found, Missing)
    assert "ramp_radius_m" in found.reason
    assert "friction_faces_per_pack" in found.reason


def test_locking_torque_of_an_array_keeps_its_shape() -> None:
    assert locking_torque(np.zeros((3, 2)), 10.0, 0.1, 0.1).shape == (3, 2)
