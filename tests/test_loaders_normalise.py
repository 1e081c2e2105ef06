"""Every sample ends up in the session, or in a count that says why not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loaders.channels import CHANNEL_BY_NAME
from loaders.errors import InputError
from loaders.layout import Dialect
from loaders.mapping import ChannelColumn, ChannelMap, TimeColumn
from loaders.normalise import Session, Treatment, load_session, normalise
from loaders.rawtable import RawTable

WHEEL = "wheel_speed_rl_radps"
TORQUE = "shaft_torque_left_nm"
SPEED = "speed_mps"
NAN = math.nan


def session(
    time: Sequence[float] | np.ndarray,
    columns: Mapping[str, Sequence[float] | np.ndarray],
    time_unit: str = "s",
    sign: int = 1,
    units: Mapping[str, str] | None = None,
) -> Session:
    """A session of columns that are called like their channels."""
    table = {"Time": np.asarray(time, float)}
    table |= {name: np.asarray(values, float) for name, values in columns.items()}
    stated = {name: CHANNEL_BY_NAME[name].unit for name in columns} | dict(units or {})
    raw = RawTable(
        path=Path("run3.csv"),
        names=tuple(table),
        units=(time_unit, *(stated[name] for name in columns)),
        columns=table,
        rows=len(table["Time"]),
        metadata={"driver": "Mira Tolland"},
        dialect=Dialect("UTF-8", ",", ".", 1, 2, 3),
        sha256="ab" * 32,
        size_bytes=1000,
        notes=("a note",),
    )
    entries = {name: ChannelColumn(name, sign=sign) for name in columns}  # type: ignore[arg-type]
    return normalise(raw, ChannelMap(Path("channels.toml"), TimeColumn("Time"), entries))


def counts(of: Session, channel: str) -> dict[Treatment, int]:
    """How often each treatment befell a channel; several counts of one kind add up."""
    found: dict[Treatment, int] = {}
    for count in of.counts:
        if count.channel == channel:
            found[count.treatment] = found.get(count.treatment, 0) + count.count
    return found


def seconds(n: int, step: float = 0.01) -> np.ndarray:
    """Time stamps as a logger writes them."""
    return np.round(np.arange(n) * step, 2)


def complaint(*args: object, **settings: object) -> str:
    with pytest.raises(InputError) as caught:
        session(*args, **settings)  # type: ignore[arg-type]
    return str(caught.value)


# --- the plain case ----------------------------------------------------------------------------


def test_a_clean_log_passes_unchanged_and_uncounted() -> None:
    values = np.linspace(10, 90, 50)
    made = session(seconds(50), {WHEEL: values})
    np.testing.assert_array_equal(made.channels[WHEEL], values)
    assert (made.counts, made.suspect) == ((), {})


def test_the_rate_is_finer_than_the_last_digit_of_the_stamps() -> None:
    # 120 Hz in stamps of two digits: steps of 0.00, 0.01 and mixed lengths.
    made = session(np.round(np.arange(2400) / 60, 2), {WHEEL: np.full(2400, 50.0)})
    assert made.rate_hz == pytest.approx(60.0, rel=1e-4)


def test_units_and_sign_are_applied() -> None:
    made = session(
        seconds(6), {"yaw_rate_radps": [90.0] * 6}, units={"yaw_rate_radps": "deg/s"}, sign=-1
    )
    assert made.channels["yaw_rate_radps"][0] == pytest.approx(-math.pi / 2)


def test_all_units_that_are_not_known_come_in_one_error() -> None:
    columns = {WHEEL: [50.0] * 6, SPEED: [20.0] * 6}
    said = complaint(seconds(6), columns, time_unit="tick", units={WHEEL: "turn", SPEED: "league"})
    assert [f"has unit '{unit}'" in said for unit in ("tick", "turn", "league")] == [True] * 3


def test_time_in_milliseconds_becomes_seconds() -> None:
    made = session(np.arange(6) * 10, {WHEEL: [50.0] * 6}, time_unit="ms")
    assert (made.rate_hz, made.time_s[-1]) == (100.0, pytest.approx(0.05))


def test_time_need_not_begin_at_zero() -> None:
    made = session(1.7e9 + np.arange(100) * 0.01, {WHEEL: np.full(100, 50.0)})
    assert (made.rate_hz, made.time_s[0]) == (pytest.approx(100.0, rel=1e-6), 1.7e9)


def test_the_session_knows_where_it_comes_from() -> None:
    made = session(seconds(6), {WHEEL: [50.0] * 6})
    assert (made.source.file, made.source.rows, made.source.notes) == ("run3.csv", 6, ("a note",))
    assert made.metadata == {"driver": "Mira Tolland"}


@pytest.mark.parametrize(
    ("name", "start"),
    [("run 3/4", "run_3_4-"), (".hidden", "hidden-"), ("...", "log-"), ("Übung", "Übung-")],
)
def test_the_id_is_a_file_name(name: str, start: str) -> None:
    made = replace(session(seconds(6), {WHEEL: [50.0] * 6}), name=name)
    assert made.id == start + "abababab"


# --- samples -----------------------------------------------------------------------------------


def test_a_sample_beyond_the_limits_is_dropped_counted_and_bridged() -> None:
    made = session(seconds(50), {WHEEL: [50.0] * 20 + [4000.0] + [52.0] * 29})
    assert counts(made, WHEEL) == {Treatment.DROPPED: 1, Treatment.FILLED: 1}
    assert made.channels[WHEEL][20] == pytest.approx(51.0)


def test_a_dropped_sample_is_placed_in_time_with_the_limits() -> None:
    made = session(seconds(50), {WHEEL: [50.0] * 20 + [4000.0] + [52.0] * 29})
    dropped = made.counts[0]
    assert (dropped.first_s, dropped.detail) == (0.2, "outside -20 to 400 rad/s")


@pytest.mark.parametrize("value", [math.inf, -math.inf])
def test_an_infinite_sample_is_dropped_and_counted(value: float) -> None:
    made = session(seconds(50), {WHEEL: [50.0] * 20 + [value] + [50.0] * 29})
    assert counts(made, WHEEL)[Treatment.DROPPED] == 1
    assert np.isfinite(made.channels[WHEEL]).all()


def test_a_sample_that_overflows_in_its_unit_is_dropped_and_counted() -> None:
    made = session(
        seconds(20), {"brake_pressure_pa": [1.0] * 19 + [1e308]}, units={"brake_pressure_pa": "bar"}
    )
    assert counts(made, "brake_pressure_pa")[Treatment.DROPPED] == 1


def test_a_bridged_sample_is_marked_as_suspect() -> None:
    made = session(seconds(50), {WHEEL: [50.0] * 20 + [NAN] + [52.0] * 29})
    assert np.flatnonzero(made.suspect[WHEEL]).tolist() == [20]


def test_a_hole_as_long_as_the_gap_rule_is_bridged() -> None:
    # A wheel speed is bridged over 0.1 s: ten steps of 10 ms, nine samples without a value.
    made = session(seconds(50), {WHEEL: [50.0] * 20 + [NAN] * 9 + [60.0] * 21})
    assert counts(made, WHEEL) == {Treatment.FILLED: 9}


def test_a_hole_longer_than_the_gap_rule_stays_open() -> None:
    made = session(seconds(50), {WHEEL: [50.0] * 20 + [NAN] * 11 + [60.0] * 19})
    assert counts(made, WHEEL) == {Treatment.MISSING: 11}
    assert np.isnan(made.channels[WHEEL][20:31]).all()


def test_nothing_is_invented_before_the_first_and_after_the_last_sample() -> None:
    made = session(seconds(50), {WHEEL: [NAN] * 3 + [50.0] * 44 + [NAN] * 3})
    assert counts(made, WHEEL) == {Treatment.MISSING: 6}


def test_a_torque_pinned_at_its_largest_value_is_marked_and_kept() -> None:
    values = [*np.linspace(0, 900, 20), *[1000.0] * 6, *np.linspace(900, 0, 20)]
    made = session(seconds(46), {TORQUE: values})
    assert counts(made, TORQUE) == {Treatment.CLAMPED: 6}
    assert made.channels[TORQUE][22] == 1000.0
    assert np.flatnonzero(made.suspect[TORQUE]).tolist() == list(range(20, 26))


def test_a_torque_that_touches_its_largest_value_is_no_clamp() -> None:
    made = session(seconds(46), {TORQUE: [*range(21), *[20.0] * 3, *range(22)]})
    assert Treatment.CLAMPED not in counts(made, TORQUE)


def test_a_slow_torque_at_its_stop_is_marked_too() -> None:
    values = np.full(200, NAN)
    values[::10] = [*range(0, 70, 10), *[100.0] * 6, *range(70, 0, -10)]
    made = session(seconds(200), {TORQUE: values, WHEEL: np.full(200, 50.0)})
    assert counts(made, TORQUE)[Treatment.CLAMPED] == 6


def test_a_column_without_any_value_is_missing_from_end_to_end() -> None:
    made = session(seconds(20), {WHEEL: [50.0] * 20, SPEED: [NAN] * 20})
    assert counts(made, SPEED) == {Treatment.MISSING: 20}
    assert made.counts[0].detail == "the column is blank"


def test_a_column_that_is_wrong_throughout_is_told_from_a_blank_one() -> None:
    made = session(seconds(20), {WHEEL: [50.0] * 20, SPEED: [500.0] * 20})
    assert counts(made, SPEED) == {Treatment.DROPPED: 20, Treatment.MISSING: 20}
    assert made.counts[1].detail == "no sample is inside the limits"


# --- several rates -----------------------------------------------------------------------------


def test_a_slower_channel_is_carried_to_the_time_base_and_counted() -> None:
    values = np.full(101, NAN)
    values[::5] = np.arange(21.0)
    made = session(seconds(101), {WHEEL: np.full(101, 50.0), SPEED: values})
    assert counts(made, SPEED) == {Treatment.RESAMPLED: 80}
    np.testing.assert_allclose(made.channels[SPEED], np.arange(101) / 5)


def test_a_slower_channel_is_not_suspect() -> None:
    values = np.full(101, NAN)
    values[::5] = 1.0
    assert SPEED not in session(seconds(101), {SPEED: values}).suspect


def test_a_dropout_of_a_slower_channel_is_told_from_its_rate() -> None:
    values = np.full(101, NAN)
    values[::5] = 20.0
    values[50] = NAN
    made = session(seconds(101), {WHEEL: np.full(101, 50.0), SPEED: values})
    assert counts(made, SPEED) == {Treatment.RESAMPLED: 72, Treatment.FILLED: 9}


def test_a_gear_is_held_and_not_drawn_across() -> None:
    gears = np.full(31, NAN)
    gears[::10] = [2, 2, 3, 3]
    made = session(seconds(31), {"gear": gears})
    assert set(made.channels["gear"].tolist()) == {2.0, 3.0}
    assert made.channels["gear"][19] == 2.0


def test_a_channel_far_too_slow_for_its_rule_is_not_drawn_across() -> None:
    values = np.full(1001, NAN)
    values[::200] = 50.0
    made = session(seconds(1001), {SPEED: np.full(1001, 20.0), WHEEL: values})
    assert counts(made, WHEEL) == {Treatment.MISSING: 995}


# --- time --------------------------------------------------------------------------------------


def test_rows_that_were_not_logged_are_a_hole_in_time() -> None:
    time = np.concatenate((seconds(50), seconds(50) + 1.0))
    made = session(time, {WHEEL: np.full(100, 50.0)})
    assert len(made.time_s) == 150
    assert counts(made, WHEEL) == {Treatment.MISSING: 50}


@pytest.mark.parametrize(
    ("stamp", "detail"),
    [
        (0.49, "rows whose time stamp repeats the one before"),
        (0.2, "rows whose time stamp runs backward"),
        (NAN, "rows without a time stamp"),
        (math.inf, "rows without a time stamp"),
    ],
)
def test_a_row_without_a_time_of_its_own_is_dropped_and_counted(stamp: float, detail: str) -> None:
    time = seconds(100)
    time[50] = stamp
    made = session(time, {WHEEL: np.full(100, 50.0)})
    [lost] = [count for count in made.counts if count.channel == "time_s"]
    assert (lost.count, lost.detail) == (1, detail)
    assert lost.first_s == pytest.approx(0.49)


def test_a_row_without_a_time_at_the_very_start_is_placed_at_the_first_time() -> None:
    time = seconds(100) + 7
    time[0] = NAN
    assert session(time, {WHEEL: np.full(100, 50.0)}).counts[0].first_s == 7.01


def test_a_time_column_that_is_half_blank_still_gives_a_session() -> None:
    time = seconds(101)
    time[1::2] = NAN
    made = session(time, {WHEEL: np.full(101, 50.0)})
    assert (made.rate_hz, counts(made, "time_s")) == (50.0, {Treatment.DROPPED: 50})


def test_uneven_stamps_are_carried_to_an_even_time_base() -> None:
    rng = np.random.default_rng(1)
    time = np.cumsum(rng.uniform(0.006, 0.014, 500))
    made = session(time, {WHEEL: 50 + time})
    assert counts(made, "time_s") == {Treatment.RESAMPLED: 500}
    np.testing.assert_allclose(np.diff(made.time_s), 1 / made.rate_hz, rtol=1e-4)
    np.testing.assert_allclose(made.channels[WHEEL][1:-1], 50 + made.time_s[1:-1], atol=1e-9)


def test_two_recordings_in_one_file_are_an_error() -> None:
    time = np.concatenate((seconds(100), seconds(60)))
    assert complaint(time, {WHEEL: np.full(160, 50.0)}) == (
        "run3.csv: column 'Time': 60 of 160 rows lie before an earlier row, the first at data row "
        "101, where 0.99 s is followed by 0 s; expected a time that rises. Two recordings in one "
        "file? Export each alone."
    )


def test_a_time_with_too_few_digits_is_an_error() -> None:
    time = np.floor(np.arange(500) * 0.01)
    said = complaint(time, {WHEEL: np.full(500, 50.0)})
    assert "495 of 500 rows repeat the time before them" in said
    assert "Export the time with more digits." in said


@pytest.mark.parametrize("time", [[NAN] * 20, [3.0] + [NAN] * 19])
def test_a_time_column_without_times_is_an_error(time: list[float]) -> None:
    said = complaint(time, {WHEEL: [50.0] * 20})
    assert said.endswith("expected at least two. Check [time] in channels.toml.")


def test_a_time_in_the_wrong_unit_is_an_error() -> None:
    said = complaint(seconds(20), {WHEEL: [50.0] * 20}, time_unit="us")
    assert "the time rises in steps of 1e-08 s; expected 1e-05 to 10 s. Check its unit" in said


@pytest.mark.parametrize("far", [1e8, 1e300])
def test_a_clock_that_leaps_is_an_error_that_says_where(far: float) -> None:
    time = seconds(100)
    time[60:] += far
    said = complaint(time, {WHEEL: np.full(100, 50.0)})
    assert said.startswith("run3.csv: column 'Time': ")


def test_a_leap_is_placed_between_the_stamps_around_it() -> None:
    time = seconds(100)
    time[60:] += 1e6
    said = complaint(time, {WHEEL: np.full(100, 50.0)})
    assert "most of it between 0.59 s and 1000000.6 s" in said


@given(kept=st.sets(st.integers(0, 39), min_size=1))
def test_whatever_is_missing_every_sample_is_its_own_or_counted(kept: set[int]) -> None:
    own = np.full(40, NAN)
    own[list(kept)] = np.arange(len(kept)) + 20.0
    made = session(seconds(40), {SPEED: np.full(40, 20.0), WHEEL: own})
    found = counts(made, WHEEL)
    np.testing.assert_array_equal(made.channels[WHEEL][list(kept)], own[list(kept)])
    assert np.isnan(made.channels[WHEEL]).sum() == found.get(Treatment.MISSING, 0)
    assert len(kept) + sum(found.values()) == 40


# --- from a file -------------------------------------------------------------------------------


def test_one_log_in_three_layouts_is_one_session(tmp_path: Path) -> None:
    time, speeds = seconds(40), np.round(50 + np.sin(np.arange(40) / 5), 2)
    layouts = {
        "a.csv": ("Time,W\ns,rad/s\n", "{t:.2f},{v:.2f}\n", False),
        "b.csv": ("car;Ostrel C3\n\nt [s];w [rad/s]\n", "{t:.2f};{v:.2f}\n", True),
        "c.txt": ("T\tWHL\n", "{t:.2f}\t{v:.2f}\n", False),
    }
    maps = [
        ChannelMap(Path("a.toml"), TimeColumn("Time"), {WHEEL: ChannelColumn("W")}),
        ChannelMap(Path("b.toml"), TimeColumn("t [s]"), {WHEEL: ChannelColumn("w [rad/s]")}),
        ChannelMap(Path("c.toml"), TimeColumn("T", "s"), {WHEEL: ChannelColumn("WHL", "rad/s")}),
    ]
    for name, (head, row, comma) in layouts.items():
        text = "".join(row.format(t=t, v=v) for t, v in zip(time, speeds, strict=True))
        (tmp_path / name).write_text(head + (text.replace(".", ",") if comma else text))
    sessions = [load_session(tmp_path / name, maps) for name in layouts]
    assert [made.source.channel_map for made in sessions] == ["a.toml", "b.toml", "c.toml"]
    for made in sessions:
        np.testing.assert_array_equal(made.channels[WHEEL], speeds)
