"""Which part of a pack is changing, by what changes together: the odds of each explanation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

FloatArray = NDArray[np.float64]

QUANTITIES = ("breakaway_torque_nm", "lock_drive", "lock_overrun")
"""What explanations are told from; the order of every vector here."""

# A pack that has changed has typically changed by this share. Chosen by us; the odds change little
# between 0.2 and 0.6.
_TYPICAL_CHANGE = 0.4


@dataclass(frozen=True, slots=True)
class Explanation:
    """One thing that may happen to a pack, and what it does to the quantities."""

    name: str
    said: str
    """In a sentence after "most likely"."""
    direction: tuple[float, float, float]
    """Relative change of each of `QUANTITIES` for a change of one."""


EXPLANATIONS: tuple[Explanation, ...] = (
    Explanation("steady", "nothing is changing", (0.0, 0.0, 0.0)),
    Explanation(
        "preload loss", "the stack is thinner or the spring washers are tired", (-1.0, 0.0, 0.0)
    ),
    Explanation(
        "friction loss", "the plates have lost friction: glaze, oil or heat", (-1.0, -1.0, -1.0)
    ),
    Explanation("friction gain", "the plates grip more: worn in, or welding", (1.0, 1.0, 1.0)),
    Explanation("drive ramps", "the drive ramps are changing", (0.0, -1.0, 0.0)),
    Explanation("overrun ramps", "the overrun ramps are changing", (0.0, 0.0, -1.0)),
)
"""Preload comes from washers and stack alone, lock from ramps and faces; friction is in both."""


def odds(change: FloatArray, covariance: FloatArray) -> Mapping[str, float]:
    """Probability of each explanation, the same for all before the log was seen.

    Parameters
    ----------
    change : array, shape (3,)
        Relative change of each of `QUANTITIES` over the pack's life.
    covariance : array, shape (3, 3)

    Notes
    -----
    Derived here. An explanation says that the change is ``d`` times its direction, ``d > 0`` of a
    typical size s: half-normal. With the observed change normal around it, its marginal density is
    ``2 N(y; 0, S + s^2 v v') Phi(m / r)`` with the posterior mean m and deviation r of d; dividing
    all by their sum gives the odds.

    >>> found = odds(np.array([-0.3, 0.0, 0.01]), np.diag([0.03, 0.02, 0.02]) ** 2)
    >>> max(found, key=found.get)
    'preload loss'
    """
    logs = {each.name: _log_density(change, covariance, each) for each in EXPLANATIONS}
    top = max(logs.values())
    parts = {name: math.exp(value - top) for name, value in logs.items()}
    whole = sum(parts.values())
    return {name: part / whole for name, part in parts.items()}


def _log_density(change: FloatArray, covariance: FloatArray, said: Explanation) -> float:
    direction = np.array(said.direction)
    spread = covariance + _TYPICAL_CHANGE**2 * np.outer(direction, direction)
    _, log_determinant = np.linalg.slogdet(2 * np.pi * spread)
    density = -0.5 * float(change @ np.linalg.solve(spread, change) + log_determinant)
    if not direction.any():
        return density
    inverse = np.linalg.solve(covariance, direction)
    precision = float(direction @ inverse) + _TYPICAL_CHANGE**-2
    mean = float(change @ inverse) / precision
    return density + math.log(2 * max(float(ndtr(mean * math.sqrt(precision))), 1e-300))
