"""The what-if page: findings first, both sides of every number, both laws, and where it ends."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from conftest import WatchedPage
from sample_run import other_parts, sample_result, sample_sheet, sample_what_if

from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Missing, Predicted
from pipeline.parts import Limits
from pipeline.what_if_findings import Outlook, outlook
from reports.document import FigureSpec, Report, Table
from reports.render import render
from reports.what_if import what_if_report

STEEPER = other_parts(drive_ramp_deg=48.0)
FEWER_FACES = other_parts(friction_faces_per_pack=2)


@cache
def page_of(then: BuildSheet) -> Report:
    return what_if_report(
        sample_result().session, sample_what_if(then), sample_sheet(), then, "drive_ramp_deg=48"
    )


def tables(report: Report) -> dict[str, Table]:
    blocks = [block for section in report.sections for block in section.blocks]
    return {block.id: block for block in blocks if isinstance(block, Table)}


def said_of(then: BuildSheet, words: str) -> Outlook:
    return next(each for each in outlook(sample_what_if(then), then) if words in each.sentence)


def test_a_changed_ramp_is_said_with_what_it_does_to_the_car() -> None:
    said = said_of(STEEPER, "lock on drive")
    assert said.sentence.startswith("The lock on drive rises from 41.1 %")
    assert "inside wheel" in said.consequence


def test_a_lock_of_a_whole_or_more_is_called_a_spool() -> None:
    said = said_of(other_parts(drive_ramp_deg=22.0), "lock on drive")
    assert said.needs_attention
    assert "as a spool does" in said.consequence


def test_other_plates_of_like_friction_leave_the_direction_open() -> None:
    said = said_of(other_parts(friction_coefficient=(0.085, 0.1)), "breakaway torque")
    assert "may change" in said.sentence
    assert "wrench should read" in said.consequence


def test_what_stays_is_said_in_one_sentence() -> None:
    said = said_of(STEEPER, "stays as it is")
    assert "breakaway torque" in said.sentence
    assert "lock on overrun" in said.sentence


def test_a_breakaway_beyond_its_service_limits_needs_a_hand() -> None:
    tight = replace(FEWER_FACES, limits=Limits(breakaway_nm=(80.0, 100.0)))
    assert said_of(tight, "service limits").needs_attention


def test_a_change_too_large_for_the_history_is_among_the_findings() -> None:
    assert said_of(FEWER_FACES, "hardly holds for a change this large").needs_attention


def test_parts_that_the_sheet_leaves_out_are_named() -> None:
    said = said_of(other_parts(drive_ramp_deg=None), "cannot be said")
    assert "drive_ramp_deg" in said.sentence


@pytest.mark.parametrize(
    ("drive_ramp_deg", "way"), [(48.0, "goes on working as 1.5-way"), (75.0, "as two-way")]
)
def test_the_way_follows_from_the_ramps(drive_ramp_deg: float, way: str) -> None:
    assert way in said_of(other_parts(drive_ramp_deg=drive_ramp_deg), "-way").sentence


def test_temperatures_are_compared_with_the_same_heat_paths_in_both() -> None:
    found = sample_what_if(FEWER_FACES)
    assert isinstance(found.then["energy_per_lap_j"], Predicted)
    more = found.warmer["oil_race_end_c"]
    assert not isinstance(found.heat_then, Missing)
    alone = found.heat_then.answers["oil_race_end_c"]
    assert not isinstance(alone, Missing)
    # What is not known of the heat paths is common to both.
    assert more.half_width < 0.5 * alone.half_width


def test_more_oil_warms_more_slowly_and_ends_where_it_did() -> None:
    more = replace(sample_sheet(), oil=replace(sample_sheet().oil, volume_l=4.0))
    found = sample_what_if(more)
    assert not isinstance(found.heat_then, Missing)
    assert not isinstance(found.heat_today, Missing)
    steady, slow = (
        [heat.answers[name] for heat in (found.heat_today, found.heat_then)]
        for name in ("oil_steady_c", "oil_time_constant_s")
    )
    assert steady[1].value == pytest.approx(steady[0].value, abs=0.5)  # type: ignore[union-attr]
    assert slow[1].value > 1.3 * slow[0].value  # type: ignore[union-attr]
    assert found.warmer["oil_peak_c"].high < 0


def test_a_change_to_the_car_is_said_to_have_no_part() -> None:
    wider = replace(sample_sheet(), car=replace(sample_sheet().car, track_m=1.6))
    assert any("under [car] has no part" in limit for limit in sample_what_if(wider).limits)
    assert not any("has no part" in limit for limit in sample_what_if(STEEPER).limits)


def test_heat_paths_that_the_other_sheet_leaves_out_are_named() -> None:
    bare = replace(sample_sheet(), heat=replace(sample_sheet().heat, gear_loss=None))
    answer = sample_what_if(bare).heat_then
    assert isinstance(answer, Missing)
    assert "gear_loss" in answer.reason


def test_every_number_stands_twice_with_its_range_and_ground() -> None:
    rows = [row for name, table in tables(page_of(STEEPER)).items() if "what-if" in name
            for row in table.rows]  # fmt: skip
    assert len(rows) == 16
    for row in rows:
        _, today, then, both, ground = row.cells
        assert "±" in today.text
        assert "±" in then.text
        assert both.whisker is not None
        assert ground.text or row in tables(page_of(STEEPER))["what-if-heat"].rows
    assert tables(page_of(STEEPER))["what-if-heat"].caption.startswith("Assumed")


def test_the_changed_part_stands_with_before_and_after() -> None:
    (row,) = tables(page_of(STEEPER))["changes"].rows
    assert [cell.text for cell in row.cells] == ["Drive ramp angle", "50°", "48°"]


def test_both_laws_are_drawn_with_their_bands() -> None:
    specs = [block for section in page_of(STEEPER).sections for block in section.blocks
             if isinstance(block, FigureSpec)]  # fmt: skip
    assert [spec.id for spec in specs] == ["law", "temperature"]
    laws = sample_what_if(STEEPER).laws
    assert laws is not None
    assert laws.then is not None
    at = np.argmax(laws.input_nm)
    assert laws.then.low_nm[at] > laws.today.high_nm[at]
    assert len(specs[0].figure["data"]) == 4  # type: ignore[index, arg-type]


def test_a_law_that_cannot_be_known_leaves_todays_alone() -> None:
    then = other_parts(drive_ramp_deg=None)
    assert len(page_of(then).figures()["law"]["data"]) == 2  # type: ignore[arg-type]


@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_draws_and_fits_the_screen(
    browser_page: WatchedPage, tmp_path: Path, width: int
) -> None:
    path = tmp_path / "what_if.html"
    path.write_text(render(page_of(STEEPER)), encoding="utf-8")
    browser_page.page.set_viewport_size({"width": width, "height": 900})
    page = browser_page.open(path)
    for plot in page.locator(".plot").all():
        plot.scroll_into_view_if_needed()
        plot.locator(".main-svg").first.wait_for()
    assert page.locator(".plot .main-svg").count() > 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_what_the_session_does_not_know_is_said_and_leaves_no_hole() -> None:
    why = Missing("the build sheet leaves out gear_loss under [heat]")
    found = replace(
        sample_what_if(STEEPER), laws=None, heat_today=why, heat_then=why, warmer={}, too_far=""
    )
    report = what_if_report(sample_result().session, found, sample_sheet(), STEEPER, "ramps")
    html = render(report)
    assert report.figures() == {}
    assert "the session&#39;s law is not drawn" in html
    assert tables(report)["what-if-heat"].empty == f"Not observable: {why.reason}."
    assert any("Temperatures with these parts cannot be said" in each.sentence
               for each in outlook(found, STEEPER))  # fmt: skip
