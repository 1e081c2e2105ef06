"""What a tyre pushes for a given load, longitudinal slip and slip angle.

Magic Formula in its 1989 form (Bakker, Pacejka, Lidner, SAE 890087; attribution and forms from
memory).  Coefficients read in the public file ``src/simulink/pacajeka_init.m`` of the repository
n-jokic/Vehicle_MPC_control.  A circuit tyre is the same shape with its peak and its slip stiffness
multiplied by the factors in ``TyreScale`` (chosen by us).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from numba import njit

C_LONG = 1.65
C_LAT = 1.30
DEG_PER_RAD = 180.0 / math.pi


class TyreScale(NamedTuple):
    """Factors on the published curve, 1.0 leaves it as published. [-]"""

    peak_long: float = 1.0
    peak_lat: float = 1.0
    stiffness_long: float = 1.0
    stiffness_lat: float = 1.0


@njit(cache=True)
def longitudinal_shape(load_n):
    """Peak [N], slip stiffness [N per unit slip] and curvature E [-] of the published Fx curve."""
    f = load_n * 1e-3
    peak = (-21.3 * f + 1144.0) * f
    stiffness = (49.6 * f + 226.0) * f * math.exp(-0.069 * f) * 100.0
    return peak, stiffness, (-0.006 * f + 0.056) * f + 0.486


@njit(cache=True)
def lateral_shape(load_n):
    """Peak [N], cornering stiffness [N/rad] and curvature E [-] of the published Fy curve."""
    f = load_n * 1e-3
    peak = (-22.1 * f + 1011.0) * f
    stiffness = 1078.0 * math.sin(1.82 * math.atan(0.208 * f)) * DEG_PER_RAD
    return peak, stiffness, -0.354 * f + 0.707


@njit(cache=True)
def magic_formula(psi, shape, curvature):
    """Magic Formula divided by its peak, and its slope, against normalised slip.

    ``psi`` is slip times slip stiffness over peak, so B x = psi / C and y'(0) = 1. [-]
    """
    bx = psi / shape
    g = bx - curvature * (bx - math.atan(bx))
    dg = (1.0 - curvature * (1.0 - 1.0 / (1.0 + bx * bx))) / shape
    angle = shape * math.atan(g)
    return math.sin(angle), math.cos(angle) * shape / (1.0 + g * g) * dg


@njit(cache=True)
def tyre_forces(load_n, slip, slip_angle_rad, scale):
    """Longitudinal force, lateral force [N] and dFx/dslip [N] at combined slip.

    Both slips are normalised by their own stiffness over peak; the length of the pair enters each
    pure-slip curve and its direction shares the force out (normalised-slip, or similarity, method;
    common practice, written from memory).  With one slip zero the other curve comes back exactly.
    Each component opposes its own slip, so the contact patch can only lose energy.
    The slip angle is positive when the contact patch moves to the right of the wheel's heading,
    so a positive slip angle gives a force to the left.
    """
    if load_n < 1.0:
        return 0.0, 0.0, 0.0
    d_x, k_x, e_x = longitudinal_shape(load_n)
    d_y, k_y, e_y = lateral_shape(load_n)
    d_x *= scale.peak_long
    k_x *= scale.stiffness_long
    d_y *= scale.peak_lat
    k_y *= scale.stiffness_lat
    psi_x = k_x * slip / d_x
    psi_y = k_y * slip_angle_rad / d_y
    psi = math.sqrt(psi_x * psi_x + psi_y * psi_y)
    if psi < 1e-9:
        return k_x * slip, k_y * slip_angle_rad, k_x
    y_x, slope_x = magic_formula(psi, C_LONG, e_x)
    y_y, _ = magic_formula(psi, C_LAT, e_y)
    share = psi_x * psi_x / (psi * psi)
    slope = k_x * (slope_x * share + y_x / psi * (1.0 - share))
    return d_x * y_x * psi_x / psi, d_y * y_y * psi_y / psi, slope
