"""Seasons: quiet when the pack is steady, early when it wears, and never across a rebuild."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pytest
import seasons
from seasons import FIRST_DAY, Scatter, Setting, published_sessions

from pipeline.courses import Course
from pipeline.estimate import Estimate, Missing
from pipeline.season import Condition, Season, season
from pipeline.service_record import Entry, ServiceEntry
from pipeline.signature import QUANTITIES

LIMITS = {"breakaway_torque_nm": 45.0}
ALARMS = (Condition.WATCH, Condition.SERVICE_DUE)


def worn(part: Mapping[str, float]) -> seasons.Wear:
    """Each named quantity loses this share by the end of the season, evenly."""
    return lambda share: {name: 1 - loss * share for name, loss in part.items()}


PRELOAD_LOSS = worn({"breakaway_torque_nm": 0.45})


def conditions(results: list[dict[str, object]]) -> list[Condition]:
    """What is said after each session of a season."""
    return [
        season(results[:n], limits=LIMITS).lives[-1].condition for n in range(1, len(results) + 1)
    ]


CLOSE, HOME = Scatter(0.02), Setting()


@dataclass(frozen=True)
class Steady:
    """A pack that does not change, and how its sessions differ all the same."""

    scatter: Scatter = CLOSE
    per_day: int = 1
    setting: Setting = HOME


WARMING = Setting(oil_c=lambda share: 75 + 30 * share, per_10_k=-0.03)
STEADY = {
    "alike": Steady(Scatter()),
    "wide apart": Steady(Scatter(0.08)),
    "days of three sessions": Steady(Scatter(0.02, between_days=0.04), per_day=3),
    "cool and warm days": Steady(
        Scatter(), setting=Setting(oil_c=lambda _: 90, oil_scatter_k=10, per_10_k=-0.03)
    ),
    "ever warmer": Steady(Scatter(), setting=WARMING),
    "circuits in turns": Steady(setting=Setting(circuits="AB", between_circuits=0.05)),
    "one circuit, then another": Steady(
        setting=Setting(circuits="A" * 12 + "B" * 12, between_circuits=0.05)
    ),
    "events of three": Steady(
        setting=Setting(circuits="AAABBBCCCDDDEEEFFFGGGHHH", between_circuits=0.05)
    ),
    "circuits that come back": Steady(
        setting=Setting(circuits="AAABABBBCCDCDDDEEFEFFFGG", between_circuits=0.05)
    ),
    "circuits in turns, ever warmer": Steady(
        setting=replace(WARMING, circuits="ABC", between_circuits=0.05)
    ),
}


def share_of_false_alarms(count: int, seed: int, steady: Steady) -> float:
    rng = np.random.default_rng(seed)
    alarms = 0
    for _ in range(count):
        results = published_sessions(
            24, rng, scatter=steady.scatter, per_day=steady.per_day, setting=steady.setting
        )
        alarms += any(each in ALARMS for each in conditions(results))
    return alarms / count


@pytest.mark.parametrize("kind", STEADY)
def test_a_steady_season_raises_no_alarm_after_any_session(kind: str) -> None:
    assert share_of_false_alarms(3, 2, STEADY[kind]) == 0


@pytest.mark.slow
@pytest.mark.parametrize("kind", STEADY)
def test_of_a_thousand_steady_seasons_one_in_a_hundred_raises_an_alarm(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Of the courses only these can raise an alarm; the others take their time.
    monkeypatch.setattr("pipeline.season.TRACKED", QUANTITIES)
    assert share_of_false_alarms(1000, 3, STEADY[kind]) <= 0.01


def breakaway(results: Sequence[Mapping[str, object]]) -> Course:
    return season(results).lives[-1].courses["breakaway_torque_nm"]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        (Setting(), ("the logs hold no oil temperature", "all at Hollin Fell")),
        (Setting(circuits="AB"), ("no oil temperature", "what 2 circuits differ by is taken out")),
        (Setting(circuits="ABCDEFGHIJKL"), ("no oil", "all at other circuits, which counts as")),
        (Setting(circuits="AAABBBCCCDDD"), ("no oil", "4 circuits, each at an age of the pack of")),
        (WARMING, ("the oil's warmth is taken out, the line holds at", "all at Hollin Fell")),
        (Setting(oil_c=lambda _: 90, oil_scatter_k=0.5), ("the oil was alike warm, 90 °C", "all")),
    ],
)
def test_what_else_differed_is_said(setting: Setting, said: tuple[str, str]) -> None:
    course = breakaway(published_sessions(12, np.random.default_rng(14), setting=setting))
    assert all(part in clause for part, clause in zip(said, course.beside, strict=True))


def test_what_warm_oil_does_is_told_with_an_interval_that_holds_it() -> None:
    rng = np.random.default_rng(15)
    setting = Setting(oil_c=lambda _: 90, oil_scatter_k=10, per_10_k=-0.03)
    held = 0
    for _ in range(60):
        warmth = breakaway(published_sessions(16, rng, setting=setting)).warmth
        assert warmth is not None
        held += warmth.low <= -0.03 * 90 <= warmth.high
    assert held / 60 >= 0.9


def test_wear_is_called_although_warmth_and_circuits_changed_with_it() -> None:
    rng = np.random.default_rng(16)
    setting = replace(WARMING, circuits="ABC", between_circuits=0.05)
    wearing = published_sessions(24, rng, PRELOAD_LOSS, Scatter(0.02), setting=setting)
    life = season(wearing).lives[-1]
    assert life.condition in ALARMS
    assert life.odds is not None
    assert max(life.odds, key=life.odds.__getitem__) == "preload loss"


def test_warmth_that_too_few_sessions_tell_from_wear_is_named() -> None:
    life = season(published_sessions(4, np.random.default_rng(17), setting=WARMING)).lives[-1]
    assert life.condition is Condition.CANNOT_TELL
    assert "too few sessions yet to tell wear from the oil's warmth" in life.reason


def test_tyres_that_the_log_states_count_with_the_circuit() -> None:
    results = published_sessions(12, np.random.default_rng(14))
    for i, result in enumerate(results):
        result["session"]["tyres"] = ("soft", "hard")[i % 2]
    assert "what 2 circuits and tyres differ by is taken out" in breakaway(results).beside


def glazed(share: float) -> Mapping[str, float]:
    """From two thirds of the season on every friction is less by a quarter."""
    return dict.fromkeys(seasons.TRUE, 0.75) if share > 0.66 else {}


def test_a_glazing_event_is_called_dated_and_told_as_loss_of_friction() -> None:
    rng = np.random.default_rng(18)
    oil = ServiceEntry(FIRST_DAY + timedelta(days=7 * 10 - 2), Entry.OIL_CHANGE)
    for _ in range(10):
        life = season(published_sessions(16, rng, glazed), [oil]).lives[-1]
        assert life.condition is Condition.WATCH
        assert "changed at once between 2026-05-09 and 2026-05-16 (oil change" in life.reason
        assert life.odds is not None
        assert max(life.odds, key=life.odds.__getitem__) == "friction loss"


def test_after_a_step_the_course_begins_anew() -> None:
    course = breakaway(published_sessions(16, np.random.default_rng(18), glazed))
    assert course.step is not None
    assert course.step.by.low <= -0.25 * 90 <= course.step.by.high
    assert isinstance(course.now, Estimate)
    assert course.now.n == 6
    assert course.now.low <= 0.75 * 90 <= course.now.high


def test_friction_and_temperatures_run_along_and_what_is_assumed_makes_no_course() -> None:
    results = published_sessions(6, np.random.default_rng(19))
    for i, result in enumerate(results):
        ends = {"unit": "1", "n": 6, "grade": "measured"}
        result["estimates"]["friction_by_drive_ramps"] = {
            "value": 0.09 + 0.001 * i, "low": 0.08, "high": 0.1, **ends
        }  # fmt: skip
        result["heat"] = {"oil_peak_c": {"value": 90.0, "low": 80.0, "high": 99.0, "unit": "degC"}}
    courses = season(results).lives[-1].courses
    assert isinstance(courses["friction_by_drive_ramps"].now, Estimate)
    assert courses["oil_peak_c"].now == Missing(
        "assumed from the build sheet's ranges; a logged oil temperature would show it"
    )


def detections(count: int, seed: int) -> list[int | None]:
    """After how many of 16 sessions a loss of 45 % of the breakaway torque is called."""
    rng = np.random.default_rng(seed)
    found: list[int | None] = []
    for _ in range(count):
        said = conditions(published_sessions(16, rng, PRELOAD_LOSS))
        found.append(next((n for n, each in enumerate(said, 1) if each in ALARMS), None))
    return found


def test_a_loss_of_45_percent_over_16_sessions_is_called_in_time() -> None:
    found = detections(12, 4)
    assert np.mean([each is not None for each in found]) >= 0.95
    # Regression: in the median after the 11th session, when 30 % of the torque is gone.
    assert 9 <= float(np.median([each for each in found if each is not None])) <= 12


@pytest.mark.parametrize(
    ("part", "expected"),
    [
        ({"breakaway_torque_nm": 0.25}, "preload loss"),
        ({"breakaway_torque_nm": 0.25, "lock_drive": 0.25, "lock_overrun": 0.25}, "friction loss"),
        ({"lock_drive": 0.25}, "drive ramps"),
        ({"lock_overrun": 0.25}, "overrun ramps"),
    ],
)
def test_what_wears_is_told_by_what_changes_together(part: dict[str, float], expected: str) -> None:
    rng = np.random.default_rng(5)
    right = 0
    for _ in range(30):
        odds = season(published_sessions(16, rng, worn(part))).lives[-1].odds
        assert odds is not None
        right += max(odds, key=odds.__getitem__) == expected
    assert right / 30 >= 0.9


def test_a_steady_pack_is_mostly_told_as_one() -> None:
    rng = np.random.default_rng(5)
    told = []
    for _ in range(60):
        odds = season(published_sessions(16, rng)).lives[-1].odds
        assert odds is not None
        told.append(max(odds, key=odds.__getitem__) == "steady")
    # Regression: 87 % of 200. Nothing is said of the odds while no drift is claimed.
    assert np.mean(told) >= 0.75


def test_intervals_of_slope_and_forecast_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(6)
    slope_held = forecast_held = 0
    for _ in range(400):
        life = season(published_sessions(16, rng, PRELOAD_LOSS), limits=LIMITS).lives[-1]
        course = life.courses["breakaway_torque_nm"]
        # The invented loss is even per session; its energy per MJ is that of this very season.
        exposure = np.array([point.exposure_mj for point in course.points])
        slope, level = np.polyfit(exposure, 90.0 * (1 - 0.45 * np.linspace(0, 1, 16)), 1)
        ahead = max((45.0 - level) / slope - life.exposure_mj, 0.0)
        change, forecast = course.change_per_mj, life.forecast
        assert isinstance(change, Estimate)
        assert forecast is not None
        slope_held += change.low <= slope <= change.high
        forecast_held += forecast.earliest_mj <= ahead <= forecast.latest_mj
    assert 0.92 <= slope_held / 400 <= 0.98
    assert 0.92 <= forecast_held / 400 <= 0.98


def rebuilt() -> Season:
    rng = np.random.default_rng(7)
    old = published_sessions(12, rng, PRELOAD_LOSS)
    new = published_sessions(6, rng, first=12)
    build = ServiceEntry(FIRST_DAY + timedelta(days=7 * 12), Entry.BUILD, note="A again")
    return season([*old, *new], [build], LIMITS)


def test_a_build_in_the_service_record_starts_a_new_life() -> None:
    assert [len(life.sessions) for life in rebuilt().lives] == [12, 6]


def test_the_new_life_knows_nothing_of_the_old_one() -> None:
    rng = np.random.default_rng(7)
    published_sessions(12, rng, PRELOAD_LOSS)
    alone = season(published_sessions(6, rng, first=12), limits=LIMITS).lives[-1]
    for name, course in rebuilt().lives[-1].courses.items():
        assert course.points == alone.courses[name].points
        assert course.now == alone.courses[name].now


def test_another_build_name_starts_a_new_life_without_any_record() -> None:
    rng = np.random.default_rng(8)
    both = [*published_sessions(5, rng), *published_sessions(5, rng, build="B", first=5)]
    assert [life.build for life in season(both).lives] == ["A", "B"]


def test_setups_that_take_turns_keep_one_life_each() -> None:
    rng = np.random.default_rng(8)
    turns = [published_sessions(1, rng, build=b, first=i)[0] for i, b in enumerate("ABBA")]
    assert [(life.build, len(life.sessions)) for life in season(turns).lives] == [
        ("A", 2),
        ("B", 2),
    ]


def test_an_entry_that_names_a_build_is_about_that_pack_alone() -> None:
    rng = np.random.default_rng(8)
    turns = [published_sessions(1, rng, build=b, first=i)[0] for i, b in enumerate("ABAB")]
    reshim = ServiceEntry(FIRST_DAY + timedelta(days=10), Entry.RESHIM, note="B")
    assert [len(life.sessions) for life in season(turns, [reshim]).lives] == [2, 1, 1]


def test_an_oil_change_starts_no_new_life() -> None:
    oil = ServiceEntry(FIRST_DAY + timedelta(days=20), Entry.OIL_CHANGE)
    lives = season(published_sessions(8, np.random.default_rng(9)), [oil]).lives
    assert [life.entries for life in lives] == [(oil,)]


def test_three_sessions_cannot_tell_and_say_why() -> None:
    life = season(published_sessions(3, np.random.default_rng(10))).lives[-1]
    assert life.condition is Condition.CANNOT_TELL
    assert life.reason == "a course needs 4 sessions, and there are 3"


def test_a_breakaway_torque_below_its_limit_asks_for_service() -> None:
    weak = published_sessions(6, np.random.default_rng(11), lambda _: {"breakaway_torque_nm": 0.3})
    assert season(weak, limits=LIMITS).lives[-1].condition is Condition.SERVICE_DUE


def test_a_session_without_date_is_set_aside_and_named() -> None:
    results = published_sessions(5, np.random.default_rng(12))
    results[2]["session"]["date"] = "04/12/2026"
    found = season(results)
    assert [each.id for each in found.undated] == ["run002-0000"]
    assert len(found.lives[-1].sessions) == 4


def test_a_date_in_the_service_record_places_a_session() -> None:
    results = published_sessions(5, np.random.default_rng(12))
    results[2]["session"]["date"] = ""
    stated = ServiceEntry(date(2026, 4, 1), Entry.SESSION_DATE, note="run002-0000")
    assert season(results, [stated]).undated == ()


def test_a_session_without_energy_takes_the_pace_of_the_others_and_is_counted_as_guessed() -> None:
    results = published_sessions(5, np.random.default_rng(13))
    for lap in results[2]["laps"]:
        lap["energy_j"] = {"missing": "no torque"}
    life = season(results).lives[-1]
    assert life.energy_guessed == 1
    known = [each for each in life.sessions if each.energy_j is not None]
    per_lap = sum(each.energy_j or 0.0 for each in known) / sum(each.laps for each in known)
    assert life.exposure_mj == pytest.approx(per_lap * life.laps / 1e6)
