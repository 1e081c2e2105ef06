"""Where an interval comes from, input by input, and what the page makes of it."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import circuit_car
import numpy as np
import pytest
from simulated import session_of, sheet_of, simulate

from loaders.normalise import Session
from pipeline.analyse import analyse
from pipeline.budget import by_source, lines
from pipeline.build_sheet import Circuit
from pipeline.estimate import Estimate, Grade
from pipeline.input_torque import InputTorque, Tolerance
from pipeline.published import to_object
from pipeline.result import SessionResult
from reports.session_budget import budget_section, budget_table

MAIN = ("breakaway_torque_nm", "lock_drive", "lock_overrun", "energy_per_lap_j")
NO_TORQUE = ("shaft_torque_left_nm", "shaft_torque_right_nm", "engine_torque_nm")


@cache
def session() -> Session:
    return session_of(simulate(41, circuit=circuit_car.short_circuit(), laps=6)[1])


@cache
def seen(gain_tolerance: float = 0.014) -> SessionResult:
    sheet = sheet_of(circuit_car.Car())
    sensors = replace(sheet.sensors, shaft_torque_gain_tolerance=gain_tolerance)
    return analyse(session(), replace(sheet, sensors=sensors), Circuit())


@cache
def without_torque() -> SessionResult:
    kept = {k: v for k, v in session().channels.items() if k not in NO_TORQUE}
    return analyse(replace(session(), channels=kept), sheet_of(circuit_car.Car()), Circuit())


def share_of(result: SessionResult, name: str, source: str) -> float:
    return sum(line.share for line in result.budgets[name] if line.input == source)


def test_variances_of_independent_inputs_add() -> None:
    # JCGM 100:2008, 5.1.2: half widths of 3 and 4 make one of 5, to 36 and 64 %.
    budget = lines({"scales": 3.0, "tape": 4.0})
    assert [(line.input, line.share) for line in budget] == [("tape", 0.64), ("scales", 0.36)]


@pytest.mark.parametrize("name", MAIN)
def test_the_inputs_together_are_the_interval(name: str) -> None:
    found = seen().estimates[name]
    assert isinstance(found, Estimate)
    together = math.hypot(*(line.half_width for line in seen().budgets[name]))
    # Over laps the mean of the roots is not quite the root of the means.
    assert together == pytest.approx(found.half_width, rel=1e-3)


@pytest.mark.parametrize("name", MAIN)
def test_the_shares_of_an_interval_add_up_and_come_in_order(name: str) -> None:
    shares = [line.share for line in seen().budgets[name]]
    assert sum(shares) == pytest.approx(1.0)
    assert shares == sorted(shares, reverse=True)


def test_sensors_that_nobody_calibrated_are_named_as_what_to_measure_better() -> None:
    doubtful = seen(0.10)
    assert share_of(doubtful, "breakaway_torque_nm", "gain of both torques") > 0.9
    # A gain common to both sensors leaves the lock ratios alone.
    assert share_of(doubtful, "lock_drive", "gain of both torques") == 0.0
    lead = budget_section(doubtful).lead
    assert "Calibrate both torque sensors" in lead
    assert "narrow the interval from" in lead


def test_well_known_sensors_leave_the_laps_own_scatter() -> None:
    exact = seen(0.0)
    for name in ("lock_drive", "energy_per_lap_j"):
        assert exact.budgets[name][0].input == "scatter of the laps"


def test_without_torque_the_radii_and_the_track_are_in_the_budget() -> None:
    inputs = {line.input for line in without_torque().budgets["speed_difference_share_drive"]}
    assert inputs == {"scatter of the laps", "rolling radii", "track width"}
    assert "breakaway_torque_nm" not in without_torque().budgets


def test_doubts_of_an_inferred_input_torque_stand_under_their_own_names() -> None:
    tolerances = (
        Tolerance("gain of the engine torque", 0.03, 0.0),
        Tolerance("driveline efficiency", 0.04, 0.0),
        Tolerance("zero of the engine torque", 0.0, 12.0),
    )
    nothing = np.zeros(1)
    torque = InputTorque(nothing, nothing > 0, tolerances, None, Grade.INFERRED, "", ())
    named = by_source(
        {"gain of both torques": 5.0, "zero of both torques": 2.0, "other": 1.0},
        SimpleNamespace(grade=Grade.INFERRED, input=torque),  # type: ignore[arg-type]
    )
    # Gains of 3 and 4 % are parts of 5 %; together the parts are what they were.
    assert named == pytest.approx(
        {
            "gain of the engine torque": 3.0,
            "driveline efficiency": 4.0,
            "zero of the engine torque": 2.0,
            "other": 1.0,
        }
    )


def test_the_budget_is_published_line_by_line() -> None:
    published = to_object(seen())["budgets"]["breakaway_torque_nm"]
    assert [set(line) for line in published] == [{"input", "half_width", "share"}] * len(published)


def test_the_page_names_each_number_once_and_leaves_out_what_adds_next_to_nothing() -> None:
    table = budget_table(seen())
    named = [row.cells[0].text for row in table.rows if row.cells[0].text]
    assert "Breakaway torque" in named
    assert len(named) == len(set(named)) == len(seen().budgets)
    assert all(float(row.cells[2].text) >= 1 for row in table.rows)


def test_what_no_measurement_narrows_is_said_to_be_so() -> None:
    moving = {
        "lock_drive": lines({"friction that is not constant": 3.0, "scatter of the laps": 1.0})
    }
    lead = budget_section(replace(seen(), budgets=moving)).lead
    assert "90 % of the interval comes from the friction that is not constant" in lead
    assert "no measurement narrows" in lead
