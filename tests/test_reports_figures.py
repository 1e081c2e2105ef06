"""Figures: valid for plotly, complete for every lap, light, and free of text from the log."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from drawn_laps import bound, lap_values
from report_blocks import figure as figure_of
from session_results import invented_session
from session_variants import hostile, without_laps, without_position, without_torque

from pipeline.result import SessionResult
from reports.document import Report
from reports.lap_columns import energy_so_far_kj, lap_columns, spans
from reports.session import session_report

FIGURES = ("lock", "slip", "heat", "torque", "map")


@pytest.fixture(scope="module")
def result() -> SessionResult:
    return invented_session()


@pytest.fixture(scope="module")
def report(result: SessionResult) -> Report:
    return session_report(result)


def lap(report: Report, number: int) -> dict[str, Any]:
    assert report.data is not None
    laps = report.data["laps"]
    assert isinstance(laps, dict)
    return laps[str(number)]


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize("number", [0, 1, 6])
def test_every_figure_is_valid_for_plotly_before_and_after_a_lap_is_chosen(
    report: Report, name: str, number: int
) -> None:
    figure = report.figures()[name]
    go.Figure(figure)
    drawn = go.Figure(bound(figure, lap(report, number)))
    assert any(trace.x is not None and len(trace.x) > 1 for trace in drawn.data)


@pytest.mark.parametrize("name", FIGURES)
def test_two_laps_give_two_different_drawings(report: Report, name: str) -> None:
    figure = report.figures()[name]
    assert bound(figure, lap(report, 2)) != bound(figure, lap(report, 3))


def test_every_axis_that_shows_a_quantity_names_it_with_its_unit(report: Report) -> None:
    for name, figure in report.figures().items():
        layout = figure["layout"]
        assert isinstance(layout, dict)
        titles = [
            axis["title"]["text"]
            for key, axis in layout.items()
            if key.startswith(("xaxis", "yaxis")) and axis.get("visible", True)
        ]
        assert all("[" in title for title in titles if title), name


def test_a_lap_keeps_its_highest_and_lowest_value_within_the_rounding(
    result: SessionResult, report: Report
) -> None:
    power = result.traces.friction_power_w
    assert power is not None
    for number, span in spans(result).items():
        drawn = lap_values(lap(report, number))["power"]["y"]
        full = 1e-3 * span.of(power)
        rounding = float(np.ptp(full)) / 8_000
        assert float(np.nanmax(drawn)) == pytest.approx(float(full.max()), abs=rounding)
        assert float(np.nanmin(drawn)) == pytest.approx(float(full.min()), abs=rounding)


def test_a_gap_in_the_log_is_a_gap_in_the_drawing(report: Report) -> None:
    assert np.isnan(lap_values(lap(report, 0))["difference"]["y"]).any()


def test_the_energy_curve_ends_where_a_plain_sum_of_the_power_ends() -> None:
    # 500 W for 10 s, then signed noise that cancels: 5 kJ, by hand.
    time_s = np.linspace(0.0, 20.0, 2_001)
    power_w = np.where(time_s <= 10.0, 500.0, np.where(np.arange(2_001) % 2 == 0, 80.0, -80.0))
    assert energy_so_far_kj(time_s, power_w)[-1] == pytest.approx(5.0, abs=0.01)


def test_no_text_from_the_log_enters_a_figure(result: SessionResult) -> None:
    attacked = session_report(hostile(result))
    text = json.dumps(attacked.figures()) + json.dumps(attacked.data)
    not_counted = json.dumps({"notCounted": attacked.data["notCounted"]} if attacked.data else {})
    assert "onerror" in not_counted
    assert "onerror" not in json.dumps(attacked.figures())
    assert text.count("onerror") == not_counted.count("onerror")


@pytest.mark.parametrize(
    ("change", "absent"),
    [
        (without_torque, {"lock", "heat", "torque"}),
        (without_position, {"map"}),
        (without_laps, {"lock", "slip", "heat", "torque", "map"}),
    ],
    ids=["no torque", "no position", "no laps"],
)
def test_a_figure_without_its_channels_says_why_it_is_absent(
    result: SessionResult, change, absent: set[str]
) -> None:
    changed = session_report(change(result))
    assert set(FIGURES) - set(changed.figures()) == absent
    for name in absent:
        assert figure_of(changed, name).absent.endswith(".")


def test_the_columns_of_a_lap_with_too_few_samples_are_left_out(result: SessionResult) -> None:
    assert lap_columns(without_laps(result)) == ({}, 0.0)
