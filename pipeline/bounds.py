"""What a log says of the packs where it cannot give a number: at least, at most, only together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import odd_samples
from pipeline.heat import TorqueDoubt
from pipeline.lock import LockLaw, SlidingSamples
from pipeline.regression import mean_interval
from pipeline.runs import erode, moving_mean, runs
from pipeline.split_doubt import SplitDoubt
from pipeline.torque import ShaftTorque, smoothed

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

# What a pack holds is taken over this long, so that neither noise nor a spike passes for it.
_HELD_S = 0.2
# One sample in 16,000 lies beyond four standard deviations; the largest of many is looked for.
_SIGMAS = 4.0
# The third best lap: two laps with a fault of their own cannot make a bound. Chosen by us.
_RANK = 3
# A wheel that runs away is followed for at least this long while it still gains speed.
_SHORTEST_RISE_S = 0.15


@dataclass(frozen=True, slots=True)
class Level:
    """A torque that bounds the locking torque, at the input torque where it was seen."""

    torque_nm: float
    input_torque_nm: float
    laps: int
    """How many laps show it at least this clearly."""


def held_torque(
    torque: ShaftTorque,
    chosen: BoolArray,
    lap: IndexArray,
    doubt: TorqueDoubt | SplitDoubt,
    rate_hz: float,
    *,
    without_ramps: bool = False,
) -> Level | None:
    """The largest torque difference that the packs held for sure; None when none is clear of zero.

    Parameters
    ----------
    torque : ShaftTorque
    chosen : array of bool, shape (n,)
        Samples to look at.
    lap : array of int, shape (n,)
        Which lap each sample belongs to; -1 outside.
    doubt : TorqueDoubt or SplitDoubt
    rate_hz : float
    without_ramps : bool
        Whether to take off all that ramps could have added, so that the rest is the springs'.

    Notes
    -----
    Friction carries what it carries: ``|dT| <= T_lock`` sticking, ``|dT| = T_lock`` sliding. So the
    largest difference seen, less noise and the sensors' tolerances, is a lower bound of the locking
    torque at that input torque. Ramps that lock less than the whole input torque add at most
    ``|T_in|``. Static friction holds more than running friction.
    """
    window = odd_samples(_HELD_S, rate_hz)
    slow = smoothed(torque, window)
    kept = erode(chosen & (lap >= 0), window // 2) & np.isfinite(slow.difference_nm)
    if not kept.any():
        return None
    sigma = averaged_noise(torque.difference_nm, window, kept)
    difference, total = slow.difference_nm[kept], slow.input_nm[kept]
    lever = np.stack((np.ones_like(total), total), axis=-1)
    sensors = np.einsum("ni,ij,nj->n", lever, doubt.difference, lever)
    tolerance = np.sqrt(np.maximum(sensors, 0.0) + (doubt.gain * difference) ** 2)
    sure = np.abs(difference) - tolerance - _SIGMAS * sigma
    if without_ramps:
        sure -= np.abs(total)
    return _ranked(sure, total, lap[kept])


def averaged_noise(values: FloatArray, window: int, chosen: BoolArray) -> float:
    """Standard deviation of the noise that averaging over an odd window leaves, robustly.

    >>> noise = np.random.default_rng(1).standard_normal(10_000)
    >>> round(averaged_noise(noise, 25, noise < 99), 2)
    0.2
    """
    return float(sample_noise(values, window, chosen) / np.sqrt(window))


def sample_noise(values: FloatArray, window: int, chosen: BoolArray) -> float:
    """Standard deviation of one sample's noise about the average over an odd window, robustly."""
    rest = (values - moving_mean(values, window))[chosen]
    rest = rest[np.isfinite(rest)]
    if window < 2 or not len(rest):
        return 0.0
    # The average holds a share of each sample's own noise.
    return float(1.4826 * np.median(np.abs(rest)) / np.sqrt(1 - 1 / window))


def _ranked(sure: FloatArray, input_nm: FloatArray, lap: IndexArray) -> Level | None:
    """The best sample of the third best lap, or of the worst where there are fewer."""
    order = np.lexsort((-sure, lap))
    best = order[np.unique(lap[order], return_index=True)[1]]
    best = best[np.argsort(-sure[best])]
    rank = min(_RANK, len(best))
    at = best[rank - 1]
    if sure[at] <= 0:
        return None
    return Level(float(sure[at]), float(input_nm[at]), rank)


