"""Delimiter, decimal mark, header and units are found by evidence, or stated."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loaders.errors import InputError
from loaders.header import read_header
from loaders.layout import TextHabits, find_layout
from loaders.readers import read_raw_table

RUN = Path("run3.csv")


def layout_of(text: str, **stated: str) -> str:
    return str(find_layout(RUN, text.encode(), "UTF-8", TextHabits(**stated)).dialect)


def rows(row: str, n: int = 8) -> str:
    return f"{row}\n" * n


def test_what_is_stated_goes_before_what_is_found() -> None:
    text = "a,b;c\n" + rows("1,2;2")
    assert layout_of(text, delimiter=";").startswith("semicolon between cells, decimal comma")


def test_a_statement_that_does_not_hold_is_an_error() -> None:
    with pytest.raises(InputError, match=r"Does what \[text\] in the channel map states hold"):
        layout_of("a,b\n" + rows("1.5,2.5"), delimiter="|")


@pytest.mark.parametrize(
    ("cell", "mark"),
    [("0,125", "comma"), ("80,5", "comma"), ("1.234,5", "comma"), ("1,234.5", "point"),
     ("1234.567", "point"), ("80.1234", "point"), ("1.234,567", "comma")],
)  # fmt: skip
def test_one_cell_tells_the_decimal_mark(cell: str, mark: str) -> None:
    assert f"decimal {mark}" in layout_of("a;b\n" + rows("1;2") + f"1;{cell}\n")


@pytest.mark.parametrize("mark", [",", "."])
def test_a_mark_before_three_digits_everywhere_is_a_tie(mark: str) -> None:
    with pytest.raises(InputError, match=r"State the decimal mark in the channel map: \[text\]"):
        layout_of("a;b\n" + rows(f"1;12{mark}500"))


def header(*lines: str) -> tuple[tuple[str, ...], dict[str, str]]:
    width = lines[-1].count(",") + 1
    data = [",".join("1" * width)] * 5
    found = read_header(RUN, [*lines, *data], len(lines), ",", width)
    return found.names, found.metadata


def test_names_over_two_rows_are_joined_when_one_row_does_not_tell_them_apart() -> None:
    assert header("Time,Wheel,Wheel", ",RL,RR")[0] == ("Time", "Wheel RL", "Wheel RR")
    assert header("Front,Rear,Rear", "Speed,Left,Left")[0] == ("Speed", "Left", "Left")
    assert header("Rear,Front,Rear", "Speed,Speed,Left")[0] == (
        "Rear Speed", "Front Speed", "Rear Left",
    )  # fmt: skip


def test_a_row_of_groups_above_names_that_stand_alone_is_kept_as_metadata() -> None:
    names, metadata = header("Logger,Wheels,Wheels", "Time,RL,RR")
    assert (names, metadata) == (("Time", "RL", "RR"), {"Logger": "Wheels Wheels"})


groups = st.sampled_from([" ", "\u00a0", "\u2009", "\u202f", "'", "\u2019", ",", "."])


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    table=st.lists(
        st.tuples(st.integers(-(10**12), 10**12), st.integers(0, 9999)), min_size=6, max_size=12
    ),
    mark=st.sampled_from(".,"),
    group=groups,
    quoted=st.booleans(),
)
def test_any_number_reads_back_with_any_thousands_mark(
    tmp_path: Path, table: list[tuple[int, int]], mark: str, group: str, quoted: bool
) -> None:
    if group == mark:
        return
    sign = '"' if quoted else ""
    texts = [f"{whole:,}".replace(",", group) + f"{mark}{part:04d}" for whole, part in table]
    path = tmp_path / "run3.csv"
    path.write_text(
        "a;b\n" + "".join(f"{i};{sign}{t}{sign}\n" for i, t in enumerate(texts)), "utf-8"
    )
    raw = read_raw_table(path, lambda layout: set(layout.names))
    np.testing.assert_array_equal(
        raw.columns["b"], [float(f"{whole}.{part:04d}") for whole, part in table]
    )
