"""A text table is read as it stands, in the layout it has, or refused with line and column."""

from __future__ import annotations

import contextlib
import hashlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from loaders.errors import InputError
from loaders.header import bracketed_unit
from loaders.layout import TextHabits
from loaders.rawtable import Layout, RawTable
from loaders.readers import read_raw_table

COMMA = """\
Time,Wheel RL,Wheel RR,Gear
s,km/h,km/h,-
0.00,10.5,10.25,1
0.01,10.6,10.35,1
0.02,10.7,10.45,1
0.03,10.8,10.55,1
0.04,10.9,10.65,2
"""
SEMICOLON = """\
car;Ostrel C3
driver;Mira Tolland
note

t [s];omega_rl [rad/s];omega_rr (rad/s);beacon
0,00;10,5;-3;0
0,01;10,6;-4;0
0,02;10,7;-5;0
0,03;10,8;-6;0
0,04;10,9;-7;1
"""
TAB = """\
TIME_S\tWHL_RL_RPM\tYAW
0.00\t100.5\t1.5
0.01\t100.6\t
0.02\t100.7\t2.5
0.03\t100.8\t
0.04\t100.9\t
"""


def everything(layout: Layout) -> set[str]:
    return set(layout.names)


def read(folder: Path, content: str | bytes, *wanted: str) -> RawTable:
    path = folder / "run3.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_raw_table(path, lambda layout: set(wanted) or everything(layout))


def complaint(folder: Path, content: str | bytes, *wanted: str) -> str:
    with pytest.raises(InputError) as caught:
        read(folder, content, *wanted)
    return str(caught.value)


# --- three layouts -----------------------------------------------------------------------------


def test_a_comma_table_with_a_unit_row_is_read(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA)
    assert raw.names == ("Time", "Wheel RL", "Wheel RR", "Gear")
    assert raw.units == ("s", "km/h", "km/h", "-")
    assert raw.columns["Wheel RR"].tolist() == [10.25, 10.35, 10.45, 10.55, 10.65]


def test_a_semicolon_table_with_decimal_commas_is_read(tmp_path: Path) -> None:
    raw = read(tmp_path, SEMICOLON)
    assert raw.columns["t [s]"].tolist() == [0.0, 0.01, 0.02, 0.03, 0.04]
    assert raw.columns["omega_rr (rad/s)"].tolist() == [-3, -4, -5, -6, -7]


def test_units_in_brackets_are_found_in_the_header(tmp_path: Path) -> None:
    assert read(tmp_path, SEMICOLON).units == ("s", "rad/s", "rad/s", None)


def test_lines_above_the_header_are_kept_as_metadata(tmp_path: Path) -> None:
    assert read(tmp_path, SEMICOLON).metadata == {
        "car": "Ostrel C3",
        "driver": "Mira Tolland",
        "note": "",
    }


def test_blank_cells_of_slower_channels_are_holes(tmp_path: Path) -> None:
    yaw = read(tmp_path, TAB).columns["YAW"]
    np.testing.assert_array_equal(yaw, [1.5, np.nan, 2.5, np.nan, np.nan])


@pytest.mark.parametrize(
    ("content", "cells", "lines"),
    [
        (
            COMMA,
            "comma between cells, decimal point",
            "names 1, units 2, data 3",
        ),
        (SEMICOLON, "semicolon between cells, decimal comma", "names 5, data 6"),
        (TAB, "tab between cells, decimal point", "names 1, data 2"),
    ],
)
def test_the_layout_that_was_found_can_be_told(
    tmp_path: Path, content: str, cells: str, lines: str
) -> None:
    for word, full in (("names", "column names on"), ("units", "units on"), ("data", "data from")):
        lines = lines.replace(word, f"{full} line")
    assert str(read(tmp_path, content).dialect) == f"{cells}, UTF-8, {lines}"


def test_only_the_wanted_columns_are_read(tmp_path: Path) -> None:
    assert list(read(tmp_path, COMMA, "Gear", "Time").columns) == ["Time", "Gear"]


