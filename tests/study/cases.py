"""The cases of the evidence study: a car, its sensors, and which logs of it are analysed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from circuit_car import (
    Car,
    Driver,
    Friction,
    Sensors,
    Shafts,
    four_wheel_driven_car,
    front_driven_car,
)
from simulated import ENGINE, FULLY_FITTED, RING_GEAR, SHAFTS, THERMOMETERS, TORQUES

# Which torques a log holds, by what it leaves out of the full one.
MEASURED = "measured"
RING = "inferred, torque at the ring gear"
FROM_ENGINE = "inferred, torque of the engine"
LAW_UNSTATED = "inferred, torque at the ring gear, preload law not stated"
KINEMATIC = "kinematic"
WITHOUT = {
    MEASURED: RING_GEAR + THERMOMETERS,
    RING: SHAFTS + ENGINE + THERMOMETERS,
    FROM_ENGINE: SHAFTS + RING_GEAR + THERMOMETERS,
    LAW_UNSTATED: SHAFTS + ENGINE + THERMOMETERS,
    KINEMATIC: TORQUES + THERMOMETERS,
}
INFERRED = (RING, FROM_ENGINE, LAW_UNSTATED)
ALL = (MEASURED, *INFERRED, KINEMATIC)


@dataclass(frozen=True)
class Case:
    """One kind of session; ``moving`` where friction is not constant.

    Then the truth is the constants that come closest to what the sliding packs really carried.
    """

    name: str
    what: str
    logs: tuple[str, ...]
    car: Callable[[], Car] = Car
    sensors: Sensors = FULLY_FITTED
    driver: Driver = field(default_factory=Driver)
    laps: int = 6
    rate_hz: float = 100.0
    uneven_radii: float = 0.003  # relative spread of the driven tyres' radii
    moving: bool = False
    judders: bool = False
    look_at_front: bool = False  # of a four-wheel-driven car

    def logs_of(self, run: int) -> tuple[str, ...]:
        """Which logs of a run are analysed: those of one drive, differing in little, in turns."""
        left_out = {(FROM_ENGINE, RING)[run % 2]} if FROM_ENGINE in self.logs else set()
        if run % 4:
            left_out.add(LAW_UNSTATED)
        return tuple(name for name in self.logs if name not in left_out)


def _parts(**parts: object) -> Callable[[], Car]:
    return lambda: Car().with_parts(**parts)


def _mismatched() -> Car:
    return Car().with_radii(0.312 * 1.0025, 0.312 * 0.9975)


def _juddering() -> Car:
    car = replace(Car(), shafts=Shafts(6000.0, 1.0, 0.10))
    return car.with_parts(friction=Friction(slope_spm=-0.03))


def _on_shafts(stiffness_nmprad: float) -> Callable[[], Car]:
    return lambda: replace(Car(), shafts=Shafts(stiffness_nmprad, 6.0))


def _faulty(**faults: float) -> Sensors:
    return replace(FULLY_FITTED, **faults)  # type: ignore[arg-type]


_ROLLS_OUT_AT_ONCE = Driver(stand_before_s=0.2, stand_after_s=0.2)
_FRONT_DRIVER = Driver(traction_mps2=6.0)

CASES = (
    Case("firm", "ramps 50/65 degrees, springs and ramps adding", ALL),
    Case("greater-of", "the same ramps, 159 N m of springs in series with them",
         (MEASURED, *INFERRED), _parts(preload_law="greater_of", spring_force_n=4500.0)),
    Case("soft", "ramps 60/75 degrees, 53 N m of springs", ALL,
         _parts(drive_ramp_deg=60.0, overrun_ramp_deg=75.0, spring_force_n=1500.0)),
    Case("very firm", "ramps 40/50 degrees, 141 N m of springs", ALL,
         _parts(drive_ramp_deg=40.0, overrun_ramp_deg=50.0, spring_force_n=4000.0)),
    Case("worn", "springs slack, plates glazed", ALL,
         _parts(spring_force_n=600.0, friction_coefficient=0.075)),
    Case("one-way", "no ramps on overrun", (MEASURED, *INFERRED), _parts(overrun_ramp_deg=90.0)),
    Case("two-way", "the same ramps both ways", (MEASURED, *INFERRED),
         _parts(overrun_ramp_deg=50.0)),
    Case("open", "no packs, 4 N m of friction in the gears", ALL,
         _parts(friction_faces_per_pack=0, gear_friction_nm=4.0)),
    Case("spool", "both wheels tied together", ALL, _parts(spool=True)),
    Case("front-driven", "the firm pack in a front-driven car", ALL, front_driven_car,
         driver=_FRONT_DRIVER),
    Case("rear of two", "rear differential of a four-wheel-driven car", (MEASURED, RING),
         four_wheel_driven_car, uneven_radii=0.0005),
    Case("front of two", "its front differential, a soft one; it gets 40 % of the torque",
         (MEASURED, RING), four_wheel_driven_car, look_at_front=True, uneven_radii=0.0005),
    Case("judder", "friction falls by 0.03 s/m, heavy flanges swing on their half-shafts",
         ALL, _juddering, moving=True, judders=True),
    Case("static friction", "friction at rest 1.3 times that of sliding", (MEASURED, *INFERRED),
         _parts(friction=Friction(static_ratio=1.3, stribeck_speed_mps=0.02)), moving=True),
    Case("fading", "friction loses 0.2 % per kelvin of the plates", (MEASURED, *INFERRED),
         _parts(friction=Friction(per_kelvin=-0.002)), moving=True),
    Case("hysteresis", "friction of 0.08 on the ramps", (MEASURED, *INFERRED),
         _parts(ramp_friction=0.08), moving=True),
    Case("half-shafts", "they twist, 8 kN m/rad", (MEASURED, *INFERRED), _on_shafts(8000.0)),
    Case("soft half-shafts", "they twist, 4 kN m/rad", (MEASURED, *INFERRED), _on_shafts(4000.0)),
    Case("offset", "left half-shaft reads 15 N m high, nothing logged at standstill", (MEASURED,),
         sensors=_faulty(torque_offset_left_nm=15.0), driver=_ROLLS_OUT_AT_ONCE),
    Case("gain", "half-shaft gains 2 % apart", (MEASURED,),
         sensors=_faulty(torque_gain_left=0.01, torque_gain_right=-0.01)),
    Case("delay", "torques logged 40 ms late", (MEASURED, *INFERRED),
         sensors=_faulty(torque_delay_s=0.04, ring_gear_delay_s=0.04, engine_torque_delay_s=0.04)),
    Case("radii", "driven tyres 0.5 % apart", ALL, _mismatched, uneven_radii=0.0),
    Case("noisy", "half-shaft torques with 15 N m of noise, offsets of 12 N m", (MEASURED,),
         sensors=_faulty(torque_noise_nm=15.0, torque_offset_sigma_nm=12.0)),
    Case("50 Hz", "the firm pack, logged at 50 Hz", (MEASURED, *INFERRED), rate_hz=50.0),
    Case("three laps", "the firm pack, three flying laps", (MEASURED, *INFERRED), laps=3),
)  # fmt: skip
