"""How hard a ramp thrusts for the torque on it, with friction between cross-pin and ramp."""

from __future__ import annotations

import math


def thrust_ratio(ramp_angle_rad: float, ramp_friction: float = 0.0) -> tuple[float, float]:
    """Axial force over tangential force with the torque rising and with it falling. [1]

    Parameters
    ----------
    ramp_angle_rad : float
        Between the ramp's flank and the plane of rotation. [rad]
    ramp_friction : float
        Friction coefficient of the cross-pin on the ramp.

    Raises
    ------
    ValueError
        If the ramp is so flat that friction alone holds the pin: it would not let go again.

    Notes
    -----
    Statics of the wedge, as for a screw thread: ``1/tan(angle + atan mu)`` while the pin climbs,
    ``1/tan(angle - atan mu)`` while it comes back. Between the two the thrust stays what it was.

    >>> [round(each, 3) for each in thrust_ratio(math.radians(45), 0.1)]
    [0.818, 1.222]
    """
    friction_angle = math.atan(ramp_friction)
    if ramp_angle_rad <= friction_angle:
        msg = (
            f"a ramp at {math.degrees(ramp_angle_rad):.1f} degrees to the plane of rotation with "
            f"friction {ramp_friction:g} holds the pin and does not let go; check the angle and "
            "what it is measured from"
        )
        raise ValueError(msg)
    rising = math.cos(ramp_angle_rad + friction_angle) / math.sin(ramp_angle_rad + friction_angle)
    falling = math.cos(ramp_angle_rad - friction_angle) / math.sin(ramp_angle_rad - friction_angle)
    # A flank along the axis gives nothing; friction can hold such a pin but not push with it.
    return max(rising, 0.0), max(falling, 0.0)
