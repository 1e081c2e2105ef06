"""Times written as text become seconds, as the standard library reads them."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loaders.timestamps import Counting, over_midnight, seconds_of

zones = st.sampled_from(["", "Z", "+00:00", "+02:00", "-0330", "+05:45", "-08"])


@settings(deadline=None)  # the first call loads the compute functions
@given(
    stamps=st.lists(
        st.datetimes(dt.datetime(1980, 1, 1), dt.datetime(2200, 1, 1)),  # noqa: DTZ001
        min_size=1,
        max_size=8,
    ),
    between=st.sampled_from("T "),
    zone=zones,
    mark=st.sampled_from(".,"),
)
def test_date_times_are_those_of_the_standard_library(
    stamps: list[dt.datetime], between: str, zone: str, mark: str
) -> None:
    texts = [stamp.isoformat(between, "microseconds").replace(".", mark) + zone for stamp in stamps]
    read = seconds_of(pa.chunked_array([texts], pa.string()), Counting("iso"))
    # datetime.fromisoformat of the standard library, which reads ISO 8601.
    expected = [dt.datetime.fromisoformat(text) for text in texts]
    midnight = expected[0].replace(hour=0, minute=0, second=0, microsecond=0)
    np.testing.assert_allclose(
        read.values,
        [(stamp - midnight).total_seconds() for stamp in expected],
        atol=1e-6,
        rtol=1e-14,
    )


@pytest.mark.parametrize(
    "text",
    ["20260412T101530.25Z", "20260412T101530", "20260412T101530,125", "20260412T101530+0200",
     "20260412t101530z", "20260412T101530-08", "2026-04-12 10:15:30.123456",
     "2026-04-12t10:15:30z", "2026-04-12T10:15:30,5+02:00", "20260412T101530.5+05:30"],
)  # fmt: skip
def test_the_ordinary_ways_to_write_a_date_time_are_those_of_the_standard_library(
    text: str,
) -> None:
    read = seconds_of(pa.chunked_array([[text]]), Counting("iso"))
    # datetime.fromisoformat of the standard library, which reads ISO 8601; some versions refuse the
    # small letters that RFC 3339 sec. 5.6 allows.
    stamp = dt.datetime.fromisoformat(text.upper())
    midnight = stamp.replace(hour=0, minute=0, second=0, microsecond=0)
    assert read.values[0] == pytest.approx((stamp - midnight).total_seconds(), abs=1e-9)
    assert read.counting.said is not None
    assert read.counting.said.startswith(f"seconds count from {midnight:%Y-%m-%d}")


@pytest.mark.parametrize("written", ["%Y-%m-%d", "%Y/%m/%d", "%d.%m.%Y"])
def test_dates_are_days_of_the_calendar(written: str) -> None:
    # Over a leap day and a turn of the year, as the standard library counts days.
    days = [dt.date(2027, 12, 31), dt.date(2028, 1, 1), dt.date(2028, 2, 29), dt.date(2028, 3, 1)]
    texts = [f"{day:{written}}" for day in days]
    read = seconds_of(pa.chunked_array([texts]), Counting("date"))
    assert (read.values / 86_400).tolist() == [(day - days[0]).days for day in days]


@pytest.mark.parametrize("text", ["31.02.2026", "2026-02-30", "2026/13/01", "1.13.2026"])
def test_what_is_no_day_of_the_calendar_is_placed(text: str) -> None:
    texts = ["2026-01-01", None, text]
    assert seconds_of(pa.chunked_array([texts]), Counting("date")).bad_row == 2


@pytest.mark.parametrize(
    "text",
    ["2026-02-29T10:00:00", "2026-13-01T10:00:00", "2026-01-01T24:00:01", "2026-01-01T10:60:00",
     "2026-01-01T10:00:60", "2026-01-01"],
)  # fmt: skip
def test_what_is_no_date_time_is_placed(text: str) -> None:
    texts = ["2026-01-01T10:00:00", None, text]
    assert seconds_of(pa.chunked_array([texts]), Counting("iso")).bad_row == 2


@settings(deadline=None)  # the first call loads the compute functions
@given(st.floats(0, 359_999, width=32))
def test_clock_times_are_hours_minutes_and_seconds(seconds: float) -> None:
    ms = round(seconds * 1000)
    text = f"{ms // 3_600_000}:{ms // 60_000 % 60:02d}:{ms / 1000 % 60:06.3f}"
    read = seconds_of(pa.chunked_array([[text]]), Counting("clock"))
    assert read.values[0] == pytest.approx(ms / 1000, abs=1e-6)


def test_a_step_back_of_less_than_half_a_day_is_no_midnight() -> None:
    read = over_midnight(np.array([100.0, 50.0]), Counting("clock"))
    assert read.values.tolist() == [100.0, 50.0]


def test_two_midnights_are_two_days() -> None:
    times = np.array([86_000.0, 10.0, np.nan, 86_000.0, 10.0])
    read = over_midnight(times, Counting("clock"))
    np.testing.assert_array_equal(read.values, [86_000, 86_410, np.nan, 172_400, 172_810])
    assert read.counting.said == "the clock runs over midnight 2 times"


def test_blank_cells_stay_blank() -> None:
    for kind in ("clock", "iso"):
        read = seconds_of(pa.chunked_array([[None, None]], pa.string()), Counting(kind))
        assert np.isnan(read.values).all()


@settings(deadline=None)
@given(
    times=st.lists(st.one_of(st.none(), st.floats(0, 100_000)), max_size=12),
    cut=st.integers(0, 12),
)
def test_a_clock_read_in_two_parts_is_the_clock_read_at_once(
    times: list[float | None], cut: int
) -> None:
    values = np.array([np.nan if time is None else time for time in times])
    whole = over_midnight(values, Counting("clock"))
    first = over_midnight(values[:cut], Counting("clock"))
    second = over_midnight(values[cut:], first.counting)
    parts = np.concatenate((first.values, second.values))
    np.testing.assert_array_equal(parts, whole.values)
    assert second.counting.nights == whole.counting.nights


def test_dates_of_later_rows_count_from_the_first_ones_midnight() -> None:
    first = seconds_of(pa.chunked_array([["2026-04-18T23:59:59+02:00"]]), Counting("iso"))
    read = seconds_of(pa.chunked_array([["2026-04-18T22:00:01Z"]]), first.counting)
    assert read.values.tolist() == [86_401.0]
    assert read.counting.said == "seconds count from 2026-04-18T00:00:00+02:00"
    assert seconds_of(pa.chunked_array([["2026-04-19T00:00:02"]]), first.counting).bad_row == 0
