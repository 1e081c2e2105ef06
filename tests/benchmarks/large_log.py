"""A log of a day for the benchmark: 24 hours at 100 Hz, fifteen channels as loggers write them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv

from loaders.channels import CHANNEL_BY_NAME

RATE_HZ = 100
# Middle, swing, noise and decimals of each channel, in its unit: invented, alike in kind to the
# sample logs.
_COURSES = {
    "wheel_speed_fl_radps": (120.0, 60.0, 0.05, 2),
    "wheel_speed_fr_radps": (120.0, 60.0, 0.05, 2),
    "wheel_speed_rl_radps": (122.0, 61.0, 0.05, 2),
    "wheel_speed_rr_radps": (122.0, 61.0, 0.05, 2),
    "shaft_torque_left_nm": (300.0, 900.0, 4.0, 1),
    "shaft_torque_right_nm": (300.0, 900.0, 4.0, 1),
    "engine_speed_radps": (550.0, 200.0, 1.0, 1),
    "gear": (3.5, 2.0, 0.0, 0),
    "throttle_ratio": (0.5, 0.5, 0.0, 3),
    "speed_mps": (38.0, 19.0, 0.03, 2),
    "accel_long_mps2": (0.0, 9.0, 0.15, 2),
    "accel_lat_mps2": (0.0, 15.0, 0.15, 2),
    "yaw_rate_radps": (0.0, 0.6, 0.004, 3),
    "steering_angle_rad": (0.0, 1.2, 0.002, 3),
    "lap_number": (1.0, 0.0, 0.0, 0),
}
_CHUNK_ROWS = 1 << 18


def write_large_log(path: Path, rows: int) -> None:
    """The log as comma-separated text; the channel map is that of `large_log_map`."""
    rng = np.random.default_rng(1)
    schema = pa.schema([(name, pa.float64()) for name in ("time_s", *_COURSES)])
    options = arrow_csv.WriteOptions(quoting_style="none")
    with arrow_csv.CSVWriter(path, schema, write_options=options) as writer:
        for start in range(0, rows, _CHUNK_ROWS):
            i = np.arange(start, min(rows, start + _CHUNK_ROWS))
            columns = [np.round(i / RATE_HZ, 2)]
            for k, (middle, swing, noise, decimals) in enumerate(_COURSES.values()):
                course = middle + swing * np.sin(2 * np.pi * i / (RATE_HZ * (7.0 + k)))
                columns.append(np.round(course + rng.normal(0, noise, len(i)), decimals))
            columns[-1] = 1.0 + i // (90 * RATE_HZ)
            arrays = [pa.array(values) for values in columns]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))


def large_log_map() -> str:
    """Every column is the channel it is called like."""
    lines = ["schema = 1", "[time]", 'column = "time_s"', 'unit = "s"']
    for name in _COURSES:
        lines += [f"[channels.{name}]", f'column = "{name}"']
        lines += [f'unit = "{CHANNEL_BY_NAME[name].unit}"']
    return "\n".join(lines)
