"""Torques told by wheels that are steered, against rigid bodies whose motion is exact."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.driven_axle import turned_by
from pipeline.tyre_pair import Tyre
from pipeline.wheel_balance import AxleFigures, AxleRun, wheel_torques

TRACK_M, WHEELBASE_M, RADIUS_M = 1.5, 2.6, 0.31
LEVER = -0.5 * TRACK_M / WHEELBASE_M
TYRE = Tyre(40.0, 0.0, 0.0, 1.4, 0.0, 1.0, 0.0, side_stiffness=0.7)


def one(value: float) -> np.ndarray:
    return np.array([value])


def front_axle(
    speed_mps: float, yaw_radps: float, left_radps: float, right_radps: float, side_n: float = 0.0
) -> AxleRun:
    return AxleRun(
        speed_mps=one(speed_mps),
        yaw_rate_radps=one(yaw_radps),
        left_radps=one(left_radps),
        right_radps=one(right_radps),
        left_spin_radps2=one(0.0),
        right_spin_radps2=one(0.0),
        input_torque_nm=one(0.0),
        weight_n=one(6000.0),
        weight_change_nps=one(0.0),
        downforce_n=one(0.0),
        transfer_n=one(0.0),
        transfer_change_nps=one(0.0),
        side_force_n=one(side_n),
        faster_side=one(0.0),
        speed_doubt=one(0.001),
        lap=np.zeros(1, dtype=np.intp),
        track_m=TRACK_M,
        lever=LEVER,
        radius_m=RADIUS_M,
        wheel_inertia_kgm2=1.0,
        rolling_resistance=0.0,
    )


@pytest.mark.parametrize("radius_m", [12.0, 40.0, -25.0])
def test_wheels_that_roll_on_their_circles_carry_no_torque(radius_m: float) -> None:
    # Ackermann's geometry in closed form: a rear axle without side slip, each front hub on its own
    # circle about the same point, both wheels heading as the middle of the axle travels.
    speed = 9.0
    yaw = speed / radius_m
    angle = np.arctan(WHEELBASE_M / radius_m)
    hubs = [(radius_m + side * 0.5 * TRACK_M) + 1j * WHEELBASE_M for side in (-1, 1)]
    rolling = [abs(hub * yaw) * np.cos(np.angle(hub * yaw) - angle) / RADIUS_M for hub in hubs]
    turned = turned_by(front_axle(speed, yaw, *rolling), one(angle), np.zeros(1), WHEELBASE_M)
    told = wheel_torques(turned, AxleFigures(), TYRE)
    assert told.left_nm[0] == pytest.approx(0.0, abs=1e-6)
    assert told.right_nm[0] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("rear_slip_deg", [0.0, 2.0, 5.0])
def test_a_rear_axle_that_slips_outwards_slows_both_front_wheels(rear_slip_deg: float) -> None:
    # Rigid body in complex numbers, x forward and y left (ISO 8855).
    speed, yaw, angle = 20.0, 0.5, 0.15
    slip = np.tan(np.radians(rear_slip_deg))
    rear = speed * (1 - 1j * slip)
    hubs = [WHEELBASE_M - 0.5j * side * TRACK_M for side in (-1, 1)]
    rolling = [((rear + 1j * yaw * h) * np.exp(-1j * angle)).real / RADIUS_M for h in hubs]
    turned = turned_by(front_axle(speed, yaw, *rolling), one(angle), one(slip), WHEELBASE_M)
    told = wheel_torques(turned, AxleFigures(), TYRE)
    assert told.left_nm[0] == pytest.approx(0.0, abs=1e-6)
    assert told.right_nm[0] == pytest.approx(0.0, abs=1e-6)


def test_wheels_straight_ahead_are_as_if_they_were_not_steered() -> None:
    run = front_axle(30.0, 0.0, 98.0, 99.0)
    straight = wheel_torques(run, AxleFigures(), TYRE, steps=20)
    turned = turned_by(run, np.zeros(1), np.zeros(1), WHEELBASE_M)
    told = wheel_torques(turned, AxleFigures(), TYRE, steps=20)
    assert told.left_nm[0] == pytest.approx(straight.left_nm[0], rel=1e-3)
    assert told.right_nm[0] == pytest.approx(straight.right_nm[0], rel=1e-3)


def test_the_side_force_across_turned_wheels_balances_the_car() -> None:
    # Newton and Euler for the whole car: forces drawn at random on turned front wheels and straight
    # rear ones give its accelerations, and those have to give the front side force back.
    rng = np.random.default_rng(3)
    mass, to_front, yaw_inertia, angle = 1200.0, 1.1, 1500.0, 0.2
    to_rear = WHEELBASE_M - to_front
    along, across, rear = rng.normal(0, 2000, 2), rng.normal(3000, 500, 2), rng.normal(5000, 500)
    force = (along + 1j * across) * np.exp(1j * angle)
    lateral = (force.imag.sum() + rear) / mass
    turning = (
        to_front * force.imag.sum()
        - to_rear * rear
        + 0.5 * TRACK_M * (force[1].real - force[0].real)
    ) / yaw_inertia
    by_motion = (mass * to_rear * lateral + yaw_inertia * turning) / WHEELBASE_M
    run = replace(
        front_axle(20.0, 0.4, 65.0, 65.0, by_motion),
        input_torque_nm=one(RADIUS_M * float(along.sum())),
        # The side forces part as the loads do.
        transfer_n=one(3000.0 * float(across[1] - across[0]) / float(across.sum())),
    )
    turned = turned_by(run, one(angle), np.zeros(1), WHEELBASE_M)
    found = turned.side_force_n[0] + turned.lever * (along[1] - along[0])
    # The sum that parts with the loads is the axle's without what unequal forward forces add.
    assert found == pytest.approx(across.sum(), abs=0.02 * across.sum())


def test_a_front_axle_at_its_limit_is_read_by_where_its_wheels_head() -> None:
    # Side force says no more there than that it is the most there is; slip angles differ by half.
    def forward(slip_angle: float) -> float:
        spin = 1.01 * 20.0 * np.cos(slip_angle) / RADIUS_M
        run = front_axle(20.0, 0.0, spin, spin, 8300.0)
        turned = turned_by(run, one(slip_angle), np.zeros(1), WHEELBASE_M)
        level = replace(turned, side_force_n=run.side_force_n)
        return float(wheel_torques(level, AxleFigures(), TYRE, steps=40).left_nm[0])

    assert forward(0.10) > 1.2 * forward(0.15) > 0.0
