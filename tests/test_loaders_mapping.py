"""The channel map says which column is which channel, or what to correct in it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from loaders.channels import CHANNEL_BY_NAME
from loaders.errors import InputError
from loaders.layout import Dialect
from loaders.mapping import (
    ChannelColumn,
    ChannelMap,
    TimeColumn,
    choose_map,
    read_channel_map,
    time_unit,
    unit_for,
)
from loaders.rawtable import Layout

GOOD = """
schema = 1
[time]
column = "Time"
unit = "s"
[channels.wheel_speed_rl_radps]
column = "Wheel RL"
unit = "rad/s"
[channels.wheel_speed_rr_radps]
column = "Wheel RR"
unit = "rad/s"
"""
PLACE = "run3.csv: column 'Wheel RL'"


def write(folder: Path, text: str, name: str = "channels.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def complaint(folder: Path, text: str) -> str:
    with pytest.raises(InputError) as caught:
        read_channel_map(write(folder, text))
    return str(caught.value)


def layout(*names: str) -> Layout:
    return Layout(names, (None,) * len(names), {}, Dialect("UTF-8", ",", ".", 3, None, 4))


def a_map(name: str, *columns: str) -> ChannelMap:
    channels = dict(zip(CHANNEL_BY_NAME, map(ChannelColumn, columns), strict=False))
    return ChannelMap(Path(name), TimeColumn("Time"), channels)


# --- reading the map ---------------------------------------------------------------------------


def test_a_map_is_read_as_written(tmp_path: Path) -> None:
    assert read_channel_map(write(tmp_path, GOOD)) == ChannelMap(
        tmp_path / "channels.toml",
        TimeColumn("Time", "s"),
        {
            "wheel_speed_rl_radps": ChannelColumn("Wheel RL", "rad/s"),
            "wheel_speed_rr_radps": ChannelColumn("Wheel RR", "rad/s"),
        },
    )


def test_the_map_that_new_writes_is_a_map() -> None:
    template = Path(__file__).parents[1] / "pipeline" / "templates" / "channels.toml"
    assert "wheel_speed_rl_radps" in read_channel_map(template).channels


def test_the_map_that_new_writes_names_every_channel() -> None:
    template = Path(__file__).parents[1] / "pipeline" / "templates" / "channels.toml"
    text = template.read_text(encoding="utf-8")
    assert [name for name in CHANNEL_BY_NAME if name not in text] == []


def test_an_unknown_channel_is_answered_with_the_nearest(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD + '[channels.wheel_speed_fl_radp]\ncolumn = "Wheel FL"\n')
    assert said.startswith(
        "channels.toml: [channels.wheel_speed_fl_radp]: no such channel. "
        "Did you mean 'wheel_speed_fl_radps'? Known: wheel_speed_fl_radps, "
    )


def test_an_unknown_key_is_answered_with_the_nearest(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD + 'units = "rad/s"\n')
    assert said == (
        "channels.toml: [channels.wheel_speed_rr_radps]: unknown key 'units'. Did you mean 'unit'? "
        "Allowed here: column, unit, sign, rolling_radius_m, gain, offset, delay_s."
    )


def test_a_column_mapped_twice_is_an_error(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD.replace("Wheel RR", "Wheel RL"))
    assert said == (
        "channels.toml: column 'Wheel RL' is mapped to both wheel_speed_rl_radps and "
        "wheel_speed_rr_radps. Remove one."
    )


def test_the_time_column_is_no_channel_as_well(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD.replace("Wheel RR", "Time"))
    assert "column 'Time' is mapped to both the time and wheel_speed_rr_radps" in said


def test_a_channel_without_column_is_an_error(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD + "[channels.gear]\n")
    assert said == (
        "channels.toml: [channels.gear]: 'column' is not set (exact column text). Add it."
    )


def test_a_map_without_time_is_an_error(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD.replace('column = "Time"\n', ""))
    assert "channels.toml: [time]: 'column' is not set" in said


def test_a_map_without_channels_is_an_error(tmp_path: Path) -> None:
    said = complaint(tmp_path, 'schema = 1\n[time]\ncolumn = "Time"\n')
    assert "no channel is mapped" in said


@pytest.mark.parametrize("sign", ["true", "2", "1.0", '"-1"'])
def test_a_sign_is_one_or_minus_one_and_nothing_else(tmp_path: Path, sign: str) -> None:
    said = complaint(tmp_path, GOOD + f"sign = {sign}\n")
    assert f"sign = {sign}; expected 1 or -1." in said


def test_a_negative_radius_is_an_error(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD + "rolling_radius_m = -0.3\n")
    assert "rolling_radius_m = -0.3; expected a number above 0 to 1 " in said


def test_a_radius_is_refused_where_it_would_do_nothing(tmp_path: Path) -> None:
    said = complaint(
        tmp_path, GOOD + '[channels.speed_mps]\ncolumn = "v"\nrolling_radius_m = 0.3\n'
    )
    assert "[channels.speed_mps]: rolling_radius_m is for wheel speeds only" in said


def test_all_problems_of_a_map_come_in_one_error(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD.replace("schema = 1", "schema = 2") + "sign = 0\nmisspelt = 1")
    for part in ("schema = 2; expected 1", "sign = 0; expected 1 or -1", "unknown key 'misspelt'"):
        assert part in said


def test_a_map_saved_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "channels.toml"
    path.write_text(GOOD, encoding="utf-8-sig", newline="\r\n")
    assert read_channel_map(path).time.column == "Time"


def test_broken_toml_is_named_with_its_line(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD + "[channels.gear\n")
    assert said.startswith("channels.toml: not valid TOML: ")
    assert "line 12" in said


def test_a_map_that_is_not_there_is_an_error_that_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no such file\. Make a logbook with 'sidegear new"):
        read_channel_map(tmp_path / "channels.toml")


@pytest.mark.parametrize("gain", ["0", "-1.0"])
def test_a_gain_turns_nothing_round(tmp_path: Path, gain: str) -> None:
    said = complaint(tmp_path, GOOD + f"gain = {gain}\n")
    assert f"gain = {gain}; expected a number above 0" in said


def test_a_delay_is_a_matter_of_seconds(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD + "delay_s = 40\n")
    assert "delay_s = 40; expected a number from -10 to 10" in said


def test_a_map_says_whether_it_is_accepted(tmp_path: Path) -> None:
    assert read_channel_map(write(tmp_path, GOOD)).accepted
    assert not read_channel_map(write(tmp_path, "accepted = false\n" + GOOD)).accepted
    assert 'accepted = "yes"; expected true or false' in complaint(
        tmp_path, 'accepted = "yes"\n' + GOOD
    )


# --- choosing the map --------------------------------------------------------------------------


def test_the_map_whose_columns_are_all_there_is_chosen() -> None:
    maps = [a_map("a.toml", "A"), a_map("b.toml", "B")]
    assert choose_map(maps, layout("Time", "B", "C"), Path("run3.csv")) is maps[1]


def test_two_fitting_maps_are_an_error_that_names_both() -> None:
    maps = [a_map("a.toml", "A"), a_map("b.toml", "B")]
    with pytest.raises(InputError) as caught:
        choose_map(maps, layout("Time", "A", "B"), Path("run3.csv"))
    assert str(caught.value) == (
        "run3.csv: the channel maps a.toml and b.toml both fit. Name one with --map."
    )


def test_when_no_map_fits_the_nearest_one_is_explained() -> None:
    maps = [a_map("a.toml", "A", "Q", "R"), a_map("b.toml", "Wheel FL", "Wheel FR", "Gear")]
    with pytest.raises(InputError) as caught:
        choose_map(maps, layout("Time", "Wheel_FL", "Wheel FR"), Path("run3.csv"))
    assert str(caught.value) == (
        "run3.csv: line 3: no column is called 'Gear', 'Wheel FL', as b.toml expects. "
        "Did you mean 'Wheel_FL' for 'Wheel FL'? The log's columns are 'Time', 'Wheel_FL', "
        "'Wheel FR'. Correct the column text in b.toml, remove the channels that this log does not "
        "have, or have a map proposed: 'sidegear channels run3.csv'."
    )


def test_a_proposal_is_not_used_before_it_is_accepted() -> None:
    proposal = replace(a_map("channels_run3.toml", "A"), accepted=False)
    with pytest.raises(InputError) as caught:
        choose_map([proposal], layout("Time", "A"), Path("run3.csv"))
    assert str(caught.value) == (
        "run3.csv: the channel map channels_run3.toml fits but is only a proposal. Look it over, "
        "then run 'sidegear channels run3.csv --accept' or write accepted = true at its top."
    )


def test_an_accepted_map_goes_before_a_proposal() -> None:
    proposal = replace(a_map("channels_run3.toml", "A"), accepted=False)
    own = a_map("channels.toml", "A")
    assert choose_map([proposal, own], layout("Time", "A"), Path("run3.csv")) is own


# --- units and signs ---------------------------------------------------------------------------


def test_the_unit_in_the_map_goes_before_the_one_in_the_log() -> None:
    entry = ChannelColumn("v", "km/h")
    assert unit_for("speed_mps", entry, "m/s", PLACE, "map").factor == pytest.approx(1 / 3.6)


def test_the_unit_in_the_log_counts_when_the_map_has_none() -> None:
    assert unit_for("speed_mps", ChannelColumn("v"), "km/h", PLACE, "map").factor == pytest.approx(
        1 / 3.6
    )


def test_a_unit_that_stands_nowhere_is_an_error() -> None:
    with pytest.raises(InputError) as caught:
        unit_for("wheel_speed_rl_radps", ChannelColumn("Wheel RL"), None, PLACE, "channels.toml")
    assert str(caught.value) == (
        "run3.csv: column 'Wheel RL' has no unit in the log and none in channels.toml. "
        'Set unit = "rad/s" or what it is under [channels.wheel_speed_rl_radps].'
    )


def test_a_count_needs_no_unit() -> None:
    assert unit_for("gear", ChannelColumn("Gear"), None, PLACE, "map").factor == 1.0


def test_a_time_without_unit_is_an_error() -> None:
    with pytest.raises(InputError, match=r'Set unit = "s" or what it is under \[time\]'):
        time_unit(TimeColumn("Time"), None, "run3.csv: column 'Time'", "channels.toml")


def test_a_wheel_speed_in_kmh_is_turned_back_with_the_loggers_radius() -> None:
    entry = ChannelColumn("Wheel RL", "km/h", rolling_radius_m=0.3)
    # 108 km/h is 30 m/s; on a wheel of 0.3 m that is 100 rad/s.
    assert 108 * unit_for("wheel_speed_rl_radps", entry, None, PLACE, "m").factor == pytest.approx(
        100.0
    )


def test_a_wheel_speed_in_kmh_without_radius_is_an_error() -> None:
    entry = ChannelColumn("Wheel RL", "km/h")
    with pytest.raises(InputError) as caught:
        unit_for("wheel_speed_rl_radps", entry, None, PLACE, "channels.toml")
    assert str(caught.value) == (
        "run3.csv: column 'Wheel RL' is a wheel speed in 'km/h'; turning it back into rotation "
        "needs the radius the logger used. Set rolling_radius_m under "
        "[channels.wheel_speed_rl_radps] in channels.toml."
    )


def test_a_radius_beside_a_rotational_speed_is_an_error() -> None:
    entry = ChannelColumn("Wheel RL", "rpm", rolling_radius_m=0.3)
    with pytest.raises(InputError, match="is a rotational speed already"):
        unit_for("wheel_speed_rl_radps", entry, None, PLACE, "channels.toml")


def test_an_engine_speed_is_never_a_linear_speed() -> None:
    entry = ChannelColumn("n", "km/h")
    with pytest.raises(InputError, match="no unit of rotational speed"):
        unit_for("engine_speed_radps", entry, None, PLACE, "channels.toml")


def test_a_negative_sign_turns_the_channel_round() -> None:
    entry = ChannelColumn("Yaw", "deg/s", -1)
    unit = unit_for("yaw_rate_radps", entry, None, PLACE, "map")
    assert 90 * unit.factor + unit.offset == pytest.approx(-math.pi / 2)


def test_a_negative_sign_turns_the_offset_too() -> None:
    entry = ChannelColumn("T", "degF", -1)
    unit = unit_for("oil_temperature_c", entry, None, PLACE, "map")
    # 212 degF is 100 degC (NIST SP 811 (2008), appendix B.7).
    assert 212 * unit.factor + unit.offset == pytest.approx(-100.0)


def test_gain_comes_before_the_offset_and_both_are_in_the_channels_own_unit_and_sign() -> None:
    entry = ChannelColumn("T", "kN m", -1, gain=1.1, offset=5.0)
    unit = unit_for("shaft_torque_left_nm", entry, None, PLACE, "map")
    # -(0.2 kN m) x 1.1 + 5 N m
    assert 0.2 * unit.factor + unit.offset == pytest.approx(-215.0)