def test_the_bytes_as_they_came_are_hashed(tmp_path: Path) -> None:
    content = COMMA.encode("utf-16")
    raw = read(tmp_path, content)
    # hashlib of the standard library over the same bytes.
    assert (raw.sha256, raw.size_bytes) == (hashlib.sha256(content).hexdigest(), len(content))


# --- encodings and line ends -------------------------------------------------------------------

DEGREES = COMMA.replace("Gear", "Öl").replace("-\n", "°C\n")


@pytest.mark.parametrize(
    ("python_name", "said"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8 with mark"),
        ("utf-16", "UTF-16"),
        ("cp1252", "Windows-1252"),
    ],
)
def test_signs_beyond_ascii_survive_in_every_encoding(
    tmp_path: Path, python_name: str, said: str
) -> None:
    raw = read(tmp_path, DEGREES.encode(python_name))
    assert (raw.names[3], raw.units[3], raw.dialect.encoding) == ("Öl", "°C", said)


def test_big_endian_utf_16_is_read(tmp_path: Path) -> None:
    raw = read(tmp_path, b"\xfe\xff" + DEGREES.encode("utf-16-be"))
    assert raw.units[3] == "°C"


def test_utf_8_cut_short_inside_a_character_is_still_utf_8(tmp_path: Path) -> None:
    raw = read(tmp_path, (DEGREES + "°").encode()[:-1])
    assert (raw.units[3], raw.rows) == ("°C", 5)


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_kind_of_line_end_is_read(tmp_path: Path, line_end: str) -> None:
    raw = read(tmp_path, SEMICOLON.replace("\n", line_end))
    assert raw.columns["beacon"].tolist() == [0, 0, 0, 0, 1]


def test_a_form_feed_in_the_preamble_is_no_line_end(tmp_path: Path) -> None:
    raw = read(tmp_path, SEMICOLON.replace("note", "page\fbreak\x85here"))
    assert raw.dialect.first_data_line == 6


# --- habits ------------------------------------------------------------------------------------


def test_trailing_delimiters_everywhere_are_a_column_without_name(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace("\n", ",\n"), "Gear")
    assert raw.names == ("Time", "Wheel RL", "Wheel RR", "Gear", "")


def test_trailing_delimiters_below_a_header_without_one_are_no_column(tmp_path: Path) -> None:
    head, data = COMMA[: COMMA.index("0.00")], COMMA[COMMA.index("0.00") :]
    raw = read(tmp_path, head + data.replace("\n", ",\n"), "Gear")
    assert raw.columns["Gear"].tolist() == [1, 1, 1, 1, 2]


def test_a_trailing_delimiter_in_the_header_alone_is_no_column(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace("Gear\ns,", "Gear,\ns,"))
    assert raw.names == ("Time", "Wheel RL", "Wheel RR", "Gear")


def test_a_quoted_name_may_hold_the_delimiter(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace("Wheel RL", '"Wheel, rear ""left"""'))
    assert raw.names[1] == 'Wheel, rear "left"'


def test_a_blank_line_between_header_and_data_does_not_matter(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace("-\n", "-\n\n"))
    assert raw.units[1] == "km/h"


def test_a_unit_row_in_brackets_is_read_without_them(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace("s,km/h,km/h,-", "[s],[km/h],[km/h],[-]"))
    assert raw.units == ("s", "km/h", "km/h", "-")


def test_a_unit_row_with_mostly_strange_units_is_known_by_its_repeats(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace("s,km/h,km/h,-", "s,furlong/h,furlong/h,cog"))
    assert raw.units == ("s", "furlong/h", "furlong/h", "cog")


def test_a_unit_row_with_blanks_leaves_the_others(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace("s,km/h,km/h,-", "s,km/h,km/h,"))
    assert raw.units == ("s", "km/h", "km/h", None)


