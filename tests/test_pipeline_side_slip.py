"""Side slip of the rear axle, against a car on springs of its own tyres, integrated exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.regression import TooFewClustersError
from pipeline.side_slip import rear_slip

RATE_HZ, TO_REAR_M, SPEED_MPS = 50.0, 1.4, 25.0


@dataclass
class Weaving:
    """A car that weaves at constant speed; its rear tyres answer to side force with a slip angle.

    What a rigid body then does is known in closed form (x forward, y left, ISO 8855): sideways
    speed ``b r - v a``, so a lateral acceleration of ``b r' - v a' + v r``.
    """

    slip_per_accel: float = 0.004
    bend: float = 0.0

    def __post_init__(self) -> None:
        time = np.arange(0, 150, 1 / RATE_HZ)
        at_rear = 8 * np.sin(0.5 * time) + 2 * np.sin(1.3 * time)
        self.at_rear = at_rear
        self.slip = self.slip_per_accel * at_rear * (1 + self.bend * (at_rear / 10) ** 2)
        sideways = np.gradient(SPEED_MPS * self.slip, time)
        # Steady in the mean, the yaw rate follows the acceleration and the slip that grows.
        self.yaw = (at_rear + sideways) / SPEED_MPS
        self.accel = TO_REAR_M * np.gradient(self.yaw, time) + at_rear

    def found(self, **changed: np.ndarray) -> np.ndarray:
        n = len(self.yaw)
        known = {
            "speed_mps": np.full(n, SPEED_MPS),
            "yaw_rate_radps": self.yaw,
            "accel_lat_mps2": self.accel,
            "rear_accel_mps2": self.at_rear,
            "usable": np.ones(n, dtype=bool),
            "accel_long_mps2": 0.5 * np.sin(0.31 * np.arange(n) / RATE_HZ),
            "input_torque_nm": 500 * np.sin(0.23 * np.arange(n) / RATE_HZ),
        } | changed
        return rear_slip(to_rear_m=TO_REAR_M, rate_hz=RATE_HZ, **known)  # type: ignore[arg-type]


@pytest.mark.parametrize("slip_per_accel", [0.002, 0.005])
def test_the_slip_angle_of_a_bending_tyre_comes_back(slip_per_accel: float) -> None:
    car = Weaving(slip_per_accel, bend=1.0)
    largest = float(np.abs(car.slip).max())
    assert car.found() == pytest.approx(car.slip, abs=0.05 * largest)


def test_zeros_and_gains_of_the_sensors_do_not_pass_for_slip() -> None:
    car = Weaving(bend=1.0)
    clean = car.found()
    off = car.found(yaw_rate_radps=car.yaw + 0.01, accel_lat_mps2=1.03 * car.accel + 0.2)
    assert off == pytest.approx(clean, abs=0.03 * float(np.abs(clean).max()))


def test_the_mirrored_car_slips_the_other_way() -> None:
    car = Weaving()
    mirrored = car.found(
        yaw_rate_radps=-car.yaw, accel_lat_mps2=-car.accel, rear_accel_mps2=-car.at_rear
    )
    assert mirrored == pytest.approx(-car.found(), rel=1e-6, abs=1e-9)


def test_a_yaw_rate_that_contradicts_the_acceleration_is_refused() -> None:
    car = Weaving()
    with pytest.raises(TooFewClustersError, match="contradict each other"):
        car.found(yaw_rate_radps=-car.yaw)


def test_brakes_that_never_stay_off_are_refused() -> None:
    car = Weaving()
    with pytest.raises(TooFewClustersError, match="brakes stay off"):
        car.found(usable=np.arange(len(car.yaw)) % 50 > 0)
