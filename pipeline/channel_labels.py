"""What a channel is called in a sentence."""

from __future__ import annotations

from loaders.channels import CHANNEL_BY_NAME, TIME

_WHEELS = {"fl": "front left", "fr": "front right", "rl": "rear left", "rr": "rear right"}
_LABELS = {
    **{f"wheel_speed_{key}_radps": f"{words} wheel speed" for key, words in _WHEELS.items()},
    "shaft_torque_left_nm": "left half-shaft torque",
    "shaft_torque_right_nm": "right half-shaft torque",
    **{
        f"shaft_torque_{axle}_{side}_nm": f"{axle} {side} half-shaft torque"
        for axle in ("front", "rear")
        for side in ("left", "right")
    },
    "input_torque_nm": "input torque",
    "input_torque_front_nm": "front input torque",
    "input_torque_rear_nm": "rear input torque",
    "engine_torque_nm": "engine torque",
    "engine_speed_radps": "engine speed",
    "gear": "gear",
    "throttle_ratio": "throttle",
    "brake_pressure_pa": "brake pressure",
    "speed_mps": "ground speed",
    "accel_long_mps2": "longitudinal acceleration",
    "accel_lat_mps2": "lateral acceleration",
    "yaw_rate_radps": "yaw rate",
    "steering_angle_rad": "steering angle",
    "position_x_m": "position east",
    "position_y_m": "position north",
    "latitude_rad": "latitude",
    "longitude_rad": "longitude",
    "distance_m": "distance",
    "lap_number": "lap number",
    "lap_beacon": "lap beacon",
    "oil_temperature_c": "oil temperature",
    "ambient_temperature_c": "air temperature",
    TIME: "time",
}


def label(channel: str) -> str:
    """The channel in words; a name that is no channel's is given back as it is.

    >>> label("wheel_speed_rl_radps")
    'rear left wheel speed'
    """
    return _LABELS.get(channel, channel)


def plain_unit(channel: str) -> str:
    """The channel's unit as it is printed.

    >>> plain_unit("shaft_torque_left_nm")
    'N·m'
    """
    unit = CHANNEL_BY_NAME[channel].unit
    return {"N m": "N·m", "m/s2": "m/s²", "degC": "°C", "1": ""}.get(unit, unit)


def named(names: tuple[str, ...]) -> str:
    """Channels or other things in a row, in words.

    >>> named(("yaw_rate_radps", "steering_angle_rad", "the path"))
    'yaw rate, steering angle and the path'
    """
    words = [label(name) for name in names]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
