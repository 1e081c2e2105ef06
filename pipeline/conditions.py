"""What else differed from session to session, and whether a course can be freed of it.

Warm oil lowers friction, and another circuit works the pack otherwise. Both are fitted along with
the line where the sessions allow it. Where circuits came with the pack's age, the circuit becomes
the unit: then what circuits differ by counts as scatter. What can be neither stays, and nothing is
claimed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.drift import FEWEST_UNITS
from pipeline.regression import student_t

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

WARMTH_K = 10.0
"""Effects of the oil's warmth are told for so many kelvin."""
# Friction of oiled plates changes by some tenths of a percent per kelvin (common practice, no
# source): below this the warmth of the oil moves it by less than the sessions' own intervals.
_SAME_WARMTH_K = 2.0


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a course's units have beside them, and what follows in words."""

    columns: FloatArray
    """To be fitted along, each of mean zero, shape (n, k); the oil's warmth is the last of them."""
    warmth: bool
    """Whether the oil's warmth is among them."""
    circuit: IndexArray | None
    """Unit of each value where the circuits have to be the units, in order of the pack's mean age
    there; else None."""
    said: tuple[str, ...]
    """What was taken out and what was not, a clause each."""
    unresolved: str = ""
    """What came with the pack's age and cannot be told from wear; empty when nothing."""


def conditions(
    exposure_mj: FloatArray, oil_c: FloatArray, places: Sequence[str], called: str = "circuits"
) -> Conditions:
    """What can be taken out of a course.

    Parameters
    ----------
    exposure_mj : array, shape (n,)
    oil_c : array, shape (n,)
        Mean oil temperature of each session or test day; NaN where it is not known. [degC]
    places : sequence of str
        Circuit, and tyres where they are stated; empty where unknown.
    called : str
        What the places are called.
    """
    warmth, said_of_warmth = _warmth(oil_c)
    effect, circuit, said_of_places, unresolved = _places(exposure_mj, warmth, places, called)
    columns = np.column_stack((effect, warmth))
    if circuit is not None:
        columns = _mean_of(columns, circuit)
        columns -= columns.mean(axis=0)
        exposure_mj = _mean_of(exposure_mj[:, None], circuit)[:, 0]
    if warmth.shape[1] and not np.isfinite(_expected_half_width(exposure_mj, columns, 1.0)):
        columns = columns[:, :-1]
        said_of_warmth = "the sessions do not allow to take the oil's warmth out"
        unresolved = unresolved or "the oil's warmth"
    taken_out = columns.shape[1] > effect.shape[1]
    return Conditions(columns, taken_out, circuit, (said_of_warmth, said_of_places), unresolved)


def _mean_of(columns: FloatArray, unit: IndexArray) -> FloatArray:
    """Mean of each column over each unit, shape (units, k)."""
    members = (unit[:, None] == np.arange(np.max(unit) + 1)).astype(np.float64)
    return np.asarray(members.T @ columns / members.sum(axis=0)[:, None])


def _warmth(oil_c: FloatArray) -> tuple[FloatArray, str]:
    """Column of the oil's warmth, with or without one, and what is said of it."""
    none, known = np.empty((len(oil_c), 0)), np.isfinite(oil_c)
    if not known.any():
        return none, "the logs hold no oil temperature, so its part in the course is not known"
    if not known.all():
        count = np.count_nonzero(~known)
        return none, f"the oil's warmth is not taken out: {count} of {len(known)} do not tell it"
    if float(np.std(oil_c)) < _SAME_WARMTH_K:
        return none, f"the oil was alike warm, {np.mean(oil_c):.0f} °C"
    column = (oil_c - np.mean(oil_c))[:, None] / WARMTH_K
    return column, f"the oil's warmth is taken out, the line holds at {np.mean(oil_c):.0f} °C"


def _places(
    exposure: FloatArray, warmth: FloatArray, places: Sequence[str], called: str
) -> tuple[FloatArray, IndexArray | None, str, str]:
    """Columns of the places, or the circuits as units; what is said, and what stays unresolved."""
    names, place = np.unique(np.array(places, dtype=object), return_inverse=True)
    none = np.empty((len(place), 0))
    if len(names) < 2:
        said = f"all at {names[0]}" if len(names) and names[0] else "the circuit is not stated"
        return none, None, said, ""
    if "" in names:
        return none, None, "not every session states its circuit, so it is not taken out", ""
    if len(names) == len(place):
        return none, None, f"all at other {called}, which counts as scatter", ""
    dummies = (place[:, None] == np.arange(1, len(names))).astype(np.float64)
    dummies -= dummies.mean(axis=0)
    age = np.bincount(place, exposure) / np.bincount(place)
    circuit = np.argsort(np.argsort(age))[place].astype(np.intp)
    # By their order alone, values unseen: circuits are taken to differ as much as sessions do.
    taken_out = _expected_half_width(exposure, np.column_stack((dummies, warmth)), 1.0)
    means = _mean_of(np.column_stack((exposure, warmth)), circuit)
    scatter = 1.0 + float(np.mean(1 / np.bincount(circuit)))
    as_units = _expected_half_width(means[:, 0], means[:, 1:], scatter)
    count = f"{len(names)} {called}"
    if not np.isfinite(min(taken_out, as_units)):
        return none, None, f"{count}, too few sessions at each to take them out", f"the {called}"
    if taken_out <= as_units:
        return dummies, None, f"what {count} differ by is taken out", ""
    said = f"{count}, each at an age of the pack of its own: each counts as one"
    return none, circuit, said, ""


def _expected_half_width(exposure: FloatArray, beside: FloatArray, variance: float) -> float:
    """Half width of the slope's interval that an order of units promises; infinite when none."""
    freedom = len(exposure) - 2 - beside.shape[1]
    if freedom < FEWEST_UNITS - 2:
        return np.inf
    design = np.column_stack((np.ones(len(exposure)), beside))
    along = exposure - exposure.mean()
    alone = along - design @ np.linalg.lstsq(design, along)[0]
    squares = float(alone @ alone)
    whole = np.linalg.matrix_rank(design) == design.shape[1]
    if not whole or squares <= 1e-6 * float(along @ along):
        return np.inf
    return student_t(freedom) * float(np.sqrt(variance / squares))