def test_a_preamble_as_wide_as_the_table_is_no_header(tmp_path: Path) -> None:
    raw = read(tmp_path, "car,Ostrel C3,run,3\n" + COMMA)
    assert raw.names[0] == "Time"
    assert raw.metadata == {"car": "Ostrel C3 run 3"}


def test_a_preamble_of_numbers_is_no_data(tmp_path: Path) -> None:
    raw = read(tmp_path, "rate,100\nlaps,5\n" * 4 + COMMA)
    assert (raw.rows, raw.metadata["laps"]) == (5, "5")


def test_a_header_repeated_further_down_is_left_out_and_said(tmp_path: Path) -> None:
    rows = COMMA[COMMA.index("0.00") :]
    raw = read(tmp_path, COMMA + COMMA + rows * 50)
    assert raw.rows == 260
    assert raw.notes[0].startswith("2 lines from line 8 on that repeat the lines above the data")


def test_a_second_table_of_another_width_is_an_error_and_hides_no_rows(tmp_path: Path) -> None:
    said = complaint(tmp_path, COMMA + "a,b,c,d,e\n" + "1,2,3,4,5\n" * 500)
    assert "line 8: found 5 cells; expected 4" in said


def test_a_column_of_text_that_nobody_wants_does_not_matter(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace(",1\n", ",first\n"), "Time", "Wheel RL")
    assert raw.rows == 5


def test_rows_without_any_value_in_the_first_lines_are_rows(tmp_path: Path) -> None:
    raw = read(tmp_path, TAB.replace("0.01\t100.6\t", "\t\t") + "0.05\t101\t\n")
    np.testing.assert_array_equal(raw.columns["TIME_S"], [0.0, np.nan, 0.02, 0.03, 0.04, 0.05])


def test_cells_of_blanks_are_holes(tmp_path: Path) -> None:
    raw = read(tmp_path, TAB.replace("0.01\t100.6\t", "0.01\t      \t"))
    assert np.isnan(raw.columns["WHL_RL_RPM"][1])


def test_blanks_around_numbers_and_names_do_not_matter(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace(",", " , "))
    assert raw.columns["Wheel RL"][0] == 10.5


@pytest.mark.parametrize(
    ("written", "value"), [("+10.5", 10.5), ("1.05e+1", 10.5), (".5", 0.5), ("5.", 5.0)]
)
def test_a_number_may_be_written_in_several_ways(
    tmp_path: Path, written: str, value: float
) -> None:
    raw = read(tmp_path, COMMA.replace("10.5,", f"{written},"))
    assert raw.columns["Wheel RL"][0] == value


def test_the_word_nan_is_a_hole(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA.replace("10.6,", "NaN,"))
    assert np.isnan(raw.columns["Wheel RL"][1])


def test_a_table_of_whole_numbers_is_read(tmp_path: Path) -> None:
    raw = read(tmp_path, "a,b\n" + "1,2\n" * 6)
    assert (raw.dialect.delimiter, raw.columns["b"].tolist()) == (",", [2.0] * 6)


def test_a_decimal_comma_that_comes_late_is_still_found(tmp_path: Path) -> None:
    raw = read(tmp_path, "a;b\n" + "1;2\n" * 3000 + "1,5;2\n")
    assert raw.columns["a"][-1] == 1.5


def test_five_rows_are_enough(tmp_path: Path) -> None:
    assert read(tmp_path, COMMA).rows == 5


def test_a_long_preamble_is_skipped(tmp_path: Path) -> None:
    raw = read(tmp_path, "remark: nothing to see here\n" * 1500 + COMMA)
    assert raw.dialect.header_line == 1501


@pytest.mark.parametrize("name", ["v [km/h]", "v (km/h)", "v[km/h] "])
def test_a_unit_in_brackets_is_seen(name: str) -> None:
    assert bracketed_unit(name) == "km/h"


# --- damage ------------------------------------------------------------------------------------


