"""The session's page as data: what is said, in which order, and how what is missing is said."""

from __future__ import annotations

import dataclasses
import re

import pytest
from report_blocks import figure, statements, table
from session_results import estimate, invented_session
from session_variants import NO_TORQUE, without_laps, without_torque

from pipeline.estimate import Choice, Estimate, Grade, Missing, Predicted
from pipeline.result import AxleState, Phase, SessionResult
from reports.document import Cell, FigureSpec, Report, Row, Table, Whisker
from reports.number_tables import against_sheet, choice_table, whisker
from reports.session import session_report
from reports.session_tables import Footnotes, corner_table, lap_table


@pytest.fixture(scope="module")
def result() -> SessionResult:
    return invented_session()


@pytest.fixture(scope="module")
def report(result: SessionResult) -> Report:
    return session_report(result)


def row_of(shown: Table, anchor: str) -> Row:
    return next(row for row in shown.rows if row.anchor == anchor)


def words(row: Row) -> str:
    return " | ".join(f"{cell.text} {cell.small}".strip() for cell in row.cells)


def test_findings_come_first_and_those_that_need_a_hand_lead_them(report: Report) -> None:
    assert report.sections[0].id == "findings"
    marks = [item.needs_attention for item in statements(report).items]
    assert marks == sorted(marks, reverse=True)
    assert marks[0]


def test_every_link_of_a_finding_leads_to_a_number_or_figure_of_the_page(report: Report) -> None:
    places = {
        row.anchor
        for section in report.sections
        for block in section.blocks
        if isinstance(block, Table)
        for row in block.rows
    } | {
        f"figure-{block.id}"
        for section in report.sections
        for block in section.blocks
        if isinstance(block, FigureSpec)
    }
    links = [link for item in statements(report).items for link in item.links]
    assert len(links) >= len(statements(report).items)
    assert {link.target for link in links} <= places


def test_each_key_number_has_interval_unit_grade_count_and_method(report: Report) -> None:
    said = words(row_of(table(report, "numbers"), "n-breakaway_torque_nm"))
    for part in ("64 N·m", "60 to 68", "measured, n 6", "laps, t interval"):
        assert part in said


def test_the_build_sheets_range_stands_beside_the_number_with_a_verdict(report: Report) -> None:
    said = words(row_of(table(report, "numbers"), "n-breakaway_torque_nm"))
    assert "71 to 85 N·m below its range" in said
    said = words(row_of(table(report, "numbers"), "n-lock_overrun"))
    assert "gives none: the build sheet does not state the overrun ramp" in said


def test_every_estimate_of_the_session_is_on_the_page_once(
    result: SessionResult, report: Report
) -> None:
    anchors = [
        row.anchor
        for section in report.sections
        for block in section.blocks
        if isinstance(block, Table) and block.id.startswith(("numbers", "further-"))
        for row in block.rows
    ]
    assert sorted(anchors) == sorted(f"n-{name}" for name in result.estimates)


def test_a_missing_number_says_not_observable_and_why(result: SessionResult) -> None:
    changed = session_report(without_torque(result))
    said = words(row_of(table(changed, "numbers"), "n-lock_drive"))
    assert f"not observable: {NO_TORQUE.reason}" in said
    laps = table(changed, "lap-table")
    cell = laps.rows[1].cells[2]
    assert cell.text == "not observable"
    assert (cell.mark, f"not observable: {NO_TORQUE.reason}") in laps.footnotes
    assert cell.sort is None


def test_one_reason_shared_by_many_cells_is_one_footnote(result: SessionResult) -> None:
    notes = lap_table(without_torque(result)).footnotes
    assert len([text for _, text in notes if NO_TORQUE.reason in text]) == 1


def test_a_lap_left_out_keeps_its_row_and_says_why(report: Report) -> None:
    laps = table(report, "lap-table")
    out = laps.rows[0]
    assert not out.counted
    assert (out.cells[0].mark, "not counted: out-lap: it starts in the pit lane") in laps.footnotes


def test_grade_and_count_move_into_the_heading_when_all_laps_agree(report: Report) -> None:
    laps = table(report, "lap-table")
    assert laps.columns[2].unit == "kJ · measured · n 9"
    assert laps.rows[1].cells[2].small == ""


def test_counts_that_differ_stand_beside_each_number(result: SessionResult) -> None:
    second = dataclasses.replace(result.laps[1], energy_j=estimate(2e4, 3e2, "J", n=4))
    changed = dataclasses.replace(result, laps=(result.laps[0], second, *result.laps[2:]))
    shown = lap_table(changed)
    assert shown.columns[2].unit == "kJ · measured"
    assert shown.rows[1].cells[2].small == "n 4"


def test_the_yaw_moment_is_told_in_words_and_only_when_its_sign_is_clear(
    result: SessionResult,
) -> None:
    moments = {
        Phase.OVERRUN: estimate(-100.0, 20.0, "N m"),
        Phase.NEUTRAL: estimate(10.0, 20.0, "N m"),
        Phase.DRIVE: estimate(90.0, 20.0, "N m"),
    }
    corner = dataclasses.replace(result.corners[0], yaw_moment_nm=moments)
    row = corner_table(dataclasses.replace(result, corners=(corner,))).rows[0]
    assert [cell.text for cell in row.cells[-3:]] == ["holds out", "no clear sign", "turns in"]


