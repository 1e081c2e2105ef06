"""Whether springs and ramps add up or the greater of them rules, and the law of the latter kind."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate import Choice, Grade
from pipeline.lock import (
    BREAKAWAY,
    DRIVE,
    GAIN,
    LEAST_SLIDING_S,
    OFFSET,
    ONE_SIDED,
    OVERRUN,
    ZERO,
    LockLaw,
    SlidingSamples,
    fit_lock_law,
    interval_of,
    linearised,
    not_visited,
    turns_both_ways,
    where_described,
    with_sensor_doubt,
)
from pipeline.plates import PreloadLaw
from pipeline.regression import (
    TooFewClustersError,
    huber_loss,
    settle,
    student_t_share,
    with_replicates,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A law is named when its odds are at least these. Common practice, no source.
SURE = 0.95
# However clear the laps are, another law than these two may hold.
_SUREST = 0.999
_FEWEST_CLUSTERS = 3
# However free of noise a log is, laws whose readings differ by less than this, or by less than a
# fifteenth of the noise, are one law to it. Chosen by us.
_FINEST_NM = 0.5
_LEAST_GAIN = 0.002
# So many half widths must a ramp's push exceed the springs': the knee is chosen to fit, so one
# would be passed too often by chance. Chosen on simulated logs.
_CLEAR = 1.5
# Knees to start from: shares of the input torques that each side visits, and beyond them all.
_STARTS = (0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.5)
_BINS = 60
_SIDES = (DRIVE, OVERRUN)


@dataclass(frozen=True, slots=True)
class JudgedLaw:
    """The law that numbers are taken from, and how it was chosen."""

    law: LockLaw
    choice: Choice


def judged_law(
    samples: SlidingSamples,
    gain_tolerance: float,
    zero_tolerance_nm: float,
    *,
    find_zero: bool,
    stated: PreloadLaw | None,
    grade: Grade,
    units: str,
) -> JudgedLaw:
    """The law of the packs, of the kind that is stated or, where none is, that the log shows.

    Parameters
    ----------
    samples, gain_tolerance, zero_tolerance_nm, find_zero
        See `pipeline.lock.fit_lock_law`.
    stated : PreloadLaw or None
        What the build sheet says.
    grade : Grade
    units : str
        What is held back one by one, in words: laps.

    Raises
    ------
    TooFewClustersError
        If the samples lie in fewer than three laps or one lap holds all of a term.

    Notes
    -----
    Where neither is stated nor clear, the adding law gives the numbers, and each interval is
    widened to hold what the other law makes of it.
    """
    adding = fit_lock_law(samples, gain_tolerance, zero_tolerance_nm, find_zero=find_zero)
    try:
        greater_of = fit_greater_of(samples, gain_tolerance, zero_tolerance_nm, find_zero=find_zero)
    except TooFewClustersError as problem:
        if stated is PreloadLaw.GREATER_OF:
            raise
        even = {str(law): 0.5 for law in PreloadLaw}
        chosen, reason = ("", str(problem)) if stated is None else (str(stated), "")
        return JudgedLaw(adding, Choice(even, chosen, adding.fit.clusters, grade, units, reason))
    chance, count = chance_of_greater(adding, greater_of, samples)
    odds = {PreloadLaw.ADDING: 1 - chance, PreloadLaw.GREATER_OF: chance}
    likelier = max(odds, key=lambda law: odds[law])
    law = stated or (likelier if odds[likelier] >= SURE else None)
    method = f"both laws on {units} held back one by one"
    choice = Choice(
        odds={str(law): share for law, share in odds.items()},
        chosen="" if law is None else str(law),
        n=count,
        grade=grade,
        method=f"{method}; stated by the build sheet" if stated else method,
        reason="" if law is not None else _why_undecided(greater_of),
    )
    if law is PreloadLaw.GREATER_OF:
        return JudgedLaw(greater_of, choice)
    if law is None:
        adding = replace(adding, undecided=_apart(adding, greater_of, samples))
    return JudgedLaw(adding, choice)


def _why_undecided(greater_of: LockLaw) -> str:
    reasons = [greater_of.missing[t] for t in (BREAKAWAY, *_SIDES) if t in greater_of.missing]
    both = "both laws fit it alike"
    return f"{both}: {'; '.join(reasons)}" if reasons else both


def _apart(adding: LockLaw, greater_of: LockLaw, samples: SlidingSamples) -> dict[str, float]:
    """How far the other law's values lie beyond the adding law's, by term."""
    apart = {}
    for term in (BREAKAWAY, *_SIDES):
        if adding.index(term) is None:
            continue
        mine = adding.value(term)
        if greater_of.index(term) is None:
            # Not shown by the other law, which then only says at most how much.
            apart[term] = max(0.0, _at_most(greater_of, term, samples) - mine)
        else:
            theirs, half = greater_of.value(term), interval_of(greater_of, term)
            apart[term] = max(0.0, abs(theirs - mine) + half - interval_of(adding, term))
    return apart


def _at_most(law: LockLaw, term: str, samples: SlidingSamples) -> float:
    """Bound on a term that the greater-of law does not show, in its own unit."""
    if term == BREAKAWAY:
        return _springs_at_most([law.value(t) for t in _SIDES if law.index(t) is not None], samples)
    return (law.value(BREAKAWAY) + interval_of(law, BREAKAWAY)) / _most(term, samples)


def _springs_at_most(ramps: list[float], samples: SlidingSamples) -> float:
    return float(np.percentile(min(ramps) * np.abs(samples.input_torque_nm), 2))


def fit_greater_of(
    samples: SlidingSamples,
    gain_tolerance: float,
    zero_tolerance_nm: float,
    *,
    find_zero: bool = False,
) -> LockLaw:
    """The greater-of law of the packs from samples at which they slide.

    Parameters and errors are those of `pipeline.lock.fit_lock_law`.

    Notes
    -----
    Huber regression of ``-dT sign(dw)`` on ``max(T_pre, k_drive T_in+, k_overrun T_in-)`` and the
    two terms for the sensors' differences, by Gauss-Newton steps from the best of a grid of knees.
    A ramp that never clearly pushes harder than the springs has no lock ratio in this log; springs
    that never push harder than the ramps have no breakaway torque in it.
    """
    missing = not_visited(samples)
    if not turns_both_ways(samples.faster_side):
        missing[OFFSET] = ONE_SIDED
    start = _start(samples, [term for term in _SIDES if term not in missing])
    law = _fit(samples, missing, start, find_zero=find_zero)
    while not isinstance(law, LockLaw):
        # One term after the other goes, until the log shows all that are left.
        missing = {**missing, **law}
        law = _fit(samples, missing, start, find_zero=find_zero)
    return with_sensor_doubt(law, gain_tolerance, 0.0 if ZERO in law.terms else zero_tolerance_nm)


def _fit(
    samples: SlidingSamples, missing: dict[str, str], start: dict[str, float], *, find_zero: bool
) -> LockLaw | dict[str, str]:
    """The law without the missing terms, or another term that the log does not show."""
    torque, side, response = (
        samples.input_torque_nm, samples.faster_side, samples.locking_torque_nm,
    )  # fmt: skip
    forces = tuple(term for term in (BREAKAWAY, *_SIDES) if term not in missing)
    zero = (ZERO,) if find_zero and set(forces) & set(_SIDES) else ()
    sensors = () if OFFSET in missing else (OFFSET, GAIN)
    terms = (*forces, *zero, *sensors)

    def reading(coefficients: FloatArray) -> tuple[FloatArray, FloatArray]:
        return linearised(PreloadLaw.GREATER_OF, terms, torque, side, coefficients)

    first = np.array([start.get(term, 0.0) for term in terms])
    coefficients, scale = settle(reading, response, first)
    values, slopes = reading(coefficients)
    unseen = _not_visited(terms, coefficients, slopes, samples)
    if unseen is not None:
        return unseen
    fit = with_replicates(coefficients, scale, slopes, response - values, samples.lap)
    law = LockLaw(fit, terms, missing, preload=PreloadLaw.GREATER_OF)
    return _not_clear(law, samples) or law


def _start(samples: SlidingSamples, sides: list[str]) -> dict[str, float]:
    """Coefficients of the best law on a grid of knees, fitted to means over bins of torque."""
    torque, locking = samples.input_torque_nm, samples.locking_torque_nm
    edges = np.linspace(torque.min(), torque.max() + 1e-9, _BINS + 1)
    place = np.searchsorted(edges, torque, side="right") - 1
    count = np.bincount(place, minlength=_BINS)
    filled = count > 0
    weight = np.sqrt(count[filled])
    x = np.bincount(place, torque, _BINS)[filled] / count[filled]
    y = np.bincount(place, locking, _BINS)[filled] / count[filled]
    reach = {DRIVE: max(float(torque.max()), 1.0), OVERRUN: max(-float(torque.min()), 1.0)}
    best: tuple[float, dict[str, float]] = (np.inf, {})
    for drive in _STARTS if DRIVE in sides else (1.5,):
        for overrun in _STARTS if OVERRUN in sides else (1.5,):
            knees = {DRIVE: drive * reach[DRIVE], OVERRUN: overrun * reach[OVERRUN]}
            shape = np.maximum(1.0, np.maximum(x / knees[DRIVE], -x / knees[OVERRUN]))
            springs = float(np.sum(weight**2 * shape * y) / np.sum(weight**2 * shape**2))
            loss = float(np.sum((weight * (y - springs * shape)) ** 2))
            if loss < best[0]:
                ramps = {term: springs / knee for term, knee in knees.items()}
                best = loss, {BREAKAWAY: springs, **ramps}
    return best[1]


def _not_visited(
    terms: tuple[str, ...], coefficients: FloatArray, slopes: FloatArray, samples: SlidingSamples
) -> dict[str, str] | None:
    """A term that too few samples depend on, with the reason; None when there is none."""
    if BREAKAWAY not in terms:
        return None
    for term in (OVERRUN, DRIVE):
        if term in terms and _too_few(samples, slopes[:, terms.index(term)] > 0):
            return _springs_rule(term, float(coefficients[terms.index(BREAKAWAY)]), samples)
    ramps = [float(coefficients[terms.index(term)]) for term in _SIDES if term in terms]
    if ramps and _too_few(samples, slopes[:, terms.index(BREAKAWAY)] > 0):
        return {BREAKAWAY: (
            "the ramps push harder than the springs wherever the pack slides in this log, so the "
            f"springs hold no more than {_springs_at_most(ramps, samples):.0f} N·m"
        )}  # fmt: skip
    return None


def _not_clear(law: LockLaw, samples: SlidingSamples) -> dict[str, str] | None:
    """A ramp that does not clearly push harder than the springs, with the reason."""
    if law.index(BREAKAWAY) is None:
        return None
    for term in (OVERRUN, DRIVE):
        if law.index(term) is None:
            continue
        row = law.gradient(**{term: _most(term, samples), BREAKAWAY: -1.0})
        if float(row @ law.fit.coefficients) < _CLEAR * float(law.fit.half_width(row)):
            return _springs_rule(term, law.value(BREAKAWAY), samples)
    return None


def _most(term: str, samples: SlidingSamples) -> float:
    """Nearly the largest input torque of a side. [N m]"""
    torque = samples.input_torque_nm
    return float(np.percentile(np.abs(torque[(torque > 0) == (term == DRIVE)]), 98))


def _springs_rule(term: str, springs_nm: float, samples: SlidingSamples) -> dict[str, str]:
    most = _most(term, samples)
    return {term: (
        f"under {term} the ramps never clearly push harder than the springs, up to {most:.0f} N·m "
        f"of input torque; they lock with no more than {100 * springs_nm / most:.0f} %"
    )}  # fmt: skip


def _too_few(samples: SlidingSamples, where: BoolArray) -> bool:
    return (
        samples.seconds(where) < LEAST_SLIDING_S
        or len(np.unique(samples.lap[where])) < _FEWEST_CLUSTERS
    )


def chance_of_greater(
    adding: LockLaw, greater_of: LockLaw, samples: SlidingSamples
) -> tuple[float, int]:
    """Chance that the greater-of law is the right one, and the count of laps behind it.

    Notes
    -----
    Each lap is predicted by both laws as learnt from the other laps. The mean over laps of the
    difference of the two losses, over its standard error, follows Student's t when the laws
    predict alike. In 3000 simulated logs of either law, from hopeless to clear, odds stated as
    89 % came true in 97 %, odds stated as 97 % in 99 %; never less often than stated by more than
    chance.
    """
    torque, side = samples.input_torque_nm, samples.faster_side
    kept = where_described(torque, adding.missing)
    labels = np.unique(samples.lap[kept])
    scale = max(min(adding.fit.scale, greater_of.fit.scale), _FINEST_NM)
    gains = []
    for i, lap in enumerate(labels):
        here = kept & (samples.lap == lap)
        seen = samples.locking_torque_nm[here]
        losses = [
            huber_loss(seen - law.read_off(torque[here], side[here], law.fit.replicates[i]), scale)
            for law in (adding, greater_of)
        ]
        gains.append(float(np.mean(losses[0] - losses[1])))
    count = len(gains)
    error = math.hypot(float(np.std(gains, ddof=1)) / math.sqrt(count), _LEAST_GAIN)
    share = student_t_share(float(np.mean(gains)) / error, count - 1)
    return min(max(share, 1 - _SUREST), _SUREST), count
