"""What the balance of each driven wheel says of the torque in its half-shaft."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.tyre_pair import PairForce, Tyre, pair_force

FloatArray = NDArray[np.float64]

# A wheel in the air still has its own weight; and powers of the load stay finite.
_LEAST_LOAD_SHARE = 0.03

_SLOWEST_RADPS = 5.0


@dataclass(frozen=True, slots=True)
class Steered:
    """Where the wheels of a steered front axle head; arrays of shape (n,)."""

    angle_rad: FloatArray
    """Of the wheels to the car, > 0 to the left."""
    turning_rad: FloatArray
    """Yaw rate times wheelbase over speed: where the axle would travel if the rear did not slip."""
    rear_slip_rad: FloatArray
    """Slip angle of the rear axle as assumed, > 0 where its side force points left."""
    misread_share: float = 0.0
    """What the course of that angle may hide of the locking torque alike in every lap, one standard
    deviation, as a share of the input torque. [1]"""
    zero_rad: float = 0.0
    """What the steering angle read too much; taken out of ``angle_rad``."""

    def at(self, chosen: NDArray[np.intp]) -> Steered:
        """The chosen samples only."""
        return replace(
            self,
            angle_rad=self.angle_rad[chosen],
            turning_rad=self.turning_rad[chosen],
            rear_slip_rad=self.rear_slip_rad[chosen],
        )

    def sideways(self, rear_slip: float) -> FloatArray:
        """Speed of the axle across the car over that along it, shape (n,). [1]"""
        return self.turning_rad - rear_slip * self.rear_slip_rad


@dataclass(frozen=True, slots=True)
class AxleRun:
    """Samples of the driven axle with the brakes off; arrays of shape (n,)."""

    speed_mps: FloatArray
    yaw_rate_radps: FloatArray
    left_radps: FloatArray
    right_radps: FloatArray
    left_spin_radps2: FloatArray
    """Change of the wheel's speed."""
    right_spin_radps2: FloatArray
    input_torque_nm: FloatArray
    weight_n: FloatArray
    """Load of the axle without downforce."""
    weight_change_nps: FloatArray
    downforce_n: FloatArray
    transfer_n: FloatArray
    """Load that cornering takes from the left wheel and gives to the right one."""
    transfer_change_nps: FloatArray
    side_force_n: FloatArray
    """Across the wheels, without what unequal forward forces of the two add."""
    faster_side: FloatArray
    """+1 where the pack slides with the left wheel faster, -1 with the right one, 0 elsewhere."""
    speed_doubt: FloatArray
    """What the speed under both wheels is off by alike, one standard deviation, as a share. [1]"""
    lap: NDArray[np.intp]
    track_m: float
    lever: float
    """What the right wheel's forward force less the left one's adds to the side force, per newton:
    half track over wheelbase of a rear axle, less than zero of a front one."""
    radius_m: float
    wheel_inertia_kgm2: float
    rolling_resistance: float
    steered: Steered | None = None
    reference_load_n: float = 0.0
    """Load of one wheel that the tyre's numbers are stated at; 0 stands for the middle of all
    samples. A part of a run keeps that of the whole."""

    def __post_init__(self) -> None:
        if self.reference_load_n == 0.0:
            middle = 0.5 * float(np.nanmedian(self.weight_n + self.downforce_n))
            object.__setattr__(self, "reference_load_n", middle)


@dataclass(frozen=True, slots=True)
class AxleFigures:
    """What a log may find of the axle beside its tyres, as factors on what is stated."""

    left_radius: float = 1.0
    right_radius: float = 1.0
    track: float = 1.0
    transfer: float = 1.0
    downforce: float = 1.0
    lag_s: float = 0.0
    """How late the loads follow the accelerations. [s]"""
    tooth_rad: float = 0.0
    """How far a wheel turns before its speed is known: one tooth of a toothed wheel."""
    rear_slip: float = 1.0
    """Slip angle of the rear axle; it matters where the driven wheels are steered."""


@dataclass(frozen=True, slots=True)
class WheelTorques:
    """Half-shaft torques as the wheels tell them; arrays of shape (n,)."""

    left_nm: FloatArray
    right_nm: FloatArray
    left_load_n: FloatArray
    right_load_n: FloatArray
    push: PairForce


def wheel_torques(
    run: AxleRun,
    figures: AxleFigures,
    tyre: Tyre,
    *,
    steps: int = 8,
    side_slip: FloatArray | None = None,
    common_slip: FloatArray | float = 0.0,
) -> WheelTorques:
    """Torque in each half-shaft from the push of its tyre and the spin of its wheel. [N m]

    Notes
    -----
    ``T = R F_x + J dw/dt + f R F_z`` for each wheel, brakes off; slip is ``w R / v - 1`` with the
    ground's speed under that wheel, ``v -+ r t/2``. Derived here from the wheel's balance of
    angular momentum. ``common_slip`` is what both slips are larger by than the speed tells.
    A front axle turned by d moves sideways at ``v q`` with ``q = r L/v - a_r``, the rear axle's
    slip angle ``a_r``; along its wheels that is ``v cos d + v q sin d -+ r t/2 cos d``, and its
    slip angle is ``d - atan q``: a rigid body's velocities in ISO 8855 axes.
    """
    left_radius, right_radius = (
        run.radius_m * figures.left_radius,
        run.radius_m * figures.right_radius,
    )
    along, half, seen = _ground(run, figures, tyre)
    left_radps, right_radps = (
        speed + figures.tooth_rad * spin / np.maximum(speed, _SLOWEST_RADPS)
        for speed, spin in (
            (run.left_radps, run.left_spin_radps2),
            (run.right_radps, run.right_spin_radps2),
        )
    )
    slip = (
        left_radps * left_radius / (along - half) - 1 + common_slip,
        right_radps * right_radius / (along + half) - 1 + common_slip,
    )
    axle = run.weight_n - figures.lag_s * run.weight_change_nps
    axle = axle + figures.downforce * run.downforce_n
    moved = figures.transfer * (run.transfer_n - figures.lag_s * run.transfer_change_nps)
    axle = np.maximum(axle, 0.4 * run.reference_load_n)
    least = _LEAST_LOAD_SHARE * axle
    load = np.clip(0.5 * axle - moved, least, axle), np.clip(0.5 * axle + moved, least, axle)
    push = pair_force(
        tyre, slip, load, run.side_force_n, run.reference_load_n, run.lever,
        steps=steps, side_slip=side_slip, seen=seen,
    )  # fmt: skip
    inertia, rolling = run.wheel_inertia_kgm2, run.rolling_resistance
    return WheelTorques(
        left_radius * (push.left_n + rolling * load[0]) + inertia * run.left_spin_radps2,
        right_radius * (push.right_n + rolling * load[1]) + inertia * run.right_spin_radps2,
        load[0],
        load[1],
        push,
    )


def _ground(
    run: AxleRun, figures: AxleFigures, tyre: Tyre
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Ground speed along the wheels in the axle's middle, and how far both are from it.

    Third, the sideways slip that their heading shows, on the tyre's scale.
    """
    half = 0.5 * run.track_m * figures.track * run.yaw_rate_radps
    if run.steered is None:
        return run.speed_mps, half, None
    angle, sideways = run.steered.angle_rad, run.steered.sideways(figures.rear_slip)
    cosine = np.cos(angle)
    along = run.speed_mps * (cosine + sideways * np.sin(angle))
    return along, half * cosine, tyre.side_stiffness * (angle - np.arctan(sideways))
