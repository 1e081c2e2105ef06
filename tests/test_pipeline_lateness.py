"""Torques that come later than the wheel speeds: found, taken out, and said."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import circuit_car
import numpy as np
import pytest
from simulated import (
    ENGINE,
    FULLY_FITTED,
    RING_GEAR,
    SHAFTS,
    TORQUES,
    Run,
    run,
    session_of,
    sheet_of,
    simulate,
)

from pipeline.analyse import analyse
from pipeline.build_sheet import Circuit
from pipeline.estimate import Estimate, Grade
from pipeline.result import SessionResult
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


@cache
def without_half_shafts(delay_s: float, kept: tuple[str, ...]) -> SessionResult:
    """Six laps of which only the kept torque is logged, so much later than the wheel speeds."""
    sensors = replace(FULLY_FITTED, ring_gear_delay_s=delay_s, engine_torque_delay_s=delay_s)
    log = simulate(SEED, circuit=circuit_car.short_circuit(), laps=6, sensors=sensors)[1]
    gone = tuple(name for name in TORQUES if name not in kept)
    return analyse(session_of(log, without=gone), sheet_of(circuit_car.Car()), Circuit())


@pytest.mark.parametrize("kept", [RING_GEAR, ENGINE])
def test_an_input_torque_that_is_late_is_put_in_step(kept: tuple[str, ...]) -> None:
    late, prompt = (without_half_shafts(delay_s, kept) for delay_s in (0.04, 0.0))
    found = late.estimates["torque_delay_s"]
    assert isinstance(found, Estimate)
    assert found.grade is Grade.INFERRED
    assert found.low <= 0.04 <= found.high
    energies = [result.estimates["energy_per_lap_j"] for result in (late, prompt)]
    assert energies[0].value == pytest.approx(energies[1].value, rel=0.05)
    assert any("input torque is logged" in finding.sentence for finding in late.findings)


def test_front_wheels_with_their_engines_inertia_are_no_delay_of_its_torque() -> None:
    log = simulate(
        SEED, circuit_car.front_driven_car(), circuit_car.short_circuit(), laps=6,
        sensors=FULLY_FITTED,
    )[1]  # fmt: skip
    session = session_of(log, without=SHAFTS + RING_GEAR)
    result = analyse(session, sheet_of(circuit_car.front_driven_car()), Circuit())
    assert not any("torque_delay_s" in finding.rests_on for finding in result.findings)


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
