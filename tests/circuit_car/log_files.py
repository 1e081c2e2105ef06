"""Write a log the way loggers write: three layouts of our own, text with few digits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from circuit_car.circuit import Circuit
from circuit_car.sensors import Log

Array = NDArray[np.float64]

NOMINAL_RADIUS_FRONT_M = 0.305  # what the build sheet states, not what the tyres really are
EARTH_RADIUS_M = 6_371_000.0
RADPS_TO_RPM = 60.0 / (2.0 * np.pi)
RAD_TO_DEG = 180.0 / np.pi
MPS2_TO_G = 1.0 / 9.80665  # standard gravity, ISO 80000-3


@dataclass(frozen=True)
class Column:
    """One column of a log file.

    ``factor`` takes the canonical SI channel to the column's unit; it is negative where the column
    counts the other direction as positive.  ``rate_hz`` blanks the rows in between.
    """

    text: str
    unit: str
    channel: str
    factor: float
    decimals: int
    rate_hz: float = 0.0


def latitude_longitude(x_m: Array, y_m: Array, circuit: Circuit) -> tuple[Array, Array]:
    """Degrees north and east of a point in the local frame (x east, y north), on a sphere. [deg]"""
    latitude = circuit.origin_lat_deg + y_m / EARTH_RADIUS_M * RAD_TO_DEG
    shrink = np.cos(np.radians(circuit.origin_lat_deg))
    longitude = circuit.origin_lon_deg + x_m / (EARTH_RADIUS_M * shrink) * RAD_TO_DEG
    return latitude, longitude


def upsampled(values: Array, longest_gap: int) -> Array:
    """Straight lines between samples of a slower channel; longer gaps stay empty."""
    known = np.flatnonzero(np.isfinite(values))
    index = np.arange(len(values))
    filled = np.interp(index, known, values[known])
    after = np.minimum(np.searchsorted(known, index), len(known) - 1)
    before = np.maximum(np.searchsorted(known, index, side="right") - 1, 0)
    inside = (known[after] >= index) & (known[before] <= index)
    filled[~inside | (known[after] - known[before] > longest_gap)] = np.nan
    return filled


def _texts(values: Array, decimals: int, comma: bool) -> list[str]:
    pattern = f"%.{decimals}f"
    rounded = np.round(values, decimals) + 0.0  # no negative zero
    texts = ["" if np.isnan(v) else pattern % v for v in rounded]
    return [t.replace(".", ",") for t in texts] if comma else texts


def _column_texts(log: Log, column: Column, comma: bool) -> list[str]:
    values = log[column.channel] * column.factor
    if column.rate_hz > 0.0:
        every = round(log.rate_hz / column.rate_hz)
        skip = np.arange(len(values)) % every != 0
        values = np.where(skip, np.nan, values)
    return _texts(values, column.decimals, comma)


def write_table(
    path: Path,
    log: Log,
    columns: Sequence[Column],
    *,
    delimiter: str,
    head: Callable[[Column], str],
    preamble: Sequence[str] = (),
    unit_row: bool = False,
    decimal_comma: bool = False,
) -> None:
    """Write one log file, UTF-8, line feeds."""
    lines = list(preamble)
    lines.append(delimiter.join(head(c) for c in columns))
    if unit_row:
        lines.append(delimiter.join(c.unit for c in columns))
    texts = [_column_texts(log, c, decimal_comma) for c in columns]
    lines.extend(delimiter.join(row) for row in zip(*texts, strict=True))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


RUN1_COLUMNS = (
    Column("Time", "s", "time_s", 1.0, 2),
    Column("Wheel FL", "km/h", "wheel_speed_fl_radps", 3.6 * NOMINAL_RADIUS_FRONT_M, 1),
    Column("Wheel FR", "km/h", "wheel_speed_fr_radps", 3.6 * NOMINAL_RADIUS_FRONT_M, 1),
    Column("Wheel RL", "rad/s", "wheel_speed_rl_radps", 1.0, 2),
    Column("Wheel RR", "rad/s", "wheel_speed_rr_radps", 1.0, 2),
    Column("Shaft torque L", "Nm", "shaft_torque_left_nm", 1.0, 0),
    Column("Shaft torque R", "Nm", "shaft_torque_right_nm", 1.0, 0),
    Column("Engine torque", "Nm", "engine_torque_nm", 1.0, 0),
    Column("Engine speed", "rpm", "engine_speed_radps", RADPS_TO_RPM, 0),
    Column("Gear", "-", "gear", 1.0, 0),
    Column("Throttle", "%", "throttle_ratio", 100.0, 0),
    Column("Brake pressure", "bar", "brake_pressure_pa", 1e-5, 1),
    Column("Ground speed", "km/h", "speed_mps", 3.6, 1),
    Column("Acc long", "g", "accel_long_mps2", MPS2_TO_G, 2),
    Column("Acc lat", "g", "accel_lat_mps2", MPS2_TO_G, 2),
    Column("Yaw rate", "deg/s", "yaw_rate_radps", RAD_TO_DEG, 1),
    Column("Steering", "deg", "steering_angle_rad", RAD_TO_DEG, 1),
    Column("Pos X", "m", "position_x_m", 1.0, 1),
    Column("Pos Y", "m", "position_y_m", 1.0, 1),
    Column("Lap", "-", "lap_number", 1.0, 0),
)

RUN2_COLUMNS = (
    Column("t", "s", "time_s", 1.0, 2),
    Column("omega_fl", "rad/s", "wheel_speed_fl_radps", 1.0, 2),
    Column("omega_fr", "rad/s", "wheel_speed_fr_radps", 1.0, 2),
    Column("omega_rl", "rad/s", "wheel_speed_rl_radps", 1.0, 2),
    Column("omega_rr", "rad/s", "wheel_speed_rr_radps", 1.0, 2),
    Column("T_halfshaft_l", "Nm", "shaft_torque_left_nm", 1.0, 0),
    Column("T_halfshaft_r", "Nm", "shaft_torque_right_nm", 1.0, 0),
    Column("T_engine", "Nm", "engine_torque_nm", 1.0, 0),
    Column("n_engine", "1/min", "engine_speed_radps", RADPS_TO_RPM, 0),
    Column("gear", "-", "gear", 1.0, 0),
    Column("throttle", "%", "throttle_ratio", 100.0, 0),
    Column("p_brake", "bar", "brake_pressure_pa", 1e-5, 1),
    Column("v", "m/s", "speed_mps", 1.0, 2),
    Column("a_x", "m/s2", "accel_long_mps2", 1.0, 1),
    Column("a_y", "m/s2", "accel_lat_mps2", 1.0, 1),
    Column("yaw_rate", "deg/s", "yaw_rate_radps", RAD_TO_DEG, 1),
    Column("steer", "deg", "steering_angle_rad", RAD_TO_DEG, 1),
    Column("latitude", "deg", "latitude_deg", 1.0, 6),
    Column("longitude", "deg", "longitude_deg", 1.0, 6),
    Column("beacon", "-", "lap_beacon", 1.0, 0),
)

# This logger counts sideways quantities to the right.
RUN3_COLUMNS = (
    Column("TIME_S", "s", "time_s", 1.0, 2),
    Column("WHL_FL_RPM", "rpm", "wheel_speed_fl_radps", RADPS_TO_RPM, 1),
    Column("WHL_FR_RPM", "rpm", "wheel_speed_fr_radps", RADPS_TO_RPM, 1),
    Column("WHL_RL_RPM", "rpm", "wheel_speed_rl_radps", RADPS_TO_RPM, 1),
    Column("WHL_RR_RPM", "rpm", "wheel_speed_rr_radps", RADPS_TO_RPM, 1),
    Column("TRQ_SHAFT_LH_NM", "Nm", "shaft_torque_left_nm", 1.0, 0),
    Column("TRQ_SHAFT_RH_NM", "Nm", "shaft_torque_right_nm", 1.0, 0),
    Column("ACC_LONG_MPS2", "m/s2", "accel_long_mps2", 1.0, 1, 50.0),
    Column("ACC_RIGHT_MPS2", "m/s2", "accel_lat_mps2", -1.0, 1, 50.0),
    Column("YAW_RIGHT_DEGPS", "deg/s", "yaw_rate_radps", -RAD_TO_DEG, 1, 50.0),
    Column("SPEED_KPH", "km/h", "speed_mps", 3.6, 1, 20.0),
    Column("EAST_M", "m", "position_x_m", 1.0, 1, 20.0),
    Column("NORTH_M", "m", "position_y_m", 1.0, 1, 20.0),
    Column("STEER_RIGHT_DEG", "deg", "steering_angle_rad", -RAD_TO_DEG, 1, 10.0),
    Column("TRQ_ENGINE_NM", "Nm", "engine_torque_nm", 1.0, 0, 10.0),
    Column("ENGINE_RPM", "rpm", "engine_speed_radps", RADPS_TO_RPM, 0, 10.0),
    Column("GEAR", "-", "gear", 1.0, 0, 10.0),
    Column("THROTTLE_PCT", "%", "throttle_ratio", 100.0, 0, 10.0),
    Column("BRAKE_KPA", "kPa", "brake_pressure_pa", 1e-3, 0, 10.0),
)
