"""Axle states and rolling radii on hand-made motion."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.axle import (
    AxleMotion,
    axle_states,
    event_spans,
    fit_mean_radius,
    fit_radius_difference,
    rolling_speeds,
    visible_difference,
)
from pipeline.result import NO_STATE, STATES, AxleState
from pipeline.rolling import GroundSpeeds, under_straight_wheels
from pipeline.torque import ShaftTorque

RATE_HZ = 100.0
N = 400
TRACK_M, RADIUS_M = 1.5, 0.31


def motion(
    left_slip: float, right_slip: float, yaw_rate: float = 0.5, drive: bool = True
) -> AxleMotion:
    """Four seconds at 30 m/s in a left turn with steady slip of both driven wheels."""
    speed, yaw = np.full(N, 30.0), np.full(N, yaw_rate)
    left, right = rolling_speeds(under_straight_wheels(speed, yaw, TRACK_M), RADIUS_M, RADIUS_M)
    driving = np.full(N, drive)
    return AxleMotion(
        speed, yaw, left * (1 + left_slip), right * (1 + right_slip), left, right, driving, ~driving
    )


def mirrored(seen: AxleMotion) -> AxleMotion:
    return replace(
        seen,
        yaw_rate_radps=-seen.yaw_rate_radps,
        left_radps=seen.right_radps,
        right_radps=seen.left_radps,
        left_rolling_radps=seen.right_rolling_radps,
        right_rolling_radps=seen.left_rolling_radps,
    )


def only_state(seen: AxleMotion) -> AxleState | None:
    found = set(axle_states(seen.part, N, 0.3, 0.05, RATE_HZ).tolist())
    assert len(found) == 1
    code = found.pop()
    return None if code == NO_STATE else STATES[code]


def held() -> AxleMotion:
    seen = motion(0.0, 0.0)
    mean = 0.5 * (seen.left_radps + seen.right_radps)
    return replace(seen, left_radps=mean, right_radps=mean)


CASES = [
    (motion(0.01, 0.01), AxleState.DIFFERING),
    (held(), AxleState.HELD),
    (motion(0.10, 0.01), AxleState.INSIDE_OVERSPEED),
    (motion(0.10, 0.07), AxleState.AXLE_OVERSPEED),
    (motion(-0.08, 0.0, drive=False), AxleState.INSIDE_DRAG),
    (motion(0.01, 0.01, yaw_rate=0.0), None),
]


@pytest.mark.parametrize(("seen", "state"), CASES)
def test_each_state_is_told_from_the_others(seen: AxleMotion, state: AxleState | None) -> None:
    assert only_state(seen) is state


@pytest.mark.parametrize(("seen", "state"), CASES)
def test_the_mirrored_axle_is_in_the_same_state(seen: AxleMotion, state: AxleState | None) -> None:
    assert only_state(mirrored(seen)) is state


def test_expected_difference_is_yaw_rate_times_track_over_radius() -> None:
    # Source: kinematics of a rigid axle, worked example: 30 m/s on 60 m radius, track 1.5 m,
    # wheel radius 0.31 m: 2.419 rad/s.
    ground = under_straight_wheels(np.array([30.0]), np.array([30.0 / 60.0]), 1.5)
    left, right = rolling_speeds(ground, 0.31, 0.31)
    assert float((right - left)[0]) == pytest.approx(2.419, abs=5e-4)


def overspeed_for(samples: slice) -> AxleMotion:
    """Free rolling but for a stretch in which the inside wheel runs away."""
    calm, wild = motion(0.01, 0.01), motion(0.10, 0.01)
    left = calm.left_radps.copy()
    left[samples] = wild.left_radps[samples]
    return replace(calm, left_radps=left)


def inside_overspeeds(seen: AxleMotion) -> list[tuple[int, int]]:
    spans = event_spans(axle_states(seen.part, N, 0.3, 0.05, RATE_HZ))
    return [(a, b) for state, a, b in spans if state is AxleState.INSIDE_OVERSPEED]


def test_an_event_begins_and_ends_where_the_wheel_does() -> None:
    assert inside_overspeeds(overspeed_for(slice(100, 180))) == [(100, 180)]


def test_a_blip_is_no_event() -> None:
    assert inside_overspeeds(overspeed_for(slice(100, 110))) == []


def test_a_short_break_does_not_part_an_event() -> None:
    seen = overspeed_for(slice(100, 180))
    left = seen.left_radps.copy()
    left[140:145] = motion(0.01, 0.01).left_radps[140:145]
    assert inside_overspeeds(replace(seen, left_radps=left)) == [(100, 180)]


def test_visible_difference_grows_with_the_sensors_noise() -> None:
    rng = np.random.default_rng(1)
    slow = np.sin(np.arange(6000) / 300)
    moving = np.ones(6000, bool)
    quiet = visible_difference(slow + rng.normal(0, 0.01, 6000), moving, RATE_HZ)
    noisy = visible_difference(slow + rng.normal(0, 0.20, 6000), moving, RATE_HZ)
    assert quiet == 0.3
    assert noisy == pytest.approx(4 * 0.20, rel=0.1)


def gentle(
    rng: np.random.Generator, ratio: float, held_axle: bool
) -> tuple[np.ndarray, ShaftTorque, GroundSpeeds, np.ndarray]:
    """Gentle running on unequal radii with linear tyres; stuck or sliding freely at 50 N m."""
    n, stiffness_n = 2000, 80_000.0
    lap = np.repeat(np.arange(8), n // 8)
    speed = rng.uniform(20, 60, n)
    yaw_rate = rng.normal(0, 0.12, n)
    ground = under_straight_wheels(speed, yaw_rate, TRACK_M)
    left, right = rolling_speeds(ground, RADIUS_M * ratio, RADIUS_M)
    input_nm = rng.uniform(-50, 200, n)
    slip_per_nm = 1 / (RADIUS_M * stiffness_n)
    if held_axle:
        # Both wheels at one speed: the tyres take the difference, the shafts carry it.
        difference_nm = -(left - right) * RADIUS_M / (speed * slip_per_nm)
        difference = np.zeros(n)
    else:
        difference_nm = -50.0 * np.sign(left - right)
        difference = left - right + speed / RADIUS_M * slip_per_nm * difference_nm
    torque = ShaftTorque(0.5 * (input_nm + difference_nm), 0.5 * (input_nm - difference_nm))
    return difference + rng.normal(0, 0.01, n), torque, ground, lap


@pytest.mark.parametrize("held_axle", [False, True])
def test_unequal_radii_are_found_whether_the_pack_slides_or_holds(held_axle: bool) -> None:
    difference, torque, ground, lap = gentle(np.random.default_rng(5), 1.004, held_axle)
    fit = fit_radius_difference(difference, torque, ground, RADIUS_M, lap)
    ratio = 1 - fit.coefficients[0] * RADIUS_M
    assert ratio == pytest.approx(1.004, abs=2e-4)


def test_speeds_alone_would_call_the_radii_of_a_held_axle_equal() -> None:
    """Why the torque belongs in the calibration: a preloaded pack hides unequal tyres."""
    difference, _, ground, _ = gentle(np.random.default_rng(5), 1.004, held_axle=True)
    by_speeds = np.median((difference - ground.difference_mps / RADIUS_M) / ground.mean_mps)
    assert abs(by_speeds * RADIUS_M) < 5e-4


def test_the_mean_radius_is_that_of_free_rolling_although_the_tyres_pull() -> None:
    rng = np.random.default_rng(7)
    speed, torque = rng.uniform(15, 60, 800), rng.uniform(-100, 400, 800)
    slip = torque / 2 / (RADIUS_M * 80_000.0)
    mean_speed = speed / RADIUS_M * (1 + slip)
    fit = fit_mean_radius(mean_speed, torque, speed, np.arange(800) // 100)
    assert 1 / fit.coefficients[0] == pytest.approx(RADIUS_M, rel=1e-6)
