"""What is found in a log's signals, what is not, and what follows; on simulated sessions."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import broken_signals
import circuit_car
import numpy as np
import pytest
from broken_signals import FAULTS, Fault, with_fault
from simulated import session_of, sheet_of, simulate

from loaders import scales
from loaders.evidence import accord
from loaders.mapping import read_channel_map
from loaders.normalise import load_session
from loaders.sides import poll, vote_of
from loaders.teeth import tooth_count
from pipeline.analyse import analyse
from pipeline.build_sheet import Circuit, read_build_sheet, read_circuit
from pipeline.channel_labels import label
from pipeline.delay import Delay, drift, torque_delay
from pipeline.published import to_json
from pipeline.result import QualityNote, SessionResult

SAMPLES = Path(__file__).parents[1] / "sample_logs"
SEEDS = range(4000, 4020)
FEW = range(4000, 4002)
LOOSE_KINDS = ("spikes", "at its stop", "gap in the recording")
TAKEN_OUT = ("delay",)
"""What is told but leaves the numbers right; all other injected faults are serious."""


@lru_cache(maxsize=20)
def log_of(seed: int) -> circuit_car.Log:
    return simulate(seed, circuit=circuit_car.short_circuit(), laps=6)[1]


def result_of(log: circuit_car.Log) -> SessionResult:
    return analyse(session_of(log), sheet_of(circuit_car.Car()), Circuit())


def serious(result: SessionResult) -> list[tuple[str, str]]:
    return [(note.kind, note.channel) for note in result.quality if note.serious]


def found(result: SessionResult, fault: Fault) -> list[QualityNote]:
    return [
        note
        for note in result.quality
        if note.kind == fault.kind
        and note.channel in fault.channels
        and (note.serious or note.kind in LOOSE_KINDS or (note.kind in TAKEN_OUT and note.count))
    ]


def note_of(result: SessionResult, kind: str) -> QualityNote:
    return next(note for note in result.quality if note.kind == kind)


@pytest.mark.parametrize("seed", FEW)
def test_a_clean_session_has_no_serious_fault(seed: int) -> None:
    assert serious(result_of(log_of(seed))) == []


@pytest.mark.parametrize(
    ("log", "channels", "sheet"),
    [
        ("hollin_fell_run1.csv", "channels_run1.toml", "build_sheet.toml"),
        ("hollin_fell_run2.csv", "channels_run2.toml", "build_sheet.toml"),
        ("hollin_fell_run3.txt", "channels_run3.toml", "build_sheet_hollin_fell_run3.toml"),
    ],
)
def test_the_sample_logs_have_no_serious_fault(log: str, channels: str, sheet: str) -> None:
    session = load_session(SAMPLES / log, [read_channel_map(SAMPLES / channels)])
    circuit = read_circuit(SAMPLES / "circuit.toml")
    result = analyse(session, read_build_sheet(SAMPLES / sheet), circuit)
    assert serious(result) == []
    assert not [note for note in result.quality if note.kind in LOOSE_KINDS]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_every_fault_is_found_and_named_and_nothing_else_is(fault: Fault) -> None:
    for seed in FEW:
        result = result_of(with_fault(log_of(seed), fault))
        right = found(result, fault)
        assert right, f"seed {seed}"
        others = set(serious(result)) - {(note.kind, note.channel) for note in right}
        # One unit for two wheels that slip apart may be said in two notes.
        assert {kind for kind, _ in others} <= {fault.kind}, f"seed {seed}"


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_every_fault_is_found_in_19_of_20_sessions(fault: Fault) -> None:
    hits = sum(bool(found(result_of(with_fault(log_of(seed), fault)), fault)) for seed in SEEDS)
    assert hits >= 19


@pytest.mark.slow
def test_none_of_20_clean_sessions_has_a_serious_fault() -> None:
    assert [serious(result_of(log_of(seed))) for seed in SEEDS] == [[]] * 20


@pytest.mark.slow
@pytest.mark.parametrize("rate_hz", [20.0, 50.0, 200.0])
@pytest.mark.parametrize("circuit", [circuit_car.short_circuit, circuit_car.hollin_fell])
def test_no_false_alarm_at_other_rates_and_on_a_longer_circuit(rate_hz: float, circuit) -> None:  # type: ignore[no-untyped-def]
    log = simulate(900, circuit=circuit(), laps=5, rate_hz=rate_hz)[1]
    assert serious(result_of(log)) == []


@pytest.mark.parametrize("parts", [
    {"spring_force_n": 0.0, "drive_ramp_deg": 85.0, "overrun_ramp_deg": 85.0},
    {"spring_force_n": 6000.0, "drive_ramp_deg": 30.0, "overrun_ramp_deg": 30.0},
])  # fmt: skip
def test_neither_an_open_nor_a_tight_differential_is_taken_for_a_fault(
    parts: dict[str, float],
) -> None:
    car = circuit_car.Car().with_parts(**parts)
    log = simulate(900, car, circuit_car.short_circuit(), laps=5)[1]
    assert serious(analyse(session_of(log), sheet_of(car), Circuit())) == []


@pytest.mark.parametrize("car", [circuit_car.front_driven_car, circuit_car.four_wheel_driven_car])
def test_neither_driven_front_wheels_nor_four_of_them_are_taken_for_a_fault(
    car: Callable[[], circuit_car.Car],
) -> None:
    log = simulate(900, car(), circuit_car.short_circuit(), laps=5)[1]
    assert serious(analyse(session_of(log), sheet_of(car()), Circuit())) == []


@pytest.mark.parametrize("delay_s", [-0.04, 0.02, 0.04])
def test_a_delay_of_the_torques_is_found_within_5_ms(delay_s: float) -> None:
    sensors = circuit_car.Sensors(torque_delay_s=delay_s)
    log = simulate(4001, circuit=circuit_car.short_circuit(), laps=6, sensors=sensors)[1]
    note = note_of(result_of(log), "delay")
    assert not note.serious
    assert "taken out" in note.consequence
    told_ms = float(note.detail.split(" ms")[0].rsplit(" ", 1)[1])
    assert told_ms == pytest.approx(abs(1000 * delay_s), abs=5)
    assert ("later" if delay_s > 0 else "earlier") in note.detail
    assert f"delay_s = {delay_s:.2f}"[:-1] in note.remedy


def test_a_delay_is_seen_although_the_accelerometer_shares_it() -> None:
    names = (broken_signals.LEFT, broken_signals.RIGHT, "accel_long_mps2")
    late = Fault("late", "delay", (broken_signals.LEFT,), broken_signals.late(names, 0.06))
    assert found(result_of(with_fault(log_of(4000), late)), late)


def test_without_what_shows_the_gain_of_speed_a_delay_is_not_observable() -> None:
    log = log_of(4000)
    gone = ("accel_long_mps2", broken_signals.FL, broken_signals.FR)
    kept = {name: values for name, values in log.channels.items() if name not in gone}
    note = note_of(result_of(circuit_car.Log(kept, log.rate_hz, {})), "delay")
    assert not note.serious
    assert "not observable: neither undriven wheels" in note.detail


@pytest.mark.parametrize("seed", range(12))
def test_whatever_channels_are_blank_flat_or_nonsense_the_log_is_answered(seed: int) -> None:
    rng = np.random.default_rng(seed)
    log = log_of(4000)
    channels = dict(log.channels)
    for name in sorted(set(channels) - {"time_s", broken_signals.RL, broken_signals.RR}):
        values = channels[name].copy()
        values[rng.random(len(values)) < rng.choice([0.0, 0.3, 0.999, 1.0])] = np.nan
        scale = rng.choice([0.0, 1.0, 1.0, 1.0, 1e-4, 1e4])
        channels[name] = rng.normal(size=len(values)) if scale == 1e-4 else scale * values
        if rng.random() < 0.2:
            channels.pop(name)
    rows = int(rng.choice([5, 800, 6000]))
    cut = {name: values[:rows] for name, values in channels.items()}
    assert result_of(circuit_car.Log(cut, log.rate_hz, {})).quality


def test_a_tie_is_said_as_a_tie() -> None:
    log = log_of(4000)
    gone = ("accel_lat_mps2", "steering_angle_rad", broken_signals.FL, broken_signals.FR,
            "position_x_m", "position_y_m")  # fmt: skip
    kept = {name: values for name, values in log.channels.items() if name not in gone}
    kept["yaw_rate_radps"] = -kept["yaw_rate_radps"]
    note = note_of(result_of(circuit_car.Log(kept, log.rate_hz, {})), "wrong sign")
    assert note.serious
    assert "which is right cannot be told" in note.detail
    assert note.channel == "several"


def test_what_makes_the_law_mean_nothing_is_the_first_finding() -> None:
    swapped = next(fault for fault in FAULTS if fault.name == "half-shaft torques swapped")
    result = result_of(with_fault(log_of(4000), swapped))
    first = result.findings[0]
    assert first.needs_attention
    assert first.sentence.startswith("Left and right half-shaft torque look swapped: in ")
    assert "[channels.shaft_torque_right_nm] in channels.toml" in first.consequence


@pytest.mark.parametrize(
    "name",
    ["driven wheels swapped", "both torques reversed", "torques in kN m",
     "front and rear wheels swapped", "47 teeth for 48 at the rear"],
)  # fmt: skip
def test_no_advice_on_parts_is_given_on_signals_that_lie(name: str) -> None:
    fault = next(fault for fault in FAULTS if fault.name == name)
    said = [f"{each.sentence} {each.consequence}" for each in result_of(
        with_fault(log_of(4000), fault)).findings]  # fmt: skip
    assert not [text for text in said if "Washers" in text or "Ramps" in text or "kJ" in text]


def test_advice_is_given_although_a_channel_lies_that_no_number_rests_on() -> None:
    fault = next(fault for fault in FAULTS if fault.name == "steering reversed")
    said = [each.sentence for each in result_of(with_fault(log_of(4000), fault)).findings]
    assert any(text.startswith("The packs break loose") for text in said)


def test_a_stated_mass_tells_which_of_two_torques_is_in_pound_feet() -> None:
    fault = next(fault for fault in FAULTS if fault.name == "torques in lbf ft")
    sheet = sheet_of(circuit_car.Car())
    # Driver and fuel aboard; the simulated car has 1180 kg.
    sheet = replace(sheet, car=replace(sheet.car, mass_kg=(1150.0, 1250.0)))
    result = analyse(session_of(with_fault(log_of(4000), fault)), sheet, Circuit())
    note = note_of(result, "wrong unit")
    assert note.channel == broken_signals.LEFT
    assert "lbf·ft taken for N·m" in note.detail
    assert "cannot tell" not in note.detail


def test_a_lap_with_a_frozen_torque_does_not_count() -> None:
    fault = next(fault for fault in FAULTS if fault.name == "torque frozen for 2 s")
    clean, hurt = result_of(log_of(4000)), result_of(with_fault(log_of(4000), fault))
    over = [lap.number for lap in clean.laps if lap.start_s < 91.0 < lap.end_s and lap.valid]
    assert len(over) == 1
    assert [lap.valid for lap in hurt.laps if lap.number in over] == [False]


def test_notes_are_in_the_json_with_their_place_in_time() -> None:
    fault = next(fault for fault in FAULTS if fault.name == "wheel frozen for 3 s")
    told = json.loads(to_json(result_of(with_fault(log_of(4000), fault))))["quality"]
    frozen = next(note for note in told if note["kind"] == "frozen")
    assert frozen["serious"]
    assert frozen["count"] == 300
    assert frozen["spans_s"] == [[pytest.approx(60.0), pytest.approx(62.99)]]


def test_the_step_and_the_smallest_visible_difference_are_told() -> None:
    note = note_of(result_of(log_of(4000)), "step")
    # The simulated sensors write steps of 0.01 rad/s.
    assert note.detail == "written in steps of 0.01 rad/s"
    assert note.consequence.startswith("a left-right difference under 0.30 rad/s does not show")


def test_coasting_shows_the_torques_zero_with_its_interval() -> None:
    note = note_of(result_of(log_of(4000)), "zero while coasting")
    assert note.count > 300
    assert "left minus right reads" in note.detail
    assert "in 6 laps" in note.detail


def test_signs_are_weighed_by_majority() -> None:
    turn = np.sin(np.linspace(0, 40, 2000))
    signals = {"a": turn, "b": 2 * turn, "c": -turn, "d": 0 * turn}
    counted = poll(vote_of(name, signal, turn) for name, signal in signals.items())
    assert [vote.name for vote in counted.losers] == ["c"]
    assert [vote.name for vote in counted.winners] == ["a", "b"]
    assert poll([vote_of("a", turn, turn), vote_of("b", -turn, turn)]).positive_left is None
    assert poll([vote_of("a", turn, turn), vote_of("b", turn, turn)]).losers == ()


def test_accord_of_too_few_samples_says_nothing() -> None:
    assert accord(np.ones(20), np.ones(20)) == (0.0, 0)


@pytest.mark.parametrize(
    ("units", "factor", "means"),
    [
        # SI brochure, 9th ed. (2019), Table 8: 1 h = 3600 s, so 1 m/s is 3.6 km/h.
        (scales.mistakes(scales.SPEEDS), 3.6, "km/h taken for m/s"),
        # Derived: one revolution is 2 pi rad, one minute 60 s.
        (scales.wheel_mistakes(1.0), 60 / (2 * np.pi), "rpm taken for rad/s"),
        # NIST SP 811 (2008), app. B.8: 1 lbf ft = 1.355 818 N m; so a torque reads too little.
        (scales.mistakes(scales.TORQUES), 1 / 1.355818, "lbf·ft taken for N·m"),
    ],
)
def test_the_mistake_that_a_clean_factor_means_is_named(
    units: scales.Ranges, factor: float, means: str
) -> None:
    assert units[means][0] == pytest.approx(1 / factor, rel=1e-6)


def test_tyres_of_unequal_wear_are_no_tooth_count() -> None:
    wheel = np.linspace(60, 100, 4000)
    straight = np.ones(4000, dtype=bool)
    assert tooth_count(1.012 * wheel, wheel, straight) is None
    one_off = tooth_count(wheel * 48 / 47, wheel, straight)
    assert one_off is not None
    assert one_off.teeth == (48, 47)


def test_a_long_log_is_looked_at_in_pieces_and_its_delay_is_still_found() -> None:
    rng = np.random.default_rng(6)
    n = 100 * 3600
    pull = np.convolve(rng.normal(size=n), np.ones(30) / 30, "same")
    torque = np.roll(pull, 4) + 0.05 * rng.normal(size=n)
    found = torque_delay(torque, (pull,), np.ones(n, dtype=bool), 100.0, 0.004)
    assert isinstance(found, Delay)
    assert found.low_s < 0.04 < found.high_s
    assert found.stretches == 16


def test_a_steady_delay_is_no_drift() -> None:
    rng = np.random.default_rng(5)
    signal = np.convolve(rng.normal(size=8000), np.ones(15), "same")
    steady = drift(np.roll(signal, 4), signal, 20.0)
    assert isinstance(steady, Delay)
    assert abs(steady.value_s) < 0.01
    assert isinstance(drift(rng.normal(size=8000), signal, 20.0), str)


def test_a_name_that_is_no_channel_is_given_back() -> None:
    assert label("wheel_speed_fr_radps") == "front right wheel speed"
    assert label("file") == "file"


def test_tyres_stated_as_of_two_sizes_are_no_wrong_tooth_count() -> None:
    fault = next(each for each in FAULTS if each.name == "47 teeth for 48 at the rear")
    log, sheet = with_fault(log_of(FEW[0]), fault), sheet_of(circuit_car.Car())
    radius = sheet.car.rolling_radius_m
    car = replace(sheet.car, rolling_radius_left_m=radius * 47 / 48)
    for stated, said in ((sheet, True), (replace(sheet, car=car), False)):
        result = analyse(session_of(log), stated, Circuit())
        assert any(kind == fault.kind for kind, _ in serious(result)) is said