def run_away_ceiling(
    input_torque_nm: FloatArray,
    usable: BoolArray,
    running_away: BoolArray,
    difference_radps: FloatArray,
    lap: IndexArray,
    rate_hz: float,
) -> Level | None:
    """The least input torque at which the inside wheel ran away under drive; None without one.

    Notes
    -----
    Derived here. A wheel that slips forward and still gains speed takes torque from its shaft, so
    the faster side's ``T_fast = (T_in - T_lock)/2`` is above zero and the locking torque below the
    input torque. Each event counts from its start to where the speed difference peaks.
    """
    means: list[tuple[float, int]] = []
    for first, stop in runs(running_away & (lap >= 0)):
        swing = np.abs(difference_radps[first:stop])
        if not np.isfinite(swing).any():
            continue
        rise = slice(first, first + int(np.nanargmax(swing)) + 1)
        if rise.stop - rise.start < _SHORTEST_RISE_S * rate_hz or not usable[rise].all():
            continue
        means.append((float(np.mean(input_torque_nm[rise])), int(lap[first])))
    if not means:
        return None
    torque = np.array([each[0] for each in means])
    least = _ranked(torque.max() + 1 - torque, torque, np.array([each[1] for each in means]))
    assert least is not None
    return Level(least.input_torque_nm, least.input_torque_nm, least.laps)


@dataclass(frozen=True, slots=True)
class Flattening:
    """What noise in the input torque did to a law's terms."""

    shifts: Mapping[str, float]
    """How far each term may have moved, in its own unit."""
    share: float
    """Largest share of any combination of terms that is lost to noise."""


def flattening(samples: SlidingSamples, law: LockLaw, noise_nm: float) -> Flattening:
    """How far noise in the input torque may have moved each term of the law, and how badly.

    Parameters
    ----------
    samples : SlidingSamples
        What the law was fitted to.
    law : LockLaw
    noise_nm : float
        Standard deviation of the input torque's noise at those samples. [N m]

    Notes
    -----
    Noise in a regressor flattens its slope and gives what it takes to the intercept: with the
    observed moments ``M = X'X/n`` and the noise's own ``S``, ``b_seen = (I - M^-1 S) b``. Input
    torque that varies no more than its noise gives a slope of nothing, and with every sign of
    confidence a breakaway torque that is all of the locking torque.
    Source: Fuller, Measurement Error Models, 1987, sec. 2.2; from memory.
    """
    torque, side = samples.input_torque_nm, samples.faster_side
    design = law.slopes(torque, side)
    # What a unit of noise in the input torque does to each column.
    by_noise = 0.5 * (law.slopes(torque + 1.0, side) - law.slopes(torque - 1.0, side))
    moments = design.T @ design / len(torque)
    noise = noise_nm**2 * (by_noise.T @ by_noise) / len(torque)
    taken = np.linalg.lstsq(moments, noise, rcond=None)[0]
    share = float(np.max(np.abs(np.linalg.eigvals(taken))))
    seen = law.fit.coefficients
    shift = np.linalg.lstsq(np.eye(len(seen)) - taken, seen, rcond=None)[0] - seen
    shifts = {term: abs(float(shift[at])) for at, term in enumerate(law.terms)}
    return Flattening(shifts, share)


@dataclass(frozen=True, slots=True)
class Typical:
    """The locking torque in the middle of the input torques at which the pack slides."""

    input_torque_nm: float
    torque_nm: float
    half_width_nm: float
    clusters: int


def typical_locking(samples: SlidingSamples) -> Typical | None:
    """Locking torque at the middle input torque of some sliding samples, without any law.

    Needs three laps; the interval is Student's over their medians.
    """
    labels, count = np.unique(samples.lap, return_counts=True)
    if len(labels) < _RANK:
        return None
    by_lap = samples.locking_torque_nm[np.argsort(samples.lap, kind="stable")]
    per_lap = [float(np.median(each)) for each in np.split(by_lap, np.cumsum(count)[:-1])]
    value, half = mean_interval(np.array(per_lap))
    return Typical(float(np.median(samples.input_torque_nm)), value, half, len(labels))
