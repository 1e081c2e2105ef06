"""The build sheet's page and the setup sheet: forward, backward, unsaid, and one page of A4."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from conftest import Sidegear, WatchedPage
from report_blocks import table
from sample_run import SAMPLES, sample_result, sample_sheet

from pipeline.build_sheet import BuildSheet, Differential
from pipeline.estimate import Estimate, Missing
from pipeline.parts import HeatPaths, Limits, Oil, StackUp, Washers
from pipeline.what_if import what_if
from reports.build_sheet import build_sheet_report
from reports.document import Report, Statements, Table
from reports.render import render
from reports.setup_sheet import setup_sheet

BARE = replace(
    sample_sheet(), differential=Differential(build="bare"), washers=Washers(), stack=StackUp(),
    oil=Oil(), limits=Limits(), heat=HeatPaths(),
)  # fmt: skip


@cache
def page_of(sheet: BuildSheet, *, with_log: bool = True) -> Report:
    return build_sheet_report(sheet, sample_result() if with_log else None)


def findings(report: Report) -> list[str]:
    (block,) = report.sections[0].blocks
    assert isinstance(block, Statements)
    return [each.sentence for each in block.items]


def text_of(each: Table) -> str:
    return " ".join(f"{cell.text} {cell.small}" for row in each.rows for cell in row.cells)


def test_what_the_parts_should_give_stands_beside_what_the_log_found() -> None:
    row = table(page_of(sample_sheet()), "forward-table").rows[0]
    assert row.cells[0].text == "Breakaway torque"
    assert row.cells[1].text == "74 to 114 N·m"
    assert row.cells[2].text.startswith("90.3 ±")
    assert row.cells[3].small == "the ranges overlap"


def test_all_three_bench_readings_are_foretold() -> None:
    said = text_of(table(page_of(sample_sheet()), "forward-table"))
    for words in ("Other wheel held", "turned forward", "turned backward"):
        assert words in said


def test_the_log_is_turned_back_into_friction_force_and_height() -> None:
    rows = table(page_of(sample_sheet()), "backward-table").rows
    assert len(rows) == 8
    assert all("to" in row.cells[2].text for row in rows)


def test_findings_are_those_of_law_parts_and_heat() -> None:
    said = " ".join(findings(page_of(sample_sheet())))
    for words in ("should give", "All three agree", "washers push", "plates reach"):
        assert words in said
    assert "tyre" not in said


def test_a_bare_sheet_names_for_each_number_what_would_settle_it() -> None:
    report = page_of(BARE, with_log=False)
    said = text_of(table(report, "unsaid-table"))
    for key in ("friction_coefficient", "drive_ramp_deg", "spring_force_n", "washers' sizes"):
        assert key in said
    assert any("cannot be said with this sheet." in sentence for sentence in findings(report))


def test_a_log_that_lies_says_nothing_of_the_parts() -> None:
    found = sample_result().estimates["breakaway_torque_nm"]
    assert isinstance(found, Estimate)
    swapped = replace(found, value=-90.0, low=-95.0, high=-85.0)
    estimates = {**sample_result().estimates, "breakaway_torque_nm": swapped}
    lying = replace(sample_result(), estimates=estimates)
    report = build_sheet_report(sample_sheet(), lying)
    assert "friction would have to drive the faster wheel" in findings(report)[0]
    assert "backward" not in {section.id for section in report.sections}
    assert isinstance(what_if(lying, sample_sheet(), sample_sheet()), Missing)


def test_washers_that_may_be_flat_need_a_hand() -> None:
    pressed = StackUp(washer_compression_m=(0.0031, 0.0033))
    report = build_sheet_report(replace(sample_sheet(), stack=pressed), None)
    assert findings(report)[0].startswith("The washers may be pressed flat")


def test_temperatures_are_drawn_with_their_limits_and_called_assumed() -> None:
    figure = page_of(sample_sheet()).figures()["temperature"]
    words = [each["text"] for each in figure["layout"]["annotations"]]  # type: ignore[index]
    assert words == ["limit of the plates, 200 °C", "limit of the oil, 120 °C"]
    said = render(page_of(sample_sheet()))
    assert "oil and its assumed range" in said


def test_the_setup_sheet_has_boxes_for_what_is_measured() -> None:
    report = setup_sheet(sample_sheet(), sample_result().estimates)
    blocks = [block for section in report.sections for block in section.blocks]
    boxes = [cell for block in blocks if isinstance(block, Table) for row in block.rows
             for cell in row.cells if cell.blank]  # fmt: skip
    assert len(boxes) == 20
    assert "45" in text_of(table(report, "bench-table"))


def test_the_setup_sheet_takes_its_shim_from_the_log() -> None:
    assert isinstance(sample_result().estimates["shim_to_wanted_m"], Estimate)
    with_log = text_of(table(setup_sheet(sample_sheet(), sample_result().estimates), "stack-table"))
    without = text_of(table(setup_sheet(sample_sheet()), "stack-table"))
    assert "Shim to add, by the log" in with_log
    assert "Shim to add" not in without


WORDY = replace(
    sample_sheet(),
    car=replace(sample_sheet().car, name="A car with a very long name " * 9),
    differential=replace(sample_sheet().differential, build="of a build as long " * 9),
    oil=Oil(name="oil with a long name " * 9, volume_l=1.25, limit_c=120.0),
)


@pytest.mark.parametrize("sheet", [sample_sheet(), BARE, WORDY], ids=["sample", "bare", "wordy"])
def test_the_setup_sheet_prints_on_exactly_one_page(
    browser_page: WatchedPage, tmp_path: Path, sheet: BuildSheet
) -> None:
    path = tmp_path / "setup.html"
    path.write_text(render(setup_sheet(sheet, sample_result().estimates)), encoding="utf-8")
    printed = browser_page.open(path).pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1


@pytest.mark.parametrize("width", [390, 1280])
def test_the_pages_fit_the_screen_and_draw(
    browser_page: WatchedPage, tmp_path: Path, width: int
) -> None:
    browser_page.page.set_viewport_size({"width": width, "height": 900})
    for name, report in (("sheet", page_of(sample_sheet())), ("setup", setup_sheet(WORDY))):
        path = tmp_path / f"{name}.html"
        path.write_text(render(report), encoding="utf-8")
        page = browser_page.open(path)
        for plot in page.locator(".plot").all():
            plot.scroll_into_view_if_needed()
            plot.locator(".main-svg").first.wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_command_writes_both_before_any_log_is_there(
    sidegear: Sidegear, tmp_path: Path
) -> None:
    sheet = (SAMPLES / "build_sheet.toml").read_text(encoding="utf-8")
    (tmp_path / "build_sheet.toml").write_text(sheet, encoding="utf-8")
    said = sidegear("sheet", "-b", tmp_path)
    assert said.code == 0
    assert "should give a breakaway torque of 74 to 114 N·m" in said.out
    assert {path.name for path in tmp_path.glob("*.html")} == {
        "build-sheet-A-firm.html", "setup-sheet-A-firm.html",
    }  # fmt: skip


def test_a_planned_build_has_sheets_of_its_own_and_no_log(
    sidegear: Sidegear, tmp_path: Path
) -> None:
    sheet = (SAMPLES / "build_sheet.toml").read_text(encoding="utf-8")
    (tmp_path / "build_sheet.toml").write_text(sheet, encoding="utf-8")
    sidegear("sheet", "-b", tmp_path, "--change", "drive_ramp_deg=45")
    page = tmp_path / "setup-sheet-A-firm-drive_ramp_deg-45.html"
    assert "45°" in page.read_text(encoding="utf-8")
