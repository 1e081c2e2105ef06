"""How hard the driven wheels push the car, told from its acceleration, mass and drag."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Grade
from pipeline.input_torque import CAR_WINDOW_S, InputTorque, Running, Tolerance, rate_of_change
from pipeline.runs import runs
from pipeline.stated import Stated, stated

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Standard gravity, ISO 80000-3, rounded; air at 15 to 20 degrees C near sea level, rounded.
GRAVITY_MPS2 = 9.81
AIR_DENSITY_KGPM3 = 1.2
# Body pitch under acceleration tips the accelerometer: 0.5 to 2 degrees per g of a stiff circuit
# car add 1 to 3.5 % to what it reads. Common practice, no source.
_PITCH_SHARE, _PITCH_TOLERANCE = 0.02, 0.015
# A pit box is level to about a hundredth; a sensor is mounted no better. Chosen by us.
_ACCELERATION_ZERO_MPS2 = 0.15
# The same for a zero that only the log's average shows, and for slopes that a derivative of speed
# does not see: 3 % of g. Chosen by us.
_AVERAGE_ZERO_MPS2 = 0.25
_SLOPE_MPS2 = 0.3


def from_acceleration(running: Running, sheet: BuildSheet) -> tuple[InputTorque | None, str]:
    """Input torque from what the car's mass, drag and tyres ask for, or why it cannot be had.

    Notes
    -----
    Derived here: the driven wheels push ``F = m f + D + c m g + m b r^2`` and
    ``T_in = R F + (2 J_d + 2 J_u (R/R_u)^2) dw/dt`` with the drag ``D = rho c_d A v^2 / 2``, the
    rolling resistance and what the steered wheels' side force takes, by the geometry of a neutral
    car (``b`` from the centre of gravity to the unsteered axle, ``r`` the yaw rate). ``f`` is the
    force per mass that an accelerometer in the car feels. It needs no slope: on a hill gravity
    pulls the case and what hangs inside it alike. The derivative of speed does need it. Pitch of
    the body against the road tips the accelerometer, and adds its share.
    """
    mass, drag = stated(sheet.car, "mass_kg"), stated(sheet.car, "drag_area_m2")
    absent = [
        name for name, each in (("mass_kg", mass), ("drag_area_m2", drag)) if each is None
    ]  # fmt: skip
    if mass is None or drag is None:
        return None, (
            f"build_sheet.toml does not state {' and '.join(absent)} under [car], so acceleration "
            "tells no torque"
        )
    felt, why = _felt(running)
    if felt is None:
        return None, why
    return _from_felt(running, sheet, felt, mass, drag), ""


@dataclass(frozen=True, slots=True)
class _Felt:
    """Longitudinal force per mass, shape (n,), and how far it may be off."""

    force_mps2: FloatArray
    gain: float
    zero_mps2: float
    source: str
    note: str


def _felt(running: Running) -> tuple[_Felt | None, str]:
    reading = running.channels.get("accel_long_mps2")
    change = rate_of_change(running.speed_mps, running.rate_hz, CAR_WINDOW_S)
    if reading is not None and np.isfinite(reading).any():
        return _from_accelerometer(running, reading, change), ""
    if not running.speed_is_independent:
        return None, (
            "the log has neither longitudinal acceleration nor a ground speed apart from the "
            "driven wheels"
        )
    return _Felt(
        change, 0.0, _SLOPE_MPS2, "derivative of the ground speed", "slopes of the road are unknown"
    ), ""


def _from_accelerometer(running: Running, reading: FloatArray, change: FloatArray) -> _Felt:
    """The accelerometer's reading with zero and pitch taken out."""
    trim = round(0.5 * running.rate_hz)
    still = [
        reading[first + trim : stop - trim]
        for first, stop in runs(running.standing)
        if stop - first > 4 * trim
    ]
    rest = np.concatenate(still) if still else np.empty(0)
    rest = rest[np.isfinite(rest)]
    if len(rest):
        zero, left = float(np.median(rest)), _ACCELERATION_ZERO_MPS2
        note = f"zeroed by {zero:+.2f} m/s² at a standstill, taken as level"
    else:
        # Uphill and downhill cancel metre by metre over laps that end where they began.
        speed = running.speed_mps
        known = np.isfinite(reading + change + speed)
        weight = float(np.sum(speed[known])) or 1.0
        zero = float(np.sum((reading - change)[known] * speed[known])) / weight
        left = _AVERAGE_ZERO_MPS2
        note = f"zeroed by {zero:+.2f} m/s² against the change of speed over the log"
    return _Felt(
        (reading - zero) / (1 + _PITCH_SHARE),
        _PITCH_TOLERANCE,
        left,
        "accelerometer",
        f"{note}; pitch of the body assumed to add {100 * _PITCH_SHARE:.0f} %",
    )


