"""A day of two setups: what is said of each measure, and the runs that would settle it."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import Sidegear
from seasons import Scatter, published_sessions

from pipeline.comparison import CannotCompareError
from pipeline.published_setups import SCHEMA
from pipeline.setups import Row, SetupDay, Verdict, compare, propose

DAY = date(2026, 6, 13)
CALM = Scatter(between_sessions=0.004, own=(0.003, 0.006))


def runs_of_a_day(order: str, seed: int, softer: float = 1.0) -> list[dict[str, Any]]:
    """A day's published results; setup B has so much of A's lock on drive."""
    rng = np.random.default_rng(seed)
    runs = []
    for i, letter in enumerate(order):
        factor = softer if letter == "B" else 1.0
        (run,) = published_sessions(
            1, rng, lambda _, lock=factor: {"lock_drive": lock}, CALM, build=letter, first=i
        )
        run["session"]["date"] = f"{DAY.isoformat()} {10 + i}:15"
        runs.append(run)
    return runs


def row(day: SetupDay, name: str) -> Row:
    return next(row for row in day.rows if row.name == name)


def test_the_plan_of_the_day_is_recognised() -> None:
    assert compare(runs_of_a_day("ABBA", 1), "A", "B").order == "ABBA"


def test_a_softer_ramp_shows_in_the_lock_on_drive() -> None:
    found = row(compare(runs_of_a_day("ABBA", 2, softer=0.7), "A", "B"), "lock_drive")
    assert found.verdict is Verdict.DIFFERS
    assert found.difference is not None
    assert abs(found.difference.value + 0.3 * 0.38) < found.difference.half_width()


def test_what_was_not_changed_is_called_no_practical_difference() -> None:
    day = compare(runs_of_a_day("ABBABAAB", 3, softer=0.7), "A", "B")
    assert row(day, "lock_overrun").verdict is Verdict.NOTHING


def test_an_open_question_says_which_runs_would_settle_it() -> None:
    day = compare(runs_of_a_day("ABBA", 4), "A", "B", margins={"breakaway_torque_nm": 0.5})
    found = row(day, "breakaway_torque_nm")
    assert found.verdict is Verdict.OPEN
    assert "would" in found.reason


def test_a_then_b_cannot_be_told_and_says_why() -> None:
    found = row(compare(runs_of_a_day("AABB", 5, softer=0.7), "A", "B"), "lock_drive")
    assert found.verdict is Verdict.CANNOT_TELL
    assert "cannot be told from the setup" in found.reason


def test_corners_that_do_not_differ_are_not_claimed() -> None:
    day = compare(runs_of_a_day("ABBABAAB", 6), "A", "B")
    assert len(day.corner_rows) == 7 * 5
    assert [row for row in day.corner_rows if row.verdict is Verdict.DIFFERS] == []


def test_days_before_sharpen_the_comparison() -> None:
    before = runs_of_a_day("AAAAAA", 7)
    for run in before:
        run["session"]["date"] = run["session"]["date"].replace("2026-06", "2026-05")
    today = runs_of_a_day("ABBA", 8)
    alone = row(compare(today, "A", "B"), "lock_drive").difference
    helped = row(compare([*before, *today], "A", "B"), "lock_drive").difference
    assert alone is not None
    assert helped is not None
    assert helped.degrees_of_freedom == alone.degrees_of_freedom + 4


def test_setups_that_never_met_are_not_compared() -> None:
    with pytest.raises(CannotCompareError, match="never run on one day"):
        compare(runs_of_a_day("AAAA", 9), "A", "C")


def test_without_time_of_day_the_order_of_names_is_said() -> None:
    runs = runs_of_a_day("ABBA", 10)
    for run in runs:
        run["session"]["date"] = DAY.isoformat()
    assert not compare(runs, "A", "B").hours_known


def test_a_plan_rests_on_this_cars_own_scatter() -> None:
    proposal = propose(runs_of_a_day("AAAAAA", 11), "lock_drive", 0.03, 8, 0.9)
    assert proposal.plan is not None
    assert proposal.plan.order.startswith("ABBA")
    assert proposal.scatter.degrees_of_freedom == 4


@pytest.fixture
def logbook(tmp_path: Path) -> Path:
    (tmp_path / "results").mkdir()
    for run in runs_of_a_day("ABBA", 12, softer=0.7):
        path = tmp_path / "results" / f"{run['session']['id']}.json"
        path.write_text(json.dumps(run), encoding="utf-8")
    return tmp_path


def test_compare_prints_the_difference_with_its_interval(sidegear: Sidegear, logbook: Path) -> None:
    said = sidegear("compare", "A", "B", "--logbook", logbook)
    assert said.code == 0
    assert "4 runs as ABBA" in said.out
    assert "lock on drive" in said.out


def test_compare_as_json_is_one_versioned_object(sidegear: Sidegear, logbook: Path) -> None:
    found = json.loads(sidegear("compare", "A", "B", "--logbook", logbook, "--json").out)
    assert found["schema"] == SCHEMA
    assert found["measures"][1]["verdict"] == "differs"


@pytest.mark.parametrize("margin", ["lock_drive=much", "lock_drive=-1", "grip=0.1"])
def test_a_margin_that_is_none_is_refused(sidegear: Sidegear, logbook: Path, margin: str) -> None:
    said = sidegear("compare", "A", "B", "--logbook", logbook, "--margin", margin)
    assert said.code == 2
    assert f"--margin {margin}" in said.err


def test_plan_proposes_runs(sidegear: Sidegear, logbook: Path) -> None:
    said = sidegear("plan", "lock_drive", "0.05", "--logbook", logbook)
    assert said.code == 0
    assert said.out.startswith("Run A B B A")
