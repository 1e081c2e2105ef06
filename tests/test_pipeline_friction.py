"""How friction moves, from samples in which it moves by construction."""

from __future__ import annotations

import math
from functools import cache

import circuit_car
import numpy as np
import pytest
from circuit_car.friction import Friction
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated import FULLY_FITTED, Run, run

from pipeline.estimate import Estimate, Missing
from pipeline.friction import (
    FAST,
    HYSTERESIS,
    SLOW,
    SLOW_TO_RADPS,
    TURNING_RATIO,
    WARM,
    Movements,
    friction_movements,
    ramp_friction,
    ramp_states,
)
from pipeline.lock import DRIVE, OVERRUN, SlidingSamples, fit_lock_law
from pipeline.plates import locking_torque

LAW = (84.0, 0.45, 0.22)
SLOW_SLOPE, FAST_SLOPE, PER_10_K, SWING = -0.012, -0.004, -0.03, 0.06


def moved(
    seed: int = 1,
    *,
    slow: float = 0.0,
    fast: float = 0.0,
    per_10_k: float = 0.0,
    swing: float = 0.0,
    laps: int = 8,
    speeds: tuple[float, float] = (0.4, 12.0),
    temperatures: tuple[float, float] | None = (60.0, 110.0),
) -> Movements:
    """Eight laps of sliding, each with a little more or less friction, and what was found."""
    rng = np.random.default_rng(seed)
    n = 400 * laps
    lap = np.repeat(np.arange(laps), 400)
    torque = rng.uniform(-300, 900, n)
    side = np.where(rng.random(n) < 0.5, 1.0, -1.0)
    speed = rng.uniform(*speeds, n)
    state = rng.choice(np.array([-1, 1], dtype=np.int8), n)
    warmth = None if temperatures is None else rng.uniform(*temperatures, laps)[lap]
    factor = 1 + slow * (np.minimum(speed, SLOW_TO_RADPS) - 3.5)
    factor += fast * (np.maximum(speed - SLOW_TO_RADPS, 0.0) - 3.0)
    factor += 0.0 if warmth is None else per_10_k * (warmth - 85.0) / 10
    factor *= 1 + 0.003 * rng.normal(size=laps)[lap]
    locking = factor * locking_torque(torque, *LAW)
    locking -= 0.5 * swing * state * np.maximum(torque, 0.0)
    noise = 6.0 * rng.standard_normal(n)
    seen = SlidingSamples(torque, -side * locking + noise, side * speed, lap, 100.0)
    return friction_movements(seen, fit_lock_law(seen, 0.0, 0.0), state, warmth)


def coefficient(found: Movements, term: str) -> tuple[float, float]:
    """Value and half width."""
    assert found.fit is not None
    row = np.zeros(len(found.fit.coefficients))
    row[found.column(term)] = 1.0
    return float(row @ found.fit.coefficients), float(found.fit.half_width(row))


EVERYTHING = {"slow": SLOW_SLOPE, "fast": FAST_SLOPE, "per_10_k": PER_10_K, "swing": SWING}
TRUE = {SLOW: SLOW_SLOPE, FAST: FAST_SLOPE, WARM: PER_10_K, HYSTERESIS[DRIVE]: SWING}


@pytest.mark.parametrize("term", list(TRUE))
def test_each_movement_comes_back_with_all_the_others_there(term: str) -> None:
    value, half = coefficient(moved(**EVERYTHING), term)  # type: ignore[arg-type]
    assert value == pytest.approx(TRUE[term], abs=max(2 * half, 0.05 * abs(TRUE[term])))


@pytest.mark.parametrize("term", [SLOW, FAST, WARM, HYSTERESIS[DRIVE], HYSTERESIS[OVERRUN]])
def test_friction_that_does_not_move_reads_as_nothing(term: str) -> None:
    value, half = coefficient(moved(), term)
    assert abs(value) < 2 * half


def held(logs: int, seed: int) -> dict[str, float]:
    """Share of intervals that hold the truth, that nothing moves; by term."""
    inside = dict.fromkeys(TRUE, 0)
    for i in range(logs):
        found = moved(seed + i)
        for term in TRUE:
            value, half = coefficient(found, term)
            inside[term] += abs(value) <= half
    return {term: count / logs for term, count in inside.items()}


def test_intervals_of_the_movements_hold_the_truth() -> None:
    assert min(held(60, seed=500).values()) >= 0.85


@pytest.mark.slow
def test_intervals_of_the_movements_hold_the_truth_in_a_thousand_logs() -> None:
    shares = held(1000, seed=5000)
    print(shares)
    assert min(shares.values()) >= 0.92
    assert max(shares.values()) <= 0.98


def test_one_sliding_speed_says_nothing_of_a_slope() -> None:
    found = moved(speeds=(2.0, 2.5))
    assert "at nearly one speed below 4 rad/s" in found.missing[SLOW]
    assert "at nearly one speed above 4 rad/s" in found.missing[FAST]


def test_a_steady_temperature_says_nothing_of_warmth() -> None:
    assert "moves by only" in moved(temperatures=(80.0, 82.0)).missing[WARM]
    assert "no temperature" in moved(temperatures=None).missing[WARM]


