"""The command line does what it says, or says what to put right and leaves the logbook alone."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import circuit_car
import numpy as np
import pytest
from conftest import Outcome, Sidegear
from simulated import simulate

import loaders.intake
from loaders.channels import CHANNEL_BY_NAME
from loaders.logbook import LOCK_NAME, Logbook
from loaders.store import read_session

PROJECT = Path(__file__).parents[1]
SAMPLES = PROJECT / "sample_logs"
BROKEN = SAMPLES / "broken"


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four laps of the short circuit, as a comma table with a unit row."""
    _, made = simulate(3, circuit=circuit_car.short_circuit(), laps=4, rate_hz=50.0)
    columns = {name: v for name, v in made.channels.items() if name in CHANNEL_BY_NAME}
    columns = {"time_s": made.channels["time_s"], **columns}
    units = ["s", *(CHANNEL_BY_NAME[name].unit for name in columns if name != "time_s")]
    path = tmp_path_factory.mktemp("logs") / "run3.csv"
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(columns) + "\n" + ",".join(units) + "\n")
        for row in np.column_stack(list(columns.values())).tolist():
            file.write(",".join("" if v != v else f"{v:.4f}" for v in row) + "\n")
    entries = "".join(
        f'[channels.{name}]\ncolumn = "{name}"\n' for name in columns if name != "time_s"
    )
    path.with_name("channels.toml").write_text(
        f'schema = 1\n[time]\ncolumn = "time_s"\n{entries}', encoding="utf-8"
    )
    return path


@pytest.fixture
def logbook(tmp_path: Path, log: Path) -> Path:
    """A logbook that is ready for the log."""
    folder = tmp_path / "my car"
    folder.mkdir()
    shutil.copy(SAMPLES / "build_sheet.toml", folder)
    shutil.copy(log.with_name("channels.toml"), folder)
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    """Every file but the lock, which is no content."""
    files = (p for p in folder.rglob("*") if p.is_file() and p.name != LOCK_NAME)
    return {str(p.relative_to(folder)): p.read_bytes() for p in files}


# --- add ---------------------------------------------------------------------------------------


