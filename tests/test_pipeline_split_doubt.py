"""What an inferred split leaves open of the energies, with a law, with half of one, with none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.lock import BREAKAWAY, DRIVE, LockLaw
from pipeline.regression import ClusterFit
from pipeline.split_doubt import LAW, READING, SplitDoubt

SLIDING_RADPS = 0.4
ONE_SECOND = 1.0


def doubt(missing: dict[str, str] | None = None) -> SplitDoubt:
    replicates = np.array([[90.0, 0.40], [92.0, 0.41], [88.0, 0.39], [90.0, 0.40]])
    fit = ClusterFit(replicates.mean(axis=0), replicates, 1.0, 1000)
    law = LockLaw(fit, (BREAKAWAY, DRIVE), missing or {})
    return SplitDoubt(law, SLIDING_RADPS, 0.0, np.zeros((2, 2)), 0.0)


def halves(of: SplitDoubt, speed_radps: float, torque_nm: float) -> dict[str, float]:
    """Half widths of the energy of a second of sliding, by input."""
    levers = of.levers(np.array([speed_radps]), np.array([torque_nm]))
    sums = [ONE_SECOND * float(each.sum()) for each in levers]
    found = of.energy_half_widths(np.array(1000.0), *(np.array(each) for each in sums))
    return {name: float(half) for name, half in found.items()}


def test_where_a_law_holds_its_own_doubt_is_all() -> None:
    found = halves(doubt(), 3.0, 400.0)
    assert found[LAW] > 0
    assert found[READING] == 0


@pytest.mark.parametrize(("torque_nm", "told"), [(-300.0, False), (300.0, True)])
def test_sliding_on_a_side_without_a_law_is_known_to_a_quarter_of_the_input_torque(
    torque_nm: float, *, told: bool
) -> None:
    found = halves(doubt({"overrun": "not visited"}), 3.0, torque_nm)
    # E = 1/2 T_lock |dw|; derived in the module.
    assert found[READING] == pytest.approx(0.0 if told else 0.5 * 3.0 * 0.25 * 300.0)
    assert (found[LAW] > 0) == told


def test_without_any_law_all_sliding_is_read_off_the_tyres() -> None:
    none = replace(doubt(), law=None)
    assert halves(none, 3.0, 300.0)[READING] == halves(none, 3.0, -300.0)[READING] > 0
    assert halves(none, 0.5 * SLIDING_RADPS, 300.0)[READING] == 0
