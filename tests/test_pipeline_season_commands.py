"""The season on the command line, as its user sees it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
from conftest import Sidegear
from seasons import published_sessions

from pipeline.commands.season import after_logs
from pipeline.published_season import SCHEMA


@pytest.fixture
def logbook(tmp_path: Path) -> Path:
    """A logbook of sixteen sessions of a pack that loses preload; results only."""
    (tmp_path / "results").mkdir()
    rng = np.random.default_rng(21)
    wearing = published_sessions(16, rng, lambda share: {"breakaway_torque_nm": 1 - 0.45 * share})
    for result in wearing:
        name = result["session"]["id"]
        (tmp_path / "results" / f"{name}.json").write_text(json.dumps(result), encoding="utf-8")
    return tmp_path


def test_trend_says_what_drifts_and_what_is_behind_it(sidegear: Sidegear, logbook: Path) -> None:
    said = sidegear("trend", "--logbook", logbook)
    assert said.code == 0
    assert "Watch: the breakaway torque drifts." in said.out
    assert "Most likely preload loss" in said.out


def test_trend_as_json_is_one_versioned_object(sidegear: Sidegear, logbook: Path) -> None:
    found = json.loads(sidegear("trend", "--logbook", logbook, "--json").out)
    assert found["schema"] == SCHEMA
    assert found["lives"][0]["condition"] == "watch"


def test_a_session_that_is_replaced_is_read_anew(sidegear: Sidegear, logbook: Path) -> None:
    sidegear("trend", "--logbook", logbook)
    path = logbook / "results" / "run000-0000.json"
    result = json.loads(path.read_text(encoding="utf-8"))
    result["session"]["build"] = "another"
    path.write_text(json.dumps(result), encoding="utf-8")
    found = json.loads(sidegear("trend", "--logbook", logbook, "--json").out)
    assert [life["build"] for life in found["lives"]] == ["another", "A"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("benchcheck", "41"), "Did you mean 'bench check'?"),
        (("build", "--note", "A", "--on", "2999-01-01"), "lies ahead"),
        (("session date", "--note", "run000-000"), "Did you mean 'run000-0000'?"),
        (("oil change", "1.9"), "The value 1.9 needs its unit"),
        (("teardown", "1.9"), "A value needs what it is of"),
    ],
)
def test_an_entry_that_makes_no_sense_is_refused(
    sidegear: Sidegear, logbook: Path, arguments: tuple[str, ...], said: str
) -> None:
    refused = sidegear("service", "add", *arguments, "--logbook", logbook)
    assert refused.code == 2
    assert said in refused.err


def test_trend_says_how_bench_and_log_agree(sidegear: Sidegear, logbook: Path) -> None:
    method = "other wheel held, gearbox in neutral"
    for reading in ("40", "41"):
        sidegear("service", "add", "bench check", reading, "--method", method,
                 "--on", "2026-05-06", "--logbook", logbook)  # fmt: skip
    said = " ".join(sidegear("trend", "--logbook", logbook).out.split())
    assert f"Bench against log, {method}: the bench reads +" in said
    assert "readings of one day scatter by 1.4 N·m" in said


def test_the_first_page_is_brought_up_to_date_by_what_adds(logbook: Path) -> None:
    after_logs(logbook, silent=True)
    written = (logbook / "index.html").stat().st_mtime_ns
    after_logs(logbook, silent=True)
    assert (logbook / "index.html").stat().st_mtime_ns == written
    path = logbook / "results" / "run000-0000.json"
    os.utime(path, ns=(written + 10**9, written + 10**9))
    after_logs(logbook, silent=True)
    assert (logbook / "index.html").stat().st_mtime_ns != written


def test_a_pack_that_needs_care_is_told_of_after_every_add(
    logbook: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for _ in range(2):
        after_logs(logbook, silent=False)
        said = capsys.readouterr().out
        assert said.startswith("Pack A: watch; the breakaway torque drifts.")


def test_an_empty_logbook_says_what_to_do(sidegear: Sidegear, tmp_path: Path) -> None:
    assert "Add logs with 'sidegear add'" in sidegear("trend", "--logbook", tmp_path).out


def test_no_logbook_is_an_error_of_the_user(sidegear: Sidegear, tmp_path: Path) -> None:
    said = sidegear("trend", "--logbook", tmp_path / "absent")
    assert said.code == 2
    assert "no such logbook" in said.err


def test_what_service_adds_it_shows(sidegear: Sidegear, tmp_path: Path) -> None:
    method = "other wheel held, gearbox in neutral"
    made = sidegear(
        "service", "add", "bench check", "41", "--method", method,
        "--on", "2026-04-12", "--logbook", tmp_path,
    )  # fmt: skip
    assert made.code == 0
    shown = sidegear("service", "show", "--logbook", tmp_path).out
    assert shown == f"2026-04-12  bench check 41 N m: {method}\n"


def test_a_build_noted_by_hand_cuts_the_history(sidegear: Sidegear, logbook: Path) -> None:
    sidegear("service", "add", "build", "--note", "A again", "--on", "2026-05-02", "-b", logbook)
    found = json.loads(sidegear("trend", "--logbook", logbook, "--json").out)
    assert [len(life["sessions"]) for life in found["lives"]] == [8, 8]


def test_a_bench_check_without_its_method_is_refused_and_nothing_written(
    sidegear: Sidegear, tmp_path: Path
) -> None:
    said = sidegear("service", "add", "bench check", "41", "--logbook", tmp_path)
    assert said.code == 2
    assert "A bench check needs its method" in said.err
    assert not (tmp_path / "service_record.csv").exists()
