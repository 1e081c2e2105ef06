"""Which of a few named things the differential is, with the odds of each."""

from __future__ import annotations

from pipeline.estimate import Choice, Grade, Missing
from pipeline.learn import Learnt
from pipeline.lock import DRIVE, OVERRUN, LockLaw, interval_of, overrun_to_drive
from pipeline.preload import SURE
from pipeline.regression import student_t, student_t_share

ONE_WAY, BETWEEN, TWO_WAY = "one-way", "1.5-way", "two-way"
# A ratio of overrun to drive lock up to here is one-way, from here two-way. Common practice, no
# source; the figures are chosen by us.
ONE_WAY_TO = 0.15
TWO_WAY_FROM = 0.85


def ways_between(low: float, high: float) -> tuple[str, ...]:
    """What the unit may work as when overrun lock over drive lock lies in a range.

    >>> ways_between(0.4, 0.6), ways_between(0.1, 0.3)
    (('1.5-way',), ('one-way', '1.5-way'))
    """
    ends = ((ONE_WAY, -1.0, ONE_WAY_TO), (BETWEEN, ONE_WAY_TO, TWO_WAY_FROM),
            (TWO_WAY, TWO_WAY_FROM, float("inf")))  # fmt: skip
    return tuple(way for way, start, end in ends if low < end and high >= start)


def session_choices(learnt: Learnt, grade: Grade) -> dict[str, Choice | Missing]:
    """Every choice of the session by its name."""
    if learnt.law is None:
        unknown = Missing(learnt.why_no_law)
        return {"preload_law": unknown, "way": unknown}
    return {
        "preload_law": learnt.preload or Missing("taken as adding; nothing here tells otherwise"),
        "way": way(learnt.law, learnt.clusters.name, grade),
    }


def why_no_ratio(law: LockLaw) -> str:
    """Why the two lock ratios cannot be set against each other; empty when they can."""
    for term in (DRIVE, OVERRUN):
        if law.index(term) is None:
            return law.missing[term]
    if law.value(DRIVE) <= interval_of(law, DRIVE):
        return "the lock on drive is not clearly above zero, so no ratio to it can be told"
    return ""


def way(law: LockLaw, units: str, grade: Grade) -> Choice | Missing:
    """Whether the unit works as one-way, 1.5-way or two-way.

    Notes
    -----
    The odds are the shares of Student's t, with the jackknife's spread of the ratio of the two lock
    ratios, that lie below, between and above the limits.
    """
    if why := why_no_ratio(law):
        return Missing(why)
    ratio, half = overrun_to_drive(law)
    freedom = law.fit.clusters - 1
    error = max(half / student_t(freedom), 1e-9)
    below, upto = (
        student_t_share((limit - ratio) / error, freedom) for limit in (ONE_WAY_TO, TWO_WAY_FROM)
    )
    odds = {ONE_WAY: below, BETWEEN: upto - below, TWO_WAY: 1 - upto}
    likeliest = max(odds, key=lambda option: odds[option])
    clear = odds[likeliest] >= SURE
    return Choice(
        odds=odds,
        chosen=likeliest if clear else "",
        n=law.fit.clusters,
        grade=grade,
        method=(
            f"ratio of the two lock ratios against {ONE_WAY_TO:g} and {TWO_WAY_FROM:g}; "
            f"{units} left out one by one"
        ),
        reason="" if clear else "the interval of the ratio reaches over the limit between two",
    )