def test_event_counts_stand_under_their_own_letter(result: SessionResult) -> None:
    shown = lap_table(result)
    letters = [column.label for column in shown.columns[-4:]]
    assert letters == ["H", "I", "A", "D"]
    counts = result.laps[2].event_counts
    assert [cell.text for cell in shown.rows[2].cells[-4:]] == [
        str(counts[state])
        for state in (
            AxleState.HELD,
            AxleState.INSIDE_OVERSPEED,
            AxleState.AXLE_OVERSPEED,
            AxleState.INSIDE_DRAG,
        )
    ]


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (1.0, 2.0, "below its range"),
        (2.0, 3.0, "the ranges overlap"),
        (6.0, 7.0, "above its range"),
    ],
)
def test_a_number_is_held_against_the_sheets_range(low: float, high: float, verdict: str) -> None:
    sheet = Predicted(4.0, 3.0, 5.0, "N m", "parts")
    mine = estimate(0.5 * (low + high), 0.5 * (high - low), "N m")
    assert against_sheet(mine, sheet) == verdict
    assert against_sheet(mine, Missing("no parts")) == ""


def test_a_whisker_keeps_the_order_of_its_values_and_starts_from_zero() -> None:
    drawn = whisker(estimate(-2.0, 1.0, "N m"), Predicted(4.0, 3.0, 5.0, "N m", "parts"))
    assert drawn.low < drawn.value < drawn.high < drawn.zero
    assert drawn.sheet_low is not None
    assert drawn.zero < drawn.sheet_low
    with pytest.raises(ValueError, match="scale of 0 to 1"):
        Whisker(0.5, 0.2, 1.2)


def test_the_words_for_who_cannot_see_a_figure_state_its_finding(result: SessionResult) -> None:
    report = session_report(result)
    said = {name: figure(report, name).description for name in report.figures()}
    assert re.search(r"Breakaway torque \d+ ± \d+ N·m, lock on drive [\d.]+ ± ", said["lock"])
    assert re.search(r"most heat in corner \d+ [\d.]+ ± [\d.]+ kJ, corner \d+", said["heat"])
    assert re.search(r"[Mm]ost slip events in corner \d+, \d+", said["slip"])
    assert re.search(r"input torque runs from −\d+ to ", said["torque"])
    assert "Most heat in corner" in said["map"]


def test_the_quickest_counted_lap_is_shown_first(result: SessionResult, report: Report) -> None:
    counted = [lap for lap in result.laps if lap.valid]
    assert report.first_lap == min(counted, key=lambda lap: lap.lap_time_s).number


def test_a_session_without_laps_is_still_a_page(result: SessionResult) -> None:
    empty = session_report(without_laps(result))
    assert empty.laps == ()
    assert empty.first_lap is None
    assert statements(empty).items == ()
    assert table(empty, "lap-table").empty == "No lap was found in this log."


def test_thresholds_exclusions_quality_and_provenance_are_on_the_page(
    result: SessionResult, report: Report
) -> None:
    said = " ".join(
        words(row)
        for name in ("exclusions", "quality", "thresholds")
        for row in table(report, name).rows
    )
    for limit in result.thresholds:
        assert limit.source in said
    for entry in result.exclusions:
        assert entry.reason in said
        assert entry.consequence in said
    for note in result.quality:
        assert note.consequence in said


def test_a_table_whose_row_does_not_fit_is_refused() -> None:
    shown = table(session_report(invented_session(laps=3)), "exclusions")
    with pytest.raises(ValueError, match="cells under"):
        dataclasses.replace(shown, rows=(Row((Cell("one"),)),))


def test_a_figure_is_either_drawn_or_explained() -> None:
    with pytest.raises(ValueError, match="either the figure or the reason"):
        FigureSpec("x", 1, "Why?", "", "", None)


def test_footnotes_run_on_after_z() -> None:
    notes = Footnotes()
    marks = [notes.mark(f"reason {i}") for i in range(28)]
    assert (marks[0], marks[25], marks[26], marks[27]) == ("a", "z", "aa", "ab")


def test_the_interval_of_every_shown_estimate_is_beside_it(result: SessionResult) -> None:
    for lap, row in zip(result.laps, lap_table(result).rows, strict=True):
        for answer, cell in zip(
            (lap.energy_j, lap.peak_power_w, lap.effective_lock_drive), row.cells[2:5], strict=True
        ):
            if isinstance(answer, Estimate):
                assert "±" in cell.text or " to " in cell.text


def test_a_kind_that_the_sheet_states_and_the_log_cannot_judge_has_no_odds(
    result: SessionResult,
) -> None:
    stated = Choice({"adding": 0.5, "greater of": 0.5}, "adding", 6, Grade.INFERRED, "stated")
    shown = choice_table(dataclasses.replace(result, choices={"preload_law": stated}))
    (row,) = shown.rows
    assert [cell.text for cell in row.cells][1:3] == ["adding", "not judged"]
