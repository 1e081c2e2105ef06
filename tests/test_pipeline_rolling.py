"""Ground speeds under driven wheels, against wheels on circles whose radii are exact."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import circuit_car
import numpy as np
import pytest
from circuit_car.truth import rolling_speeds
from simulated import TORQUES, session_of, sheet_of, simulate

from pipeline.analyse import analyse
from pipeline.build_sheet import BuildSheet, Car, Circuit
from pipeline.estimate import Estimate
from pipeline.rolling import (
    GroundSpeeds,
    ground_of,
    speed_by_steered_wheels,
    steering_doubted,
    under_steered_wheels,
    under_straight_wheels,
)
from pipeline.signals import resolve

TRACK_M, WHEELBASE_M = 1.5, 2.6


class OnACircle:
    """A rigid car whose rear axle rolls without side slip on a circle, to the left if > 0."""

    def __init__(self, radius_m: float, speed_mps: float) -> None:
        self.speed_mps, self.yaw_rate_radps = speed_mps, speed_mps / radius_m
        half = 0.5 * TRACK_M
        # Each hub runs on a circle of its own around the same point.
        self.rear = [(radius_m + side * half) * self.yaw_rate_radps for side in (-1, 1)]
        self.front = [
            np.hypot(radius_m + side * half, WHEELBASE_M) * abs(self.yaw_rate_radps)
            for side in (-1, 1)
        ]
        self.headings = [np.arctan(WHEELBASE_M / (radius_m + side * half)) for side in (-1, 1)]

    @property
    def arrays(self) -> tuple[np.ndarray, np.ndarray]:
        return np.array([self.speed_mps]), np.array([self.yaw_rate_radps])


CIRCLES = [OnACircle(12.0, 9.0), OnACircle(60.0, 30.0), OnACircle(-25.0, 14.0)]


def speeds(ground: GroundSpeeds) -> list[float]:
    return [float(ground.left_mps[0]), float(ground.right_mps[0])]


@pytest.mark.parametrize("car", CIRCLES[:2])
def test_rear_wheels_run_on_circles_half_a_track_either_side(car: OnACircle) -> None:
    assert speeds(under_straight_wheels(*car.arrays, TRACK_M)) == pytest.approx(car.rear)


@pytest.mark.parametrize("car", CIRCLES)
@pytest.mark.parametrize("steered", [False, True])
def test_front_wheels_run_on_longer_circles(car: OnACircle, steered: bool) -> None:
    # A neutral car without side slip heads its front wheels where they travel, so the angle that is
    # taken where none is logged is the true one; one angle for both costs less than a thousandth.
    angle = np.array([np.mean(car.headings)]) if steered else None
    ground = under_steered_wheels(*car.arrays, TRACK_M, WHEELBASE_M, angle, side_slip_s2pm=0.0)
    assert speeds(ground) == pytest.approx(car.front, rel=1e-3)


@pytest.mark.parametrize("slip_deg", [-2.0, 1.0, 4.0])
@pytest.mark.parametrize("angle", [0.05, 0.21])
def test_side_slip_of_the_rear_axle_moves_the_front_hubs_sideways(
    slip_deg: float, angle: float
) -> None:
    # A rigid body's hubs in complex numbers, by the angle at which its rear axle travels outwards.
    speed, yaw = 22.0, 0.45
    slip = np.radians(slip_deg)
    rear = speed * (1 - 1j * np.tan(slip))
    hubs = [WHEELBASE_M - 0.5j * side * TRACK_M for side in (-1, 1)]
    along = [((rear + 1j * yaw * hub) * np.exp(-1j * angle)).real for hub in hubs]
    ground = under_steered_wheels(
        np.array([speed]), np.array([yaw]), TRACK_M, WHEELBASE_M, np.array([angle]),
        side_slip_s2pm=np.tan(slip) / (speed * yaw),
    )  # fmt: skip
    assert speeds(ground) == pytest.approx(along)


def test_the_expected_difference_of_front_wheels_shrinks_by_the_cosine_of_their_angle() -> None:
    car, angle = CIRCLES[0], np.array([0.2])
    ground = under_steered_wheels(*car.arrays, TRACK_M, WHEELBASE_M, angle)
    asked = -car.yaw_rate_radps * TRACK_M * np.cos(0.2)
    assert float(ground.difference_mps[0]) == pytest.approx(asked)
    assert float(ground.across_m[0]) == pytest.approx(TRACK_M * np.cos(0.2))


@pytest.mark.parametrize("steered", [False, True])
def test_the_mirrored_car_has_its_speeds_exchanged(steered: bool) -> None:
    speed, yaw = CIRCLES[0].arrays
    angle = np.array([0.21]) if steered else None
    mirrored = None if angle is None else -angle
    here = under_steered_wheels(speed, yaw, TRACK_M, WHEELBASE_M, angle)
    there = under_steered_wheels(speed, -yaw, TRACK_M, WHEELBASE_M, mirrored)
    assert speeds(there) == pytest.approx(speeds(here)[::-1])


def test_undriven_front_wheels_give_the_speed_along_the_car() -> None:
    for car in CIRCLES[:2]:
        mean = np.array([np.mean(car.front)])
        found = speed_by_steered_wheels(mean, car.arrays[1], WHEELBASE_M, side_slip_s2pm=0.0)
        assert float(found[0]) == pytest.approx(car.speed_mps, rel=2e-3)


def test_holes_in_steering_and_yaw_rate_are_passed_over() -> None:
    speed, yaw = CIRCLES[0].arrays
    blank = np.array([np.nan])
    neutral = under_steered_wheels(speed, yaw, TRACK_M, WHEELBASE_M)
    assert speeds(under_steered_wheels(speed, yaw, TRACK_M, WHEELBASE_M, blank)) == speeds(neutral)
    assert speed_by_steered_wheels(speed, blank, WHEELBASE_M).tolist() == speed.tolist()


# --- whether the steering can be trusted ----------------------------------------------------------


def bends() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speed, yaw rate and the road wheels' angle of a neutral car through bends both ways."""
    time = np.arange(0, 40, 0.05)
    speed, yaw = 20 + 5 * np.sin(time), 0.5 * np.sin(0.7 * time)
    return speed, yaw, WHEELBASE_M * yaw / speed