def test_a_last_line_without_end_is_left_out_and_said(tmp_path: Path) -> None:
    raw = read(tmp_path, COMMA + "0.05,11.0,10.7")
    assert (raw.rows, raw.notes) == (
        5,
        ("the last line has no line end and may be cut short; it was left out",),
    )


def test_a_number_that_may_have_lost_its_last_digits_is_not_used(tmp_path: Path) -> None:
    assert read(tmp_path, COMMA + "0.05,11.0,10.75,2").columns["Gear"].tolist() == [1, 1, 1, 1, 2]


def test_a_text_cell_is_named_by_line_and_column(tmp_path: Path) -> None:
    assert complaint(tmp_path, COMMA.replace("10.8", "ERR")) == (
        "run3.csv: line 6, column 'Wheel RL': found 'ERR'; expected a number with decimal point "
        "or a blank cell. Correct or blank the cell."
    )


def test_a_number_with_the_other_decimal_mark_is_named(tmp_path: Path) -> None:
    said = complaint(tmp_path, SEMICOLON.replace("10,8", "10.8"))
    assert "line 9, column 'omega_rl [rad/s]': found '10.8'" in said


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_a_line_is_counted_alike_with_every_line_end(tmp_path: Path, line_end: str) -> None:
    said = complaint(tmp_path, SEMICOLON.replace("10,8", "ERR").replace("\n", line_end))
    assert "line 9," in said


def test_a_bad_cell_is_told_from_an_earlier_nan(tmp_path: Path) -> None:
    said = complaint(tmp_path, COMMA.replace("10.6,", "nan,").replace("10.8", "1_0"))
    assert "line 6, column 'Wheel RL': found '1_0'" in said


@pytest.mark.parametrize("line", [3, 4, 7])
def test_a_row_of_another_width_is_named_by_line(tmp_path: Path, line: int) -> None:
    lines = (COMMA + "0.05,11.0,10.7,1\n" * 6).splitlines()
    lines[line - 1] += ",7,8"
    assert complaint(tmp_path, "\n".join(lines) + "\n") == (
        f"run3.csv: line {line}: found 6 cells; expected 4, as in the row of column names. "
        "Repair or cut the line, or export the log again."
    )


def test_a_nul_byte_is_named_by_line(tmp_path: Path) -> None:
    said = complaint(tmp_path, COMMA.replace("10.8", "10\0008"))
    assert said.startswith("run3.csv: line 6: a NUL byte among the numbers; ")


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_a_stray_quote_is_named_by_line(tmp_path: Path, line_end: str) -> None:
    said = complaint(tmp_path, COMMA.replace("10.8", '"10.8').replace("\n", line_end))
    assert said.startswith("run3.csv: line 6: a quote sign among the numbers; ")


def test_two_wanted_columns_of_one_name_are_an_error(tmp_path: Path) -> None:
    assert complaint(tmp_path, COMMA.replace("Wheel RR", "Wheel RL"), "Time", "Wheel RL") == (
        "run3.csv: line 1: more than one column is called 'Wheel RL'; the channel map cannot tell "
        "them apart. Rename one in the export."
    )


def test_two_columns_of_one_name_that_nobody_wants_do_not_matter(tmp_path: Path) -> None:
    assert read(tmp_path, COMMA.replace("Wheel RR", "Wheel RL"), "Time", "Gear").rows == 5


def test_a_table_without_header_is_an_error(tmp_path: Path) -> None:
    assert complaint(tmp_path, COMMA[COMMA.index("0.00") :]) == (
        "run3.csv: line 1: rows of 4 numbers begin here, but there is no line above them; expected "
        "a row of 4 column names. Export the log with its header."
    )


def test_a_header_of_another_width_is_an_error(tmp_path: Path) -> None:
    said = complaint(tmp_path, SEMICOLON.replace(";beacon", ""))
    assert "rows of 4 numbers begin here, but line 5, the last above them, has 3;" in said


