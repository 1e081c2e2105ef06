"""Which channels a session can have: name with unit, kind of quantity, limits and gap rule.

The one place that says what a column of a stored session means. A channel's name is the name of
its column in the logbook's Parquet files.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

SCHEMA_VERSION = 3
"""Version of the stored session.

1: first version (2026-11).
2: one column ``suspect`` with a bit for each channel (its metadata name them), in 1 a column of
booleans ``NAME_suspect`` for each channel with marks; rate and points of the time base are the
log's to nine digits, in 1 to all that a float holds.
3: of a long log, channels that are columns of it in another unit stand in ``logs/ID.parquet``
alone; the metadata's ``lines`` say which.
"""


class Quantity(StrEnum):
    """Physical kind of a channel; decides which unit spellings a column may carry."""

    TIME = "time"
    ANGULAR_SPEED = "rotational speed"
    SPEED = "speed"
    TORQUE = "torque"
    ACCELERATION = "acceleration"
    ANGLE = "angle"
    YAW_RATE = "yaw rate"
    PRESSURE = "pressure"
    RATIO = "ratio"
    TEMPERATURE = "temperature"
    DISTANCE = "distance"
    COUNT = "count"


class Between(StrEnum):
    """How a channel may be carried from its own samples to the session's time base."""

    LINEAR = "linear"
    """Straight line between neighbouring samples."""
    HOLD = "hold"
    """The last sample stands until the next one."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One row of the channel table."""

    name: str
    quantity: Quantity
    unit: str
    low: float
    high: float
    """Physical limits in ``unit``; a sample outside them is dropped and counted."""
    longest_gap_s: float
    """A hole longer than this stays a hole."""
    between: Between
    meaning: str

    def __post_init__(self) -> None:
        if not self.low < self.high:
            msg = f"channel {self.name}: low limit {self.low} is not below {self.high}"
            raise ValueError(msg)


def _wheel(corner: str, where: str) -> Channel:
    # 400 rad/s is 126 m/s on a 0.315 m wheel: beyond any circuit car.
    return Channel(
        f"wheel_speed_{corner}_radps",
        Quantity.ANGULAR_SPEED,
        "rad/s",
        -20.0,
        400.0,
        0.1,
        Between.LINEAR,
        f"speed of the {where} wheel",
    )


def _shaft(side: str, axle: str = "") -> Channel:
    return Channel(
        f"shaft_torque_{axle}_{side}_nm" if axle else f"shaft_torque_{side}_nm",
        Quantity.TORQUE,
        "N m",
        -8000.0,
        8000.0,
        0.1,
        Between.LINEAR,
        f"torque in the {side} half-shaft of the {axle or 'driven'} axle, > 0 drives the car "
        "forward",
    )


def _input(axle: str = "") -> Channel:
    return Channel(
        f"input_torque_{axle}_nm" if axle else "input_torque_nm",
        Quantity.TORQUE,
        "N m",
        -12000.0,
        12000.0,
        0.1,
        Between.LINEAR,
        f"torque at the ring gear of the {axle or 'driven'} axle",
    )


# Limits are generous bounds of what a circuit car can do, chosen here to catch broken samples,
# not to judge driving. Gap limits: 0.1 s for signals the friction law is learnt from, longer
# for slow ones.
CHANNELS: tuple[Channel, ...] = (
    _wheel("fl", "front left"),
    _wheel("fr", "front right"),
    _wheel("rl", "rear left"),
    _wheel("rr", "rear right"),
    _shaft("left"),
    _shaft("right"),
    _input(),
    Channel(
        "engine_torque_nm", Quantity.TORQUE, "N m", -1000.0, 2500.0, 0.25, Between.LINEAR,
        "torque at the crankshaft",
    ),
    Channel(
        "engine_speed_radps", Quantity.ANGULAR_SPEED, "rad/s", 0.0, 2200.0, 0.25, Between.LINEAR,
        "speed of the crankshaft",
    ),
    Channel("gear", Quantity.COUNT, "1", -1.0, 12.0, 0.5, Between.HOLD, "engaged gear, 0 neutral"),
    Channel(
        "throttle_ratio", Quantity.RATIO, "1", -0.1, 1.1, 0.25, Between.LINEAR,
        "throttle opening, 0 shut to 1 open",
    ),
    Channel(
        "brake_pressure_pa", Quantity.PRESSURE, "Pa", -1e6, 3e7, 0.25, Between.LINEAR,
        "brake line pressure",
    ),
    Channel(
        "speed_mps", Quantity.SPEED, "m/s", -5.0, 130.0, 0.5, Between.LINEAR,
        "forward speed over ground of the middle of the car",
    ),
    Channel(
        "accel_long_mps2", Quantity.ACCELERATION, "m/s2", -60.0, 60.0, 0.25, Between.LINEAR,
        "longitudinal acceleration, > 0 forward",
    ),
    Channel(
        "accel_lat_mps2", Quantity.ACCELERATION, "m/s2", -60.0, 60.0, 0.25, Between.LINEAR,
        "lateral acceleration, > 0 to the left",
    ),
    Channel(
        "yaw_rate_radps", Quantity.YAW_RATE, "rad/s", -6.0, 6.0, 0.25, Between.LINEAR,
        "yaw rate, > 0 turning left",
    ),
    Channel(
        "steering_angle_rad", Quantity.ANGLE, "rad", -15.0, 15.0, 0.25, Between.LINEAR,
        "steering angle, > 0 to the left",
    ),
    Channel(
        "position_x_m", Quantity.DISTANCE, "m", -1e6, 1e6, 1.0, Between.LINEAR,
        "position east of a fixed point",
    ),
    Channel(
        "position_y_m", Quantity.DISTANCE, "m", -1e6, 1e6, 1.0, Between.LINEAR,
        "position north of a fixed point",
    ),
    Channel(
        "latitude_rad", Quantity.ANGLE, "rad", -1.6, 1.6, 1.0, Between.LINEAR, "latitude, > 0 north"
    ),
    Channel(
        "longitude_rad", Quantity.ANGLE, "rad", -3.2, 3.2, 1.0, Between.LINEAR,
        "longitude, > 0 east",
    ),
    Channel(
        "distance_m", Quantity.DISTANCE, "m", -1e3, 1e7, 1.0, Between.LINEAR,
        "distance covered since the log or the lap began",
    ),
    Channel(
        "lap_number", Quantity.COUNT, "1", -1.0, 1e5, 5.0, Between.HOLD, "number of the running lap"
    ),
    Channel(
        "lap_beacon", Quantity.COUNT, "1", -1e6, 1e6, 5.0, Between.HOLD,
        "rises when the car passes the start line",
    ),
    Channel(
        "oil_temperature_c", Quantity.TEMPERATURE, "degC", -60.0, 300.0, 5.0, Between.LINEAR,
        "temperature of the differential's oil",
    ),
    Channel(
        "ambient_temperature_c", Quantity.TEMPERATURE, "degC", -60.0, 80.0, 60.0, Between.LINEAR,
        "temperature of the air around the car",
    ),
    # Of a car with a differential on either axle.
    *(_shaft(side, axle) for axle in ("front", "rear") for side in ("left", "right")),
    _input("front"),
    _input("rear"),
)  # fmt: skip

CHANNEL_BY_NAME: dict[str, Channel] = {channel.name: channel for channel in CHANNELS}
TIME = "time_s"
"""Name of the time base's column; not a channel of its own."""
