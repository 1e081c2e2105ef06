"""The command ``channels`` shows what is in a log, and proposes a map that waits to be accepted."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pytest
from conftest import Sidegear

from loaders.mapping import read_channel_map

SAMPLES = Path(__file__).parents[1] / "sample_logs"
RUN1, RUN2 = SAMPLES / "hollin_fell_run1.csv", SAMPLES / "hollin_fell_run2.csv"
RUN3 = SAMPLES / "hollin_fell_run3.txt"


@pytest.fixture
def logbook(tmp_path: Path) -> Path:
    """A logbook with the sample car's build sheet and no channel map."""
    folder = tmp_path / "book"
    folder.mkdir()
    shutil.copy(SAMPLES / "build_sheet.toml", folder)
    shutil.copy(SAMPLES / "circuit.toml", folder)
    return folder


def nameless(log: Path, target: Path, delimiter: str = ",") -> Path:
    """A copy of a log whose columns are called c1, c2 …"""
    header, rest = log.read_text(encoding="utf-8").split("\n", 1)
    names = [f"c{i + 1}" for i in range(len(header.split(delimiter)))]
    target.write_text(delimiter.join(names) + "\n" + rest, encoding="utf-8")
    return target


@pytest.mark.parametrize("width", [40, 80, 100, 120, 300])
def test_every_column_stands_in_a_line_that_fits_the_terminal(
    sidegear: Sidegear, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, width: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    outcome = sidegear("channels", RUN3, "--logbook", tmp_path)
    assert outcome.code == 0
    lines = outcome.out.splitlines()[:20]
    assert lines[0].split() == [
        "column",
        "unit",
        "Hz",
        "min",
        "max",
        "miss",
        "course",
        "looks",
        "like",
    ]
    assert max(map(len, lines)) <= min(max(width, 80), 120)
    row = next(line for line in lines if line.startswith("BRAKE_KPA"))
    assert row.split()[1:5] == ["10", "-53", "7633", "0.0%"]
    assert row.split()[-1] == "brake_pressure_pa"


def test_outside_a_logbook_nothing_is_written(sidegear: Sidegear, tmp_path: Path) -> None:
    outcome = sidegear("channels", RUN1, "--logbook", tmp_path)
    assert outcome.code == 0
    assert "Name a logbook with --logbook" in outcome.out
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("log", [RUN1, RUN2, RUN3])
def test_a_proposed_map_is_refused_until_accepted_and_then_gives_the_same_session(
    sidegear: Sidegear, logbook: Path, log: Path
) -> None:
    outcome = sidegear("channels", log, "--logbook", logbook)
    path = logbook / f"channels_{log.stem}.toml"
    assert outcome.code == 0
    assert f"Proposed in {path}".replace(" ", "") in outcome.out.replace("\n", "").replace(" ", "")
    assert not read_channel_map(path).accepted
    refused = sidegear("add", log, "--logbook", logbook)
    assert refused.code == 2
    assert "is only a proposal" in refused.err
    assert f"sidegear channels {log.name} --accept" in refused.err
    accepted = sidegear("channels", log, "--logbook", logbook, "--accept")
    assert accepted.code == 0
    assert "is accepted" in accepted.out
    number = log.stem[-1]
    by_hand = read_channel_map(SAMPLES / f"channels_run{number}.toml")
    made = read_channel_map(path)
    assert made.accepted
    assert set(made.channels) == set(by_hand.channels)
    for channel, entry in by_hand.channels.items():
        own = made.channels[channel]
        assert (own.column, own.sign) == (entry.column, entry.sign)
        assert own.rolling_radius_m == entry.rolling_radius_m


def test_an_accepted_map_serves_the_next_log_with_the_same_columns(
    sidegear: Sidegear, logbook: Path, tmp_path: Path
) -> None:
    assert sidegear("channels", RUN2, "--logbook", logbook, "--accept").code == 0
    later = tmp_path / "later.csv"
    shutil.copy(RUN2, later)
    outcome = sidegear("channels", later, "--logbook", logbook)
    assert "channels_hollin_fell_run2.toml fits and is accepted" in outcome.out
    assert len(list(logbook.glob("channels*.toml"))) == 1
    assert sidegear("add", later, "--logbook", logbook).code == 0


def test_every_proposal_has_its_reason_above_it(sidegear: Sidegear, logbook: Path) -> None:
    sidegear("channels", RUN3, "--logbook", logbook)
    text = (logbook / "channels_hollin_fell_run3.toml").read_text(encoding="utf-8")
    lines = text.splitlines()
    heads = [i for i, line in enumerate(lines) if line.startswith("[channels.")]
    assert len(heads) == 18
    assert all(lines[i + 1].startswith("# sure: ") for i in heads)


def test_no_map_is_ever_overwritten(sidegear: Sidegear, logbook: Path) -> None:
    sidegear("channels", RUN1, "--logbook", logbook)
    path = logbook / "channels_hollin_fell_run1.toml"
    before = path.read_bytes()
    outcome = sidegear("channels", RUN1, "--logbook", logbook, "--propose")
    assert outcome.code == 2
    assert "is there already; nothing was changed" in outcome.err
    assert path.read_bytes() == before


def test_accepting_changes_that_one_line_and_nothing_else(
    sidegear: Sidegear, logbook: Path
) -> None:
    sidegear("channels", RUN1, "--logbook", logbook)
    path = logbook / "channels_hollin_fell_run1.toml"
    edited = path.read_text(encoding="utf-8") + "# my own remark\n"
    path.write_text(edited, encoding="utf-8")
    sidegear("channels", RUN1, "--logbook", logbook, "--accept")
    assert path.read_text(encoding="utf-8") == edited.replace(
        "accepted = false", "accepted = true", 1
    )


def test_a_map_that_lacks_a_radius_is_not_accepted(sidegear: Sidegear, logbook: Path) -> None:
    sheet = logbook / "build_sheet.toml"
    text = sheet.read_text(encoding="utf-8")
    sheet.write_text(
        "".join(line for line in text.splitlines(keepends=True) if "undriven_rolling" not in line),
        encoding="utf-8",
    )
    sidegear("channels", RUN1, "--logbook", logbook)
    refused = sidegear("channels", RUN1, "--logbook", logbook, "--accept")
    assert refused.code == 2
    assert "Set rolling_radius_m under [channels.wheel_speed_fl_radps]" in refused.err
    assert not read_channel_map(logbook / "channels_hollin_fell_run1.toml").accepted


def test_what_cannot_be_told_is_written_as_a_choice_and_not_accepted_unseen(
    sidegear: Sidegear, logbook: Path, tmp_path: Path
) -> None:
    log = nameless(RUN1, tmp_path / "blind.csv")
    refused = sidegear("channels", log, "--logbook", logbook, "--accept")
    assert refused.code == 2
    assert "cannot be accepted unseen" in refused.err
    assert "which side is left" in refused.err
    outcome = sidegear("channels", log, "--logbook", logbook)
    assert "cannot tell" in outcome.out
    text = (logbook / "channels_blind.toml").read_text(encoding="utf-8")
    assert "wheel_speed_rl_radps" not in tomllib.loads(text)["channels"]
    first, _ = text.split("# --- if ")[1:]
    assert "'c16' is positive in left turns" in first
    chosen = "\n".join(
        line[1:] if line.startswith(("#[", "#column", "#sign", "#unit", "#rolling")) else line
        for line in first.splitlines()
    )
    path = logbook / "channels_blind.toml"
    path.write_text(text.split("# --- if ")[0] + "# if " + chosen, encoding="utf-8")
    assert sidegear("channels", log, "--logbook", logbook, "--accept").code == 0
    # c4 and c5 are the rear wheels, left and right, of the log that has names.
    made = read_channel_map(path)
    assert made.channels["wheel_speed_rl_radps"].column == "c4"
    assert made.channels["yaw_rate_radps"].sign == 1


def test_one_stated_column_settles_which_side_is_left(
    sidegear: Sidegear, logbook: Path, tmp_path: Path
) -> None:
    log = nameless(RUN3, tmp_path / "blind.txt", "\t")
    outcome = sidegear(
        "channels", log, "--logbook", logbook, "--is", "c2=wheel_speed_fl_radps", "--accept"
    )
    assert outcome.code == 0
    made = read_channel_map(logbook / "channels_blind.toml")
    assert made.accepted
    assert made.channels["shaft_torque_right_nm"].column == "c7"
    assert made.channels["yaw_rate_radps"].sign == -1


@pytest.mark.parametrize("statement", ["c2", "=gear", "c2=geer"])
def test_a_statement_that_is_none_is_an_error(
    sidegear: Sidegear, tmp_path: Path, statement: str
) -> None:
    outcome = sidegear("channels", RUN1, "--logbook", tmp_path, "--is", statement)
    assert outcome.code == 2
    assert "expected COLUMN=CHANNEL" in outcome.err


def test_a_statement_about_no_column_is_an_error(sidegear: Sidegear, tmp_path: Path) -> None:
    outcome = sidegear("channels", RUN1, "--logbook", tmp_path, "--is", "c99=gear")
    assert outcome.code == 2
    assert "no column is called 'c99'" in outcome.err


def test_a_column_of_text_is_shown_and_left_out(sidegear: Sidegear, logbook: Path) -> None:
    log = logbook / "words.csv"
    rows = [f"{i / 100:.2f},{50 + i % 7},{'wet' if i % 2 else 'dry'},3" for i in range(300)]
    log.write_text("\n".join(["Time,Wheel RL,Track state,Gear", *rows, ""]), encoding="utf-8")
    outcome = sidegear("channels", log, "--logbook", logbook)
    assert outcome.code == 0
    assert next(x for x in outcome.out.splitlines() if x.startswith("Track state")).endswith("text")
    assert "Track state" not in (logbook / "channels_words.toml").read_text(encoding="utf-8")


def test_json_is_one_object_with_all_columns(sidegear: Sidegear, logbook: Path) -> None:
    outcome = sidegear("channels", RUN2, "--logbook", logbook, "--json")
    said = json.loads(outcome.out)
    assert said["schema"] == "sidegear.channels/1"
    assert len(said["columns"]) == 20
    speed = next(each for each in said["columns"] if each["name"] == "v [m/s]")
    assert speed["looks_like"] == "speed_mps"
    assert speed["rate_hz"] == pytest.approx(50.0)
    assert len(said["proposals"]) == 19
    assert said["ties"] == []


def test_a_log_that_is_not_there_is_an_error(sidegear: Sidegear, tmp_path: Path) -> None:
    outcome = sidegear("channels", tmp_path / "none.csv")
    assert outcome.code == 2
    assert "no such file" in outcome.err


def test_a_folder_that_is_not_there_is_an_error(sidegear: Sidegear, tmp_path: Path) -> None:
    outcome = sidegear("channels", RUN1, "--logbook", tmp_path / "none", "--propose")
    assert outcome.code == 2
    assert "cannot be written" in outcome.err


def without_time(log: Path, target: Path) -> Path:
    """A copy of a log without its first column, the time."""
    lines = log.read_text(encoding="utf-8").splitlines()
    kept = [line.split(",", 1)[1] for line in lines if "," in line]
    target.write_text("\n".join(kept) + "\n", encoding="utf-8")
    return target


def test_a_log_without_a_time_asks_for_its_rate_and_is_read_once_it_is_stated(
    sidegear: Sidegear, logbook: Path, tmp_path: Path
) -> None:
    log = without_time(RUN1, tmp_path / "timeless.csv")
    outcome = sidegear("channels", log, "--logbook", logbook)
    assert outcome.code == 0
    said = " ".join(outcome.out.split())
    assert "still open: how many rows the log has in a second" in said
    path = logbook / "channels_timeless.toml"
    text = path.read_text(encoding="utf-8")
    assert "CANNOT TELL how many rows the log has in a second" in text
    # The sample log's own rate.
    assert "\n# rate_hz = 100\n" in text
    refused = sidegear("channels", log, "--logbook", logbook, "--accept")
    assert refused.code == 2
    assert "[time] is still open: state rate_hz" in refused.err
    path.write_text(text.replace("# rate_hz", "rate_hz"), encoding="utf-8")
    assert sidegear("channels", log, "--logbook", logbook, "--accept").code == 0
    assert sidegear("add", log, "--logbook", logbook).code == 0


def test_an_open_proposal_does_not_stand_in_the_way_of_other_logs(
    sidegear: Sidegear, logbook: Path, tmp_path: Path
) -> None:
    sidegear("channels", without_time(RUN1, tmp_path / "timeless.csv"), "--logbook", logbook)
    assert sidegear("channels", RUN2, "--logbook", logbook, "--accept").code == 0
    assert sidegear("add", RUN2, "--logbook", logbook).code == 0


def test_what_had_to_be_stated_of_the_text_is_stated_in_the_proposed_map(
    sidegear: Sidegear, logbook: Path, tmp_path: Path
) -> None:
    rows = ["Zeit [s];Oeltemperatur [degC];Bremse [bar]"]
    # Every comma before three digits: it may part thousands as well as decimals.
    rows += [f"{1 + 0.125 * i:.3f};{90 + i % 7:.3f};{1 + i % 30:.3f}" for i in range(400)]
    log = tmp_path / "commas.csv"
    log.write_text("\n".join(rows).replace(".", ",") + "\n", encoding="utf-8")
    assert sidegear("channels", log, "--logbook", logbook).code == 2
    (logbook / "channels_other.toml").write_text(
        'schema = 1\n[text]\ndecimal_mark = "comma"\n[time]\ncolumn = "other"\n'
        '[channels.speed_mps]\ncolumn = "another"\n',
        encoding="utf-8",
    )
    outcome = sidegear("channels", log, "--logbook", logbook)
    assert outcome.code == 0, outcome.err
    made = read_channel_map(logbook / "channels_commas.toml")
    assert made.text.decimal_mark == "comma"


def test_of_a_very_long_log_only_the_beginning_is_looked_at_and_that_is_said(
    sidegear: Sidegear, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("loaders.delimited._BLOCK_BYTES", 1 << 19)
    monkeypatch.setattr("loaders.preview._MOST_ROWS", 2000)
    outcome = sidegear("channels", RUN1, "--logbook", tmp_path)
    line = next(line for line in outcome.out.splitlines() if line.startswith("from the first"))
    assert 2000 <= int(line.split()[3]) < 40_000
    assert line.endswith("rows; the log goes on after them")


def test_a_date_beside_a_clock_time_is_proposed_with_it(
    sidegear: Sidegear, logbook: Path, tmp_path: Path
) -> None:
    rows = ["Datum;Uhrzeit;Oil temp [degC];Brake [bar]"]
    rows += [f"18.04.2026;10:15:{i / 10:04.1f};{90 + i % 7}.5;{i % 30}.0" for i in range(400)]
    log = tmp_path / "dated.csv"
    log.write_text("\n".join(rows) + "\n", encoding="utf-8")
    outcome = sidegear("channels", log, "--logbook", logbook)
    assert outcome.code == 0, outcome.err
    made = read_channel_map(logbook / "channels_dated.toml")
    assert (made.time.column, made.time.date_column) == ("Uhrzeit", "Datum")
    assert next(line for line in outcome.out.splitlines() if line.startswith("Datum")).endswith(
        "date"
    )
