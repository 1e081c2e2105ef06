"""The first run of the sample day, analysed once for all tests of pages on its parts."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from loaders.mapping import read_channel_map
from loaders.normalise import load_session
from pipeline.analyse import analyse
from pipeline.build_sheet import BuildSheet, read_build_sheet, read_circuit
from pipeline.result import SessionResult
from pipeline.what_if import WhatIf, what_if

SAMPLES = Path(__file__).parents[1] / "sample_logs"


@cache
def sample_sheet() -> BuildSheet:
    """The build sheet of the sample day's first run."""
    return read_build_sheet(SAMPLES / "build_sheet.toml")


@cache
def sample_result() -> SessionResult:
    """What the first run says."""
    maps = [read_channel_map(SAMPLES / "channels_run1.toml")]
    session = load_session(SAMPLES / "hollin_fell_run1.csv", maps)
    return analyse(session, sample_sheet(), read_circuit(SAMPLES / "circuit.toml"))


def other_parts(**parts: object) -> BuildSheet:
    """The sample's sheet with other packs and ramps."""
    today = sample_sheet()
    return replace(today, differential=replace(today.differential, **parts))


@cache
def sample_what_if(then: BuildSheet) -> WhatIf:
    """Other parts on the first run."""
    found = what_if(sample_result(), sample_sheet(), then)
    assert isinstance(found, WhatIf), found
    return found
