"""What a logger sees of a run: every channel late, coarse, offset, noisy and now and then missing.

Each fault is a number of ``Sensors``; zero switches it off.  Sizes were chosen by us as those of
decent circuit-car instrumentation (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from circuit_car.running import SAMPLE_S, Drive

Array = NDArray[np.float64]

WHEELS = (
    "wheel_speed_fl_radps",
    "wheel_speed_fr_radps",
    "wheel_speed_rl_radps",
    "wheel_speed_rr_radps",
)
NEVER_MISSING = ("lap_number", "lap_beacon", "gear")


@dataclass(frozen=True)
class Sensors:
    """Faults of all sensors; sigma values are drawn once per log unless called noise."""

    wheel_teeth: int = 48  # 0: an ideal wheel-speed sensor
    tooth_timer_s: float = 0.5e-6
    tooth_pitch_error_rad: float = 2.0e-4  # amplitude, once per revolution
    wheel_speed_noise_radps: float = 0.02
    wheel_speed_resolution_radps: float = 0.01
    torque_offset_sigma_nm: float = 6.0
    torque_gain_sigma: float = 0.007
    torque_offset_left_nm: float = 0.0  # known offsets and gains, beside the drawn ones
    torque_offset_right_nm: float = 0.0
    torque_gain_left: float = 0.0
    torque_gain_right: float = 0.0
    torque_noise_nm: float = 5.0
    torque_delay_s: float = 0.0  # how late the half-shaft torques are
    ring_gear_fitted: bool = False  # is the torque at the ring gear logged?
    ring_gear_offset_sigma_nm: float = 10.0
    ring_gear_gain_sigma: float = 0.008
    ring_gear_noise_nm: float = 6.0
    ring_gear_delay_s: float = 0.0
    engine_torque_gain_sigma: float = 0.01
    engine_torque_noise_nm: float = 1.5
    engine_torque_delay_s: float = 0.0
    engine_speed_noise_radps: float = 0.3
    speed_noise_mps: float = 0.05
    yaw_rate_offset_sigma_radps: float = 0.004
    yaw_rate_noise_radps: float = 0.004
    accel_noise_mps2: float = 0.15
    position_noise_m: float = 0.15
    position_rate_hz: float = 20.0
    steering_offset_sigma_rad: float = 0.002
    steering_noise_rad: float = 0.0005
    throttle_noise: float = 0.002
    brake_noise_pa: float = 1.5e4
    thermometers_fitted: bool = False  # are the temperatures of oil and air logged?
    oil_temperature_lag_s: float = 8.0
    temperature_offset_sigma_c: float = 1.0
    temperature_noise_c: float = 0.2
    dropouts_per_channel: float = 2.0  # mean number per log
    dropout_shortest_s: float = 0.03
    dropout_longest_s: float = 0.30

    @classmethod
    def perfect(cls) -> Sensors:
        """No fault at all: exact samples at the log's rate, position at every sample."""
        zero = {name: 0.0 for name, value in vars(cls()).items() if isinstance(value, float)}
        return replace(cls(**zero), wheel_teeth=0)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Log:
    """Channels on one time base; NaN where the logger has no sample.

    ``drawn`` tells the offset (SI) and relative gain error that this log drew for a channel.
    """

    channels: dict[str, Array]
    rate_hz: float
    drawn: dict[str, tuple[float, float]]

    def __getitem__(self, name: str) -> Array:
        return self.channels[name]


