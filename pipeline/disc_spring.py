"""How much a spring washer pushes when it is pressed, and how far it is pressed when it pushes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Spring steel. Source: DIN 2093, the moduli that its table of spring forces is worked out with.
YOUNGS_MODULUS_PA = 206e9
POISSON_RATIO = 0.3
# Thicker discs carry contact flats and are made thinner for it (DIN 2093, group 3); the plain
# formula would be some per cent out for them.
THICKEST_M = 0.006

# Share of the force that friction takes or adds in a greased stack: between neighbouring discs
# that lie in parallel, and at the edges of every stack.
# Source: DIN 2092, table of friction factors; read as an extract, widest values of all series.
FACE_FRICTION = (0.005, 0.03)
EDGE_FRICTION = (0.02, 0.04)


@dataclass(frozen=True, slots=True)
class Disc:
    """One conical disc spring without contact flats. [m]"""

    outer_diameter_m: float
    inner_diameter_m: float
    thickness_m: float
    cone_height_m: float
    """Free height less thickness: how far it can be pressed until it is flat."""

    def __post_init__(self) -> None:
        if not 0 < self.inner_diameter_m < self.outer_diameter_m:
            msg = "a washer's inner diameter lies between 0 and its outer diameter"
            raise ValueError(msg)
        if not (self.thickness_m > 0 and self.cone_height_m > 0):
            msg = "a washer's thickness and cone height are above 0"
            raise ValueError(msg)
        if self.thickness_m > THICKEST_M:
            msg = (
                f"washers thicker than {1000 * THICKEST_M:g} mm have contact flats (DIN 2093, "
                "group 3), for which this formula does not hold; state spring_force_n instead"
            )
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Stack:
    """Equal discs on one another: ``parallel`` nested the same way, ``series`` such groups."""

    disc: Disc
    parallel: int = 1
    series: int = 1

    def __post_init__(self) -> None:
        if min(self.parallel, self.series) < 1:
            msg = "a stack has at least one disc, in parallel and in series"
            raise ValueError(msg)

    @property
    def free_height_m(self) -> float:
        """Height with nothing pressing on it. [m]"""
        disc = self.disc
        return self.series * (disc.cone_height_m + self.parallel * disc.thickness_m)

    @property
    def travel_m(self) -> float:
        """How far it can be pressed until all discs are flat. [m]"""
        return self.series * self.disc.cone_height_m


def shape_factor(diameter_ratio: float) -> float:
    """Factor K1 of the load-deflection formula. [1]

    Source: Almen & Laszlo, Trans. ASME 58 (1936) 305, in the form of DIN 2092.

    >>> round(shape_factor(2.0), 8)
    0.6943332
    """
    d = diameter_ratio
    return ((d - 1) / d) ** 2 / ((d + 1) / (d - 1) - 2 / math.log(d)) / math.pi


def _stiffness(disc: Disc) -> float:
    """``4 E / (1 - nu^2) t^4 / (K1 De^2)``. [N]"""
    k1 = shape_factor(disc.outer_diameter_m / disc.inner_diameter_m)
    plate = 4 * YOUNGS_MODULUS_PA / (1 - POISSON_RATIO**2)
    return plate * disc.thickness_m**4 / (k1 * disc.outer_diameter_m**2)


def disc_force(disc: Disc, deflection_m: ArrayLike) -> FloatArray:
    """Force of one disc pressed by ``deflection_m``, same shape. [N]

    Notes
    -----
    ``F = 4 E/(1 - nu^2) t^4/(K1 De^2) (s/t) ((h0/t - s/t)(h0/t - s/(2t)) + 1)``.

    Source: Almen & Laszlo, Trans. ASME 58 (1936) 305; DIN 2092.
    """
    s = np.asarray(deflection_m, dtype=np.float64) / disc.thickness_m
    h = disc.cone_height_m / disc.thickness_m
    return np.asarray(_stiffness(disc) * s * ((h - s) * (h - 0.5 * s) + 1))


def disc_rate(disc: Disc, deflection_m: ArrayLike) -> FloatArray:
    """How fast the force of one disc grows with its deflection, same shape. [N/m]

    Below zero where a tall disc (cone height over 1.41 thicknesses) gives way.
    """
    s = np.asarray(deflection_m, dtype=np.float64) / disc.thickness_m
    h = disc.cone_height_m / disc.thickness_m
    slope = h * h - 3 * h * s + 1.5 * s * s + 1
    return np.asarray(_stiffness(disc) / disc.thickness_m * slope)


def stack_force(stack: Stack, compression_m: ArrayLike) -> FloatArray:
    """Force of a stack pressed by ``compression_m``, friction left out; same shape. [N]

    >>> b50 = Disc(0.050, 0.0254, 0.002, 0.0014)
    >>> one = float(stack_force(Stack(b50), 0.00105))
    >>> round(float(stack_force(Stack(b50, parallel=2, series=3), 0.00315)) / one, 9)
    2.0
    """
    each = np.asarray(compression_m, dtype=np.float64) / stack.series
    return stack.parallel * disc_force(stack.disc, each)


def force_range(stack: Stack, compression_m: float) -> tuple[float, float]:
    """Least and greatest force of a greased stack at one compression: let out, pressed in. [N]

    Notes
    -----
    ``F = n F1 / (1 -+ w_M (n - 1) -+ w_R)`` for n discs in parallel, minus while it is pressed in,
    plus while it comes back. Which of the two rules after assembly and running is not known.

    Source: DIN 2092, friction in spring stacks; read as an extract.
    """
    force = float(stack_force(stack, compression_m))
    share = FACE_FRICTION[1] * (stack.parallel - 1) + EDGE_FRICTION[1]
    return force / (1 + share), force / (1 - share)


def force_tolerance(thickness_m: float) -> tuple[float, float]:
    """What a new washer's force may be below and above the formula, as shares. [1]

    Source: DIN 2093, permissible deviations of the spring force at 0.75 h0, as two makers print
    them; the standard itself was not at hand.

    >>> force_tolerance(0.002)
    (-0.075, 0.15)
    """
    if thickness_m < 0.00125:
        return -0.075, 0.25
    return (-0.075, 0.15) if thickness_m <= 0.003 else (-0.05, 0.10)


def compressions_at(stack: Stack, force_n: float) -> tuple[float, ...]:
    """Every compression up to flat at which the stack pushes with ``force_n``, ascending. [m]

    None where it never does; more than one where tall discs give way.

    >>> a50 = Stack(Disc(0.050, 0.0254, 0.003, 0.0011))
    >>> [round(1000 * s, 6) for s in compressions_at(a50, float(stack_force(a50, 0.0008)))]
    [0.8]
    """
    disc = stack.disc
    h = disc.cone_height_m / disc.thickness_m
    target = force_n / stack.parallel / _stiffness(disc)
    # s (h - s)(h - s/2) + s = s^3/2 - 3/2 h s^2 + (h^2 + 1) s, with s in thicknesses.
    roots = np.roots([0.5, -1.5 * h, h * h + 1, -target])
    real = roots.real[np.abs(roots.imag) < 1e-9 * (1 + np.abs(roots.real))]
    inside = np.sort(real[(real >= -1e-12) & (real <= h * (1 + 1e-12))])
    return tuple(float(s) * disc.thickness_m * stack.series for s in np.clip(inside, 0.0, h))


def compression_near(stack: Stack, force_n: float, built_m: float) -> float | None:
    """The compression for a force that lies nearest to how the stack was built; None without one.

    A stack that loses height moves along its curve from where it was built.
    """
    found = compressions_at(stack, force_n)
    return min(found, key=lambda s: abs(s - built_m)) if found else None