def test_add_puts_session_page_and_result_into_the_logbook(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    outcome = sidegear("add", log, "--logbook", logbook)
    assert (outcome.code, outcome.err) == (0, "")
    added = sorted(name.split("-")[0] for name in contents(logbook) if "run3" in name)
    assert [Path(name) for name in added] == [
        Path("logs/run3"),
        Path("pages/run3"),
        Path("results/run3"),
        Path("sessions/run3"),
    ]


def test_add_brings_the_logbooks_first_page_up_to_date(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    sidegear("add", log, "--logbook", logbook, "--json")
    [page] = (logbook / "pages").iterdir()
    assert f'href="pages/{page.name}"' in (logbook / "index.html").read_text(encoding="utf-8")


def test_add_tells_the_findings_and_where_the_page_is(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    said = sidegear("add", log, "--logbook", logbook).out
    [page] = (logbook / "pages").iterdir()
    assert said.startswith("run3: Ostrel C3, build A, firm, 4 of ")
    assert said.endswith(f"report: {page.resolve()}\n")


def test_json_is_one_object_on_standard_output_and_nothing_else(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    outcome = sidegear("add", log, "--logbook", logbook, "--json")
    result = json.loads(outcome.out)
    assert (result["schema"], result["session"]["name"]) == ("sidegear.session/1", "run3")
    assert outcome.out.count("\n") == 1
    assert outcome.err == ""


def test_the_result_in_the_logbook_is_the_json_that_add_prints(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    printed = sidegear("add", log, "--logbook", logbook, "--json").out
    [stored] = (logbook / "results").iterdir()
    assert stored.read_text(encoding="utf-8") == printed.rstrip("\n")


def test_the_session_in_the_logbook_is_the_log(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    session_id = json.loads(sidegear("add", log, "-b", logbook, "--json").out)["session"]["id"]
    session = read_session(Logbook(logbook).session(session_id))
    assert (session.rate_hz, session.source.file) == (50.0, "run3.csv")


def test_the_same_log_again_changes_nothing_and_says_the_same(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    first = sidegear("add", log, "--logbook", logbook, "--json")
    before = contents(logbook)
    assert sidegear("add", log, "--logbook", logbook, "--json") == first
    assert contents(logbook) == before


def test_a_log_is_known_by_its_content_under_another_name_too(
    sidegear: Sidegear, log: Path, logbook: Path, tmp_path: Path
) -> None:
    sidegear("add", log, "--logbook", logbook)
    before = contents(logbook)
    copy = shutil.copy(log, tmp_path / "copy.csv")
    assert sidegear("add", copy, "--logbook", logbook).code == 0
    assert contents(logbook) == before


@pytest.fixture
def no_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on no log can be read."""

    def refuse(*_: object) -> None:
        raise AssertionError

    monkeypatch.setattr(loaders.intake, "take_in", refuse)


def test_a_changed_build_sheet_analyses_again_without_reading_the_log(
    sidegear: Sidegear, log: Path, logbook: Path, request: pytest.FixtureRequest
) -> None:
    sidegear("add", log, "--logbook", logbook)
    sheet = logbook / "build_sheet.toml"
    sheet.write_text(sheet.read_text().replace('build = "A, firm"', 'build = "C"'))
    request.getfixturevalue("no_reading")
    outcome = sidegear("add", log, "--logbook", logbook, "--json")
    assert json.loads(outcome.out)["session"]["build"] == "C"
    assert len(list(logbook.glob("results/*.json"))) == 1


def test_a_changed_channel_map_makes_the_session_again_without_reading_the_log(
    sidegear: Sidegear, log: Path, logbook: Path, request: pytest.FixtureRequest
) -> None:
    first = json.loads(sidegear("add", log, "--logbook", logbook, "--json").out)
    channels = logbook / "channels.toml"
    gone = channels.read_text().replace('[channels.gear]\ncolumn = "gear"\n', "")
    channels.write_text(gone)
    request.getfixturevalue("no_reading")
    again = json.loads(sidegear("add", log, "--logbook", logbook, "--json").out)
    assert again["session"]["id"] == first["session"]["id"]
    assert "gear" not in read_session(Logbook(logbook).session(again["session"]["id"])).channels


def test_a_fault_of_ours_in_one_log_does_not_stop_those_after_it(
    sidegear: Sidegear, log: Path, logbook: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    second, third = (tmp_path / name for name in ("run4.csv", "run5.csv"))
    for i, path in enumerate((second, third), 2):
        path.write_bytes(log.read_bytes().rsplit(b"\n", i)[0] + b"\n")
    whole = loaders.intake.take_in

    def broken(path: Path, *rest: object) -> object:
        if path != third:
            raise ZeroDivisionError
        return whole(path, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(loaders.intake, "take_in", broken)
    outcome = sidegear("add", log, second, third, "--logbook", logbook)
    assert outcome.code == 1
    assert outcome.out.startswith("run5: ")
    assert outcome.err.count("this is a fault of sidegear, not of your log") == 1
    assert outcome.err.count("Traceback") == 1
    assert f"{second}: the same" in outcome.err


def test_a_damaged_stored_session_is_read_from_the_log_again(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    first = sidegear("add", log, "--logbook", logbook, "--json")
    stored = next(logbook.glob("sessions/*.parquet"))
    stored.write_bytes(stored.read_bytes()[:100])
    next(logbook.glob("pages/*.html")).unlink()
    assert sidegear("add", log, "--logbook", logbook, "--json") == first
    assert read_session(stored).rate_hz == 50.0


def test_a_bad_log_among_good_ones_costs_only_itself(
    sidegear: Sidegear, log: Path, logbook: Path, tmp_path: Path
) -> None:
    second = tmp_path / "run4.csv"
    second.write_bytes(log.read_bytes().rsplit(b"\n", 2)[0] + b"\n")
    bad = tmp_path / "no such run.csv"
    outcome = sidegear("add", log, bad, second, "--logbook", logbook, "--json")
    assert outcome.code == 2
    names = [json.loads(line)["session"]["name"] for line in outcome.out.splitlines()]
    assert names == ["run3", "run4"]
    assert outcome.err == f"sidegear: {bad}: no such file. Check the name and the folder.\n"


def test_a_map_and_a_build_sheet_may_be_named_instead_of_the_logbooks_own(
    sidegear: Sidegear, log: Path, tmp_path: Path
) -> None:
    outcome = sidegear(
        "add", log, "--logbook", tmp_path, "--map", log.with_name("channels.toml"),
        "--build-sheet", SAMPLES / "build_sheet_hollin_fell_run3.toml",
    )  # fmt: skip
    assert outcome.out.startswith("run3: Ostrel C3, build B, soft, ")


def test_two_maps_that_fit_are_settled_by_naming_one(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    shutil.copy(logbook / "channels.toml", logbook / "channels_2.toml")
    outcome = sidegear("add", log, "--logbook", logbook)
    assert outcome.err == (
        "sidegear: run3.csv: the channel maps channels.toml and channels_2.toml both fit. "
        "Name one with --map.\n"
    )
    named = sidegear("add", log, "--logbook", logbook, "--map", logbook / "channels_2.toml")
    assert named.code == 0


def test_missing_wheel_speeds_are_an_error(sidegear: Sidegear, log: Path, logbook: Path) -> None:
    channel_map = logbook / "channels.toml"
    text = channel_map.read_text(encoding="utf-8")
    entry = '[channels.wheel_speed_rl_radps]\ncolumn = "wheel_speed_rl_radps"\n'
    channel_map.write_text(text.replace(entry, ""), encoding="utf-8")
    outcome = sidegear("add", log, "--logbook", logbook)
    assert outcome.code == 2
    assert outcome.err.startswith(
        "sidegear: run3.csv: the driven axle's wheel_speed_rl_radps is not mapped; "
    )


def test_a_log_of_a_few_rows_is_answered_and_not_a_crash(
    sidegear: Sidegear, log: Path, logbook: Path, tmp_path: Path
) -> None:
    short = tmp_path / "short.csv"
    lines = log.read_text(encoding="utf-8").splitlines(keepends=True)
    short.write_text("".join(lines[:10]), encoding="utf-8")
    outcome = sidegear("add", short, "--logbook", logbook, "--json")
    assert (outcome.code, outcome.err) == (0, "")
    assert json.loads(outcome.out)["session"]["samples"] == 8


# --- what is wrong with the input --------------------------------------------------------------


def test_a_logbook_that_is_not_there_is_an_error(
    sidegear: Sidegear, log: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "nowhere"
    assert sidegear("add", log, "--logbook", folder) == (
        2,
        "",
        f"sidegear: {folder}: no such logbook. Start one with 'sidegear new {folder}'.\n",
    )
    assert not folder.exists()


def test_a_logbook_without_build_sheet_is_an_error(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    (logbook / "build_sheet.toml").unlink()
    outcome = sidegear("add", log, "--logbook", logbook)
    assert outcome.code == 2
    assert "build_sheet.toml: no such file. Make a logbook with 'sidegear new" in outcome.err


def test_a_logbook_without_channel_map_is_an_error(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    (logbook / "channels.toml").unlink()
    outcome = sidegear("add", log, "--logbook", logbook)
    assert outcome.code == 2
    assert "no channel map (channels.toml)" in outcome.err


MESSAGES = tomllib.loads((BROKEN / "messages.toml").read_text(encoding="utf-8"))


def test_every_broken_file_has_its_message() -> None:
    others = {"messages.toml", "channels.toml"}
    assert {path.name for path in BROKEN.iterdir()} - others == set(MESSAGES)


@pytest.mark.parametrize("name", MESSAGES)
def test_a_broken_file_is_refused_with_its_message_and_nothing_is_added(
    sidegear: Sidegear, log: Path, logbook: Path, name: str
) -> None:
    arguments: list[object] = ["add", log, "--logbook", logbook]
    if name.startswith("channels"):
        arguments += ["--map", BROKEN / name]
    elif name.startswith("build_sheet"):
        arguments += ["--build-sheet", BROKEN / name]
    elif name.startswith("circuit"):
        shutil.copy(BROKEN / name, logbook / "circuit.toml")
    else:
        arguments[1] = BROKEN / name
        arguments += ["--map", BROKEN / "channels.toml"]
    before = contents(logbook)
    outcome = sidegear(*arguments)
    assert outcome == (2, "", f"sidegear: {MESSAGES[name]}\n")
    assert contents(logbook) == before


def test_a_logbook_that_cannot_be_written_is_an_error_and_stays_as_it_was(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    (logbook / "results").write_text("mine")
    before = contents(logbook)
    outcome = sidegear("add", log, "--logbook", logbook)
    assert outcome.code == 2
    assert "results: cannot be written" in outcome.err
    assert contents(logbook) == before


def test_a_fault_of_ours_is_told_from_a_fault_of_the_input(
    sidegear: Sidegear, log: Path, logbook: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("pipeline.analyse.analyse", broken)
    before = contents(logbook)
    outcome = sidegear("add", log, "--logbook", logbook)
    assert outcome.code == 1
    assert "this is a fault of sidegear, not of your log" in outcome.err
    assert outcome.err.rstrip().endswith("ZeroDivisionError")
    assert contents(logbook) == before


@pytest.mark.parametrize("arguments", [["ad"], ["add"], ["add", "run3.csv", "--jsn"], []])
def test_a_command_that_is_none_ends_with_two(sidegear: Sidegear, arguments: list[str]) -> None:
    assert sidegear(*arguments).code == 2


# --- new ---------------------------------------------------------------------------------------


def test_new_starts_a_logbook_and_says_what_comes_next(sidegear: Sidegear, tmp_path: Path) -> None:
    folder = tmp_path / "cars" / "C3"
    outcome = sidegear("new", folder)
    assert outcome.code == 0
    assert sorted(contents(folder)) == ["build_sheet.toml", "channels.toml", "circuit.toml"]
    assert f"sidegear add LOG --logbook {folder}" in outcome.out


def test_new_overwrites_nothing(sidegear: Sidegear, tmp_path: Path) -> None:
    (tmp_path / "channels.toml").write_text("mine")
    outcome = sidegear("new", tmp_path)
    assert (outcome.code, contents(tmp_path)) == (2, {"channels.toml": b"mine"})
    assert "already holds channels.toml; nothing was changed" in outcome.err


def test_new_in_the_place_of_a_file_is_an_error(sidegear: Sidegear, tmp_path: Path) -> None:
    (tmp_path / "C3").write_text("mine")
    outcome = sidegear("new", tmp_path / "C3")
    assert outcome.code == 2
    assert "C3: cannot be written" in outcome.err


def test_new_leaves_nothing_behind_when_it_cannot_finish(
    sidegear: Sidegear, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = shutil.copyfile

    def full(source: Path, target: Path) -> None:
        copy(source, target)
        if target.name == "channels.toml":
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    outcome = sidegear("new", tmp_path)
    assert (outcome.code, contents(tmp_path)) == (2, {})


# --- demo --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Outcome]:
    """The demonstration, run once and as a user runs it."""
    folder = tmp_path_factory.mktemp("demo") / "sidegear-demo"
    ran = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "demo", "--folder", str(folder)],
        cwd=PROJECT, capture_output=True, encoding="utf-8", check=False,
    )  # fmt: skip
    return folder, Outcome(ran.returncode, ran.stdout, ran.stderr)


def test_demo_tells_every_sample_run_and_where_its_page_is(demo: tuple[Path, Outcome]) -> None:
    folder, outcome = demo
    assert (outcome.code, outcome.err) == (0, "")
    pages = sorted(page.resolve() for page in (folder / "pages").iterdir())
    assert len(pages) == 3
    reports = [line for line in outcome.out.splitlines() if "report: " in line]
    assert reports[:3] == [f"  report: {page}" for page in pages]


def test_demo_shows_a_season_and_a_day_of_two_setups(demo: tuple[Path, Outcome]) -> None:
    folder, outcome = demo
    assert "Service due: the breakaway torque is below its limit" in outcome.out
    assert "8 runs as ABBABAAB" in outcome.out
    season = folder.resolve() / "season"
    assert (season / "index.html").is_file()
    assert (season / "season.html").is_file()
    assert len(list(season.glob("setups-*.html"))) == 1


def test_demo_takes_the_build_sheet_of_the_run(demo: tuple[Path, Outcome]) -> None:
    assert [line.split(",")[1:3] for line in demo[1].out.splitlines() if "laps count" in line] == [
        [" build A", " firm"],
        [" build A", " firm"],
        [" build B", " soft"],
    ]


def test_demo_runs_again_in_its_own_folder(
    demo: tuple[Path, Outcome], tmp_path: Path, sidegear: Sidegear
) -> None:
    folder = shutil.copytree(demo[0], tmp_path / "again")
    assert sidegear("demo", "--folder", folder).code == 0
    assert contents(folder).keys() == contents(demo[0]).keys()


def test_demo_leaves_somebody_elses_logbook_alone(sidegear: Sidegear, logbook: Path) -> None:
    before = contents(logbook)
    outcome = sidegear("demo", "--folder", logbook)
    assert outcome.code == 2
    assert "channels.toml there is not the demonstration's; nothing was changed" in outcome.err
    assert contents(logbook) == before


# --- start-up ----------------------------------------------------------------------------------


def loaded(statement: str, *names: str) -> list[str]:
    """Which of the packages a statement loads in a fresh Python."""
    code = f"import sys\n{statement}\nprint([n for n in {names!r} if n in sys.modules])"
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=True
    )
    return list(json.loads(ran.stdout.replace("'", '"')))


def test_the_command_line_starts_without_anything_heavy() -> None:
    assert loaded("import pipeline.cli", "numpy", "pyarrow", "pandas", "scipy", "jinja2") == []


def test_saying_that_there_is_no_such_logbook_loads_nothing_heavy(tmp_path: Path) -> None:
    arguments = ["sidegear", "add", "run3.csv", "--logbook", str(tmp_path / "none")]
    statement = (
        "import contextlib, pipeline.cli\n"
        f"sys.argv = {arguments!r}\n"
        "with contextlib.suppress(SystemExit):\n"
        "    pipeline.cli.main()"
    )
    assert loaded(statement, "numpy", "pyarrow") == []


def test_adding_a_log_loads_no_pandas(log: Path, logbook: Path) -> None:
    arguments = ["sidegear", "add", str(log), "--logbook", str(logbook), "--json"]
    statement = (
        "import contextlib, io, pipeline.cli\n"
        f"sys.argv = {arguments!r}\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        "    pipeline.cli.main()"
    )
    assert loaded(statement, "pyarrow", "pandas") == ["pyarrow"]
    assert (logbook / "results").is_dir()


def test_help_and_version_answer(sidegear: Sidegear) -> None:
    assert "Load LOGS, analyse them" in sidegear("add", "--help").out
    assert sidegear("-h").code == 0


# --- whatever happens in the middle -------------------------------------------------------------


def opened(logbook: Path) -> dict[str, dict[str, object]]:
    """Every session of a logbook by its id, each looked through: nothing half, nothing mixed."""
    book = Logbook(logbook)
    sessions = {}
    # A hidden file is one written aside by a process that was killed.
    for result in sorted(logbook.glob("results/[!.]*.json")):
        found = json.loads(result.read_text(encoding="utf-8"))
        assert read_session(book.session(result.stem)).source.sha256[:8] == result.stem[-8:]
        assert book.page(result.stem).read_text(encoding="utf-8").rstrip().endswith("</html>")
        sessions[result.stem] = found
    return sessions


def killed_after(delay_s: float, *arguments: object) -> bool:
    """Start the command line, kill it after so long; whether it was still running."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)],
        cwd=PROJECT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        process.wait(timeout=delay_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        return True
    return False


def survives_kills(sidegear: Sidegear, log: Path, logbook: Path, kills: int, seed: int) -> int:
    """Kill an adding process over and over, each time with other settings; how many were hit."""
    older = log.with_name("older.csv")
    older.write_bytes(log.read_bytes().rsplit(b"\n", 3)[0] + b"\n")
    sidegear("add", older, "--logbook", logbook)
    kept = set(opened(logbook))
    sheet, rng, hit = logbook / "build_sheet.toml", np.random.default_rng(seed), 0
    original, start = sheet.read_text(), time.perf_counter()
    assert not killed_after(60.0, "add", log, "--logbook", logbook)
    whole_s = time.perf_counter() - start
    for i in range(kills):
        # Another build each time, so that there is something to write.
        sheet.write_text(original.replace('"A, firm"', f'"build {i}"'))
        hit += killed_after(float(rng.uniform(0.0, whole_s)), "add", log, "--logbook", logbook)
        assert kept <= set(opened(logbook))
    outcome = sidegear("add", log, "--logbook", logbook, "--json")
    assert outcome.code == 0
    session = json.loads(outcome.out)["session"]
    assert opened(logbook)[session["id"]]["session"]["build"] == f"build {kills - 1}"
    assert not list(logbook.rglob(".aside-*"))
    assert not list(logbook.glob(".loading-*"))
    assert not list(logbook.glob(".journal-*"))
    return hit


def test_a_logbook_survives_a_process_killed_at_any_instant(
    sidegear: Sidegear, log: Path, logbook: Path
) -> None:
    assert survives_kills(sidegear, log, logbook, kills=6, seed=1) > 0


@pytest.mark.slow
def test_a_logbook_survives_two_hundred_kills(sidegear: Sidegear, log: Path, logbook: Path) -> None:
    hit = survives_kills(sidegear, log, logbook, kills=200, seed=2)
    print(f"{hit} of 200 hit a running process")
    assert hit > 100


def test_two_processes_adding_at_once_both_succeed(log: Path, logbook: Path) -> None:
    other = log.with_name("other.csv")
    other.write_bytes(log.read_bytes().rsplit(b"\n", 4)[0] + b"\n")
    processes = [
        subprocess.Popen(
            [sys.executable, "-m", "pipeline.cli", "add", str(each), "--logbook", str(logbook)],
            cwd=PROJECT, stdout=subprocess.DEVNULL,
        )
        for each in (log, other)
    ]  # fmt: skip
    assert [process.wait(timeout=60) for process in processes] == [0, 0]
    assert len(opened(logbook)) == 2


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit on a file's size")
def test_a_disk_that_takes_no_more_is_an_error_and_leaves_the_logbook_as_it_was(
    log: Path, logbook: Path
) -> None:
    import resource
    import signal

    def half_a_page() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (800_000, 800_000))

    before = contents(logbook)
    process = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "add", str(log), "--logbook", str(logbook)],
        cwd=PROJECT, preexec_fn=half_a_page, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert process.returncode == 2
    assert "cannot be written" in process.stderr
    assert "nothing was added" in process.stderr
    assert contents(logbook) == before
