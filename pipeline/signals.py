"""From a session's channels to the arrays that the physics takes; the only place that knows both.

Says where each signal comes from and what is absent; nothing is analysed here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loaders.errors import InputError
from loaders.normalise import Session
from pipeline.build_sheet import BuildSheet, Car
from pipeline.engine_torque import from_engine
from pipeline.estimate import Grade
from pipeline.input_torque import InputTorque, Running, from_ring_gear, from_shafts
from pipeline.plane import position
from pipeline.push import from_acceleration
from pipeline.rolling import GroundSpeeds, ground_of, speed_by_steered_wheels
from pipeline.runs import drop_short, earlier, erode, widen
from pipeline.stretches import by_stretch
from pipeline.torque import ShaftTorque, Zero, zero_at_standstill

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_AT_REST_MPS = 0.5
_AT_REST_RADPS = 0.5
_SHIFT_GUARD_S = 0.15
_BRAKE_GUARD_S = 0.15
_BRAKE_ON_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Signals:
    """What the physics works on: arrays of shape (n,); a hole is NaN, an absent signal None."""

    time_s: FloatArray
    rate_hz: float
    speed_mps: FloatArray
    yaw_rate_radps: FloatArray | None
    ground: GroundSpeeds | None
    """Under the driven wheels; None without a yaw rate."""
    road_wheel_rad: FloatArray | str
    """Angle of the driven wheels to the car, > 0 to the left, or why there is none."""
    left_radps: FloatArray
    right_radps: FloatArray
    difference_radps: FloatArray
    """Left minus right driven wheel speed. [rad/s]"""
    torque: ShaftTorque | None
    """Half-shaft torques, zeroed where the log shows the zero."""
    input: InputTorque | None
    """Torque at the ring gear by the best evidence there is; None where nothing tells it."""
    accel_long_mps2: FloatArray | None
    accel_lat_mps2: FloatArray | None
    oil_c: FloatArray | None
    """Temperature of the differential's oil. [degC]"""
    x_m: FloatArray | None
    y_m: FloatArray | None
    clean: BoolArray
    """Samples whose wheel speeds and torques are the sensors' own."""
    steady: BoolArray
    """Clean samples away from gear shifts and from brakes just coming on."""
    brakes_off: BoolArray
    grade: Grade
    zeros: tuple[Zero, ...]
    """Of the left and the right torque sensor; empty without torques."""
    speed_is_independent: bool
    """Whether the ground speed comes from elsewhere than the driven wheels."""
    sources: tuple[tuple[str, str], ...]
    """Which channel each signal comes from, in words."""

    @property
    def input_torque_nm(self) -> FloatArray | None:
        """Best knowledge of the input torque, for telling drive from overrun. [N m]"""
        return None if self.input is None else self.input.torque_nm

    @property
    def zeroed(self) -> bool:
        """Whether the log shows the zero of both torque sensors."""
        return bool(self.zeros) and all(zero.known for zero in self.zeros)


_OF_ONE_AXLE = ("shaft_torque_left_nm", "shaft_torque_right_nm", "input_torque_nm")


def of_axle(session: Session, car: Car) -> tuple[Session, dict[str, str]]:
    """The session as seen from the build sheet's axle, and what the log calls its own channels.

    Channels named after the axle take the place of the plain ones. Where the other axle is driven
    too, its wheels are left out: they do not just roll.
    """
    own = {name: name.replace("torque_", f"torque_{car.driven_axle}_", 1) for name in _OF_ONE_AXLE}
    own = {plain: theirs for plain, theirs in own.items() if theirs in session.channels}
    other = "f" if car.driven_axle == "rear" else "r"
    dropped = set(own)
    if car.other_axle == "driven":
        dropped |= {f"wheel_speed_{other}{side}_radps" for side in "lr"}
    if not dropped & {*own, *session.channels}:
        return session, own
    plain_of = {theirs: plain for plain, theirs in own.items()}
    names = {name: plain_of.get(name, name) for name in session.channels if name not in dropped}
    suspect = {
        plain: session.suspect[name] for name, plain in names.items() if name in session.suspect
    }
    channels = {plain: session.channels[name] for name, plain in names.items()}
    return replace(session, channels=channels, suspect=suspect), own


