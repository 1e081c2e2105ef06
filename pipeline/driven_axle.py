"""A session's samples as the balance of each wheel of its driven axle takes them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import BuildSheet, Car
from pipeline.input_torque import InputTorque, rate_of_change
from pipeline.push import AIR_DENSITY_KGPM3, GRAVITY_MPS2
from pipeline.runs import bridge, widen
from pipeline.side_slip import rear_slip
from pipeline.signals import Signals
from pipeline.stated import Stated, stated
from pipeline.tyre_beliefs import FIGURE_BELIEFS, Belief
from pipeline.wheel_balance import AxleRun, Steered

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

# All signals pass the same filter, so that what it takes off one it takes off all; in a fifth of a
# second a parabola still follows a throttle. Chosen on simulated cars.
_WINDOW_S = 0.21
# What the ground speed is off by beside its noise, one standard deviation: sensors on the body, the
# lateness of toothed wheels. Common practice, no source.
_COMMON_SLIP = 1e-3
# Yaw inertia over mass times both distances from the centre of gravity to the axles. Common
# practice for circuit cars: 0.8 to 1.0; no source.
_YAW_INDEX = 0.9
# Straight running: where the steering angle's zero shows. Chosen by us.
_STRAIGHT_MPS2, _STRAIGHT_MPS, _FEWEST_STRAIGHT = 1.5, 12.0, 200
# The rear axle's slip angle in all; on simulated cars it was found within 3 %.
_REAR_SLIP = Belief(1.0, 0.05)
# How well it is known in its course, one standard deviation, and what that may hide of the locking
# torque alike in every lap, over the input torque. From simulated cars.
_REAR_SLIP_RAD, _MISREAD_SHARE = 0.006, 0.06
# Sideways over longitudinal slip stiffness, each over its own grip. Common practice, no source.
_SIDE_STIFFNESS = Belief(0.65, 0.2)
# What stands in for a figure that the sheet leaves out; as `pipeline.stated`, but the tyres of the
# same log make good for what these are off. Common practice for circuit cars, no source.
_ASSUMED = {
    "front_weight_share": (0.40, 0.58),
    "cg_height_m": (0.30, 0.60),
    "driven_roll_share": (0.30, 0.60),
    "downforce_area_m2": (0.0, 3.0),
    "downforce_front_share": (0.30, 0.55),
}


def _smooth(values: FloatArray, window: int) -> FloatArray:
    """A parabola through each odd window; NaN near holes longer than it.

    Source: Savitzky & Golay, Anal. Chem. 36 (1964) 1627.
    """
    filled = bridge(values, window)
    # Not before it is needed: its import takes half a second.
    from scipy.signal import savgol_filter

    held = np.isnan(filled)
    smooth = savgol_filter(np.where(held, 0.0, filled), window, 2)
    smooth[widen(held, window // 2)] = np.nan
    return np.asarray(smooth)


def axle_run(
    signals: Signals, pull: InputTorque, label: IndexArray, side: FloatArray, sheet: BuildSheet
) -> AxleRun:
    """All samples of the session as the wheels' balances take them.

    Notes
    -----
    Derived here, for an axle that carries the share ``p`` of the weight; ``e`` is 1 for a rear axle
    and -1 for a front one, L the wheelbase, I the yaw inertia, r the yaw rate, t the track. Moments
    about the middle of the other axle, whose side force then drops out, give
    ``L S = p L m a_y - e (I r' - (X_R - X_L) t/2)`` with the axle's side force S and the forces X
    of its wheels along the car. The last term is the run's ``lever``: tyres have to tell it.
    """
    car, rate = sheet.car, signals.rate_hz
    assert signals.yaw_rate_radps is not None
    assert signals.accel_lat_mps2 is not None
    assert car.mass_kg is not None
    assert car.wheelbase_m is not None
    window = max(5, 2 * round(0.5 * _WINDOW_S * rate) + 1)
    speed, yaw_rate, left, right, torque, lateral = (
        _smooth(values, window)
        for values in (
            signals.speed_mps,
            signals.yaw_rate_radps,
            signals.left_radps,
            signals.right_radps,
            pull.torque_nm,
            signals.accel_lat_mps2,
        )
    )
    mass, wheelbase = _figure(car, "mass_kg").value, car.wheelbase_m
    front, height = _figure(car, "front_weight_share").value, _figure(car, "cg_height_m").value
    down, down_front = (
        _figure(car, name).value for name in ("downforce_area_m2", "downforce_front_share")
    )
    forward = rate_of_change(signals.speed_mps, rate, 0.3)
    turning = rate_of_change(signals.yaw_rate_radps, rate, _WINDOW_S)
    steered = car.driven_axle == "front"
    share, rearwards = (front, -1.0) if steered else (1 - front, 1.0)
    down_share = down_front if steered else 1 - down_front
    to_transfer = mass * height * _figure(car, "driven_roll_share").value / car.track_m
    straight = AxleRun(
        speed_mps=speed,
        yaw_rate_radps=yaw_rate,
        left_radps=left,
        right_radps=right,
        left_spin_radps2=rate_of_change(signals.left_radps, rate, _WINDOW_S),
        right_spin_radps2=rate_of_change(signals.right_radps, rate, _WINDOW_S),
        input_torque_nm=torque,
        weight_n=mass * (GRAVITY_MPS2 * share + rearwards * forward * height / wheelbase),
        weight_change_nps=rearwards
        * (rate_of_change(forward, rate, _WINDOW_S) * mass * height / wheelbase),
        downforce_n=0.5 * AIR_DENSITY_KGPM3 * down * down_share * speed**2,
        transfer_n=to_transfer * lateral,
        transfer_change_nps=to_transfer * rate_of_change(signals.accel_lat_mps2, rate, _WINDOW_S),
        # Both axles' side forces push the car sideways, and their difference turns it.
        side_force_n=mass
        * (
            share * wheelbase * lateral
            - rearwards * _YAW_INDEX * front * (1 - front) * wheelbase**2 * turning
        )
        / wheelbase,
        faster_side=side,
        speed_doubt=np.hypot(
            _COMMON_SLIP, _left_of_noise(signals.speed_mps, speed, window) / np.maximum(speed, 1.0)
        ),
        lap=label,
        track_m=car.track_m,
        lever=rearwards * (0.5 * car.track_m / wheelbase),
        radius_m=car.rolling_radius_m,
        wheel_inertia_kgm2=_figure(car, "wheel_inertia_kgm2").value,
        rolling_resistance=_figure(car, "rolling_resistance").value,
    )
    if not steered:
        return straight
    assert not isinstance(signals.road_wheel_rad, str)
    slip = rear_slip(
        speed,
        yaw_rate,
        lateral,
        lateral - _YAW_INDEX * front * wheelbase * turning,
        front * wheelbase,
        signals.brakes_off & signals.clean,
        rate,
        accel_long_mps2=forward,
        input_torque_nm=torque,
    )
    angle = _smooth(signals.road_wheel_rad, window)
    with np.errstate(divide="ignore", invalid="ignore"):
        toward = yaw_rate * wheelbase / speed - slip
    straight_on = (np.abs(lateral) < _STRAIGHT_MPS2) & (speed > _STRAIGHT_MPS)
    zero = steering_zero((angle - toward)[straight_on])
    angle = angle - zero
    turned = turned_by(straight, angle, slip, wheelbase)
    assert turned.steered is not None
    return replace(
        turned,
        speed_doubt=np.hypot(turned.speed_doubt, _REAR_SLIP_RAD * np.sin(angle)),
        steered=replace(turned.steered, zero_rad=zero),
    )


def steering_zero(front_slip_rad: FloatArray) -> float:
    """What the steering angle reads too much, from front tyres that carry no side force. [rad]

    Parameters
    ----------
    front_slip_rad : array, shape (m,)
        Angle of the wheels less where the axle travels, on straights.

    Notes
    -----
    Without side force a tyre has no slip angle, but for what its make and its camber do.
    """
    known = front_slip_rad[np.isfinite(front_slip_rad)]
    return float(np.median(known)) if len(known) >= _FEWEST_STRAIGHT else 0.0


def turned_by(
    straight: AxleRun,
    angle_rad: FloatArray,
    rear_slip_rad: FloatArray,
    wheelbase_m: float,
) -> AxleRun:
    """A front axle's samples with its wheels turned; without, they are those of straight wheels.

    Parameters
    ----------
    straight : AxleRun
        Its side force across the car.
    angle_rad : array, shape (n,)
        Of the wheels to the car, > 0 to the left (ISO 8855 axes).
    rear_slip_rad : array, shape (n,)
        Slip angle of the rear axle, > 0 where its side force points left.
    wheelbase_m : float

    Notes
    -----
    Derived here: with ``F`` along and ``S`` across each wheel, turned by d,
    ``Y = F sin d + S cos d`` across the car and ``X = F cos d - S sin d`` along it. The axle's Y is
    told by the car's motion less ``h (X_R - X_L)``, where h is half the track over the wheelbase;
    so across the wheels ``S = Y/cos d - F tan d - h (F_R - F_L) + h (S_R - S_L) tan d``. The input
    torque tells the sum of F; S_R and S_L part about as the loads do, which the small last term
    needs no better.
    """
    tangent = np.tan(angle_rad)
    load = straight.weight_n + straight.downforce_n
    spin = straight.left_spin_radps2 + straight.right_spin_radps2
    turning = straight.input_torque_nm - straight.wheel_inertia_kgm2 * spin
    forward = turning / straight.radius_m - straight.rolling_resistance * load
    across = straight.side_force_n / np.cos(angle_rad) - forward * tangent
    apart = 2 * straight.transfer_n / load
    with np.errstate(divide="ignore", invalid="ignore"):
        neutral = straight.yaw_rate_radps * wheelbase_m / straight.speed_mps
    return replace(
        straight,
        side_force_n=across * (1 - straight.lever * apart * tangent),
        steered=Steered(angle_rad, neutral, rear_slip_rad, _MISREAD_SHARE),
    )


def _left_of_noise(values: FloatArray, smooth: FloatArray, window: int) -> float:
    """Standard deviation of the noise that the parabola leaves at its middle.

    Source: Savitzky & Golay, Anal. Chem. 36 (1964) 1627: of the noise's square it leaves
    ``3 (3 N^2 - 7) / (4 N (N^2 - 4))`` of N samples.
    """
    rest = np.abs(values - smooth)
    kept = 3 * (3 * window**2 - 7) / (4 * window * (window**2 - 4))
    raw = 1.4826 * float(np.median(rest[np.isfinite(rest)]))
    return raw * math.sqrt(kept / (1 - kept))


def _figure(car: Car, name: str) -> Stated:
    found = stated(car, name)
    if found is not None:
        return found
    low, high = _ASSUMED[name]
    return Stated(0.5 * (low + high), 0.5 * (high - low), f"assumed {low:g} to {high:g}")


def beliefs_of(car: Car) -> dict[str, Belief]:
    """How well the build sheet's loads are known, as factors."""
    transfer = math.hypot(*(_figure(car, n).share for n in ("cg_height_m", "driven_roll_share")))
    down = math.hypot(
        *(_figure(car, n).share for n in ("downforce_area_m2", "downforce_front_share"))
    )
    known = {
        "transfer": Belief(1.0, max(FIGURE_BELIEFS["transfer"].sigma, transfer / 1.96)),
        "downforce": Belief(1.0, max(FIGURE_BELIEFS["downforce"].sigma, down / 1.96)),
    }
    if car.driven_axle == "front":
        known |= {"rear_slip": _REAR_SLIP, "side_stiffness": _SIDE_STIFFNESS}
    return known
