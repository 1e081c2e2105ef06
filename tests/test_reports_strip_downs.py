"""Strip-downs on the page: a contradiction is a finding, and calls for a hand while it is time."""

from __future__ import annotations

from dataclasses import replace

import pytest
from test_pipeline_strip_downs import teardown, told

from pipeline.strip_downs import Worn
from pipeline.teardown import Seen
from reports.document import Table
from reports.strip_downs import strip_down_section, strip_down_statements

BLUE = told((teardown(Seen.COLOUR, note="dark blue, right shaft end"),))


@pytest.mark.parametrize("rebuilt", [False, True])
def test_a_contradiction_calls_for_a_hand_until_the_pack_is_built_anew(rebuilt: bool) -> None:
    one = replace(BLUE.strip_downs[0], rebuilt=rebuilt)
    (said,) = strip_down_statements(Worn((one,), BLUE.wear))
    assert said.needs_attention is not rebuilt
    assert "279 to 319 °C" in said.sentence
    assert "sheet's [heat]" in said.consequence
    assert said.grade == "seen, against assumed ranges"


def test_what_agrees_is_no_finding() -> None:
    assert strip_down_statements(told((teardown(Seen.LABEL_UNCHANGED, 110.0),))) == ()


def test_the_table_holds_the_note_and_the_verdict() -> None:
    table, _ = strip_down_section(BLUE).blocks
    assert isinstance(table, Table)
    (row,) = table.rows
    assert row.cells[2].small == "dark blue, right shaft end"
    assert row.cells[4].text == "disagrees"
