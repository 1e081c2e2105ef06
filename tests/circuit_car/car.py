"""What the car is made of: the invented Ostrel C3 and its differential, part by part.

All numbers here were chosen by us unless a source stands beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from circuit_car.friction import Friction, Packs
from circuit_car.halfshafts import Shafts
from circuit_car.heat import Heat
from circuit_car.tyre import TyreScale

Array = NDArray[np.float64]
PreloadLaw = Literal["adding", "greater_of"]
Axle = Literal["rear", "front"]

GRAVITY_MPS2 = 9.81
AIR_DENSITY_KGPM3 = 1.2
SPOOL_CAPACITY_NM = 1e9
NOMINAL_DRIVEN_RADIUS_M = 0.312  # as the build sheet states it
NOMINAL_FREE_RADIUS_M = 0.305


@dataclass(frozen=True)
class Differential:
    """Two equal plate packs between case and side gears, squeezed by a spring and by two ramps.

    Ramp angles are between ramp flank and plane of rotation: a smaller angle locks more.
    The pressure rings share the ramp torque, so each pack carries
    ``F = F_spring + |T_in| / (2 R_ramp tan(angle))`` and turns it into ``mu N R_e F``; the torque
    difference between the half-shafts is the sum of both packs (statics, derived here).

    Notes
    -----
    ``preload_law``: with springs beside the ramps the forces add; with washers between case and
    pack, in series, the larger force rules.

    ``ramp_friction``: friction coefficient of cross-pin on ramp.  A wedge that is being driven up
    thrusts with ``1 / tan(angle + atan mu)``, one that is let down with ``1 / tan(angle - atan
    mu)``; between the two the thrust stays what it was (statics of the inclined plane).

    ``gear_friction_nm``: torque difference that the gears' own friction carries, packs or not.
    """

    friction_faces_per_pack: int = 4
    plate_outer_radius_m: float = 0.056
    plate_inner_radius_m: float = 0.040
    friction_coefficient: float = 0.092
    ramp_radius_m: float = 0.036
    drive_ramp_deg: float = 50.0
    overrun_ramp_deg: float = 65.0
    spring_force_n: float = 2550.0
    preload_law: PreloadLaw = "adding"
    spool: bool = False
    friction: Friction = field(default_factory=Friction)
    ramp_friction: float = 0.0
    gear_friction_nm: float = 0.0

    def __post_init__(self) -> None:
        if self.preload_law not in ("adding", "greater_of"):
            raise ValueError(f"preload_law {self.preload_law!r}: adding or greater_of")

    @property
    def effective_radius_m(self) -> float:
        """Mean radius of uniformly worn plates. [m]"""
        return 0.5 * (self.plate_outer_radius_m + self.plate_inner_radius_m)

    @property
    def _friction_arm_m(self) -> float:
        return self.friction_coefficient * self.friction_faces_per_pack * self.effective_radius_m

    @property
    def breakaway_torque_nm(self) -> float:
        """Torque difference with no input torque while sliding slowly. [N m]

        What the springs hold, both packs, and the gears' own friction.
        """
        return self._spring_torque_nm + self.gear_friction_nm

    @property
    def break_loose_torque_nm(self) -> float:
        """Torque difference at which packs at rest let go with no input torque. [N m]"""
        return self._spring_torque_nm * self.friction.static_ratio + self.gear_friction_nm

    @property
    def _spring_torque_nm(self) -> float:
        return 2.0 * self._friction_arm_m * self.spring_force_n

    def _lock_ratio(self, ramp_deg: float, friction_angle_rad: float = 0.0) -> float:
        if ramp_deg >= 90.0:
            return 0.0
        angle = math.radians(ramp_deg) + friction_angle_rad
        return self._friction_arm_m / (self.ramp_radius_m * math.tan(angle))

    def lock_ratios(self, ramp_deg: float) -> tuple[float, float]:
        """Torque difference per input torque with the input torque rising and falling. [-]"""
        angle = math.atan(self.ramp_friction)
        return self._lock_ratio(ramp_deg, angle), self._lock_ratio(ramp_deg, -angle)

    @property
    def lock_drive(self) -> float:
        """Torque difference per input torque on the drive ramps. [-]"""
        return self._lock_ratio(self.drive_ramp_deg)

    @property
    def lock_overrun(self) -> float:
        """Torque difference per input torque on the overrun ramps. [-]"""
        return self._lock_ratio(self.overrun_ramp_deg)

    def capacity_nm(self, input_torque_nm: Array) -> Array:
        """Torque difference of packs sliding slowly, ramps without friction, 80 degC. [N m]"""
        if self.spool:
            return np.full_like(input_torque_nm, SPOOL_CAPACITY_NM)
        ramp = np.where(input_torque_nm >= 0.0, self.lock_drive, self.lock_overrun)
        ramp = ramp * np.abs(input_torque_nm)
        if self.preload_law == "greater_of":
            return np.maximum(self._spring_torque_nm, ramp) + self.gear_friction_nm
        return self.breakaway_torque_nm + ramp

    def packs(self) -> Packs:
        """The same for the compiled loop."""
        drive, overrun = (
            self.lock_ratios(self.drive_ramp_deg),
            self.lock_ratios(self.overrun_ramp_deg),
        )
        held = 0.0 if self.spool else 1.0
        return Packs(
            preload=SPOOL_CAPACITY_NM if self.spool else self._spring_torque_nm,
            k_drive_rising=held * drive[0],
            k_drive_falling=held * drive[1],
            k_overrun_rising=held * overrun[0],
            k_overrun_falling=held * overrun[1],
            greater_of=self.preload_law == "greater_of",
            gear_friction=self.gear_friction_nm,
            plate_friction=self.friction_coefficient,
            plate_radius=self.effective_radius_m,
            friction=self.friction,
        )


@dataclass(frozen=True)
class Car:
    """Car with a person in it, sprung on nothing but load transfer with a lag.

    Rear-driven unless ``drive_share_front`` says otherwise: the share of the gearbox's torque that
    goes to the front axle, 1 for a front-driven car.  Between the two a centre differential splits
    the torque, and the front axle has a differential of its own.
    """

    name: str = "Ostrel C3"
    mass_kg: float = 1180.0
    yaw_inertia_kgm2: float = 1620.0
    wheelbase_m: float = 2.52
    cg_to_front_m: float = 1.32
    cg_height_m: float = 0.43
    track_front_m: float = 1.52
    track_rear_m: float = 1.48
    roll_share_front: float = 0.57
    load_lag_s: float = 0.07
    drag_area_m2: float = 0.78
    downforce_area_m2: float = 1.5
    downforce_share_front: float = 0.42
    rolling_resistance: float = 0.014
    radius_front_left_m: float = 0.305
    radius_front_right_m: float = 0.305
    # The build sheet states 0.312 for both; the true pair differs as a real pair does.
    radius_rear_left_m: float = 0.3125
    radius_rear_right_m: float = 0.3116
    wheel_inertia_front_kgm2: float = 0.95
    wheel_inertia_rear_kgm2: float = 1.10
    drive_share_front: float = 0.0
    driveline_inertia_kgm2: float = 0.12  # case, ring gear and prop shaft, seen at each case
    engine_inertia_kgm2: float = 0.125
    engine_speed_radps: tuple[float, ...] = (0, 100, 200, 300, 400, 500, 600, 700, 780, 840)
    engine_full_nm: tuple[float, ...] = (120, 200, 285, 330, 358, 366, 360, 340, 308, 200)
    engine_drag_nm: tuple[float, ...] = (-8, -14, -18, -22, -26, -31, -36, -42, -47, -80)
    idle_speed_radps: float = 105.0
    gear_ratios: tuple[float, ...] = (2.90, 2.02, 1.54, 1.27, 1.09, 0.95)
    final_drive: float = 3.90
    transmission_efficiency: float = 0.955
    shift_cut_s: float = 0.08
    upshift_radps: float = 755.0
    downshift_radps: float = 640.0  # speed that the lower gear must not exceed
    brake_front_nm_per_pa: float = 4.4e-4  # both wheels of the axle together
    brake_rear_nm_per_pa: float = 2.0e-4
    brake_max_pa: float = 9.0e6
    tyre: TyreScale = field(default_factory=lambda: TyreScale(1.31, 1.58, 1.42, 1.55))
    differential: Differential = field(default_factory=Differential)
    front_differential: Differential = field(default_factory=Differential)  # if both are driven
    shafts: Shafts = field(default_factory=Shafts)
    heat: Heat = field(default_factory=Heat)

    @property
    def driven_axle(self) -> Axle:
        """The axle that ``differential`` belongs to."""
        return "front" if self.drive_share_front == 1.0 else "rear"

    @property
    def driven_axles(self) -> tuple[Axle, ...]:
        """All axles with a differential."""
        both = 0.0 < self.drive_share_front < 1.0
        return ("rear", "front") if both else (self.driven_axle,)

    def radii_m(self, axle: Axle) -> tuple[float, float]:
        """Rolling radius left and right. [m]"""
        if axle == "front":
            return self.radius_front_left_m, self.radius_front_right_m
        return self.radius_rear_left_m, self.radius_rear_right_m

    def track_m(self, axle: Axle) -> float:
        """Track width. [m]"""
        return self.track_front_m if axle == "front" else self.track_rear_m

    def differential_of(self, axle: Axle) -> Differential:
        """The differential of a driven axle."""
        return self.differential if axle == self.driven_axle else self.front_differential

    def front_axle_alone(self) -> Car:
        """The car as it looks from its front axle, which then is the driven one."""
        return replace(self, drive_share_front=1.0, differential=self.front_differential)

    def with_radii(self, left_m: float, right_m: float) -> Car:
        """The same car on another pair of driven tyres."""
        if self.driven_axle == "front":
            return replace(self, radius_front_left_m=left_m, radius_front_right_m=right_m)
        return replace(self, radius_rear_left_m=left_m, radius_rear_right_m=right_m)

    def with_parts(self, **parts: Any) -> Car:
        """The same car with parts of its differential exchanged."""
        return replace(self, differential=replace(self.differential, **parts))

    def with_uneven_radii(self, rng: np.random.Generator, sigma: float = 0.003) -> Car:
        """The same car on another pair of driven tyres; ``sigma`` is the relative spread. [-]"""
        left, right = NOMINAL_DRIVEN_RADIUS_M * (1.0 + sigma * rng.standard_normal(2))
        return self.with_radii(float(left), float(right))

    def mirrored(self) -> Car:
        """The same car seen in a mirror: only the rolling radii change places."""
        return replace(
            self,
            radius_front_left_m=self.radius_front_right_m,
            radius_front_right_m=self.radius_front_left_m,
            radius_rear_left_m=self.radius_rear_right_m,
            radius_rear_right_m=self.radius_rear_left_m,
        )


def front_driven_car(**parts: Any) -> Car:
    """The same kind of car with engine, gearbox and differential in front: the Ostrel F2."""
    return Car(
        name="Ostrel F2",
        cg_to_front_m=1.02,
        track_front_m=1.50,
        track_rear_m=1.47,
        roll_share_front=0.44,
        radius_front_left_m=0.3125,
        radius_front_right_m=0.3116,
        radius_rear_left_m=0.305,
        radius_rear_right_m=0.305,
        wheel_inertia_front_kgm2=1.10,
        wheel_inertia_rear_kgm2=0.95,
        drive_share_front=1.0,
        brake_front_nm_per_pa=5.0e-4,
        brake_rear_nm_per_pa=1.3e-4,
        downforce_share_front=0.50,
    ).with_parts(**parts)


def four_wheel_driven_car(**parts: Any) -> Car:
    """The Ostrel Q4: a differential on each axle and 40 of 100 N m to the front."""
    soft = Differential(drive_ramp_deg=65.0, overrun_ramp_deg=80.0, spring_force_n=1300.0)
    return Car(
        name="Ostrel Q4",
        mass_kg=1240.0,
        cg_to_front_m=1.20,
        radius_front_left_m=0.3125,
        radius_front_right_m=0.3116,
        wheel_inertia_front_kgm2=1.10,
        drive_share_front=0.40,
        front_differential=soft,
    ).with_parts(**parts)


class CarTable(NamedTuple):
    """The car as the compiled loop reads it, SI units, names as in ``Car``."""

    mass: float
    yaw_inertia: float
    a: float
    b: float
    cg_height: float
    track_front: float
    track_rear: float
    roll_share_front: float
    load_lag: float
    drag: float  # N per (m/s)^2
    down_front: float
    down_rear: float
    rolling: float
    radii: Array  # of the wheels FL, FR, RL, RR
    inertias: Array
    j_free: float  # one undriven and one driven wheel, as the driver reckons with them
    j_driven: float
    share_front: float
    j_driveline: float
    j_engine: float
    engine_step: float  # rad/s between samples of the two torque tables
    engine_full: Array
    engine_drag: Array
    idle: float
    ratios: Array  # index 0 neutral, then overall ratio engine to case
    efficiency: float
    shift_cut: float
    upshift: float
    downshift: float
    brake_front: float  # N m per Pa and wheel
    brake_rear: float
    brake_max: float
    packs_front: Packs
    packs_rear: Packs
    shafts: Shafts
    tyre: TyreScale
    heat: Heat


def car_table(car: Car) -> CarTable:
    """Flatten a car for the compiled loop."""
    step = 10.0
    speed = np.arange(0.0, 1201.0, step)
    ratios = np.array([0.0, *(g * car.final_drive for g in car.gear_ratios)])
    wheels = (car.wheel_inertia_front_kgm2, car.wheel_inertia_rear_kgm2)
    half_air = 0.5 * AIR_DENSITY_KGPM3
    return CarTable(
        mass=car.mass_kg,
        yaw_inertia=car.yaw_inertia_kgm2,
        a=car.cg_to_front_m,
        b=car.wheelbase_m - car.cg_to_front_m,
        cg_height=car.cg_height_m,
        track_front=car.track_front_m,
        track_rear=car.track_rear_m,
        roll_share_front=car.roll_share_front,
        load_lag=car.load_lag_s,
        drag=half_air * car.drag_area_m2,
        down_front=half_air * car.downforce_area_m2 * car.downforce_share_front,
        down_rear=half_air * car.downforce_area_m2 * (1.0 - car.downforce_share_front),
        rolling=car.rolling_resistance,
        radii=np.array([*car.radii_m("front"), *car.radii_m("rear")]),
        inertias=np.repeat([car.wheel_inertia_front_kgm2, car.wheel_inertia_rear_kgm2], 2),
        j_free=wheels[1 if car.driven_axle == "front" else 0],
        j_driven=wheels[0 if car.driven_axle == "front" else 1],
        share_front=car.drive_share_front,
        j_driveline=car.driveline_inertia_kgm2,
        j_engine=car.engine_inertia_kgm2,
        engine_step=step,
        engine_full=np.interp(speed, car.engine_speed_radps, car.engine_full_nm),
        engine_drag=np.interp(speed, car.engine_speed_radps, car.engine_drag_nm),
        idle=car.idle_speed_radps,
        ratios=ratios,
        efficiency=car.transmission_efficiency,
        shift_cut=car.shift_cut_s,
        upshift=car.upshift_radps,
        downshift=car.downshift_radps,
        brake_front=0.5 * car.brake_front_nm_per_pa,
        brake_rear=0.5 * car.brake_rear_nm_per_pa,
        brake_max=car.brake_max_pa,
        packs_front=car.differential_of("front").packs(),
        packs_rear=car.differential_of("rear").packs(),
        shafts=car.shafts,
        tyre=car.tyre,
        heat=car.heat,
    )
