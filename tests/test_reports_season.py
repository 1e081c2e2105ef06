"""The season's page, the comparison's and the logbook's first page."""

from __future__ import annotations

import base64
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from conftest import WatchedPage
from report_blocks import figure, statements, table
from seasons import FIRST_DAY, TRUE, published_sessions
from test_pipeline_setups import runs_of_a_day

from pipeline.bench_check import Method
from pipeline.season import Season, season
from pipeline.service_record import Entry, ServiceEntry
from pipeline.setups import compare
from reports.document import Report
from reports.index import index_report
from reports.render import render
from reports.season import season_report
from reports.setups import setups_report

HOSTILE = "<img src=x onerror=alert(1)></script>"


def rebuilt_season() -> Season:
    """A pack worn out, built anew, and wearing again; with an oil change and a bench check."""
    rng = np.random.default_rng(7)
    old = published_sessions(12, rng, lambda share: {"breakaway_torque_nm": 1 - 0.45 * share})
    new = published_sessions(
        14, rng, lambda share: {"breakaway_torque_nm": 1 - 0.4 * share}, first=12
    )
    week = timedelta(days=7)
    record = [
        ServiceEntry(FIRST_DAY + 12 * week, Entry.BUILD, note="A again"),
        ServiceEntry(FIRST_DAY + 17 * week, Entry.OIL_CHANGE),
        ServiceEntry(
            FIRST_DAY + 20 * week, Entry.BENCH_CHECK, 36.0, "N m", str(Method.OTHER_WHEEL_HELD)
        ),
    ]
    return season([*old, *new], record, {"breakaway_torque_nm": 45.0})


@pytest.fixture(scope="module")
def report() -> Report:
    return season_report(rebuilt_season(), "Ostrel C3")


def test_the_condition_of_the_pack_that_runs_comes_first(report: Report) -> None:
    first = statements(report).items[0]
    assert first.sentence.startswith("Build A again since 2026-05-30: service due: the breakaway")
    assert first.needs_attention


def test_the_bench_check_is_drawn_as_the_breakaway_torque_it_stands_for(report: Report) -> None:
    drawn = figure(report, "breakaway").figure
    assert drawn is not None
    checks = [trace for trace in drawn["data"] if trace.get("text") and trace["y"] == [72.0]]  # type: ignore[attr-defined]
    assert len(checks) == 1


def test_drive_and_overrun_are_told_apart_without_colour(report: Report) -> None:
    drawn = figure(report, "locks").figure
    assert drawn is not None
    traces = drawn["data"]
    assert isinstance(traces, list)
    marks = {trace["marker"]["symbol"] for trace in traces if "marker" in trace}
    dashes = {trace["line"].get("dash") for trace in traces if trace.get("mode") == "lines"}
    assert marks == {"circle", "square-open"}
    assert {"solid", "9px,5px"} <= dashes


def test_both_lives_are_listed_the_latest_first(report: Report) -> None:
    assert [row.cells[0].text for row in table(report, "lives").rows] == ["A again", "A"]


def test_the_first_page_leaves_out_packs_that_were_rebuilt() -> None:
    report = index_report(rebuilt_season(), [], "Ostrel C3")
    assert [item.sentence.split(":")[0] for item in statements(report).items] == ["Build A again"]


def test_the_first_page_leads_to_every_session() -> None:
    sessions = published_sessions(3, np.random.default_rng(1))
    shown = table(index_report(season(sessions), sessions, "Ostrel C3"), "session-list")
    assert [row.cells[1].page for row in shown.rows] == [
        f"pages/run{number:03d}-0000.html" for number in (2, 1, 0)
    ]


def test_the_index_leads_to_sheets_and_comparisons_and_to_no_other_file() -> None:
    names = ("setup-sheet-A.html", "build-sheet-A.html", "season.html", "notes.html")
    shown = table(index_report(rebuilt_season(), [], "Ostrel C3", names), "others")
    assert [row.cells[1].page for row in shown.rows] == ["build-sheet-A.html", "setup-sheet-A.html"]


