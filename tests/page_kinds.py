"""One report of every kind of page, for what has to hold on all of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from sample_run import other_parts, sample_result, sample_sheet, sample_what_if
from seasons import published_sessions
from session_results import invented_session
from session_variants import without_laps, without_torque
from test_pipeline_setups import runs_of_a_day
from test_reports_season import rebuilt_season

from pipeline.setups import compare
from pipeline.strip_downs import worn
from reports.build_sheet import build_sheet_report
from reports.document import Report
from reports.index import index_report
from reports.season import season_report
from reports.session import session_report
from reports.setup_sheet import setup_sheet
from reports.setups import setups_report
from reports.what_if import what_if_report

STEEPER = other_parts(drive_ramp_deg=48.0)
PAGES: dict[str, Callable[[], Report]] = {
    "session": lambda: session_report(invented_session(laps=3)),
    "session without torque": lambda: session_report(without_torque(invented_session(laps=2))),
    "session without laps": lambda: session_report(without_laps(invented_session(laps=2))),
    "season": lambda: season_report(
        rebuilt_season(), "Ostrel C3", worn(rebuilt_season(), sample_sheet())
    ),
    "setups": lambda: setups_report(
        compare(runs_of_a_day("ABBA", 2, softer=0.7), "A", "B"), "Ostrel C3"
    ),
    "index": lambda: index_report(
        rebuilt_season(),
        published_sessions(25, np.random.default_rng(1)),
        "Ostrel C3",
        ("setup-sheet-A.html",),
    ),
    "build sheet": lambda: build_sheet_report(sample_sheet(), sample_result()),
    "setup sheet": lambda: setup_sheet(sample_sheet(), sample_result().estimates),
    "what-if": lambda: what_if_report(
        sample_result().session, sample_what_if(STEEPER), sample_sheet(), STEEPER, "steeper ramps"
    ),
}
