"""How the packs' friction moves: with the torque rising or falling, sliding speed, temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.lock import DRIVE, LEAST_SLIDING_S, OVERRUN, LockLaw, SlidingSamples
from pipeline.regression import ClusterFit, TooFewClustersError, fit_by_cluster

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
StateArray = NDArray[np.int8]

HYSTERESIS = {DRIVE: "hysteresis drive", OVERRUN: "hysteresis overrun"}
SLOW, FAST, WARM = "slow", "fast", "warm"
# Slow sliding ends here: 0.1 m/s at a plate radius of 50 mm. Chosen by us.
SLOW_TO_RADPS = 4.0
# Friction that differs with speed or warmth needs a range of either to show. Chosen by us.
_LEAST_SPEED_RANGE_RADPS = 1.5
_LEAST_WARMTH_RANGE_K = 8.0
_FEWEST_CLUSTERS = 3
# Between torque rising and falling the ramps' friction holds the clamping force still. A torque
# that has come back by this ratio has passed that for ramp friction up to 0.1 at any usual angle.
TURNING_RATIO = 1.6
_NEAR_A_LINE = 0.02
# Ramps forget what was before so many rows of their clock.
_MEMORY_ROWS = 512
RAMP_HZ = 25.0


@dataclass(frozen=True, slots=True)
class Movements:
    """Changes of the friction law with what it leaves out; absent terms have their reason."""

    fit: ClusterFit | None
    terms: tuple[str, ...]
    """Names of the fit's last coefficients; the law's own come before them."""
    missing: dict[str, str]
    seconds: float
    """Of sliding that they rest on. [s]"""

    def column(self, term: str) -> int:
        """Which coefficient belongs to a term."""
        assert self.fit is not None
        return len(self.fit.coefficients) - len(self.terms) + self.terms.index(term)


def ramp_states(input_torque_nm: FloatArray) -> StateArray:
    """+1 where the torque has risen far enough to load the ramps, -1 fallen to unload, 0 between.

    Parameters
    ----------
    input_torque_nm : array, shape (n,)
        At `RAMP_HZ` or so, free of noise as far as can be.

    Notes
    -----
    Derived here. Friction on a ramp holds the clamping force ``h`` between ``a u`` and ``b u`` of
    the torque's size ``u``: ``h(t) = clip(h(t-1), a u, b u)``. A clip after a clip is a clip, so
    stretches of doubling length are joined until none remembers what was before. With
    ``b / a`` wider than the real one, a sample found on either line is on it with the real one too.
    """
    size = np.abs(input_torque_nm)
    low, high = size, TURNING_RATIO * size
    unknown = np.isnan(size)
    low, high = np.where(unknown, 0.0, low), np.where(unknown, np.inf, high)
    # A change of sides starts anew: no torque, no clamping force.
    turned = np.zeros(len(size), dtype=bool)
    turned[1:] = np.sign(input_torque_nm[1:]) * np.sign(input_torque_nm[:-1]) < 0
    high = np.where(turned, low, high)
    step = 1
    while step < min(_MEMORY_ROWS, len(size)):
        before_low, before_high = low[:-step], high[:-step]
        low, high = (
            np.concatenate((part[:step], np.clip(before, low[step:], high[step:])))
            for part, before in ((low, before_low), (high, before_high))
        )
        step *= 2
    settled = np.isfinite(high) & (high - low <= 1e-6 * np.maximum(size, 1.0)) & ~unknown
    place = np.where(settled, (low - size) / np.maximum((TURNING_RATIO - 1) * size, 1e-9), 0.5)
    states = np.where(place <= _NEAR_A_LINE, 1, np.where(place >= 1 - _NEAR_A_LINE, -1, 0))
    return np.where(settled, states, 0).astype(np.int8)


def friction_movements(
    samples: SlidingSamples, law: LockLaw, ramp_state: StateArray, warmth_c: FloatArray | None
) -> Movements:
    """What moves the friction law, all at once, from samples at which the packs slide.

    Parameters
    ----------
    samples : SlidingSamples
    law : LockLaw
        Fitted to these samples.
    ramp_state : array of int, shape (m,)
        See `ramp_states`.
    warmth_c : array, shape (m,), or None
        Temperature of plates or oil. [degC]

    Notes
    -----
    The law's own terms are fitted again beside ``k/2`` times -1 where the ramps are loaded and +1
    where they are unloaded, for drive and for overrun; and beside the law itself times the sliding
    speed up to `SLOW_TO_RADPS`, that beyond it, and tens of kelvins. Samples at which the ramps
    hold still between the two lines say nothing of either and are left out.
    """
    side = samples.faster_side
    slopes = law.slopes(samples.input_torque_nm, side)
    straight = law.read_off(samples.input_torque_nm, np.zeros(len(side)))
    speed = np.abs(samples.speed_difference_radps)
    kept = ramp_state != 0
    missing: dict[str, str] = {}
    columns: dict[str, FloatArray] = {}
    for term, name in HYSTERESIS.items():
        at = law.index(term)
        if at is None:
            missing[name] = law.missing.get(term, f"no lock ratio on {term} is known")
            continue
        push = slopes[:, at]
        turns = [kept & (push > 0) & (ramp_state == turn) for turn in (1, -1)]
        if why := _not_seen(samples, turns, (f"rising {term} torque", f"falling {term} torque")):
            missing[name] = why
        else:
            columns[name] = -0.5 * push * ramp_state
    slow, fast = np.minimum(speed, SLOW_TO_RADPS), np.maximum(speed - SLOW_TO_RADPS, 0.0)
    for name, part in ((SLOW, slow), (FAST, fast)):
        spread = float(np.subtract(*np.percentile(part[kept], [97.5, 2.5]))) if kept.any() else 0.0
        if spread < _LEAST_SPEED_RANGE_RADPS:
            missing[name] = (
                f"the packs slide at nearly one speed {'below' if name == SLOW else 'above'} "
                f"{SLOW_TO_RADPS:.0f} rad/s, within {spread:.1f} rad/s"
            )
        else:
            columns[name] = straight * (part - float(np.mean(part[kept])))
    if warmth_c is None:
        missing[WARM] = "the log has no temperature of oil or plates"
    else:
        kept &= np.isfinite(warmth_c)
        spread = float(np.ptp(warmth_c[kept])) if kept.any() else 0.0
        if spread < _LEAST_WARMTH_RANGE_K:
            missing[WARM] = f"the temperature moves by only {spread:.1f} K while the packs slide"
        else:
            columns[WARM] = straight * np.nan_to_num(warmth_c - float(np.mean(warmth_c[kept]))) / 10
    if not columns:
        return Movements(None, (), missing, samples.seconds(kept))
    design = np.column_stack((slopes, *columns.values()))[kept]
    try:
        fit = fit_by_cluster(design, samples.locking_torque_nm[kept], samples.lap[kept])
    except TooFewClustersError as problem:
        return Movements(
            None, (), {**missing, **dict.fromkeys(columns, str(problem))}, samples.seconds(kept)
        )
    return Movements(fit, tuple(columns), missing, samples.seconds(kept))


def _not_seen(samples: SlidingSamples, turns: list[BoolArray], names: tuple[str, str]) -> str:
    for chosen, name in zip(turns, names, strict=True):
        seconds = samples.seconds(chosen)
        if seconds < LEAST_SLIDING_S:
            return f"the pack slides under {name} for only {seconds:.1f} s in this log"
        if len(np.unique(samples.lap[chosen])) < _FEWEST_CLUSTERS:
            return f"the pack slides under {name} in too few laps"
    return ""


def ramp_friction(ratio: float, ramp_angle_rad: float) -> float:
    """Friction on the ramps from the lock ratio with torque falling over that with it rising. [1]

    Notes
    -----
    Derived here from the wedge: ``ratio = tan(angle + phi) / tan(angle - phi)`` with friction
    angle phi, so ``sin 2 phi = sin 2 angle (ratio - 1) / (ratio + 1)``.

    >>> ratio = math.tan(math.radians(50)) / math.tan(math.radians(40))
    >>> round(ramp_friction(ratio, math.pi / 4), 4)
    0.0875
    """
    sine = math.sin(2 * ramp_angle_rad) * (ratio - 1) / (ratio + 1)
    return math.tan(0.5 * math.asin(min(max(sine, -1.0), 1.0)))
