"""How much of the engine's torque arrives at the ring gear."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import BuildSheet, Driveline
from pipeline.estimate import Grade
from pipeline.gearing import find_gearing
from pipeline.input_torque import (
    CAR_WINDOW_S,
    WHEEL_WINDOW_S,
    InputTorque,
    Running,
    Tolerance,
    rate_of_change,
)
from pipeline.stated import Stated, stated
from pipeline.torque import Zero, zero_at_standstill

FloatArray = NDArray[np.float64]


def through_driveline(
    engine_torque_nm: FloatArray,
    ratio: FloatArray,
    case_acceleration_radps2: FloatArray,
    efficiency: float,
    engine_inertia_kgm2: float,
    driveline_inertia_kgm2: float,
) -> FloatArray:
    """Torque at the ring gear that an engine sends there through a closed clutch. [N m]

    Parameters
    ----------
    engine_torque_nm, ratio, case_acceleration_radps2 : array, shape (n,)
        Torque at the crankshaft, engine speed over case speed, change of the case's speed.
    efficiency : float
        Torque that arrives over torque put in; losses take from either direction. [1]
    engine_inertia_kgm2, driveline_inertia_kgm2 : float
        Of what spins with the engine, and of what spins with the case.

    Notes
    -----
    Derived here from the spin of both: the engine gives ``T_e - J_e i dw/dt`` to the gears, they
    pass on ``i`` times that, times the efficiency when they drive and over it when the wheels turn
    the engine, and the case keeps ``J_d dw/dt`` of it.

    >>> float(through_driveline(np.array(200.0), np.array(5.0), np.array(20.0), 0.95, 0.1, 0.2))
    898.5
    """
    given = ratio * (engine_torque_nm - engine_inertia_kgm2 * ratio * case_acceleration_radps2)
    passed = np.where(given >= 0, efficiency * given, given / efficiency)
    return np.asarray(passed - driveline_inertia_kgm2 * case_acceleration_radps2)


def from_engine(running: Running, sheet: BuildSheet) -> tuple[InputTorque | None, str]:
    """Input torque from engine torque, gear and what spins, or why it cannot be had."""
    engine = running.channels.get("engine_torque_nm")
    if engine is None or not np.isfinite(engine).any():
        return None, "the log has no engine torque"
    gearing, why = find_gearing(running, sheet.driveline)
    if gearing is None:
        return None, why
    figures = {
        name: _sure(sheet.driveline, name)
        for name in ("efficiency", "engine_inertia_kgm2", "driveline_inertia_kgm2")
    }
    zero = _engine_zero(running, engine)
    spin = rate_of_change(running.case_radps, running.rate_hz, WHEEL_WINDOW_S)
    torque = through_driveline(
        engine - zero.offset_nm,
        gearing.ratio,
        spin,
        *(figure.value for figure in figures.values()),
    )
    # With the clutch open nothing but the case's own spin asks for torque.
    torque = np.where(gearing.open, 0.0, torque)
    usable = gearing.closed & np.isfinite(torque)
    if not usable.any():
        return None, "the clutch is never closed for sure while the engine torque is known"
    drift = sheet.sensors.engine_torque_offset_tolerance_nm
    notes = [zero.note, *gearing.notes]
    notes += [f"{name}: {each.origin}" for name, each in figures.items() if each.origin]
    return InputTorque(
        torque_nm=torque,
        usable=usable,
        tolerances=_engine_tolerances(
            sheet.sensors.engine_torque_gain_tolerance,
            zero.half_width_nm if zero.known else drift,
            gearing.ratio[usable],
            spin[usable],
            torque[usable],
            figures,
        ),
        zero=zero,
        grade=Grade.INFERRED,
        source="engine torque through the driveline, what spins taken off; its split is not known",
        notes=tuple(notes),
        channels=("engine_torque_nm",),
    ), ""


def _sure(part: Driveline, name: str) -> Stated:
    found = stated(part, name)
    assert found is not None, name
    return found


def _engine_zero(running: Running, engine_nm: FloatArray) -> Zero:
    """What the engine torque reads while the engine idles at a standstill, in neutral."""
    idling = running.standing
    speed = running.channels.get("engine_speed_radps")
    if speed is not None:
        # Away from a change of speed, which takes torque of its own.
        steady = np.abs(rate_of_change(speed, running.rate_hz, CAR_WINDOW_S)) < 20.0
        idling = idling & steady & (speed > 0)
    return zero_at_standstill(engine_nm, idling, running.rate_hz)


def _engine_tolerances(
    gain: float,
    zero_nm: float,
    ratio: FloatArray,
    spin: FloatArray,
    torque: FloatArray,
    figures: Mapping[str, Stated],
) -> tuple[Tolerance, ...]:
    size = float(np.sqrt(np.mean(torque**2))) or 1.0

    def spinning(inertia: float, squared_ratio: FloatArray) -> float:
        """Torque that an inertia takes, as a share of what arrives, by root mean squares."""
        return inertia * float(np.sqrt(np.mean((squared_ratio * spin) ** 2))) / size

    efficiency, engine, driveline = figures.values()
    return (
        Tolerance("gain of the engine torque", gain, 0.0),
        Tolerance("zero of the engine torque", 0.0, zero_nm * float(np.median(ratio))),
        Tolerance("driveline efficiency", efficiency.share, 0.0),
        Tolerance("engine inertia", spinning(engine.half_width, ratio**2), 0.0),
        Tolerance("driveline inertia", spinning(driveline.half_width, np.ones_like(spin)), 0.0),
    )