def test_a_page_without_figures_carries_no_drawing_library() -> None:
    page = render(index_report(season([]), [], "Ostrel C3"))
    assert len(page) < 100_000


def test_the_comparison_names_what_differs_first() -> None:
    day = compare(runs_of_a_day("ABBA", 2, softer=0.7), "A", "B")
    first = statements(setups_report(day, "Ostrel C3")).items[0]
    assert first.sentence.startswith("Setup B differs from A in lock on drive by −11")
    assert "percentage points" in first.sentence


def test_a_margin_is_written_as_it_was_stated_however_wide_the_interval() -> None:
    day = compare(runs_of_a_day("ABBA", 2), "A", "B", margins={"lap_time_s": 0.1})
    row = next(
        row
        for row in table(setups_report(day, "Ostrel C3"), "measures-table").rows
        if row.cells[0].text == "Lap time"
    )
    assert row.cells[5].text.startswith("0.1")


def test_a_very_long_season_lists_its_latest_sessions_and_says_how_many_it_leaves_out() -> None:
    long = season(published_sessions(203, np.random.default_rng(1)))
    shown = table(season_report(long, "Ostrel C3"), "sessions")
    assert len(shown.rows) == 200
    assert shown.rows[0].cells[1].text == "run202"
    assert shown.caption.startswith("3 earlier sessions left out")


def test_a_course_after_a_step_is_drawn_from_the_step_on() -> None:
    glazed = published_sessions(
        16,
        np.random.default_rng(18),
        lambda share: dict.fromkeys(TRUE, 0.75) if share > 0.66 else {},
    )
    drawn = figure(season_report(season(glazed), "Ostrel C3"), "breakaway").figure
    assert drawn is not None
    line = next(trace for trace in drawn["data"] if trace.get("hoverinfo") == "skip")  # type: ignore[attr-defined]
    points = next(trace for trace in drawn["data"] if "error_y" in trace)  # type: ignore[attr-defined]
    along = np.frombuffer(base64.b64decode(line["x"]["bdata"]), dtype="<f4")
    assert along.min() == pytest.approx(points["x"][10], abs=1e-3)


def test_what_a_build_never_showed_gets_no_figure() -> None:
    plain = season_report(season(published_sessions(6, np.random.default_rng(2))), "Ostrel C3")
    assert set(plain.figures()) == {"breakaway", "locks", "energy"}


def test_bench_and_log_stand_side_by_side(report: Report) -> None:
    (row,) = table(report, "bench").rows
    assert row.cells[0].text == str(Method.OTHER_WHEEL_HELD)
    assert row.cells[1].text == "1"
    assert "±" in row.cells[2].text


PAGES: dict[str, Callable[[], Report]] = {
    "season": lambda: season_report(rebuilt_season(), "Ostrel C3"),
    "season of nothing": lambda: season_report(season([]), "Ostrel C3"),
    "setups": lambda: setups_report(
        compare(runs_of_a_day("ABBA", 2, softer=0.7), "A", "B"), "Ostrel C3"
    ),
    "index": lambda: index_report(
        rebuilt_season(), published_sessions(3, np.random.default_rng(1)), HOSTILE
    ),
}


@pytest.mark.parametrize("kind", PAGES)
def test_the_page_opens_draws_and_nothing_complains(
    browser_page: WatchedPage, tmp_path: Path, kind: str
) -> None:
    report = PAGES[kind]()
    path = tmp_path / "page.html"
    path.write_text(render(report), encoding="utf-8")
    page = browser_page.open(path)
    for name in report.figures():
        page.locator(f"#figure-{name}").scroll_into_view_if_needed()
        page.locator(f"#figure-{name} .main-svg").first.wait_for()
    # The fixture fails the test when the page complains or asks the network for anything.
    assert page.locator("h1").inner_text() == report.heading