def resolve(session: Session, sheet: BuildSheet) -> Signals:
    """The signals of a session.

    Raises
    ------
    InputError
        If the wheel speeds of the driven axle are not in the session.
    """
    axle = "r" if sheet.car.driven_axle == "rear" else "f"
    left, right = (_required_wheel(session, f"wheel_speed_{axle}{side}_radps") for side in "lr")
    sources: list[tuple[str, str]] = []
    speed, independent, of_wheels = _speed(session, sheet, left, right, sources)
    standing = by_stretch(
        lambda here: (
            (speed[here] < _AT_REST_MPS)
            & (np.abs(left[here]) + np.abs(right[here]) < _AT_REST_RADPS)
        ),
        len(speed),
    )
    torque, zeros = _torque(session, standing)
    yaw_rate = _yaw_rate(session, standing, sources)
    wheelbase = sheet.car.wheelbase_m
    ground: GroundSpeeds | None = None
    turned: FloatArray | str = "the log has no yaw rate"
    if yaw_rate is not None:
        if of_wheels and sheet.car.driven_axle == "rear" and wheelbase is not None:
            speed = speed_by_steered_wheels(speed, yaw_rate, wheelbase)
        ground, heading, turned = ground_of(session.channels, sheet.car, speed, yaw_rate)
        sources += [("heading of the driven wheels", heading)] if heading else []
    brakes_off, brakes_settled, brakes_known = _brakes(session)
    running = Running(
        rate_hz=session.rate_hz,
        case_radps=0.5 * (left + right),
        speed_mps=speed,
        standing=standing,
        brakes_off=brakes_off,
        brakes_known=brakes_known,
        speed_is_independent=independent,
        yaw_rate_radps=yaw_rate,
        channels=session.channels,
    )
    found = _input_torque(running, torque, zeros, sheet, sources)
    used = {f"wheel_speed_{axle}l_radps": left, f"wheel_speed_{axle}r_radps": right}
    if torque is not None:
        used |= {"shaft_torque_left_nm": torque.left_nm, "shaft_torque_right_nm": torque.right_nm}
    clean = _clean(session, used)
    x, y = position(session.channels, sources)
    return Signals(
        time_s=session.time_s,
        rate_hz=session.rate_hz,
        speed_mps=speed,
        yaw_rate_radps=yaw_rate,
        ground=ground,
        # With both half-shaft torques nothing asks for it.
        road_wheel_rad="not asked for" if torque else turned,
        left_radps=left,
        right_radps=right,
        difference_radps=left - right,
        torque=torque,
        input=found,
        # With both half-shaft torques nothing asks for them.
        accel_long_mps2=None if torque else session.channels.get("accel_long_mps2"),
        accel_lat_mps2=None if torque else session.channels.get("accel_lat_mps2"),
        oil_c=session.channels.get("oil_temperature_c"),
        x_m=x,
        y_m=y,
        clean=clean,
        steady=clean & _away_from_shifts(session) & brakes_settled,
        brakes_off=brakes_off,
        grade=Grade.KINEMATIC if found is None else found.grade,
        zeros=zeros,
        speed_is_independent=independent,
        sources=tuple(sources),
    )


def _required_wheel(session: Session, name: str) -> FloatArray:
    values = session.channels.get(name)
    if values is None or not np.isfinite(values).any():
        found = "is blank" if values is not None else "is not mapped"
        msg = (
            f"{session.source.file}: the driven axle's {name} {found}; without both driven wheel "
            f"speeds nothing can be said of the differential. Map it in "
            f"{session.source.channel_map}, or set driven_axle in build_sheet.toml."
        )
        raise InputError(msg)
    return values


def _speed(
    session: Session,
    sheet: BuildSheet,
    left: FloatArray,
    right: FloatArray,
    sources: list[tuple[str, str]],
) -> tuple[FloatArray, bool, bool]:
    """Ground speed, whether it is independent of the driven wheels, and whether the others'."""
    speed = session.channels.get("speed_mps")
    if speed is not None and np.isfinite(speed).any():
        sources.append(("ground speed", "channel speed_mps"))
        return speed, True, False
    other = "f" if sheet.car.driven_axle == "rear" else "r"
    wheels = [session.channels.get(f"wheel_speed_{other}{side}_radps") for side in "lr"]
    radius = sheet.car.undriven_rolling_radius_m
    if wheels[0] is not None and wheels[1] is not None and radius is not None:
        sources.append(("ground speed", "mean of the undriven wheels; too low under braking"))
        return 0.5 * (wheels[0] + wheels[1]) * radius, True, True
    sources.append(("ground speed", "mean of the driven wheels: slip of the axle is not visible"))
    radii = sheet.car.driven_radii_m
    return 0.5 * (radii[0] * left + radii[1] * right), False, False


def _yaw_rate(
    session: Session, standing: BoolArray, sources: list[tuple[str, str]]
) -> FloatArray | None:
    yaw_rate = session.channels.get("yaw_rate_radps")
    if yaw_rate is None:
        return None
    still = erode(drop_short(standing, round(2 * session.rate_hz)), round(0.5 * session.rate_hz))
    at_rest = yaw_rate[still & np.isfinite(yaw_rate)]
    if not len(at_rest):
        sources.append(("yaw rate", "channel yaw_rate_radps, zero taken as it is"))
        return yaw_rate
    zero = float(np.median(at_rest))
    sources.append(
        ("yaw rate", f"channel yaw_rate_radps, zeroed by {zero:+.4f} rad/s at a standstill")
    )
    return yaw_rate - zero


