"""A log proposes its own channel map: right where physics can tell, and silent where it cannot."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import circuit_car
import numpy as np
import pytest
from simulated import simulate

from loaders.channels import CHANNEL_BY_NAME
from loaders.judging import Car
from loaders.mapping import ChannelMap, read_channel_map
from loaders.proposals import Confidence, Proposal, Proposals
from loaders.propose import propose
from loaders.rawtable import RawTable
from loaders.readers import read_raw_table
from loaders.units import canonical

SAMPLES = Path(__file__).parents[1] / "sample_logs"
RUNS = ("hollin_fell_run1.csv", "hollin_fell_run2.csv", "hollin_fell_run3.txt")
CAR = Car("rear", 0.312, 0.305)
GEOGRAPHIC = "hollin_fell_run2.csv"


@cache
def sample(name: str) -> tuple[RawTable, ChannelMap]:
    raw = read_raw_table(SAMPLES / name, lambda layout: set(layout.names))
    number = name.split("run")[1][0]
    return raw, read_channel_map(SAMPLES / f"channels_run{number}.toml")


def nameless(name: str, *, units: bool) -> tuple[Proposals, dict[str, str]]:
    """What is proposed for a sample log whose columns are called c1, c2 …, and their true names."""
    raw, _ = sample(name)
    called = {f"c{i + 1}": own for i, own in enumerate(raw.names)}
    stated = raw.units if units else [None] * len(raw.names)
    columns = {new: raw.columns[own] for new, own in called.items()}
    return propose(list(called), stated, columns, CAR), called


def check(
    proposals: Mapping[str, Proposal],
    called: Mapping[str, str],
    raw: RawTable,
    channel_map: ChannelMap,
) -> None:
    """Each proposal has the column, unit, sign and radius of the map that was made by hand."""
    stated = dict(zip(raw.names, raw.units, strict=True))
    for channel, made in proposals.items():
        entry, column = channel_map.channels[channel], called[made.column]
        quantity = CHANNEL_BY_NAME[channel].quantity
        assert (channel, column) == (channel, entry.column)
        assert made.sign == entry.sign, channel
        unit = entry.unit or stated[column]
        if made.unit is not None and unit not in ("km/h", "1/min"):
            assert canonical(made.unit, quantity) == canonical(unit or "", quantity), channel
        assert made.rolling_radius_m == entry.rolling_radius_m, channel


# --- the sample logs ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", RUNS)
def test_a_sample_log_with_its_names_is_proposed_entirely_right_and_sure(name: str) -> None:
    raw, channel_map = sample(name)
    made = propose(raw.names, raw.units, raw.columns, CAR)
    assert made.time is not None
    assert made.time.column == channel_map.time.column
    assert made.ties == ()
    assert made.notes == ()
    assert {each.channel for each in made.entries} == set(channel_map.channels)
    assert {each.confidence for each in made.entries} == {Confidence.SURE}
    check({p.channel: p for p in made.entries}, {n: n for n in raw.names}, raw, channel_map)


@pytest.mark.parametrize("units", [True, False])
def test_a_nameless_log_with_a_geographic_position_is_proposed_entirely_right(units: bool) -> None:
    raw, channel_map = sample(GEOGRAPHIC)
    made, called = nameless(GEOGRAPHIC, units=units)
    assert made.ties == ()
    assert {each.channel for each in made.entries} == set(channel_map.channels)
    check({p.channel: p for p in made.entries}, called, raw, channel_map)


@pytest.mark.parametrize("units", [True, False])
@pytest.mark.parametrize("name", [name for name in RUNS if name != GEOGRAPHIC])
def test_a_nameless_log_without_one_is_right_but_for_its_mirror_image(
    name: str, units: bool
) -> None:
    raw, channel_map = sample(name)
    made, called = nameless(name, units=units)
    assert len(made.ties) == 1
    assert "which side is left" in made.ties[0].question
    assert len(made.ties[0].options) == 2
    common = {p.channel: p for p in made.entries}
    right = []
    for option in made.ties[0].options:
        both = common | {p.channel: p for p in option.proposals}
        assert set(both) == set(channel_map.channels)
        try:
            check(both, called, raw, channel_map)
        except AssertionError:
            continue
        right.append(option)
    assert len(right) == 1


@pytest.mark.parametrize("name", [name for name in RUNS if name != GEOGRAPHIC])
def test_one_stated_side_settles_all_others(name: str) -> None:
    raw, channel_map = sample(name)
    _, called = nameless(name, units=True)
    columns = {new: raw.columns[own] for new, own in called.items()}
    true = channel_map.channels["shaft_torque_left_nm"].column
    known = {new: "shaft_torque_left_nm" for new, own in called.items() if own == true}
    made = propose(list(called), raw.units, columns, CAR, known)
    assert made.ties == ()
    assert {each.channel for each in made.entries} == set(channel_map.channels)
    check({p.channel: p for p in made.entries}, called, raw, channel_map)


def test_without_names_and_build_sheet_the_driven_axle_is_neither_front_nor_rear() -> None:
    raw, _ = sample(GEOGRAPHIC)
    called = {f"c{i + 1}": own for i, own in enumerate(raw.names)}
    columns = {new: raw.columns[own] for new, own in called.items()}
    made = propose(list(called), raw.units, columns)
    assert len(made.ties) == 1
    assert "rear or the front" in made.ties[0].question
    wheels = {p.channel[:12] for o in made.ties[0].options for p in o.proposals}
    assert wheels == {"wheel_speed_"}


# --- simulated logs with something wrong -------------------------------------------------------


@cache
def drive() -> dict[str, np.ndarray]:
    """Channels in SI of one simulated session, position in metres east and north."""
    _, log = simulate(11, circuit=circuit_car.hollin_fell(), laps=3, rate_hz=50.0)
    return {k: v for k, v in log.channels.items() if k in CHANNEL_BY_NAME or k == "time_s"}


NAMES = {
    "time_s": ("Time", "s"), "wheel_speed_fl_radps": ("Wheel FL", "rad/s"),
    "wheel_speed_fr_radps": ("Wheel FR", "rad/s"), "wheel_speed_rl_radps": ("Wheel RL", "rad/s"),
    "wheel_speed_rr_radps": ("Wheel RR", "rad/s"), "shaft_torque_left_nm": ("Torque L", "N m"),
    "shaft_torque_right_nm": ("Torque R", "N m"), "speed_mps": ("Speed", "m/s"),
    "yaw_rate_radps": ("Yaw rate", "rad/s"), "accel_lat_mps2": ("Acc lat", "m/s2"),
    "accel_long_mps2": ("Acc long", "m/s2"), "position_x_m": ("East", "m"),
    "position_y_m": ("North", "m"),
}  # fmt: skip


def made_of(
    changed: Mapping[str, np.ndarray] | None = None,
    renamed: Mapping[str, tuple[str, str | None]] | None = None,
    without: tuple[str, ...] = (),
    car: Car = CAR,
) -> Proposals:
    called = {k: v for k, v in (NAMES | dict(renamed or {})).items() if k not in without}
    values = {**drive(), **(changed or {})}
    columns = {called[k][0]: values[k] for k in called}
    return propose([n for n, _ in called.values()], [u for _, u in called.values()], columns, car)


def entry(made: Proposals, channel: str) -> Proposal:
    return next(each for each in made.entries if each.channel == channel)


def test_a_clean_simulated_log_is_proposed_as_it_is() -> None:
    made = made_of()
    assert {e.channel: e.column for e in made.entries} == {
        k: v[0] for k, v in NAMES.items() if k != "time_s"
    }
    assert made.notes == ()
    assert all(each.sign == 1 for each in made.entries)


def test_swapped_front_wheels_are_found_and_said() -> None:
    swapped = {"wheel_speed_fl_radps": NAMES["wheel_speed_fr_radps"],
               "wheel_speed_fr_radps": NAMES["wheel_speed_fl_radps"]}  # fmt: skip
    made = made_of(renamed=swapped)
    found = entry(made, "wheel_speed_fl_radps")
    assert found.column == "Wheel FR"
    assert found.confidence is Confidence.GUESS
    assert "ITS NAME SAYS FRONT RIGHT" in found.reason
    assert any("'Wheel FR'" in note and "swapped" in note for note in made.notes)
    assert entry(made, "wheel_speed_rl_radps").confidence is Confidence.SURE


def test_swapped_torques_are_found_and_said() -> None:
    swapped = {"shaft_torque_left_nm": NAMES["shaft_torque_right_nm"],
               "shaft_torque_right_nm": NAMES["shaft_torque_left_nm"]}  # fmt: skip
    found = entry(made_of(renamed=swapped), "shaft_torque_left_nm")
    assert found.column == "Torque R"
    assert "ITS NAME SAYS RIGHT" in found.reason


def test_a_yaw_rate_that_counts_to_the_right_gets_its_sign() -> None:
    flipped = {k: -drive()[k] for k in ("yaw_rate_radps", "accel_lat_mps2")}
    made = made_of(changed=flipped)
    assert entry(made, "yaw_rate_radps").sign == -1
    assert entry(made, "accel_lat_mps2").sign == -1
    assert entry(made, "wheel_speed_fl_radps").column == "Wheel FL"


def test_a_torque_that_counts_the_other_way_gets_its_sign() -> None:
    both = ("shaft_torque_left_nm", "shaft_torque_right_nm")
    made = made_of(changed={k: -drive()[k] for k in both})
    assert [entry(made, k).sign for k in both] == [-1, -1]


@pytest.mark.parametrize("stated", ["N m", None])
def test_torques_that_move_no_car_in_newton_metres_are_in_kilonewton_metres(
    stated: str | None,
) -> None:
    both = ("shaft_torque_left_nm", "shaft_torque_right_nm")
    made = made_of({k: drive()[k] / 1000 for k in both}, {k: (NAMES[k][0], stated) for k in both})
    for channel in both:
        assert entry(made, channel).unit == "kN m"
        assert entry(made, channel).confidence is Confidence.GUESS
        assert "the mass of a car" in entry(made, channel).reason


@pytest.mark.parametrize(
    ("channel", "factor", "stated", "right"),
    [
        ("speed_mps", 3.6, "m/s", "km/h"),
        ("speed_mps", 1.0, "km/h", "m/s"),
        ("yaw_rate_radps", 180 / np.pi, "rad/s", "deg/s"),
        ("accel_long_mps2", 1 / 9.80665, "m/s2", "g"),
        ("accel_lat_mps2", 1.0, "g", "m/s2"),
        ("wheel_speed_rl_radps", 30 / np.pi, "rad/s", "rpm"),
        ("wheel_speed_rl_radps", 1.0, "rpm", "rad/s"),
    ],
)
def test_a_unit_wrong_by_a_clean_factor_is_found_and_said(
    channel: str, factor: float, stated: str, right: str
) -> None:
    made = made_of({channel: drive()[channel] * factor}, {channel: (NAMES[channel][0], stated)})
    found = entry(made, channel)
    assert found.unit == right
    assert found.confidence is Confidence.GUESS
    assert f"the log states {stated}" in found.reason


def test_a_unit_that_is_not_stated_follows_from_the_others() -> None:
    unstated = {k: (v[0], None) for k, v in NAMES.items()}
    made = made_of({"speed_mps": drive()["speed_mps"] * 3.6}, unstated)
    assert entry(made, "speed_mps").unit == "km/h"
    assert entry(made, "wheel_speed_rl_radps").unit == "rad/s"
    assert entry(made, "yaw_rate_radps").unit == "rad/s"


def test_without_position_and_accelerations_names_still_tell_the_sides() -> None:
    made = made_of(without=("position_x_m", "position_y_m", "accel_lat_mps2", "accel_long_mps2"))
    assert made.ties == ()
    assert entry(made, "wheel_speed_rl_radps").column == "Wheel RL"
    assert entry(made, "yaw_rate_radps").sign == 1


def test_without_ground_speed_the_names_tell_the_wheels() -> None:
    made = made_of(without=("speed_mps", "position_x_m", "position_y_m"))
    assert entry(made, "wheel_speed_rr_radps").column == "Wheel RR"


def test_a_build_sheet_that_disagrees_with_the_names_is_said() -> None:
    made = made_of(car=Car("front", 0.3, 0.3))
    assert any("build sheet" in note and "driven_axle" in note for note in made.notes)


def test_two_columns_that_claim_one_channel_are_a_tie() -> None:
    values = np.arange(100.0)
    oil = 60 + np.sin(values)
    columns = {"Time": values * 0.1, "Oil temp 1": oil, "Oil temp 2": oil + 3}
    made = propose(list(columns), ["s", "degC", "degC"], columns)
    assert [tie.question for tie in made.ties] == [
        "which of 'Oil temp 1', 'Oil temp 2' is oil_temperature_c"
    ]


def test_a_log_without_a_time_is_no_crash() -> None:
    columns = {"a": np.zeros(50), "b": np.full(50, np.nan)}
    made = propose(["a", "b"], [None, None], columns)
    assert made.time is None
    assert made.notes


@pytest.mark.parametrize("every", [1, 2, 5])
def test_the_rate_of_a_log_without_a_time_follows_from_its_accelerations(every: int) -> None:
    kept = {k: v for k, v in NAMES.items() if k != "time_s"}
    columns = {name: drive()[k][::every] for k, (name, _) in kept.items()}
    made = propose([n for n, _ in kept.values()], [u for _, u in kept.values()], columns, CAR)
    assert made.time is None
    assert made.rate is not None
    assert made.rate.fitting_hz == 50 / every
    assert {e.channel: e.column for e in made.entries} == {k: v[0] for k, v in kept.items()}
    assert {e.confidence for e in made.entries} == {Confidence.SURE}


def test_where_nothing_knows_a_second_everything_is_a_guess() -> None:
    kept = [k for k in NAMES if k.startswith(("wheel", "speed", "yaw"))]
    columns = {NAMES[k][0]: drive()[k] for k in kept}
    made = propose(list(columns), [NAMES[k][1] for k in kept], columns, CAR)
    assert made.rate is not None
    assert made.rate.fitting_hz is None
    assert {e.confidence for e in made.entries} == {Confidence.GUESS}


@pytest.mark.parametrize("seed", range(12))
def test_nonsense_is_no_crash(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 3000))
    columns = {"t": np.arange(n) * 0.01}
    for i in range(8):
        values = rng.normal(size=n) * 10.0 ** rng.integers(-3, 6)
        values = np.cumsum(values) if i % 2 else values
        values[rng.random(n) < rng.choice([0.0, 0.5, 1.0])] = np.nan
        columns[f"c{i}"] = np.abs(values) if i % 3 == 0 else values
    made = propose(list(columns), [None] * len(columns), columns)
    assert made.time is None or made.time.column == "t"


LOCKS = {
    "firm": {},
    "soft": {"drive_ramp_deg": 60.0, "overrun_ramp_deg": 75.0, "spring_force_n": 1500.0},
    "nearly open": {"drive_ramp_deg": 80.0, "overrun_ramp_deg": 80.0, "spring_force_n": 200.0},
    "nearly locked": {"drive_ramp_deg": 35.0, "overrun_ramp_deg": 35.0, "spring_force_n": 3500.0},
}


@pytest.mark.parametrize("lock", LOCKS)
@pytest.mark.parametrize("rate_hz", [20.0, 100.0])
def test_a_nameless_log_is_right_whatever_the_lock_does_to_the_wheels(
    lock: str, rate_hz: float
) -> None:
    car = circuit_car.Car().with_parts(**LOCKS[lock])
    _, log = simulate(1, car, circuit_car.short_circuit(), laps=2, rate_hz=rate_hz)
    channels = {k: v for k, v in log.channels.items() if k in CHANNEL_BY_NAME}
    called = {f"c{i}": name for i, name in enumerate(channels, 1)}
    columns = {"c0": log.channels["time_s"]} | {k: channels[v] for k, v in called.items()}
    known = {k: v for k, v in called.items() if v == "wheel_speed_fl_radps"}
    made = propose(list(columns), [None] * len(columns), columns, CAR, known)
    assert {each.channel: called[each.column] for each in made.entries} == {k: k for k in channels}
    assert all(each.sign == 1 for each in made.entries)
    assert all(each.unit in (None, CHANNEL_BY_NAME[each.channel].unit) for each in made.entries)
    assert (made.ties, made.notes) == ((), ())


@pytest.mark.parametrize("seed", range(20))
def test_whatever_channels_a_nameless_log_lacks_nothing_wrong_is_proposed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    log = drive()
    kept = [k for k in log if k != "time_s" and rng.random() < (0.4, 0.7, 0.9)[seed % 3]]
    called = {f"c{i}": name for i, name in enumerate(kept, 1)}
    columns = {"c0": log["time_s"]} | {k: log[v] for k, v in called.items()}
    made = propose(list(columns), [None] * len(columns), columns, CAR)
    for each in made.entries:
        assert each.channel == called[each.column]
        assert each.unit in (None, CHANNEL_BY_NAME[each.channel].unit)
    for tie in made.ties:
        assert any(
            all(p.channel == called[p.column] and p.sign == 1 for p in option.proposals)
            for option in tie.options
        ), tie.question
