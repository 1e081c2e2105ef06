"""`sidegear predict`: a table and a JSON object, and what is said when it cannot be done."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from conftest import Sidegear

SAMPLES = Path(__file__).parents[1] / "sample_logs"


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with the sample day's first run in it."""
    folder = tmp_path_factory.mktemp("logbook")
    for name in ("build_sheet.toml", "circuit.toml", "channels_run1.toml"):
        shutil.copy(SAMPLES / name, folder)
    import pipeline.cli

    with pytest.raises(SystemExit) as ended:
        pipeline.cli.cli(["add", str(SAMPLES / "hollin_fell_run1.csv"), "--logbook", str(folder)])
    assert ended.value.code == 0
    return folder


def test_other_ramps_stand_beside_todays_in_one_table(sidegear: Sidegear, driven: Path) -> None:
    said = sidegear("predict", "run1", "-b", driven, "--change", "drive_ramp_deg=48")
    assert said.code == 0
    row = next(line for line in said.out.splitlines() if line.startswith("lock on drive"))
    assert "41.1" in row
    assert ", measured" in row
    assert "makers' limits" in said.out.lower()


def test_json_is_one_object_with_both_sides(sidegear: Sidegear, driven: Path) -> None:
    said = sidegear("predict", "-b", driven, "-c", "stack.shim_m=0.0012", "--json")
    found = json.loads(said.out)
    assert found["schema"] == "sidegear.predict/1"
    today, then = (found[side]["breakaway_torque_nm"] for side in ("today", "then"))
    assert then["low"] > today["high"]
    assert "method" in then


def test_a_page_is_put_beside_the_sessions_which_stay_as_they_are(
    sidegear: Sidegear, driven: Path
) -> None:
    def kept() -> dict[Path, bytes]:
        names = ("index.html", "result_index.json")  # the first page lists the new one
        return {path: path.read_bytes() for path in driven.rglob("*")
                if path.is_file() and path.name not in names}  # fmt: skip

    before = kept()
    said = sidegear("predict", "-b", driven, "-c", "drive_ramp_deg=46")
    after = kept()
    assert {path: after[path] for path in before} == before
    (page,) = set(after) - set(before)
    assert page.name == "what-if-hollin_fell_run1-drive_ramp_deg-46.html"
    assert str(page) in said.out
    assert page.name in (driven / "index.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "nothing is changed"),
        (("-c", "drive_ramp_deg"), "expected KEY=VALUE"),
        (("-c", "drive_ramp_degrees=40"), "Did you mean 'drive_ramp_deg'?"),
        (("-c", "drive_ramp_deg=400"), "expected a number above 0 to 90"),
        (("run9", "-c", "drive_ramp_deg=40"), "no session 'run9'"),
    ],
)
def test_what_cannot_be_asked_is_an_error_that_says_what_can(
    sidegear: Sidegear, driven: Path, arguments: tuple[str, ...], said: str
) -> None:
    outcome = sidegear("predict", "-b", driven, *arguments)
    assert outcome.code == 2
    assert said in outcome.err


def test_a_logbook_without_sessions_says_what_to_do(sidegear: Sidegear, tmp_path: Path) -> None:
    outcome = sidegear("predict", "-b", tmp_path, "-c", "drive_ramp_deg=40")
    assert outcome.code == 2
    assert "Add a log first" in outcome.err