def _torque(session: Session, standing: BoolArray) -> tuple[ShaftTorque | None, tuple[Zero, ...]]:
    left = session.channels.get("shaft_torque_left_nm")
    right = session.channels.get("shaft_torque_right_nm")
    if left is None or right is None or not (_told(left) and _told(right)):
        return None, ()
    zero_left = zero_at_standstill(left, standing, session.rate_hz)
    zero_right = zero_at_standstill(right, standing, session.rate_hz)
    zeroed = ShaftTorque(left - zero_left.offset_nm, right - zero_right.offset_nm)
    return zeroed, (zero_left, zero_right)


def _told(values: FloatArray) -> bool:
    """Whether a channel holds anything."""
    return bool(np.isfinite(values).any())


def _input_torque(
    running: Running,
    torque: ShaftTorque | None,
    zeros: tuple[Zero, ...],
    sheet: BuildSheet,
    sources: list[tuple[str, str]],
) -> InputTorque | None:
    found, why = best_input_torque(running, torque, zeros, sheet)
    if found is None:
        sources.append(
            ("input torque", f"none; drive and overrun told by longitudinal acceleration ({why})")
        )
        return None
    sources.append(("input torque", found.source))
    if why:
        sources.append(("no better input torque", why))
    if found.notes:
        sources.append(("input torque rests on", "; ".join(found.notes)))
    sources.append(
        (
            "input torque known to",
            f"± {100 * found.gain_tolerance:.1f} % and ± {found.zero_tolerance_nm:.0f} N·m (95 %)",
        )
    )
    return found


def best_input_torque(
    running: Running, torque: ShaftTorque | None, zeros: tuple[Zero, ...], sheet: BuildSheet
) -> tuple[InputTorque | None, str]:
    """The input torque by the best evidence there is, and why not by a better one.

    In order: both half-shaft torques, the ring gear's own channel, the engine's torque through the
    driveline, the car's acceleration.
    """
    if torque is not None:
        return from_shafts(torque, zeros, sheet.sensors), ""
    ring = running.channels.get("input_torque_nm")
    if ring is not None and np.isfinite(ring).any():
        return from_ring_gear(running, ring, sheet.sensors), ""
    if sheet.car.other_axle == "driven":
        return None, (
            "both axles are driven, and how they share what engine and car tell is not in the log: "
            "map the torques of this axle's half-shafts or ring gear"
        )
    whys: list[str] = []
    for way in (from_engine, from_acceleration):
        found, why = way(running, sheet)
        if found is not None:
            return found, "; ".join(whys)
        whys.append(why)
    return None, "; ".join(whys)


def with_torques_in_step(session: Session, delay_s: float, names: tuple[str, ...]) -> Session:
    """The session with the named torque channels so much earlier. [s]"""
    rows = delay_s * session.rate_hz
    channels, suspect = dict(session.channels), dict(session.suspect)
    for name in names:
        channels[name] = earlier(channels[name], rows)
        if name in suspect:
            suspect[name] = earlier(suspect[name].astype(np.float64), rows) != 0
    return replace(session, channels=channels, suspect=suspect)


def _clean(session: Session, used: Mapping[str, FloatArray]) -> BoolArray:
    clean = np.ones(len(session.time_s), dtype=bool)
    for name, values in used.items():
        clean &= np.isfinite(values)
        if name in session.suspect:
            clean &= ~session.suspect[name]
    return clean


def _away_from_shifts(session: Session) -> BoolArray:
    gear = session.channels.get("gear")
    if gear is None:
        return np.ones(len(session.time_s), dtype=bool)
    changed = np.zeros(len(gear), dtype=bool)
    holes = np.isnan(gear)
    known = np.where(holes, 0.0, gear) if holes.any() else gear
    changed[1:] = known[1:] != known[:-1]
    return ~widen(changed, round(_SHIFT_GUARD_S * session.rate_hz))


def _brakes(session: Session) -> tuple[BoolArray, BoolArray, bool]:
    """Where the brakes are off, where they have not just come on, and whether the log tells."""
    pressure = session.channels.get("brake_pressure_pa")
    everywhere = np.ones(len(session.time_s), dtype=bool)
    if pressure is None or not np.isfinite(pressure).any():
        return everywhere, everywhere, False
    on = np.nan_to_num(pressure) > _BRAKE_ON_SHARE * float(np.nanmax(pressure))
    coming_on = np.zeros(len(on), dtype=bool)
    coming_on[1:] = on[1:] & ~on[:-1]
    return ~on, ~widen(coming_on, round(_BRAKE_GUARD_S * session.rate_hz)), True
