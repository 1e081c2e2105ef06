"""Corners from curvature: on paths whose corners are known."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.corners import corner_index, find_corners, lap_distance, path_curvature
from pipeline.laps import cut, judge

RATE_HZ = 50.0
SPEED_MPS = 20.0
# Two straights of 200 m, a left half circle of 40 m and one of 60 m radius between them.
PIECES = [(200.0, 0.0), (np.pi * 40, 1 / 40), (200.0, 0.0), (np.pi * 60, 1 / 60)]
LENGTH_M = sum(length for length, _ in PIECES)


def curvature_at(distance_m: np.ndarray) -> np.ndarray:
    edges = np.cumsum([length for length, _ in PIECES])
    piece = np.minimum(np.searchsorted(edges, distance_m % LENGTH_M), len(PIECES) - 1)
    return np.array([bend for _, bend in PIECES])[piece]


def driven(laps: int, sign: float = 1.0) -> tuple[tuple, np.ndarray, np.ndarray, np.ndarray]:
    """Laps, time, speed and yaw rate of steady driving with a lead-in of 100 m."""
    time_s = np.arange(0, (100 + laps * LENGTH_M + 50) / SPEED_MPS, 1 / RATE_HZ)
    distance = SPEED_MPS * time_s - 100
    speed = np.full(len(time_s), SPEED_MPS)
    yaw_rate = sign * SPEED_MPS * curvature_at(distance)
    crossings = (100 + LENGTH_M * np.arange(laps + 1)) / SPEED_MPS
    cut_laps = cut(time_s, crossings)
    return judge(cut_laps, speed, np.ones(len(time_s), bool), RATE_HZ), time_s, speed, yaw_rate


def corners_of(sign: float = 1.0) -> tuple:
    laps, time_s, speed, yaw_rate = driven(3, sign)
    distance, length = lap_distance(laps, time_s, speed)
    return find_corners(*path_curvature(laps, distance, length, speed, yaw_rate))


def test_length_of_the_circuit_is_that_of_its_pieces() -> None:
    laps, time_s, speed, _ = driven(3)
    assert lap_distance(laps, time_s, speed)[1] == pytest.approx(LENGTH_M, rel=1e-6)


def test_two_bends_are_two_corners_with_their_radii_and_places() -> None:
    corners = corners_of()
    assert [corner.number for corner in corners] == [1, 2]
    assert [corner.radius_m for corner in corners] == pytest.approx([40, 60], rel=0.02)
    assert corners[0].start_m == pytest.approx(200, abs=8)
    assert corners[0].end_m == pytest.approx(200 + np.pi * 40, abs=8)


def test_the_mirrored_path_has_the_mirrored_corners() -> None:
    left, right = corners_of(), corners_of(-1.0)
    assert all(corner.left for corner in left)
    assert not any(corner.left for corner in right)
    assert [corner.apex_m for corner in left] == pytest.approx([c.apex_m for c in right])


def test_one_distance_is_one_corner_on_every_lap() -> None:
    laps, time_s, speed, yaw_rate = driven(3)
    distance, _ = lap_distance(laps, time_s, speed)
    corner = corner_index(corners_of(), distance)
    in_bend = np.abs(yaw_rate) > 0
    for lap in laps[1:-1]:
        bent = in_bend[lap.samples]
        assert set(corner[lap.samples][bent]) - {-1} == {0, 1}
        assert np.mean(corner[lap.samples][bent] >= 0) > 0.95


def test_without_a_counted_lap_there_is_no_corner() -> None:
    laps, time_s, speed, yaw_rate = driven(3)
    none = judge(laps, speed, np.zeros(len(speed), bool), RATE_HZ)
    distance, length = lap_distance(none, time_s, speed)
    assert find_corners(*path_curvature(none, distance, length, speed, yaw_rate)) == ()