def _from_felt(
    running: Running, sheet: BuildSheet, felt: _Felt, mass: Stated, drag: Stated
) -> InputTorque:
    car, radius = sheet.car, sheet.car.driven_radius_m
    other_radius = car.undriven_rolling_radius_m or radius
    rolling, own, other = (
        found
        for name in ("rolling_resistance", "wheel_inertia_kgm2", "undriven_wheel_inertia_kgm2")
        if (found := stated(car, name)) is not None
    )
    spin = rate_of_change(running.speed_mps, running.rate_hz, CAR_WINDOW_S) / radius
    turning, turning_note = _steering_drag(running, sheet)
    air = 0.5 * AIR_DENSITY_KGPM3 * drag.value * running.speed_mps**2
    roll = rolling.value * mass.value * GRAVITY_MPS2
    inertia = 2 * own.value + 2 * other.value * (radius / other_radius) ** 2
    force = mass.value * (felt.force_mps2 + turning) + air + roll
    torque = np.where(running.standing, 0.0, radius * force + inertia * spin)
    moving = ~running.standing & np.isfinite(torque)
    usable = moving & running.brakes_off
    typical = float(np.mean(air[usable])) if usable.any() else 0.0
    figures = ("mass_kg", mass), ("drag_area_m2", drag), ("rolling_resistance", rolling)
    notes = [felt.note, turning_note]
    notes += [f"{name}: {each.origin}" for name, each in figures if each.origin]
    if not running.brakes_known:
        notes.append("no brake pressure: braking reads as overrun torque")
    return InputTorque(
        torque_nm=torque,
        usable=usable,
        tolerances=(
            Tolerance("mass", mass.share, 0.0),
            Tolerance("gain of the acceleration", felt.gain, 0.0),
            Tolerance(
                "zero of the acceleration or slope", 0.0, radius * mass.value * felt.zero_mps2
            ),
            Tolerance("drag", 0.0, radius * drag.share * typical),
            Tolerance("rolling resistance", 0.0, radius * rolling.share * roll),
            Tolerance(
                "side force of the steered wheels", 0.0,
                radius * mass.value * _steering_doubt(turning, usable),
            ),
            Tolerance(
                "wheel inertia",
                2 * math.hypot(own.half_width, other.half_width) / (mass.value * radius**2),
                0.0,
            ),
        ),
        zero=None,
        grade=Grade.KINEMATIC,
        source=f"longitudinal acceleration ({felt.source}), mass and drag; brakes off only",
        notes=tuple(note for note in notes if note),
    )  # fmt: skip


def _steering_drag(running: Running, sheet: BuildSheet) -> tuple[FloatArray, str]:
    """What the steered wheels' side force takes from the push, per mass, shape (n,). [m/s2]"""
    nothing = np.zeros(len(running.speed_mps))
    wheelbase, share = sheet.car.wheelbase_m, stated(sheet.car, "front_weight_share")
    if running.yaw_rate_radps is None:
        return nothing, "no yaw rate: what turning takes is left out"
    if wheelbase is None or share is None:
        return (
            nothing,
            "wheelbase_m and front_weight_share not stated: what turning takes is left out",
        )
    # The weight share of an axle is the other axle's distance over the wheelbase.
    return share.value * wheelbase * running.yaw_rate_radps**2, ""


def _steering_doubt(turning: FloatArray, usable: BoolArray) -> float:
    """How far that may be off: the whole of it, as an over- or understeering car has it. [m/s2]"""
    here = turning[usable & np.isfinite(turning)]
    return float(np.sqrt(np.mean(here**2))) if len(here) else 0.0
