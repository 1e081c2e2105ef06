"""Friction of the plates in oil, and of the ramps: what makes the packs' capacity move.

With the default values nothing moves: friction is one number and the ramps are frictionless.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from numba import njit

LEAST_SHARE = 0.2  # however hot the plates get, so much of their friction stays


class Friction(NamedTuple):
    """How the friction coefficient of the plates moves with sliding speed and temperature.

    Notes
    -----
    With the plates' friction coefficient mu_C and v the speed at which they slide over each other
    ``mu(v) = mu_C + (mu_S - mu_C) exp(-(v / v_s)^d) + s v``; then times
    ``1 + per_kelvin (plate temperature - reference)``.

    Source: form of Armstrong-Helouvry, Dupont, Canudas de Wit, A survey of models, analysis tools
    and compensation methods for the control of machines with friction, Automatica 30(7), 1994
    (from memory, not read again).  The sizes used in the tests are chosen by us; oiled sintered
    plates with 0.10 static and 0.05 dynamic are in Neale, Tribology Handbook, table 7.4.
    """

    static_ratio: float = 1.0  # mu_S / mu_C
    stribeck_speed_mps: float = 0.02  # v_s
    stribeck_exponent: float = 1.0  # d
    slope_spm: float = 0.0  # s, negative: friction falls as the plates slide faster
    per_kelvin: float = 0.0
    reference_c: float = 80.0


class Packs(NamedTuple):
    """Both packs of one differential as the compiled loop reads them.

    ``k_*`` torque difference per input torque with the input torque rising and falling; they
    differ by the friction on the ramps. [-]
    """

    preload: float  # N m
    k_drive_rising: float
    k_drive_falling: float
    k_overrun_rising: float
    k_overrun_falling: float
    greater_of: bool
    gear_friction: float  # N m
    plate_friction: float  # mu_C
    plate_radius: float  # m
    friction: Friction


@njit(cache=True)
def friction_factor(packs, speed_difference, plate_c):
    """Friction coefficient over mu_C; the plates slide at half the speed difference. [-]"""
    f = packs.friction
    factor = 1.0
    if f.static_ratio != 1.0 or f.slope_spm != 0.0:
        v = 0.5 * abs(speed_difference) * packs.plate_radius
        fall = math.exp(-((v / f.stribeck_speed_mps) ** f.stribeck_exponent))
        factor += (f.static_ratio - 1.0) * fall + f.slope_spm / packs.plate_friction * v
    if f.per_kelvin != 0.0:
        factor *= 1.0 + f.per_kelvin * (plate_c - f.reference_c)
    return max(factor, LEAST_SHARE)


@njit(cache=True)
def ramp_line(input_torque, packs, held):
    """What the ramps add to the capacity near an input torque, as a line a + b T_in. [N m], [-]

    ``held`` is what they added before, positive from the drive ramps and negative from the overrun
    ramps: friction on the ramps keeps the clamping force until the torque has moved far enough to
    drag it along (a play between two straight lines, derived here).
    """
    if input_torque >= 0.0:
        sign = 1.0
        rising, falling = packs.k_drive_rising, packs.k_drive_falling
    else:
        sign = -1.0
        rising, falling = packs.k_overrun_rising, packs.k_overrun_falling
    if rising == falling:
        return 0.0, sign * rising
    size = sign * input_torque
    before = max(sign * held, 0.0)
    if before < rising * size:
        return 0.0, sign * rising
    if before > falling * size:
        return 0.0, sign * falling
    return before, 0.0


@njit(cache=True)
def lock_line(input_torque, packs, held, factor):
    """Capacity near an input torque as a straight line a + b T_in. [N m], [-]"""
    a, b = ramp_line(input_torque, packs, held)
    if packs.greater_of:
        if a + b * input_torque <= packs.preload:
            a, b = packs.preload, 0.0
    else:
        a = packs.preload + a
    return packs.gear_friction + factor * a, factor * b


@njit(cache=True)
def ramps_after(input_torque, packs, held):
    """What the ramps go on holding, signed like the input torque. [N m]"""
    a, b = ramp_line(input_torque, packs, held)
    size = a + b * input_torque
    return size if input_torque >= 0.0 else -size
