"""Torques that come later than the wheel speeds: found, taken out, and said."""

from __future__ import annotations

from functools import cache

import circuit_car
import numpy as np
import pytest
from simulated import Run, run

from pipeline.estimate import Estimate
from pipeline.runs import earlier

SEED = 4001


@cache
def six_laps(delay_s: float) -> Run:
    sensors = circuit_car.Sensors(torque_delay_s=delay_s)
    return run(SEED, circuit=circuit_car.short_circuit(), laps=6, sensors=sensors)


def number(seen: Run, name: str) -> Estimate:
    found = seen.result.estimates[name]
    assert isinstance(found, Estimate), found
    return found


@pytest.mark.parametrize("delay_s", [-0.04, 0.04])
def test_a_delay_of_40_ms_is_estimated_and_taken_out_of_the_law(delay_s: float) -> None:
    late = six_laps(delay_s)
    found = number(late, "torque_delay_s")
    assert found.low <= delay_s <= found.high
    breakaway = number(late, "breakaway_torque_nm")
    assert breakaway.value == pytest.approx(late.truth.breakaway_torque_nm, abs=3.0)


def test_a_delay_of_40_ms_no_longer_spoils_the_energy_of_any_lap() -> None:
    late = six_laps(0.04)
    true = {lap.number: lap.energy_j for lap in late.truth.laps}
    for lap in late.result.laps:
        if lap.valid:
            assert isinstance(lap.energy_j, Estimate)
            assert lap.energy_j.value == pytest.approx(true[lap.number], rel=0.03)


def test_a_delay_that_was_taken_out_is_said_with_what_to_state() -> None:
    said = [f for f in six_laps(0.04).result.findings if "torque_delay_s" in f.rests_on]
    assert len(said) == 1
    assert "later than the wheel speeds" in said[0].sentence
    assert "State delay_s = 0.0" in said[0].consequence


def test_torques_in_step_stay_as_they_are_and_nothing_is_said() -> None:
    seen = six_laps(0.0)
    assert "left in" in number(seen, "torque_delay_s").method
    assert not any("torque_delay_s" in finding.rests_on for finding in seen.result.findings)


@pytest.mark.parametrize("rows", [0.0, 3.0, -2.0, 3.7, -1.25])
def test_putting_a_straight_line_earlier_moves_it_by_that_many_rows(rows: float) -> None:
    line = 5.0 + 2.0 * np.arange(40.0)
    moved = earlier(line, rows)
    known = np.isfinite(moved)
    assert known.sum() >= 40 - np.ceil(abs(rows))
    assert moved[known] == pytest.approx(line[known] + 2.0 * rows)


def test_a_hole_stays_a_hole_when_it_moves() -> None:
    values = np.arange(10.0)
    values[4] = np.nan
    assert np.flatnonzero(np.isnan(earlier(values, 2.0))).tolist() == [2, 8, 9]


def test_a_delay_longer_than_the_log_leaves_nothing() -> None:
    assert np.isnan(earlier(np.arange(5.0), 9.0)).all()
