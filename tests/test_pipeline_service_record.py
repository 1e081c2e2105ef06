"""The service record: a table that people edit, read strictly and with words."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from loaders.errors import InputError
from pipeline.bench_check import Method
from pipeline.service_record import (
    HEADER,
    Entry,
    ServiceEntry,
    breakaway_of,
    line_of,
    read_service_record,
)

HEAD = ",".join(HEADER) + "\n"


def record(folder: Path, *lines: str) -> Path:
    path = folder / "service_record.csv"
    path.write_text(HEAD + "".join(line + "\n" for line in lines), encoding="utf-8")
    return path


def test_entries_come_back_in_order_of_date(tmp_path: Path) -> None:
    path = record(tmp_path, "2026-05-01,oil change,,,,", "2026-04-12,build,,,,A firm")
    assert [entry.entry for entry in read_service_record(path)] == [Entry.BUILD, Entry.OIL_CHANGE]


def test_what_is_written_reads_back_equal(tmp_path: Path) -> None:
    entry = ServiceEntry(
        date(2026, 4, 12), Entry.BENCH_CHECK, 41.5, "N m", str(Method.IN_GEAR_BACKWARD), 'warm, "1"'
    )
    assert read_service_record(record(tmp_path, line_of(entry).rstrip("\n"))) == (entry,)


def test_no_record_is_an_empty_record(tmp_path: Path) -> None:
    assert read_service_record(tmp_path / "service_record.csv") == ()


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("12/04/2026,note,,,,x", "line 2, column 'date': found '12/04/2026'; expected a date"),
        ("2026-04-12,oilchange,,,,", "note. Did you mean 'oil change'?"),
        (
            "2026-04-12,bench check,4O,N m,,",
            "line 2, column 'value': found '4O'; expected a number",
        ),
        ("2026-04-12,bench check,40,N m,by feel,", "line 2: a bench check needs its method"),
        ("2026-04-12,build,5,,,A", "line 2: the value 5 needs its unit"),
        ("2026-04-12,build,,,,", "line 2: a build needs its name"),
        ("2026-04-12,note,a, b", "line 2: found 4 cells; expected 6"),
    ],
)
def test_a_line_that_does_not_fit_is_named(tmp_path: Path, line: str, said: str) -> None:
    with pytest.raises(InputError) as problem:
        read_service_record(record(tmp_path, line))
    assert said in str(problem.value)


def test_every_problem_of_the_record_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError) as problem:
        read_service_record(record(tmp_path, "x,note,,,,", "2026-04-12,y,,,,"))
    assert "line 2" in str(problem.value)
    assert "line 3" in str(problem.value)


def bench_check(reading: float, method: Method) -> ServiceEntry:
    return ServiceEntry(date(2026, 4, 12), Entry.BENCH_CHECK, reading, "N m", str(method))


def test_checks_of_one_pack_by_two_methods_stand_for_one_breakaway_torque() -> None:
    held = bench_check(42.0, Method.OTHER_WHEEL_HELD)
    in_gear = bench_check(168.0, Method.IN_GEAR_BACKWARD)
    assert breakaway_of(held, {}) == pytest.approx(84.0)
    assert breakaway_of(in_gear, {"drive": 0.5}) == pytest.approx(84.0)


def test_a_check_in_gear_says_nothing_without_the_lock() -> None:
    assert breakaway_of(bench_check(168.0, Method.IN_GEAR_FORWARD), {"drive": 0.5}) is None
