"""Tables for other programs: every row of every session, and nothing lost on the way."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from conftest import Sidegear
from test_pipeline_setups import logbook as logbook

from pipeline.season import season
from pipeline.season_tables import SEASON_TABLES
from pipeline.tables import TABLES, estimates


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_laps_of_all_sessions_come_back_from_the_file(
    sidegear: Sidegear, logbook: Path, tmp_path: Path, ending: str
) -> None:
    file = tmp_path / f"laps.{ending}"
    assert sidegear("export", "laps", file, "--logbook", logbook).code == 0
    frame = pd.read_csv(file) if ending == "csv" else pd.read_parquet(file)
    assert frame["session"].nunique() == 4
    assert frame["lap_time_s"].between(85, 100).all()


def test_a_bound_and_a_missing_number_keep_their_own_columns() -> None:
    result = {
        "session": {"id": "run1"},
        "estimates": {
            "breakaway_torque_nm": {"at_least": 300.0, "unit": "N m", "grade": "measured"},
            "lock_drive": {"missing": "the packs never slide"},
        },
    }
    bound, missing = estimates([result])
    assert (bound["at_least"], bound["value"]) == (300.0, None)
    assert missing["missing"] == "the packs never slide"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("tyres", "x.csv"), "expected one of sessions, estimates"),
        (("laps", "x.xlsx"), "name it .csv or .parquet"),
        (("laps", "absent/x.csv"), "cannot be"),
    ],
)
def test_what_cannot_be_exported_says_why(
    sidegear: Sidegear, logbook: Path, tmp_path: Path, arguments: tuple[str, str], said: str
) -> None:
    table, file = arguments
    outcome = sidegear("export", table, tmp_path / file, "--logbook", logbook)
    assert outcome.code == 2
    assert said in outcome.err


def test_a_course_comes_back_with_its_intervals(
    sidegear: Sidegear, logbook: Path, tmp_path: Path
) -> None:
    file = tmp_path / "courses.csv"
    assert sidegear("export", "courses", file, "--logbook", logbook).code == 0
    frame = pd.read_csv(file)
    torque = frame[frame["quantity"] == "breakaway_torque_nm"]
    assert sorted(torque["build"]) == ["A", "A", "B", "B"]
    assert (torque["low"] <= torque["value"]).all()
    assert (torque["value"] <= torque["high"]).all()


def test_every_table_takes_an_empty_logbook() -> None:
    assert all(list(rows([])) == [] for rows in TABLES.values())
    assert all(list(rows(season([]))) == [] for rows in SEASON_TABLES.values())
