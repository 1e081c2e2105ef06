"""How far a law's constants depend on which sliding they are taken from, where friction moves."""

from __future__ import annotations

import math
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
from pipeline.regression import TooFewClustersError, fit_by_cluster

FloatArray = NDArray[np.float64]

NOT_CONSTANT = "friction that is not constant"
_FORCES = (BREAKAWAY, DRIVE, OVERRUN)
# Another session slides slower or faster, on rising torque or on falling, than this one, but not
# all of it: this share of the way from the middle to either half. Chosen on simulated packs.
_OTHER_MIX = 0.6
# Turns to the left and to the right slide differently, more so than these halves. Same source.
_LEFT_TO_RIGHT = 1.5
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
    what each term differs by. What of that exceeds its own interval counts. Where friction is one
    number that is nothing.
    """
    step = 1 + len(samples.lap) // _MOST_SAMPLES
    kept = where_described(samples.input_torque_nm, law.missing)[::step]
    torque, side = samples.input_torque_nm[::step][kept], samples.faster_side[::step][kept]
    slopes = law.slopes(torque, side)
    rest = samples.locking_torque_nm[::step][kept] - law.read_off(torque, side)
    lap = samples.lap[::step][kept]
    kinds = [_faster_than_usual(np.abs(samples.speed_difference_radps[::step][kept]), torque)]
    if samples.torque_rate_nmps is not None:
        kinds.append(np.where(samples.torque_rate_nmps[::step][kept] * torque > 0, 1.0, -1.0))
    forces = [term for term in _FORCES if term in law.terms]
    sensors = [term for term in (OFFSET, GAIN) if term in law.terms]
    found: dict[str, float] = dict.fromkeys((*forces, *sensors), 0.0)
    at = [law.terms.index(term) for term in forces]
    for kind in kinds:
        try:
            fit = fit_by_cluster(np.hstack((slopes, slopes[:, at] * kind[:, None])), rest, lap)
        except TooFewClustersError:
            continue
        halves = fit.half_width(np.eye(len(fit.coefficients)))
        excess = np.maximum(fit.coefficients**2 - halves**2, 0.0)
        for place, term in enumerate(forces, len(law.terms)):
            found[term] += _OTHER_MIX**2 * float(excess[place])
        # The sensors do not know how the packs slide: what their terms shift by was never theirs.
        if excess[len(law.terms) :].any():
            for term in sensors:
                found[term] += _LEFT_TO_RIGHT**2 * float(
                    fit.coefficients[law.terms.index(term)] ** 2
                )
    doubts = {term: dict(law.doubts.get(term, {})) for term in (*law.doubts, *found)}
    for term, squared in found.items():
        if squared > 0:
            doubts[term][NOT_CONSTANT] = math.sqrt(squared)
    return replace(law, doubts=doubts)


def _faster_than_usual(speed: FloatArray, torque: FloatArray) -> FloatArray:
    """+1 where the packs slide faster than in the middle on that side of the law, else -1."""
    kind = np.ones(len(speed))
    for part in (torque > 0, torque <= 0):
        if part.any():
            kind[part] = np.where(speed[part] > np.median(speed[part]), 1.0, -1.0)
    return kind