def tooth_speed(
    time_s: Array, speed_radps: Array, at_s: Array, sensors: Sensors, phase_rad: float
) -> Array:
    """Wheel speed from the last whole tooth interval before each sample. [rad/s]

    Parameters
    ----------
    time_s, speed_radps : array, shape (n,)
        Exact wheel speed.
    at_s : array, shape (m,)
        When the logger samples.
    phase_rad : float
        Where the once-per-revolution pitch error starts. [rad]

    Notes
    -----
    An interval longer than 0.25 s counts as standstill.
    """
    step = time_s[1] - time_s[0]
    forward = np.maximum(speed_radps, 0.0)
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (forward[1:] + forward[:-1]) * step)])
    pitch = 2.0 * np.pi / sensors.wheel_teeth
    edges = np.arange(1, int(angle[-1] / pitch)) * pitch
    passed = edges + sensors.tooth_pitch_error_rad * np.sin(edges + phase_rad)
    # Standstill makes the angle flat; the tiny slope keeps the inverse single-valued.
    edge_s = np.interp(passed, angle + 1e-9 * np.arange(len(angle)), time_s)
    if sensors.tooth_timer_s > 0.0:
        edge_s = np.round(edge_s / sensors.tooth_timer_s) * sensors.tooth_timer_s
    last = np.searchsorted(edge_s, at_s, side="right") - 1
    known = last >= 1
    last = np.maximum(last, 1)
    interval = edge_s[last] - edge_s[last - 1]
    fresh = known & (at_s - edge_s[last] < 0.25) & (interval < 0.25)
    return np.where(fresh, pitch / np.maximum(interval, 1e-6), 0.0)


def _sample(drive: Drive, name: str, at_s: Array) -> Array:
    return np.interp(at_s, drive.time_s, drive[name])


def _wheel(drive: Drive, name: str, at_s: Array, s: Sensors, rng: np.random.Generator) -> Array:
    phase = 2.0 * np.pi * rng.random()
    if s.wheel_teeth > 0:
        speed = tooth_speed(drive.time_s, drive[name], at_s, s, phase)
    else:
        speed = _sample(drive, name, at_s)
    moving = speed > 0.0
    speed = speed + moving * s.wheel_speed_noise_radps * rng.standard_normal(len(at_s))
    if s.wheel_speed_resolution_radps > 0.0:
        speed = np.round(speed / s.wheel_speed_resolution_radps) * s.wheel_speed_resolution_radps
    return speed


def _only_every(values: Array, rate_hz: float, own_hz: float) -> Array:
    """Blank the samples at which a slower channel has nothing new."""
    if own_hz <= 0.0 or own_hz >= rate_hz:
        return values
    out = np.full_like(values, np.nan)
    keep = np.unique(np.round(np.arange(0, len(values), rate_hz / own_hz)).astype(int))
    keep = keep[keep < len(values)]
    out[keep] = values[keep]
    return out


def _with_dropouts(values: Array, rate_hz: float, s: Sensors, rng: np.random.Generator) -> Array:
    out = values.copy()
    for _ in range(rng.poisson(s.dropouts_per_channel)):
        length = rng.uniform(s.dropout_shortest_s, s.dropout_longest_s)
        start = rng.random() * len(values)
        out[int(start) : int(start + max(1.0, length * rate_hz))] = np.nan
    return out


def spoil(drive: Drive, sensors: Sensors, *, rate_hz: float, rng: np.random.Generator) -> Log:
    """What the logger stores of a run.

    Every channel draws from its own generator, so switching one fault off leaves the others as
    they were.
    """
    s = sensors
    n = int(drive.time_s[-1] * rate_hz) + 1
    at = np.arange(n) / rate_hz
    names = [*WHEELS, "shaft_torque_left_nm", "shaft_torque_right_nm", "engine_torque_nm",
             "engine_speed_radps", "gear", "throttle_ratio", "brake_pressure_pa", "speed_mps",
             "accel_long_mps2", "accel_lat_mps2", "yaw_rate_radps", "steering_angle_rad",
             "position_x_m", "position_y_m", "lap_number", "lap_beacon", "distance_m"]  # fmt: skip
    names += ["input_torque_nm"] * s.ring_gear_fitted
    names += ["oil_temperature_c", "ambient_temperature_c"] * s.thermometers_fitted
    rngs = dict(zip(names, rng.spawn(len(names)), strict=True))
    out: dict[str, Array] = {"time_s": at}
    drawn: dict[str, tuple[float, float]] = {}
    for name in names:
        r = rngs[name]
        if name in WHEELS:
            values = _wheel(drive, name, at, s, r)
        elif name in NEVER_MISSING:
            index = np.minimum(np.round(at / SAMPLE_S).astype(int), len(drive.time_s) - 1)
            values = drive[name][index]
        else:
            offset_sigma, gain_sigma, noise = _faults(name, s)
            known_offset, known_gain = _known_faults(name, s)
            offset = known_offset + offset_sigma * r.standard_normal()
            gain = known_gain + gain_sigma * r.standard_normal()
            values = _seen(drive, name, at, s) * (1.0 + gain) + offset
            values = values + noise * r.standard_normal(n)
            drawn[name] = (float(offset), float(gain))
        if name == "throttle_ratio":
            values = np.clip(values, 0.0, 1.0)
        if name.startswith("position"):
            values = _only_every(values, rate_hz, s.position_rate_hz)
        if name not in NEVER_MISSING:
            values = _with_dropouts(values, rate_hz, s, r)
        out[name] = values
    return Log(out, rate_hz, drawn)


