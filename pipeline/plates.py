"""From the parts to the breakaway torque and the lock ratios."""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


class PreloadLaw(StrEnum):
    """How the spring washers' force and the ramps' force press the packs together."""

    ADDING = "adding"
    """Springs beside the ramps: the packs carry the sum of both."""
    GREATER_OF = "greater of"
    """Washers in line with the ramps, at the ends of the packs: the greater of both."""


def effective_radius(outer_radius_m: float, inner_radius_m: float) -> float:
    """Radius at which the friction of a run-in face acts: uniform wear. [m]

    Source: Bhandari, Design of Machine Elements, ch. 11 (p r = constant).

    >>> effective_radius(0.060, 0.045)
    0.0525
    """
    return 0.5 * (outer_radius_m + inner_radius_m)


def effective_radius_new(outer_radius_m: float, inner_radius_m: float) -> float:
    """Radius at which the friction of a new face acts: uniform pressure. [m]

    Source: Bhandari, Design of Machine Elements, ch. 11 (p = constant).

    >>> round(effective_radius_new(0.100, 0.050), 6)
    0.077778
    """
    cubes = outer_radius_m**3 - inner_radius_m**3
    return 2 / 3 * cubes / (outer_radius_m**2 - inner_radius_m**2)


def pack_torque(friction: float, faces: int, effective_radius_m: float, force_n: float) -> float:
    """Friction torque of one plate pack under an axial force. [N m]

    Source: Bhandari, Design of Machine Elements, ch. 11 (multi-disk clutch).
    """
    return friction * faces * effective_radius_m * force_n


def breakaway_torque(
    friction: float, faces: int, effective_radius_m: float, spring_force_n: float
) -> float:
    """Torque difference at which two equal packs let go without input torque. [N m]

    Notes
    -----
    Derived here: each pack gives ``M = mu N r_e F``; what the case takes from one side gear it
    gives to the other, so the difference between the half-shafts is ``2 M``.

    >>> round(breakaway_torque(0.10, 4, 0.0525, 2000.0), 9)
    84.0
    """
    return 2 * pack_torque(friction, faces, effective_radius_m, spring_force_n)


def lock_ratio(
    friction: float,
    faces: int,
    effective_radius_m: float,
    ramp_radius_m: float,
    ramp_angle_rad: float,
) -> float:
    """Locking torque that the ramps add per input torque. [1]

    Parameters
    ----------
    friction : float
        Friction coefficient of the plates in oil.
    faces : int
        Sliding interfaces in each of the two packs.
    effective_radius_m, ramp_radius_m : float
        Where the friction and where the cross-pin acts. [m]
    ramp_angle_rad : float
        Between the ramp's flank and the plane of rotation: a smaller angle locks more. [rad]

    Notes
    -----
    Derived here: each pressure ring carries half the input torque at the ramp radius, so each
    pack is pressed with ``F = T_in / (2 r_r tan(theta))`` and ``k = mu N r_e / (r_r tan(theta))``.
    A flank at 90 degrees pushes nothing.

    >>> round(lock_ratio(0.10, 4, 0.0525, 0.042, math.radians(45)), 9)
    0.5
    """
    return friction * faces * effective_radius_m / ramp_radius_m / math.tan(ramp_angle_rad)


def locking_torque(
    input_torque_nm: ArrayLike,
    breakaway_torque_nm: float,
    lock_drive: float,
    lock_overrun: float,
    law: PreloadLaw = PreloadLaw.ADDING,
) -> FloatArray:
    """Torque difference that the packs hold or drag with. [N m]

    Notes
    -----
    Derived here. Springs beside the ramps add their force to that of the ramps:
    ``T_lock = T_pre + k_drive max(T_in, 0) + k_overrun max(-T_in, 0)``. Washers between case and
    pack keep their length until the ramps push harder than they do, as in a bolted joint before
    it opens: ``T_lock = max(T_pre, k_drive T_in, -k_overrun T_in)``.

    >>> locking_torque([600.0, 0.0, -200.0], 84.0, 0.5, 0.25).tolist()
    [384.0, 84.0, 134.0]
    >>> locking_torque([600.0, 0.0, -200.0], 84.0, 0.5, 0.25, PreloadLaw.GREATER_OF).tolist()
    [300.0, 84.0, 84.0]
    """
    torque = np.asarray(input_torque_nm, dtype=np.float64)
    ramps = lock_drive * np.maximum(torque, 0.0) + lock_overrun * np.maximum(-torque, 0.0)
    if law is PreloadLaw.GREATER_OF:
        return np.maximum(breakaway_torque_nm, ramps)
    return breakaway_torque_nm + ramps


def ramp_angle_to_plane(angle_deg: float, measured_from: str) -> float:
    """A ramp angle to the plane of rotation, whichever way it was measured. [rad]

    >>> round(math.degrees(ramp_angle_to_plane(60.0, "axis")), 9)
    30.0
    """
    return math.radians(90.0 - angle_deg if measured_from == "axis" else angle_deg)


def bias_ratio(lock: float) -> float:
    """Torque of the slower wheel over that of the faster one. [1]

    Source: SAE J2817, locking effect against torque bias ratio: ``B = (1 + S) / (1 - S)``.

    >>> bias_ratio(0.5)
    3.0
    """
    return (1 + lock) / (1 - lock)


def lock_from_bias_ratio(ratio: float) -> float:
    """Effective lock from the torque bias ratio. [1]

    Source: SAE J2817: ``S = (B - 1) / (B + 1)``.

    >>> lock_from_bias_ratio(3.0)
    0.5
    """
    return (ratio - 1) / (ratio + 1)
