"""What a torque is logged in and with which sign: by the car that it speeds up, and by power."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from loaders.evidence import BoolArray, FloatArray, accord, line
from loaders.scales import Ranges, off

# What an axle moves, as mass: from a small single-seater to a heavy saloon, wheels included. The
# share between engine and half-shafts that gears keep, engine's own acceleration included.
# Chosen here.
MASS_KG = (300.0, 2600.0)
_SHARE = (0.76, 1.05)
_SAME = (0.93, 1.07)
_MASS_WITHIN = (0.88, 1.17)
# Fits better than this are no mistake; a pound-foot is 0.30 off in natural logarithms.
_CLEAN = 0.12
_AGAINST = 0.05
_LEAST_SAMPLES = 100


@dataclass(frozen=True, slots=True)
class Torques:
    """The torques of one log, each as logged or taken to be in N m; shape (n,), absent ones None.

    All are means over the same stretches that ``gain_mps2`` is over.
    """

    shafts: FloatArray | None
    """Sum of both half-shafts."""
    shaft_radps: FloatArray
    """Mean speed of the driven wheels."""
    input: FloatArray | None
    engine: FloatArray | None
    engine_radps: FloatArray | None
    speed_mps: FloatArray
    gain_mps2: FloatArray
    """How the ground speed grows. [m/s2]"""
    driving: BoolArray
    """Where the car gains speed, brakes off and nearly straight."""
    radius_m: tuple[float, float]
    """Of the driven wheels, between what it lies."""
    mass_kg: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class TorqueUnits:
    """How the torques are best read."""

    readings: Mapping[str, str]
    """Of each torque (shafts, input, engine) one of the ways given."""
    rivals: Mapping[str, tuple[str, ...]]
    factors: Mapping[str, float]
    """How many times too large each is as it stands, where another reading is better."""


def pull(torque: FloatArray, gain_mps2: FloatArray, where: BoolArray) -> tuple[float, int]:
    """1 when a torque drives the car where it is positive, -1 when it brakes it; see `accord`."""
    return accord(torque, gain_mps2, where)


def moved_mass_kg(torques: Torques, name: str) -> tuple[float, float] | None:
    """Between what the mass lies that a torque speeds up, read in N m; None when it cannot be told.

    Notes
    -----
    ``T / r = m a + f0 + f2 v^2`` by least squares over driving; ``r`` between its limits.
    """
    torque = torques.shafts if name == "shafts" else torques.input
    if torque is None:
        return None
    use = torques.driving & np.isfinite(torque) & np.isfinite(torques.gain_mps2)
    if np.count_nonzero(use) < _LEAST_SAMPLES:
        return None
    gain, speed = torques.gain_mps2[use], torques.speed_mps[use]
    if not np.ptp(gain) or not np.ptp(torque[use]):
        return None
    design = np.column_stack((gain, np.ones(len(gain)), speed**2))
    slope = float(np.linalg.lstsq(design, torque[use], rcond=None)[0][0])
    if abs(np.corrcoef(gain, torque[use])[0, 1]) < 0.5 or slope <= 0:
        return None
    low, high = torques.radius_m
    return slope / high, slope / low


def torque_units(torques: Torques, ranges: Ranges, stated: Mapping[str, str | None]) -> TorqueUnits:
    """The readings of the torques that agree best with each other and with the car.

    Parameters
    ----------
    torques : Torques
    ranges : mapping
        Of each reading, the size of the torque's unit [N m]; the same for all torques.
    stated : mapping
        By torque, the reading that is stated; None where none is.
    """
    present = [name for name in ("shafts", "input", "engine") if getattr(torques, name) is not None]
    sizes = _sizes(torques)
    ranked = []
    for chosen in itertools.product(ranges, repeat=len(present)):
        reading = dict(zip(present, chosen, strict=True))
        cost = _AGAINST * sum(stated[k] not in (None, reading[k]) for k in present)
        cost += sum(_off(relation, reading, ranges) for relation in sizes)
        ranked.append((cost, chosen, reading))
    ranked.sort(key=lambda each: each[:2])
    best_cost, _, best = ranked[0]
    near = [each[2] for each in ranked if each[0] < best_cost + 0.5 * _AGAINST]
    rivals = {
        name: tuple(sorted({other[name] for other in near} - {best[name]})) for name in present
    }
    if best_cost - _AGAINST * len(present) > _CLEAN:
        return TorqueUnits({k: stated[k] or best[k] for k in present}, rivals, {})
    factors = {
        name: 1 / ranges[best[name]][0]
        for name in present
        if stated[name] not in (None, best[name])
    }
    return TorqueUnits(best, rivals, factors)


_Relation = tuple[dict[str, int], float, float, float]
"""Exponent of each torque, the size of their product as logged, and between what it should lie."""


def _off(relation: _Relation, reading: Mapping[str, str], ranges: Ranges) -> float:
    exponents, size, low, high = relation
    for name, exponent in exponents.items():
        size *= ranges[reading[name]][0] ** exponent
    return off(size, (low, high))


def _sizes(torques: Torques) -> list[_Relation]:
    found: list[_Relation] = []
    for name in ("shafts", "input"):
        mass = moved_mass_kg(torques, name)
        if mass is not None:
            known = torques.mass_kg
            span = (known[0] * _MASS_WITHIN[0], known[1] * _MASS_WITHIN[1]) if known else MASS_KG
            # The radius' range widens the mass' own.
            found.append(({name: 1}, mass[0], span[0] * mass[0] / mass[1], span[1]))
    if torques.shafts is not None and torques.input is not None:
        size = line(torques.shafts, torques.input).slope
        found.append(({"shafts": 1, "input": -1}, size, *_SAME))
    geared = "shafts" if torques.shafts is not None else "input"
    axle = torques.shafts if torques.shafts is not None else torques.input
    if axle is not None and torques.engine is not None and torques.engine_radps is not None:
        power = axle * torques.shaft_radps
        share = line(power, torques.engine * torques.engine_radps, torques.driving)
        if share.correlation > 0.7:
            found.append(({geared: 1, "engine": -1}, share.slope, *_SHARE))
    return found
