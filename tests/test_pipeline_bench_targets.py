"""Wrench readings to aim at and to accept, from the sheet's limits and the lock ratios."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sample_run import other_parts, sample_sheet

from pipeline.bench_check import Method
from pipeline.bench_targets import WRENCH_TOLERANCE, BenchTarget, bench_targets
from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Estimate, Grade, Missing
from pipeline.parts import Limits
from pipeline.predict import predictions

ADDING = replace(other_parts(preload_law="adding"), limits=Limits((60.0, 120.0), 90.0))
HALF = Estimate(0.5, 0.5, 0.5, "1", 8, Grade.MEASURED, "")
LOCKS = {"lock_drive": HALF, "lock_overrun": replace(HALF, value=0.25, low=0.25, high=0.25)}


def target(sheet: BuildSheet, method: Method, *, with_log: bool = True) -> BenchTarget:
    found = bench_targets(sheet, predictions(sheet), LOCKS if with_log else None)
    return next(each for each in found if each.method is method)


@pytest.mark.parametrize(
    ("method", "reading"),
    [
        # Derived in `bench_check`: half of 90; 90/(1 - 0.25); 90/(1 - 0.5).
        (Method.OTHER_WHEEL_HELD, 45.0),
        (Method.IN_GEAR_FORWARD, 120.0),
        (Method.IN_GEAR_BACKWARD, 180.0),
    ],
)
def test_one_wanted_breakaway_torque_reads_differently_by_each_method(
    method: Method, reading: float
) -> None:
    assert target(ADDING, method).aim == (reading, reading)


def test_what_is_accepted_leaves_room_for_the_wrench() -> None:
    low, high = target(ADDING, Method.OTHER_WHEEL_HELD).accept  # type: ignore[misc]
    assert low == pytest.approx(30.0 * (1 + WRENCH_TOLERANCE))
    assert high == pytest.approx(60.0 * (1 - WRENCH_TOLERANCE))


def test_locks_known_by_the_parts_alone_widen_the_aim_and_narrow_what_is_accepted() -> None:
    by_log = target(ADDING, Method.IN_GEAR_BACKWARD)
    by_parts = target(ADDING, Method.IN_GEAR_BACKWARD, with_log=False)
    assert not isinstance(by_parts.aim, Missing)
    assert by_parts.aim[1] > by_parts.aim[0]
    assert not isinstance(by_log.accept, Missing)
    assert not isinstance(by_parts.accept, Missing)
    assert by_parts.accept[1] - by_parts.accept[0] < by_log.accept[1] - by_log.accept[0]


def test_without_a_wanted_torque_the_parts_set_the_aim() -> None:
    free = replace(ADDING, limits=Limits((60.0, 120.0)))
    parts = predictions(free)["breakaway_torque_nm"]
    assert not isinstance(parts, Missing)
    aim = target(free, Method.OTHER_WHEEL_HELD).aim
    assert aim == pytest.approx((0.5 * parts.low, 0.5 * parts.high))


def test_without_limits_nothing_is_accepted_or_refused() -> None:
    accept = target(replace(ADDING, limits=Limits()), Method.OTHER_WHEEL_HELD).accept
    assert isinstance(accept, Missing)
    assert "breakaway_nm" in accept.reason


def test_limits_too_close_for_the_wrench_are_said() -> None:
    narrow = replace(ADDING, limits=Limits((88.0, 92.0), 90.0))
    assert isinstance(target(narrow, Method.OTHER_WHEEL_HELD).accept, Missing)


def test_the_samples_sheet_gives_all_three_methods_a_target() -> None:
    found = bench_targets(sample_sheet(), predictions(sample_sheet()))
    assert [isinstance(each.aim, tuple) for each in found] == [True] * 3
