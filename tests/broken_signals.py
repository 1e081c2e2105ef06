"""One fault at a time put into a simulated log, and what must be found of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import circuit_car
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Channels = dict[str, Array]

RL, RR = "wheel_speed_rl_radps", "wheel_speed_rr_radps"
FL, FR = "wheel_speed_fl_radps", "wheel_speed_fr_radps"
LEFT, RIGHT = "shaft_torque_left_nm", "shaft_torque_right_nm"


@dataclass(frozen=True)
class Fault:
    """A fault, and the kind and the channels of the notes that are right about it."""

    name: str
    kind: str
    channels: tuple[str, ...]
    put_in: Callable[[Channels, float], Channels]


def _exchanged(one: str, other: str) -> Callable[[Channels, float], Channels]:
    return lambda c, _: {**c, one: c[other], other: c[one]}


def _times(names: tuple[str, ...], factor: float) -> Callable[[Channels, float], Channels]:
    return lambda c, _: {**c, **{name: factor * c[name] for name in names}}


def late(names: tuple[str, ...], seconds: float) -> Callable[[Channels, float], Channels]:
    def put_in(c: Channels, _: float) -> Channels:
        t = c["time_s"]
        return {**c, **{name: np.interp(t - seconds, t, _whole(c[name], t)) for name in names}}

    return put_in


def _whole(values: Array, t: Array) -> Array:
    known = np.isfinite(values)
    return np.interp(t, t[known], values[known])


def _drifting(names: tuple[str, ...], seconds: float) -> Callable[[Channels, float], Channels]:
    def put_in(c: Channels, _: float) -> Channels:
        t = c["time_s"]
        at = t * (1.0 - seconds / t[-1])
        return {**c, **{name: np.interp(at, t, _whole(c[name], t)) for name in names}}

    return put_in


def _frozen(name: str, start_s: float, length_s: float) -> Callable[[Channels, float], Channels]:
    def put_in(c: Channels, rate_hz: float) -> Channels:
        start, stop = round(start_s * rate_hz), round((start_s + length_s) * rate_hz)
        values = c[name].copy()
        values[start:stop] = _whole(values, c["time_s"])[start]
        return {**c, name: values}

    return put_in


def _spiking(name: str, height: float, count: int) -> Callable[[Channels, float], Channels]:
    def put_in(c: Channels, _: float) -> Channels:
        values = c[name].copy()
        at = np.linspace(0.2, 0.9, count) * len(values)
        values[at.astype(int)] = _whole(values, c["time_s"])[at.astype(int)] + height
        return {**c, name: values}

    return put_in


def _stopped(name: str, share: float, *, low: bool) -> Callable[[Channels, float], Channels]:
    def put_in(c: Channels, _: float) -> Channels:
        known = c[name][np.isfinite(c[name])]
        if low:
            return {**c, name: np.maximum(c[name], np.quantile(known, 1 - share))}
        return {**c, name: np.minimum(c[name], np.quantile(known, share))}

    return put_in


def _paused(start_s: float, length_s: float, *, clock_only: bool) -> Callable[..., Channels]:
    def put_in(c: Channels, rate_hz: float) -> Channels:
        start, stop = round(start_s * rate_hz), round((start_s + length_s) * rate_hz)
        if clock_only:  # nothing is missing, the stamps leap
            stamps = c["time_s"] + length_s * (np.arange(len(c["time_s"])) >= start)
            return {**c, "time_s": stamps}
        keep = np.r_[0:start, stop : len(c["time_s"])]
        return {name: values[keep] for name, values in c.items()}

    return put_in


RADPS_PER_RPM = np.pi / 30

FAULTS: tuple[Fault, ...] = (
    Fault("driven wheels swapped", "swapped sides", (RL,), _exchanged(RL, RR)),
    Fault("undriven wheels swapped", "swapped sides", (FL,), _exchanged(FL, FR)),
    Fault("half-shaft torques swapped", "swapped sides", (LEFT,), _exchanged(LEFT, RIGHT)),
    Fault("yaw rate reversed", "wrong sign", ("yaw_rate_radps",), _times(("yaw_rate_radps",), -1)),
    Fault(
        "lateral acceleration reversed", "wrong sign", ("accel_lat_mps2",),
        _times(("accel_lat_mps2",), -1),
    ),
    Fault(
        "steering reversed", "wrong sign", ("steering_angle_rad",),
        _times(("steering_angle_rad",), -1),
    ),
    Fault(
        "longitudinal acceleration reversed", "wrong sign", ("accel_long_mps2",),
        _times(("accel_long_mps2",), -1),
    ),
    Fault("one torque reversed", "wrong sign", (RIGHT,), _times((RIGHT,), -1)),
    Fault("both torques reversed", "wrong sign", (LEFT, RIGHT), _times((LEFT, RIGHT), -1)),
    Fault("ground speed 3.6 low", "wrong unit", ("speed_mps",), _times(("speed_mps",), 1 / 3.6)),
    Fault(
        "wheel speeds in Hz", "wrong unit", (RL,), _times((FL, FR, RL, RR), 1 / (2 * np.pi))
    ),
    Fault("driven wheels in rpm", "wrong unit", (RL, RR), _times((RL, RR), 1 / RADPS_PER_RPM)),
    Fault("one wheel as a road speed", "wrong unit", (FR,), _times((FR,), 0.305)),
    Fault(
        "lateral acceleration in g", "wrong unit", ("accel_lat_mps2",),
        _times(("accel_lat_mps2",), 1 / 9.80665),
    ),
    Fault(
        "longitudinal acceleration in g", "wrong unit", ("accel_long_mps2",),
        _times(("accel_long_mps2",), 1 / 9.80665),
    ),
    Fault(
        "yaw rate 57 times low", "wrong unit", ("yaw_rate_radps",),
        _times(("yaw_rate_radps",), np.pi / 180),
    ),
    Fault(
        "front and rear wheels swapped", "swapped axles", (RL,),
        lambda c, _: {**c, RL: c[FL], RR: c[FR], FL: c[RL], FR: c[RR]},
    ),
    Fault("torques in kN m", "wrong unit", (LEFT,), _times((LEFT, RIGHT), 1e-3)),
    Fault("torques 1000 times high", "wrong unit", (LEFT, RIGHT), _times((LEFT, RIGHT), 1e3)),
    # Against the engine's power alone either of the two may be wrong.
    Fault(
        "torques in lbf ft", "wrong unit", (LEFT, "engine_torque_nm"),
        _times((LEFT, RIGHT), 1 / 1.355818),
    ),
    Fault(
        "torques 1.356 times high", "wrong unit", (LEFT, "engine_torque_nm"),
        _times((LEFT, RIGHT), 1.355818),
    ),
    Fault("44 teeth for 48 on both rear wheels", "tooth count", (RL,), _times((RL, RR), 48 / 44)),
    Fault("48 teeth for 44 on both rear wheels", "tooth count", (RL,), _times((RL, RR), 44 / 48)),
    Fault("47 teeth for 48 at the rear", "tooth count", (RL, RR), _times((RL,), 48 / 47)),
    Fault("36 teeth for 48 at the front", "tooth count", (FL, FR), _times((FR,), 36 / 48)),
    Fault("torques 40 ms late", "delay", (LEFT,), late((LEFT, RIGHT), 0.040)),
    Fault("torques 40 ms early", "delay", (LEFT,), late((LEFT, RIGHT), -0.040)),
    Fault(
        "torques drifting by 0.3 s", "clock drift", (LEFT,), _drifting((LEFT, RIGHT), 0.3)
    ),
    Fault(
        "yaw rate drifting by 0.3 s", "clock drift", ("yaw_rate_radps",),
        _drifting(("yaw_rate_radps",), 0.3),
    ),
    Fault("wheel frozen for 3 s", "frozen", (RL,), _frozen(RL, 60.0, 3.0)),
    Fault("torque frozen for 2 s", "frozen", (RIGHT,), _frozen(RIGHT, 90.0, 2.0)),
    Fault("ten spikes of a wheel", "spikes", (RR,), _spiking(RR, 60.0, 10)),
    Fault("ten spikes of a torque", "spikes", (LEFT,), _spiking(LEFT, 1500.0, 10)),
    Fault("torque clipped below", "at its stop", (LEFT,), _stopped(LEFT, 0.97, low=True)),
    Fault(
        "lateral acceleration clipped", "at its stop", ("accel_lat_mps2",),
        _stopped("accel_lat_mps2", 0.95, low=False),
    ),
    Fault(
        "a pause of 4 s", "gap in the recording", ("time_s",),
        _paused(100.0, 4.0, clock_only=False),
    ),
    Fault("a leap of 4 s", "time jump", ("time_s",), _paused(100.0, 4.0, clock_only=True)),
)  # fmt: skip


def with_fault(log: circuit_car.Log, fault: Fault) -> circuit_car.Log:
    """The log with the fault in it."""
    return replace(log, channels=fault.put_in(dict(log.channels), log.rate_hz))
