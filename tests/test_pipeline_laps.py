"""Cutting laps, and saying why one does not count."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.laps import (
    Lap,
    crossings_from_beacon,
    crossings_from_lap_number,
    crossings_of_line,
    cut,
    judge,
    lap_index,
)

RATE_HZ = 10.0


def circle(turns: float, lap_s: float = 20.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time and path of a car on a circle of 50 m, starting opposite the start line."""
    time_s = np.arange(0, turns * lap_s, 1 / RATE_HZ)
    angle = np.pi + 2 * np.pi * time_s / lap_s
    return time_s, 50 * np.cos(angle), 50 * np.sin(angle)


def test_a_circle_crosses_its_start_line_once_a_turn_at_the_right_time() -> None:
    time_s, x, y = circle(3)
    # Driving to the left (counter-clockwise) at (50, 0) the left side is towards the centre.
    crossings = crossings_of_line(time_s, x, y, left_m=(40.0, 0.0), right_m=(60.0, 0.0))
    assert crossings == pytest.approx([10.0, 30.0, 50.0], abs=1e-3)


def test_a_line_is_not_crossed_backward() -> None:
    time_s, x, y = circle(3)
    assert len(crossings_of_line(time_s, x, y, left_m=(60.0, 0.0), right_m=(40.0, 0.0))) == 0


def test_the_line_ends_at_its_ends() -> None:
    time_s, x, y = circle(3)
    assert len(crossings_of_line(time_s, x, y, left_m=(10.0, 0.0), right_m=(30.0, 0.0))) == 0


def test_lap_number_and_beacon_give_the_same_laps() -> None:
    time_s = np.arange(0, 60, 0.1)
    number = np.floor((time_s + 1e-9) / 20)
    beacon = ((time_s + 1e-9) % 20 < 0.5) & (time_s > 1)
    by_number = crossings_from_lap_number(time_s, number)
    by_beacon = crossings_from_beacon(time_s, beacon.astype(float))
    assert by_number == pytest.approx([20.0, 40.0])
    assert by_beacon == pytest.approx(by_number)


def test_a_beacon_that_never_fires_gives_no_crossing() -> None:
    assert len(crossings_from_beacon(np.arange(5.0), np.zeros(5))) == 0


def test_every_sample_lies_in_one_lap() -> None:
    time_s = np.arange(0, 100, 0.1)
    laps = cut(time_s, np.array([12.34, 40.0, 71.2]))
    assert (lap_index(laps, len(time_s)) >= 0).all()
    assert [lap.stop for lap in laps[:-1]] == [lap.first for lap in laps[1:]]


def judged(
    times_s: list[float], stand_in: int | None = None, unusable_in: int | None = None
) -> tuple[Lap, ...]:
    """Laps of the given times between two unfinished ones."""
    crossings = np.cumsum([10.0, *times_s])
    time_s = np.arange(0, crossings[-1] + 10, 1 / RATE_HZ)
    laps = cut(time_s, crossings)
    speed, usable = np.full(len(time_s), 30.0), np.ones(len(time_s), dtype=bool)
    if stand_in is not None:
        first = laps[stand_in].first
        speed[first + 20 : first + 70] = 0.0
    if unusable_in is not None:
        span = laps[unusable_in].samples
        usable[span.start : span.start + 100] = False
    return judge(laps, speed, usable, RATE_HZ)


def test_laps_without_fault_count_and_unfinished_ones_do_not() -> None:
    laps = judged([60, 61, 60])
    assert [lap.valid for lap in laps] == [False, True, True, True, False]
    assert "begins" in laps[0].reason
    assert "ends" in laps[-1].reason


def test_a_slow_lap_says_by_how_much() -> None:
    assert judged([60, 60, 60, 90])[4].reason == "50 % slower than the median lap"


def test_a_short_cut_does_not_count() -> None:
    assert "shorter than the median lap" in judged([60, 60, 60, 30])[4].reason


def test_a_standstill_says_how_long() -> None:
    assert judged([60, 60, 60], stand_in=2)[2].reason == "the car stood still for 5 s"


def test_a_lap_full_of_holes_does_not_count() -> None:
    assert "17 % of its samples are unusable" in judged([60, 60, 60], unusable_in=2)[2].reason


def test_a_log_that_begins_and_ends_on_the_line_loses_no_lap() -> None:
    time_s = np.arange(0, 240, 1 / RATE_HZ)
    laps = cut(time_s, np.array([60.0, 120.0, 180.0]))
    judged_laps = judge(laps, np.full(2400, 30.0), np.ones(2400, bool), RATE_HZ)
    assert [lap.valid for lap in judged_laps] == [True] * 4