@pytest.mark.parametrize(
    ("factor", "said"),
    [(1.0, ""), (1.6, ""), (14.0, "it is 14 times what the bends ask for"), (-1.0, "other way")],
)
def test_a_steering_angle_that_the_bends_contradict_is_not_used(factor: float, said: str) -> None:
    speed, yaw, angle = bends()
    doubt = steering_doubted(factor * angle, speed, yaw, WHEELBASE_M)
    assert said in doubt
    assert bool(doubt) is bool(said)


FRONT = Car("front", "front", TRACK_M, 0.3, wheelbase_m=WHEELBASE_M)


@pytest.mark.parametrize(
    ("car", "logged", "said"),
    [
        (FRONT, True, "states no steering_ratio"),
        (replace(FRONT, steering_ratio=14.0), False, "no steering angle"),
        (replace(FRONT, steering_ratio=14.0), True, "steering angle over steering_ratio"),
        (replace(FRONT, steering_ratio=1.0), True, "14 times what the bends ask for"),
        (replace(FRONT, wheelbase_m=None), True, "without wheelbase_m"),
        (replace(FRONT, driven_axle="rear"), True, ""),
    ],
)
def test_it_is_said_how_the_heading_of_driven_front_wheels_is_known(
    car: Car, logged: bool, said: str
) -> None:
    speed, yaw, angle = bends()
    channels = {"steering_angle_rad": 14.0 * angle} if logged else {}
    assert said in ground_of(channels, car, speed, yaw)[1]


# --- the whole analysis of a front-driven car -----------------------------------------------------


# --- the whole analysis of a front-driven car -----------------------------------------------------


@cache
def front_driven() -> tuple[circuit_car.Drive, circuit_car.Log]:
    return simulate(11, circuit_car.front_driven_car(), circuit_car.short_circuit(), laps=6)


def sheet(ratio: float | None) -> BuildSheet:
    whole = sheet_of(front_driven()[0].car)
    return replace(whole, car=replace(whole.car, steering_ratio=ratio))