def _faults(name: str, s: Sensors) -> tuple[float, float, float]:
    """Offset, gain and noise of a plain analogue channel."""
    torque = (s.torque_offset_sigma_nm, s.torque_gain_sigma, s.torque_noise_nm)
    ring_gear = (s.ring_gear_offset_sigma_nm, s.ring_gear_gain_sigma, s.ring_gear_noise_nm)
    temperature = (s.temperature_offset_sigma_c, 0.0, s.temperature_noise_c)
    table = {
        "shaft_torque_left_nm": torque,
        "shaft_torque_right_nm": torque,
        "engine_torque_nm": (0.0, s.engine_torque_gain_sigma, s.engine_torque_noise_nm),
        "engine_speed_radps": (0.0, 0.0, s.engine_speed_noise_radps),
        "throttle_ratio": (0.0, 0.0, s.throttle_noise),
        "brake_pressure_pa": (0.0, 0.0, s.brake_noise_pa),
        "speed_mps": (0.0, 0.0, s.speed_noise_mps),
        "accel_long_mps2": (0.0, 0.0, s.accel_noise_mps2),
        "accel_lat_mps2": (0.0, 0.0, s.accel_noise_mps2),
        "yaw_rate_radps": (s.yaw_rate_offset_sigma_radps, 0.0, s.yaw_rate_noise_radps),
        "steering_angle_rad": (s.steering_offset_sigma_rad, 0.0, s.steering_noise_rad),
        "position_x_m": (0.0, 0.0, s.position_noise_m),
        "position_y_m": (0.0, 0.0, s.position_noise_m),
        "distance_m": (0.0, 0.0, 0.0),
        "input_torque_nm": ring_gear,
        "oil_temperature_c": temperature,
        "ambient_temperature_c": temperature,
    }
    return table[name]


def _known_faults(name: str, s: Sensors) -> tuple[float, float]:
    """Offset and gain that a channel has in every log."""
    return {
        "shaft_torque_left_nm": (s.torque_offset_left_nm, s.torque_gain_left),
        "shaft_torque_right_nm": (s.torque_offset_right_nm, s.torque_gain_right),
    }.get(name, (0.0, 0.0))


def _seen(drive: Drive, name: str, at_s: Array, s: Sensors) -> Array:
    """A channel as its sensor feels it: late, or slow to follow."""
    if name == "oil_temperature_c" and s.oil_temperature_lag_s > 0.0:
        return np.interp(at_s, drive.time_s, lagged(drive[name], s.oil_temperature_lag_s, SAMPLE_S))
    delay_s = {
        "shaft_torque_left_nm": s.torque_delay_s,
        "shaft_torque_right_nm": s.torque_delay_s,
        "input_torque_nm": s.ring_gear_delay_s,
        "engine_torque_nm": s.engine_torque_delay_s,
    }.get(name, 0.0)
    return _sample(drive, name, at_s - delay_s)


def lagged(values: Array, time_constant_s: float, step_s: float) -> Array:
    """First-order response, exact for a signal held over each step; settled at the start."""
    share = -np.expm1(-step_s / time_constant_s)
    start = np.array([(1.0 - share) * values[0]])
    return np.asarray(lfilter([share], [1.0, share - 1.0], values, zi=start)[0])