# --- ramps ----------------------------------------------------------------------------------------


def states_step_by_step(torque: np.ndarray) -> np.ndarray:
    """The play of a clamping force between its two lines, sample after sample; nan: not known."""
    force, at = np.nan, []
    for i, size in enumerate(np.abs(torque)):
        if i and torque[i] * torque[i - 1] < 0:
            force = size
        low, high = size, TURNING_RATIO * size
        force = min(max(force, low), high) if np.isfinite(force) else np.nan
        at.append(force)
    return np.array(at)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_joining_stretches_gives_what_going_step_by_step_gives(seed: int) -> None:
    rng = np.random.default_rng(seed)
    torque = np.cumsum(rng.normal(0, 60, 200)) + 200
    torque[0], torque[1] = -1.0, 50.0
    force = states_step_by_step(torque)
    found = ramp_states(torque)
    size = np.abs(torque)
    on_low, on_high = np.isclose(force, size), np.isclose(force, TURNING_RATIO * size)
    sure = np.isfinite(force)
    assert np.all(found[sure & on_low] == 1)
    assert np.all(found[sure & on_high] == -1)


def test_a_ramp_is_loaded_on_the_way_up_and_unloaded_only_well_on_the_way_down() -> None:
    up, down = np.linspace(100, 800, 50), np.linspace(800, 100, 50)
    states = ramp_states(np.concatenate((up, down)))
    assert np.all(states[5:50] == 1)
    assert states[55] == 0
    assert np.all(states[75:] == -1)


@pytest.mark.parametrize("angle_deg", [30.0, 45.0, 60.0])
@pytest.mark.parametrize("mu", [0.0, 0.05, 0.1])
def test_ramp_friction_is_the_one_that_the_wedge_was_given(angle_deg: float, mu: float) -> None:
    # Statics of the inclined plane: thrust 1 / tan(angle + friction angle) loading, - unloading.
    angle, phi = math.radians(angle_deg), math.atan(mu)
    ratio = math.tan(angle + phi) / math.tan(angle - phi)
    assert ramp_friction(ratio, angle) == pytest.approx(mu, abs=1e-12)


# --- whole sessions of the invented car -----------------------------------------------------------


@cache
def session(name: str) -> Run:
    parts: dict[str, object] = {
        "plain": {},
        "ramps": {"ramp_friction": 0.1},
        "slope": {"friction": Friction(slope_spm=-0.03)},
        "peak": {"friction": Friction(static_ratio=1.3)},
        "warmth": {"friction": Friction(per_kelvin=-0.003)},
    }[name]  # type: ignore[assignment]
    car = circuit_car.Car().with_parts(**parts)
    return run(6100, car, circuit_car.short_circuit(), laps=6, sensors=FULLY_FITTED)


def number(name: str, key: str) -> Estimate:
    found = session(name).result.estimates[key]
    assert isinstance(found, Estimate), found
    return found


def test_friction_on_the_ramps_is_read_from_the_lock_with_torque_rising_and_falling() -> None:
    rising, falling = circuit_car.Car().with_parts(ramp_friction=0.1).differential.lock_ratios(50.0)
    swing = number("ramps", "lock_hysteresis_drive")
    assert swing.low <= falling - rising <= swing.high
    mu = number("ramps", "ramp_friction_drive")
    assert mu.low <= 0.1 <= mu.high
    assert any("cross-pins" in f.consequence for f in session("ramps").result.findings)


def test_friction_that_falls_with_sliding_speed_is_called_prone_to_judder() -> None:
    slope = number("slope", "friction_per_plate_speed_slow")
    # Relative to the friction of the law, which is that of the usual sliding speed: some 5 % less.
    assert slope.value == pytest.approx(-0.03 / 0.092, rel=0.15)
    assert any("prone to judder" in f.consequence for f in session("slope").result.findings)


def test_friction_that_falls_with_warmth_is_read_against_the_oil() -> None:
    assert number("warmth", "friction_per_10_k").value == pytest.approx(-0.03, abs=0.006)


def test_static_friction_is_the_peak_where_the_held_axle_lets_go() -> None:
    peak = number("peak", "static_to_running_friction")
    assert peak.value > 1.15
    assert peak.low <= 1.3 <= peak.high + 0.03
    assert any("lets go" in f.sentence for f in session("peak").result.findings)


def test_a_pack_of_constant_friction_gets_no_word_on_moving_friction() -> None:
    plain = number("plain", "static_to_running_friction")
    assert plain.value == pytest.approx(1.0, abs=0.03)
    names = {"lock_hysteresis_drive", "friction_per_speed_slow", "friction_per_10_k",
             "static_to_running_friction"}  # fmt: skip
    assert not any(names & set(f.rests_on) for f in session("plain").result.findings)


def test_without_a_thermometer_warmth_is_missing_with_its_reason() -> None:
    found = run(6100, circuit=circuit_car.short_circuit(), laps=6).result
    warm = found.estimates["friction_per_10_k"]
    assert isinstance(warm, Missing)
    assert "no temperature" in warm.reason
