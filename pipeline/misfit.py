"""How far a law's constants depend on which sliding they are taken from, where friction moves."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.lock import (
    BREAKAWAY,
    DRIVE,
    GAIN,
    OFFSET,
    OVERRUN,
    LockLaw,
    SlidingSamples,
    where_described,
)
from pipeline.regression import ClusterFit, TooFewClustersError, fit_by_cluster

FloatArray = NDArray[np.float64]

NOT_CONSTANT = "friction that is not constant"
_FORCES = (BREAKAWAY, DRIVE, OVERRUN)
# Another session slides slower or faster, on rising torque or on falling, than this one, but not
# all of it: this share of the way from the middle to either half. Chosen on simulated packs.
_OTHER_MIX = 0.6
# Slowest sliding is not seen at all, and one side of the law may have more of it than the other:
# this share of what slow and fast sliding differ by on that side. Same source.
_UNSEEN_SHARE = 0.7
# Turns to the left and to the right are not made of the same kinds of sliding: this share of what
# the kinds differ by is taken for a zero of the sensors. Same source.
_LEFT_TO_RIGHT = 0.15
_MOST_SAMPLES = 20_000


def with_movement_doubt(law: LockLaw, samples: SlidingSamples) -> LockLaw:
    """The law with its terms' doubt grown by how much they differ between kinds of sliding.

    Parameters
    ----------
    law : LockLaw
        Fitted to ``samples``.
    samples : SlidingSamples

    Notes
    -----
    Derived here. Constants fitted to friction that moves are means over the sliding of these laps;
    leaving out laps, which all slide alike, does not show that others have other means. So the law
    is let differ between slow and fast sliding, and between torque rising and falling: of what is
    left of the samples a regression on the law's slopes and on the slopes times ±1 gives half of
    what each term differs by. Where no term differs beyond its own interval friction is one number,
    and nothing is added.
    """
    step = 1 + len(samples.lap) // _MOST_SAMPLES
    kept = where_described(samples.input_torque_nm, law.missing)[::step]
    torque, side = samples.input_torque_nm[::step][kept], samples.faster_side[::step][kept]
    slopes = law.slopes(torque, side)
    rest = samples.locking_torque_nm[::step][kept] - law.read_off(torque, side)
    lap = samples.lap[::step][kept]
    speed = np.abs(samples.speed_difference_radps[::step][kept])
    kinds = [(_faster_than_usual(speed, torque), _UNSEEN_SHARE)]
    if samples.torque_rate_nmps is not None:
        rising = samples.torque_rate_nmps[::step][kept] * torque > 0
        kinds.append((np.where(rising, 1.0, -1.0), 0.0))
    forces = tuple(term for term in _FORCES if term in law.terms)
    at = [law.terms.index(term) for term in forces]
    found: Counter[str] = Counter()
    for kind, unseen in kinds:
        try:
            fit = fit_by_cluster(np.hstack((slopes, slopes[:, at] * kind[:, None])), rest, lap)
        except TooFewClustersError:
            continue
        found.update(_moved(fit, law.terms, forces, slopes[:, at], torque, unseen))
    doubts = {term: dict(law.doubts.get(term, {})) for term in (*law.doubts, *found)}
    for term, squared in found.items():
        if squared > 0:
            doubts[term][NOT_CONSTANT] = math.sqrt(squared)
    return replace(law, doubts=doubts)


def _moved(
    fit: ClusterFit,
    terms: tuple[str, ...],
    forces: tuple[str, ...],
    slopes: FloatArray,
    torque: FloatArray,
    unseen: float,
) -> dict[str, float]:
    """Squared doubt of each term from one division of the sliding; empty where friction rests.

    The fit has a coefficient for each term and then one for each of ``forces``, whose slopes at
    each sample are ``slopes``, shape (m, p).
    """
    halves = fit.half_width(np.eye(len(fit.coefficients)))
    differ = fit.coefficients[len(terms) :]
    if not np.any(np.abs(differ) > halves[len(terms) :]):
        return {}
    found = {
        term: (_OTHER_MIX * float(each)) ** 2 for term, each in zip(forces, differ, strict=True)
    }
    for term, part in ((DRIVE, torque > 0), (OVERRUN, torque < 0)):
        if unseen and term in forces and part.any():
            steepness = _apart(fit, slopes[part]) / float(np.mean(torque[part] ** 2))
            found[term] += unseen**2 * steepness
    # The sensors do not know how the packs slide: what their terms shift by was never theirs.
    for term in (OFFSET, GAIN):
        if term in terms:
            found[term] = float(fit.coefficients[terms.index(term)] ** 2)
    if OFFSET in terms:
        found[OFFSET] += _LEFT_TO_RIGHT**2 * _apart(fit, slopes)
    return found


def _apart(fit: ClusterFit, slopes: FloatArray) -> float:
    """Mean square of half of what two kinds of sliding differ by, beyond chance. [N2 m2]

    ``slopes``, shape (m, p), belong to the last p coefficients of the fit.
    """
    rows = np.hstack((np.zeros((len(slopes), len(fit.coefficients) - slopes.shape[1])), slopes))
    by_chance = np.mean(fit.half_width(rows) ** 2)
    return max(0.0, float(np.mean((rows @ fit.coefficients) ** 2) - by_chance))


def _faster_than_usual(speed: FloatArray, torque: FloatArray) -> FloatArray:
    """+1 where the packs slide faster than in the middle on that side of the law, else -1."""
    kind = np.ones(len(speed))
    for part in (torque > 0, torque <= 0):
        if part.any():
            kind[part] = np.where(speed[part] > np.median(speed[part]), 1.0, -1.0)
    return kind
