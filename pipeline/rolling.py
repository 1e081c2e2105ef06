"""How fast the ground passes under each driven wheel, along the wheel's own heading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import Car
from pipeline.runs import mean_at, moving_mean

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Bends that tell how far the wheels are turned: clear of the sensors' zeros and of parking.
_TELLING_MPS, _TELLING_RADPS, _TELLING_SAMPLES = 5.0, 0.1, 200
# Slower, the ratio of the yaw rate to the speed is mostly the yaw rate's zero.
_SLOWEST_MPS = 2.0
# A tyre's slip angle per lateral acceleration. Source: the Magic Formula's 1989 coefficients
# (Bakker, Pacejka & Lidner, SAE 890087; read in the public file src/simulink/pacajeka_init.m of
# the repository n-jokic/Vehicle_MPC_control): at 4 kN 1027 N a degree, so 3.9 degrees at 1 g.
SIDE_SLIP_S2PM = 0.007
# Understeer and oversteer change what a bend asks of the wheels by less than this factor over a
# session; a steering ratio left out is 10 to 20. Chosen by us.
_FARTHEST = 3.0


@dataclass(frozen=True, slots=True)
class GroundSpeeds:
    """Speed of the ground under both driven wheels, each array of shape (n,)."""

    mean_mps: FloatArray
    yaw_rate_radps: FloatArray
    across_m: FloatArray
    """How far the lines of both wheels' headings lie apart: the track, less when steered. One
    number seen n times where it does not change."""

    @property
    def left_mps(self) -> FloatArray:
        """Under the left wheel. [m/s]"""
        return self.mean_mps + 0.5 * self.difference_mps

    @property
    def right_mps(self) -> FloatArray:
        """Under the right wheel. [m/s]"""
        return self.mean_mps - 0.5 * self.difference_mps

    @property
    def difference_mps(self) -> FloatArray:
        """Left minus right. [m/s]"""
        return -self.yaw_rate_radps * self.across_m

    def part(self, here: slice) -> GroundSpeeds:
        """A stretch of them."""
        return GroundSpeeds(self.mean_mps[here], self.yaw_rate_radps[here], self.across_m[here])

    def averaged(self, window: int) -> GroundSpeeds:
        """Averaged over an odd number of samples."""
        return GroundSpeeds(
            moving_mean(self.mean_mps, window),
            moving_mean(self.yaw_rate_radps, window),
            moving_mean(self.across_m, window) if self.across_m.strides[0] else self.across_m,
        )

    def averaged_at(self, window: int, at: NDArray[np.intp]) -> GroundSpeeds:
        """The same at some samples only."""
        return GroundSpeeds(
            mean_at(self.mean_mps, window, at),
            mean_at(self.yaw_rate_radps, window, at),
            mean_at(self.across_m, window, at) if self.across_m.strides[0] else self.across_m[at],
        )

    def at(self, chosen: BoolArray) -> GroundSpeeds:
        """The chosen samples only."""
        return GroundSpeeds(
            self.mean_mps[chosen], self.yaw_rate_radps[chosen], self.across_m[chosen]
        )


def ground_of(
    channels: Mapping[str, FloatArray],
    car: Car,
    speed_mps: FloatArray,
    yaw_rate_radps: FloatArray,
) -> tuple[GroundSpeeds, str, FloatArray | str]:
    """Ground speeds under the driven wheels, and how it is known where steered ones head.

    Third, the angle of the driven wheels to the car [rad], shape (n,), or why there is none.
    """
    straight = under_straight_wheels(speed_mps, yaw_rate_radps, car.track_m)
    if car.driven_axle == "rear":
        return straight, "", "the driven wheels are not steered"
    if car.wheelbase_m is None:
        said = (
            "not known: without wheelbase_m in the build sheet they are taken as not steered, so "
            "both seem to slip more than they do, by 1.5 % in a bend of 15 m radius"
        )
        return straight, said, "the build sheet states no wheelbase_m"
    angle, why = _road_wheel_angle(channels, car, car.wheelbase_m, speed_mps, yaw_rate_radps)
    ground = under_steered_wheels(speed_mps, yaw_rate_radps, car.track_m, car.wheelbase_m, angle)
    if angle is None:
        said = (
            f"as of a car that neither under- nor oversteers, because {why}; slip of both wheels "
            "reads up to 1 % too much or too little"
        )
        return ground, said, why
    return ground, "steering angle over steering_ratio", angle


def _road_wheel_angle(
    channels: Mapping[str, FloatArray],
    car: Car,
    wheelbase_m: float,
    speed_mps: FloatArray,
    yaw_rate_radps: FloatArray,
) -> tuple[FloatArray | None, str]:
    """Angle of the steered wheels to the car, shape (n,), or why it is not known. [rad]"""
    steering = channels.get("steering_angle_rad")
    if steering is None or not np.isfinite(steering).any():
        return None, "the log has no steering angle"
    if car.steering_ratio is None:
        return None, "the build sheet states no steering_ratio"
    angle = steering / car.steering_ratio
    doubt = steering_doubted(angle, speed_mps, yaw_rate_radps, wheelbase_m)
    return (None, f"the steering angle cannot serve: {doubt}") if doubt else (angle, "")


def under_straight_wheels(
    speed_mps: FloatArray, yaw_rate_radps: FloatArray, track_m: float
) -> GroundSpeeds:
    """Ground speeds under wheels that are not steered.

    Notes
    -----
    ``v_L = v - r t/2`` and ``v_R = v + r t/2`` with the yaw rate r > 0 to the left (ISO 8855 axes):
    a rigid body's points beside its middle line.
    """
    return GroundSpeeds(speed_mps, yaw_rate_radps, np.broadcast_to(track_m, speed_mps.shape))


def under_steered_wheels(
    speed_mps: FloatArray,
    yaw_rate_radps: FloatArray,
    track_m: float,
    wheelbase_m: float,
    road_wheel_rad: FloatArray | None = None,
    *,
    side_slip_s2pm: float = SIDE_SLIP_S2PM,
) -> GroundSpeeds:
    """Ground speeds under steered front wheels.

    Parameters
    ----------
    speed_mps : array, shape (n,)
        Along the car's middle line; the same at every point of that line.
    yaw_rate_radps : array, shape (n,)
    track_m, wheelbase_m : float
        Front track; from the rear axle to the front one.
    road_wheel_rad : array, shape (n,), optional
        Angle of the road wheels to the car, > 0 to the left, the mean of both. Where it is absent
        or NaN, that of a car that neither under- nor oversteers, ``atan(r L / v)``.
    side_slip_s2pm : float
        Slip angle of the rear tyres per lateral acceleration. [rad/(m/s2)]

    Notes
    -----
    Derived here. The rear axle travels outwards by its slip angle ``s a`` at the lateral
    acceleration ``a = v r``, so the front axle moves sideways at ``u = r L - v s a`` and the hub of
    a front wheel at ``(v -+ r t/2, u)``. Along a heading of angle d that is
    ``(v -+ r t/2) cos d + u sin d``. A slip angle that is out by 2 degrees at a wheel angle of 6
    moves both wheels alike, by 0.4 %; the difference of the wheels, ``-r t cos d``, is free of it.
    One angle for both wheels costs the cosine of half of what they differ by.
    """
    neutral = _neutral_angle(speed_mps, yaw_rate_radps, wheelbase_m)
    angle = neutral
    if road_wheel_rad is not None:
        angle = np.where(np.isfinite(road_wheel_rad), road_wheel_rad, neutral)
    sideways = yaw_rate_radps * (wheelbase_m - side_slip_s2pm * speed_mps**2) * np.sin(angle)
    cosine = np.cos(angle)
    return GroundSpeeds(speed_mps * cosine + sideways, yaw_rate_radps, track_m * cosine)


def speed_by_steered_wheels(
    ground_mps: FloatArray,
    yaw_rate_radps: FloatArray,
    wheelbase_m: float,
    *,
    side_slip_s2pm: float = SIDE_SLIP_S2PM,
) -> FloatArray:
    """Speed along the car's middle line from the mean of rolling front wheels, shape (n,). [m/s]

    The other way round, as of a neutral car; where the yaw rate is a hole the wheels' speed stands.
    """
    yaw_rate = np.nan_to_num(yaw_rate_radps)
    # Their ratio is the same at either speed but for what is of fourth order in the angle.
    under = under_steered_wheels(
        ground_mps, yaw_rate, 0.0, wheelbase_m, side_slip_s2pm=side_slip_s2pm
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(ground_mps > _TELLING_MPS, under.mean_mps / ground_mps, 1.0)
    return np.asarray(ground_mps / ratio, dtype=np.float64)


def _neutral_angle(
    speed_mps: FloatArray, yaw_rate_radps: FloatArray, wheelbase_m: float
) -> FloatArray:
    """Angle at which the wheels of a car that neither under- nor oversteers stand. [rad]"""
    # Slower, the yaw rate's zero would turn the wheels.
    moving = np.maximum(np.abs(speed_mps), _SLOWEST_MPS)
    return np.asarray(np.arctan(wheelbase_m * yaw_rate_radps / moving), dtype=np.float64)


def steering_doubted(
    road_wheel_rad: FloatArray,
    speed_mps: FloatArray,
    yaw_rate_radps: FloatArray,
    wheelbase_m: float,
) -> str:
    """Why a steering angle cannot be that of the road wheels; empty when it can.

    Notes
    -----
    A bend asks for about ``r L / v``. The slope of the angle over that is 1 for a neutral car.
    """
    here = (
        (speed_mps > _TELLING_MPS)
        & (np.abs(yaw_rate_radps) > _TELLING_RADPS)
        & np.isfinite(road_wheel_rad)
    )
    if np.count_nonzero(here) < _TELLING_SAMPLES:
        return ""
    asked = wheelbase_m * yaw_rate_radps[here] / speed_mps[here]
    times = float(road_wheel_rad[here] @ asked / (asked @ asked))
    if times < 0:
        return "it points the other way than the car turns"
    if not 1 / _FARTHEST < times < _FARTHEST:
        return f"with steering_ratio as stated it is {times:.2g} times what the bends ask for"
    return ""