@pytest.mark.parametrize("ratio", [1.0, None])
def test_ground_speeds_of_a_sliding_front_driven_car_are_those_of_its_wheels(
    ratio: float | None,
) -> None:
    drive, log = front_driven()
    signals = resolve(session_of(log), sheet(ratio))
    assert signals.ground is not None
    radii = drive.car.radii_m("front")
    left, right = (
        np.interp(signals.time_s, drive["time_s"], radius * rolling)
        for radius, rolling in zip(radii, rolling_speeds(drive), strict=True)
    )
    seen = (signals.speed_mps > 8) & np.isfinite(signals.ground.left_mps)
    apart = np.abs(signals.ground.mean_mps[seen] / (0.5 * (left + right))[seen] - 1)
    # A tyre of another stiffness than the published one, driven to its limit.
    assert np.percentile(apart, 95) < 0.01
    difference = np.abs(signals.ground.difference_mps - (left - right))[seen]
    # The yaw rate's noise over the track.
    assert np.percentile(difference, 99) < 4 * 0.004 * drive.car.track_m("front")


@pytest.mark.parametrize("ratio", [1.0, None])
def test_a_front_driven_cars_numbers_hold_the_truth(ratio: float | None) -> None:
    drive, log = front_driven()
    truth = circuit_car.truth(drive)
    found = analyse(session_of(log), sheet(ratio), Circuit()).estimates
    for name, true in (
        ("breakaway_torque_nm", truth.breakaway_torque_nm),
        ("lock_drive", truth.lock_drive),
        ("lock_overrun", truth.lock_overrun),
        ("rolling_radius_ratio", truth.radius_left_m / truth.radius_right_m),
    ):
        answer = found[name]
        assert isinstance(answer, Estimate)
        assert answer.low <= true <= answer.high


def test_a_rear_driven_log_with_its_axles_renamed_gives_the_same_numbers() -> None:
    session = session_of(simulate(3, None, circuit_car.short_circuit(), laps=5)[1])
    rear = sheet_of(circuit_car.Car())
    rear = replace(rear, car=replace(rear.car, wheelbase_m=None))
    front = replace(rear, car=replace(rear.car, driven_axle="front"))
    other = {"f": "r", "r": "f"}

    def renamed(name: str) -> str:
        is_wheel = name.startswith("wheel_speed_")
        return name[:12] + other[name[12]] + name[13:] if is_wheel else name

    exchanged = replace(
        session,
        channels={renamed(name): values for name, values in session.channels.items()},
        suspect={renamed(name): marks for name, marks in session.suspect.items()},
    )
    here, there = analyse(session, rear, Circuit()), analyse(exchanged, front, Circuit())
    assert there.estimates == here.estimates
    assert there.events == here.events


# --- tyres of two sizes ---------------------------------------------------------------------------


@cache
def two_sizes() -> tuple[circuit_car.Log, BuildSheet]:
    """A log of a rear-driven car whose left rear tyre is 3 % smaller than the right one."""
    car = circuit_car.Car().with_radii(0.3075, 0.3170)
    drive = circuit_car.drive(
        car, circuit_car.short_circuit(), circuit_car.Driver(), laps=5,
        rng=np.random.default_rng(4),
    )  # fmt: skip
    log = circuit_car.spoil(
        drive, circuit_car.Sensors(), rate_hz=100.0, rng=np.random.default_rng(5)
    )
    return log, sheet_of(car)


def with_sizes(whole: BuildSheet, left_m: float, right_m: float) -> BuildSheet:
    car = replace(whole.car, rolling_radius_left_m=left_m, rolling_radius_right_m=right_m)
    return replace(whole, car=car)


@pytest.mark.parametrize("without", [(), TORQUES])
def test_radii_of_tyres_of_two_sizes_are_found_with_and_without_torques(
    without: tuple[str, ...],
) -> None:
    log, whole = two_sizes()
    stated = with_sizes(whole, 0.308, 0.316)
    ratio = analyse(session_of(log, without=without), stated, Circuit()).estimates[
        "rolling_radius_ratio"
    ]
    assert isinstance(ratio, Estimate)
    # They are 3 % apart, and stated a little nearer.
    assert ratio.value == pytest.approx(0.3075 / 0.3170, abs=0.002)
