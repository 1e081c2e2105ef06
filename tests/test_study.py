"""The study's own arithmetic: what it calls bias, coverage and wrong with confidence."""

from __future__ import annotations

import math

import pytest
from study.cases import CASES, FROM_ENGINE, KINEMATIC, LAW_UNSTATED, MEASURED, RING, WITHOUT
from study.evidence_table import one_run
from study.summary import PARAMETERS, Parameter, is_too_seldom, markdown, row_of, with_mean_of_many

PLAIN = Parameter("lock_drive", "lock")


def _estimate(truth: float | None, value: float, half: float) -> dict[str, object]:
    return {
        "kind": "estimate", "truth": truth, "value": value, "low": value - half,
        "high": value + half,
    }  # fmt: skip


def test_bias_spread_and_coverage_are_those_of_the_numbers_given() -> None:
    row = row_of(
        [
            _estimate(10.0, 11.0, 2.0),
            _estimate(10.0, 13.0, 2.0),
            {"kind": "missing", "truth": 10.0},
        ],
        PLAIN,
    )
    assert (row.bias, row.half_width, row.coverage) == (2.0, 2.0, 0.5)
    assert row.spread == pytest.approx(math.sqrt(2.0))
    assert (row.runs, row.estimates, row.bounds, row.missing) == (3, 2, 0, 1)


def test_an_error_of_more_than_the_whole_interval_is_confidently_wrong() -> None:
    assert row_of([_estimate(10.0, 13.9, 2.0)], PLAIN).wrong == 0
    assert row_of([_estimate(10.0, 14.1, 2.0)], PLAIN).wrong == 1


def test_any_number_for_a_lock_without_bound_is_wrong_and_at_least_is_right() -> None:
    bound = {"kind": "bound", "side": "at least", "truth": math.inf, "value": 300.0}
    row = row_of([_estimate(math.inf, 500.0, 400.0), bound], PLAIN)
    assert (row.wrong, row.bounds) == (1, 1)


def test_a_bound_on_the_wrong_side_of_the_truth_is_wrong() -> None:
    low = {"kind": "bound", "side": "at most", "truth": 90.0, "value": 80.0}
    high = {"kind": "bound", "side": "at most", "truth": 90.0, "value": 95.0}
    assert row_of([low, high], PLAIN).wrong == 1


def test_the_energy_per_lap_is_set_against_the_laps_of_all_runs() -> None:
    records = [
        {"case": "firm", "logs": {MEASURED: {"energy_per_lap_j": _estimate(truth, 5.0, 1.0)}}}
        for truth in (4.0, 8.0)
    ]
    found = with_mean_of_many(records)
    assert [r["logs"][MEASURED]["energy_per_lap_j"]["truth"] for r in found] == [6.0, 6.0]


def test_errors_in_percent_leave_out_a_truth_of_nothing() -> None:
    share = Parameter("energy_per_lap_j", "energy", relative=True)
    row = row_of([_estimate(0.0, 1.0, 2.0), _estimate(200.0, 210.0, 5.0)], share)
    assert row.bias == pytest.approx(5.0)
    assert row.coverage == 0.5


def test_three_of_five_intervals_may_be_chance_and_two_are_not() -> None:
    # P(X <= 3) of a binomial with n = 5, p = 0.95 is 0.0226, P(X <= 2) is 0.0012.
    assert [is_too_seldom(held, 5) for held in (4, 3, 2)] == [False, False, True]


def test_cases_have_names_of_their_own_and_known_logs() -> None:
    assert len({case.name for case in CASES}) == len(CASES) >= 20
    assert all(set(case.logs) <= set(WITHOUT) for case in CASES)


def test_each_inferred_log_of_a_case_has_its_turn() -> None:
    firm = CASES[0]
    turns = [set(firm.logs_of(run)) - {MEASURED, KINEMATIC} for run in range(4)]
    assert turns == [{RING, LAW_UNSTATED}, {FROM_ENGINE}, {RING}, {FROM_ENGINE}]


def test_one_run_of_a_case_gives_every_parameter_and_a_table() -> None:
    case = next(case for case in CASES if case.name == "three laps")
    record = one_run(case, 2)
    assert set(record["logs"]) == {MEASURED, RING}
    assert {p.name for p in PARAMETERS} <= set(record["logs"][MEASURED])
    text = markdown([case], [record], 1, 0)
    assert "| three laps | 90.1 |" in text
