"""A day of two setups: what is said of each measure, and the runs that would settle it."""

from __future__ import annotations

import json
from collections import Counter
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


APART = Scatter(between_sessions=0.03, own=(0.003, 0.006))


def runs_of_a_day(
    order: str, seed: int, softer: float = 1.0, scatter: Scatter = CALM
) -> list[dict[str, Any]]:
    """A day's published results; setup B has so much of A's lock on drive."""
    rng = np.random.default_rng(seed)
    runs = []
    for i, letter in enumerate(order):
        factor = softer if letter == "B" else 1.0
        (run,) = published_sessions(
            1, rng, lambda _, lock=factor: {"lock_drive": lock}, scatter, build=letter, first=i
        )
        run["session"]["date"] = f"{DAY.isoformat()} {10 + i}:15"
        runs.append(run)
    return runs


def fading(runs: list[dict[str, Any]], loss: float) -> list[dict[str, Any]]:
    """The same day with so much of everything lost from the first run to the last."""
    for i, run in enumerate(runs):
        left = 1 - loss * i / (len(runs) - 1)
        for lap in run["laps"]:
            lap["lap_time_s"] /= left
        for corner in run["corners"]:
            by_lap = corner["energy_by_lap_j"]
            corner["energy_by_lap_j"] = {lap: left * energy for lap, energy in by_lap.items()}
        numbers = [*run["estimates"].values()]
        for corner in run["corners"]:
            numbers += [corner["exit_speed_mps"], *corner["yaw_moment_nm"].values()]
        for number in numbers:
            number |= {end: left * number[end] for end in ("value", "low", "high")}
    return runs


def claims_on_null_days(order: str, days: int, scatter: Scatter) -> tuple[dict[str, float], float]:
    """Share of days of two equal setups with a claim: by measure, and in any corner."""
    claimed: Counter[str] = Counter()
    in_corners = 0
    for seed in range(days):
        runs = fading(runs_of_a_day(order, seed, scatter=scatter), 0.02)
        day = compare(runs, "A", "B")
        claimed.update(
            each.name for each in day.rows if each.difference is not None
            if each.verdict is Verdict.DIFFERS
        )  # fmt: skip
        in_corners += any(each.verdict is Verdict.DIFFERS for each in day.corner_rows)
    return {name: count / days for name, count in claimed.items()}, in_corners / days


def test_few_null_days_are_claimed_to_differ() -> None:
    by_measure, in_corners = claims_on_null_days("ABBABAAB", 20, CALM)
    assert max(by_measure.values(), default=0.0) <= 0.15
    assert in_corners <= 0.15


@pytest.mark.slow
@pytest.mark.parametrize("order", ["ABBA", "ABBABAAB"])
@pytest.mark.parametrize("scatter", [CALM, APART])
def test_of_a_thousand_null_days_one_in_twenty_is_claimed_a_measure(
    order: str, scatter: Scatter
) -> None:
    by_measure, in_corners = claims_on_null_days(order, 1000, scatter)
    # 0.05 and two standard deviations of the count.
    assert max(by_measure.values(), default=0.0) <= 0.064
    assert in_corners <= 0.064


def exits_of(day: SetupDay, corner: int) -> Row:
    return next(
        each for each in day.corner_rows if (each.name, each.corner) == ("corner_exit_mps", corner)
    )


def test_exit_speed_is_compared_at_one_place_wherever_each_run_ends_the_corner() -> None:
    runs = runs_of_a_day("ABBABAAB", 13)
    before = exits_of(compare(runs, "A", "B"), 3)
    for i, run in enumerate(runs):
        corner = run["corners"][2]
        shift = 2.0 * (i % 3 - 1)
        corner["end_m"] += shift
        for end in ("value", "low", "high"):
            corner["exit_speed_mps"][end] += 0.2 * shift
    after = exits_of(compare(runs, "A", "B"), 3)
    assert before.difference is not None
    assert after.difference is not None
    assert after.difference.value == pytest.approx(before.difference.value, abs=1e-9)


def test_assumed_temperatures_tell_no_run_and_fitted_ones_do() -> None:
    runs = runs_of_a_day("ABBA", 14)
    for run in runs:
        ends = {"value": 90.0, "low": 80.0, "high": 100.0, "unit": "degC"}
        run["heat"] = {"oil_peak_c": ends, "plates_peak_c": {**ends, "grade": "measured"}}
    day = compare(runs, "A", "B")
    assert row(day, "oil_peak_c").a is None
    assert row(day, "plates_peak_c").a == 90.0


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
    apart = runs_of_a_day("AB", 9)
    apart[1]["session"]["date"] = "2026-06-20 10:15"
    with pytest.raises(CannotCompareError, match="never run on one day"):
        compare(apart, "A", "B")


@pytest.mark.parametrize(
    ("other", "said"),
    [("C", "no session is of build 'C'; the logbook's builds: 'A', 'B'"), ("A", "two different")],
)
def test_a_build_that_is_not_there_is_named_beside_those_that_are(other: str, said: str) -> None:
    with pytest.raises(CannotCompareError, match=said):
        compare(runs_of_a_day("ABBA", 9), "A", other)


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


def test_the_first_page_leads_to_a_comparison_once_it_is_made(
    sidegear: Sidegear, logbook: Path
) -> None:
    sidegear("trend", "--logbook", logbook)
    sidegear("compare", "A", "B", "--logbook", logbook)
    (page,) = logbook.glob("setups-*.html")
    assert f'href="{page.name}"' in (logbook / "index.html").read_text(encoding="utf-8")


def test_compare_as_json_is_one_versioned_object(sidegear: Sidegear, logbook: Path) -> None:
    found = json.loads(sidegear("compare", "A", "B", "--logbook", logbook, "--json").out)
    assert found["schema"] == SCHEMA
    assert found["measures"][1]["verdict"] == "differs"


@pytest.mark.parametrize("margin", ["lock_drive=much", "lock_drive=-1", "grip=0.1"])
def test_a_margin_that_is_none_is_refused(sidegear: Sidegear, logbook: Path, margin: str) -> None:
    said = sidegear("compare", "A", "B", "--logbook", logbook, "--margin", margin)
    assert said.code == 2
    assert f"--margin {margin}" in said.err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("lock_drve", "0.05"), "plan lock_drve: no measure is called 'lock_drve'"),
        (("lock_drive", "much"), "plan lock_drive much: found 'much'; expected a number above"),
    ],
)
def test_a_plan_of_something_else_is_refused(
    sidegear: Sidegear, logbook: Path, arguments: tuple[str, str], said: str
) -> None:
    refused = sidegear("plan", *arguments, "--logbook", logbook)
    assert refused.code == 2
    assert said in refused.err


def test_plan_proposes_runs(sidegear: Sidegear, logbook: Path) -> None:
    said = sidegear("plan", "lock_drive", "0.05", "--logbook", logbook)
    assert said.code == 0
    assert said.out.startswith("Run A B B A")