@pytest.mark.parametrize("content", ["", "\n", " \r\n\r\n", "\ufeff", "\n" * 9000])
def test_an_empty_file_is_an_error(tmp_path: Path, content: str) -> None:
    assert complaint(tmp_path, content) == (
        "run3.csv: the file is empty; expected a header and rows of numbers. Export the log again."
    )


@pytest.mark.parametrize(
    "content",
    [
        "Dear Mira, the car was fine today, thank you.\n" * 20,
        "{" + '"a": [1, 2, 3], ' * 20_000 + "}",
        "<html><body>" + "x" * 300_000,
        "one,line\n",
        "a,b\n1,2\n3,4\n",
    ],
)
def test_a_text_that_is_no_log_is_an_error(tmp_path: Path, content: str) -> None:
    said = complaint(tmp_path, content)
    assert "expected at least 5 rows of two or more numbers" in said


def test_a_binary_file_is_an_error_that_says_so(tmp_path: Path) -> None:
    said = complaint(tmp_path, bytes(range(256)) * 40)
    assert "It holds NUL bytes, so it is no plain text" in said


def test_a_tie_between_delimiters_is_an_error(tmp_path: Path) -> None:
    said = complaint(tmp_path, "a,b;c\n" + "1,x;2\n" * 8)
    assert "could be parted by comma or semicolon equally well" in said


def test_a_missing_file_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"run9\.csv: no such file\. Check the name"):
        read_raw_table(tmp_path / "run9.csv", everything)


def test_a_folder_is_no_log(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder; expected a log file"):
        read_raw_table(tmp_path, everything)


# --- any table in any dialect ------------------------------------------------------------------

tables = arrays(
    np.float64,
    st.tuples(st.integers(6, 12), st.integers(2, 5)),
    elements=st.floats(allow_nan=False, allow_infinity=False, width=64),
)
dialects = st.sampled_from(
    [(delimiter, mark) for delimiter in ",;\t| " for mark in ".," if delimiter != mark]
)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    table=tables,
    dialect=dialects,
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    unit_row=st.booleans(),
    quoted=st.booleans(),
    preamble=st.sampled_from(["", "car{d}Ostrel C3\nnote\n\n", "a long remark\n"]),
)
def test_any_table_of_numbers_reads_back_equal_in_any_dialect(
    tmp_path: Path,
    table: np.ndarray,
    dialect: tuple[str, str],
    line_end: str,
    encoding: str,
    unit_row: bool,
    quoted: bool,
    preamble: str,
) -> None:
    delimiter, mark = dialect
    names = [f"channel_{i}[°]" for i in range(table.shape[1])]
    sign = '"' if quoted and delimiter != " " else ""
    lines = [*preamble.replace("{d}", delimiter).splitlines(), delimiter.join(names)]
    lines += [delimiter.join(["deg"] * len(names))] if unit_row else []
    lines += [
        delimiter.join(sign + repr(v).replace(".", mark) + sign for v in row)
        for row in table.tolist()
    ]
    content = (line_end.join(lines) + line_end).encode(encoding)
    try:
        raw = read(tmp_path, content)
    except InputError as tie:
        # Where every mark stands before three digits there is no evidence; then it is stated.
        assert "State the decimal mark in the channel map" in str(tie)  # noqa: PT017
        raw = read_raw_table(tmp_path / "run3.csv", everything, TextHabits(decimal_mark=mark))
    assert raw.names == tuple(names)
    np.testing.assert_array_equal(np.column_stack([raw.columns[name] for name in names]), table)


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    start=st.integers(0, len(SEMICOLON)),
    length=st.integers(0, 8),
    instead=st.binary(max_size=12),
)
def test_damage_is_read_or_refused_but_never_a_crash(
    tmp_path: Path, start: int, length: int, instead: bytes
) -> None:
    content = SEMICOLON.encode()
    content = content[:start] + instead + content[start + length :]
    with contextlib.suppress(InputError):
        read(tmp_path, content)
