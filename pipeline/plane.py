"""Where the car is: metres east and north on a plane that touches the earth."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Mean radius of the earth, IUGG.
_EARTH_RADIUS_M = 6_371_008.8


def position(
    channels: Mapping[str, FloatArray], sources: list[tuple[str, str]]
) -> tuple[FloatArray | None, FloatArray | None]:
    """Metres east and north, None where the log has neither; adds where they come from."""
    x, y = channels.get("position_x_m"), channels.get("position_y_m")
    if x is not None and y is not None:
        sources.append(("position", "channels position_x_m and position_y_m"))
        return x, y
    latitude = channels.get("latitude_rad")
    longitude = channels.get("longitude_rad")
    if latitude is None or longitude is None or not np.isfinite(latitude + longitude).any():
        return None, None
    sources.append(("position", "channels latitude_rad and longitude_rad, on a local plane"))
    return on_plane(latitude, longitude, origin(channels))


def origin(channels: Mapping[str, FloatArray]) -> tuple[float, float]:
    """Middle of the path: where the local plane touches the earth. [rad]"""
    return (
        float(np.nanmedian(channels["latitude_rad"])),
        float(np.nanmedian(channels["longitude_rad"])),
    )


def on_plane(
    latitude: FloatArray, longitude: FloatArray, origin_rad: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Metres east and north of the origin; good to a centimetre over a circuit."""
    east = (longitude - origin_rad[1]) * math.cos(origin_rad[0]) * _EARTH_RADIUS_M
    return east, (latitude - origin_rad[0]) * _EARTH_RADIUS_M
