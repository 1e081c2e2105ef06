"""Two lumps of heat, against closed forms, a general solver and textbook examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from pipeline.heat import energy, plate_friction_power
from pipeline.two_lumps import (
    HeatModel,
    Load,
    Lumps,
    assumed,
    identified,
    oil_time_constant_s,
    steady_oil_c,
    temperatures,
)

LUMPS = Lumps(800.0, 10_300.0, 70.0, 6.0, 0.40, 0.022)


def steady(
    count: int,
    step_s: float,
    friction_w: float = 300.0,
    through_w: float = 2e4,
    speed: float = 35.0,
) -> Load:
    one = np.ones(count)
    return Load(step_s, friction_w * one, through_w * one, speed * one, 18.0 * one)


def lapping(count: int, step_s: float = 1.0) -> Load:
    """Braking, corners and straights of an invented lap of 66 s."""
    t = step_s * np.arange(count)
    swing = np.sin(2 * np.pi * t / 66.0)
    return Load(
        step_s,
        np.where(np.sin(2 * np.pi * t / 11.0) > 0.5, 900.0, 20.0),
        6e4 + 4e4 * swing,
        33.0 + 18.0 * swing,
        np.full(count, 18.0),
    )


@pytest.mark.parametrize("step_s", [1.0, 100.0, 1e5])
def test_a_steady_load_ends_at_the_closed_form_at_any_step(step_s: float) -> None:
    # Derived here: oil = air + (P + P_gear)/G_air; plates = oil + P/G.
    plates, oil = temperatures(LUMPS, steady(20_000, step_s), 45.0, 45.0)
    ends = steady_oil_c(LUMPS, 300.0, 2e4, 35.0, 18.0)
    assert oil[-1] == pytest.approx(ends, rel=1e-6)
    assert plates[-1] == pytest.approx(ends + 300.0 / 70.0, rel=1e-6)
    assert np.all((oil > 18.0) & (oil < ends + 1e-6))


def test_a_step_of_load_follows_the_matrix_exponential() -> None:
    matrix = np.array([[-70 / 800, 70 / 800], [70 / 10_300, -(70 + 20.0) / 10_300]])
    load = steady(600, 2.0)
    plates, oil = temperatures(LUMPS, load, 20.0, 30.0)
    ends = steady_oil_c(LUMPS, 300.0, 2e4, 35.0, 18.0)
    rest = np.array([ends + 300.0 / 70.0, ends])
    for k in (0, 9, 599):
        exact = rest + expm(2.0 * (k + 1) * matrix) @ (np.array([20.0, 30.0]) - rest)
        assert (plates[k], oil[k]) == pytest.approx(tuple(exact), rel=1e-9)


def test_a_changing_load_follows_a_general_solver() -> None:
    load = lapping(300)

    def rates(t: float, x: np.ndarray) -> list[float]:
        k = min(int(t), 299)
        to_oil = 70.0 * (x[0] - x[1])
        to_air = (6.0 + 0.40 * load.speed_mps[k]) * (x[1] - 18.0)
        return [
            (load.friction_w[k] - to_oil) / 800.0,
            (0.022 * load.through_w[k] + to_oil - to_air) / 10_300.0,
        ]

    x = np.array([45.0, 40.0])
    reference = []
    # Step by step, since the load jumps between them.
    for k in range(300):
        x = solve_ivp(rates, (k, k + 1 - 1e-12), x, rtol=1e-10, atol=1e-10).y[:, -1]
        reference.append(x)
    plates, oil = temperatures(LUMPS, load, 45.0, 40.0)
    assert np.column_stack((plates, oil)) == pytest.approx(np.array(reference), abs=1e-6)


@given(st.floats(min_value=0.05, max_value=20.0))
def test_two_half_steps_are_one_step(step_s: float) -> None:
    whole = temperatures(LUMPS, steady(5, step_s), 90.0, 30.0)
    halves = temperatures(LUMPS, steady(10, 0.5 * step_s), 90.0, 30.0)
    assert whole[0] == pytest.approx(halves[0][1::2], rel=1e-9)
    assert whole[1] == pytest.approx(halves[1][1::2], rel=1e-9)


def test_what_keeps_its_heat_warms_by_energy_over_capacity() -> None:
    # Source: OpenStax, College Physics, example 14.2: the brakes of a 10 000 kg truck, 100 kg of
    # them with 800 J/kgK, take the energy of 75 m of descent (g 9.80): 92 degrees.
    brakes = Lumps(100 * 800.0, 1.0, 0.0, 0.0, 0.0, 0.0)
    descent_w = 10_000 * 9.80 * 75 / 100.0
    one = np.ones(100)
    plates, _ = temperatures(
        brakes, Load(1.0, descent_w * one, 0 * one, 0 * one, 0 * one), 0.0, 0.0
    )
    assert plates[-1] == pytest.approx(91.875, rel=1e-9)


_FOOT_POUND_J, _BTU_J, _PER_K = 1.3558179, 1055.05585, 1.8


def test_a_brake_drum_of_the_textbooks_size_warms_as_much_as_the_textbook_allows() -> None:
    # Source: Faires, Design of Machine Elements, problem 881 as solved in public: 800 000 ft lbf
    # into cast iron of 0.253 lb/in3 and 101 ft lbf/(lb degF), 150 degF allowed: 208.7 in3.
    capacity_jpk = 208.7 * 0.253 * 101 * _FOOT_POUND_J * _PER_K
    drum = Lumps(capacity_jpk, 1.0, 0.0, 0.0, 0.0, 0.0)
    one = np.ones(10)
    power = 800_000 * _FOOT_POUND_J / 10
    plates, _ = temperatures(drum, Load(1.0, power * one, 0 * one, 0 * one, 0 * one), 0.0, 0.0)
    assert plates[-1] * _PER_K == pytest.approx(150.0, rel=0.0005)


def test_a_clutch_that_engages_again_and_again_settles_between_the_textbooks_ends() -> None:
    # Source: Shigley, Mechanical Engineering Design, example 16-5, from memory, not read again:
    # 10.61 Btu twenty-four times an hour into 1.993 lb of steel (0.108 Btu/(lb degF)), 50 in2 at
    # 12.7e-6 Btu/(in2 s degF), air at 70 degF. Closed form, dT/(1 - exp(-t/tau)) above the air
    # after an engagement: 207.8 degF, and 158.5 degF before it.
    capacity = 1.993 * 0.108 * _BTU_J * _PER_K
    disk = Lumps(1e-4 * capacity, capacity, 1e4, 50 * 12.7e-6 * _BTU_J * _PER_K, 0.0, 0.0)
    step_s, period = 0.5, 300
    friction = np.zeros(40 * period)
    friction[::period] = 10.61 * _BTU_J / step_s
    nothing, air = np.zeros_like(friction), np.full_like(friction, (70 - 32) / _PER_K)
    load = Load(step_s, friction, nothing, nothing, air)
    _, disk_c = temperatures(disk, load, air[0], air[0])
    last = disk_c[-period:] * _PER_K + 32
    assert np.max(last) == pytest.approx(207.8, abs=0.3)
    assert np.min(last) == pytest.approx(158.5, abs=0.3)


def test_sliding_plates_make_the_textbooks_engagement_energy() -> None:
    # Source: Bhandari, Design of Machine Elements, example 11.14: 10 kW at 2000 rpm, 20 kg with
    # radius of gyration 75 mm, 35 kg with 125 mm at rest: t 0.409285 s, E 2046.422713 J.
    drives, driven = 20 * 0.075**2, 35 * 0.125**2
    omega = 2000 * 2 * math.pi / 60
    torque = 10e3 / omega
    time_s = (np.arange(100_000) + 0.5) * 0.409285 / 100_000
    first = omega - torque / drives * time_s
    second = torque / driven * time_s
    power = plate_friction_power(-torque, torque, first, second)
    assert energy(power, 100_000 / 0.409285) == pytest.approx(2046.422713, rel=1e-6)
    assert first[-1] == pytest.approx(second[-1], abs=0.01)


def test_all_heat_is_somewhere() -> None:
    load = lapping(2000, 0.5)
    plates, oil = temperatures(LUMPS, load, 45.0, 40.0)
    stored = 800.0 * (plates[-1] - 45.0) + 10_300.0 * (oil[-1] - 40.0)
    came = 0.5 * float(np.sum(load.friction_w + 0.022 * load.through_w))
    before = np.concatenate(([40.0], oil[:-1]))
    to_air = LUMPS.to_air_wpk(load.speed_mps)
    left = 0.5 * float(np.sum(to_air * (0.5 * (before + oil) - 18.0)))
    assert stored == pytest.approx(came - left, rel=1e-3)


LOW = Lumps(1.5 * 460, 9000.0, 40.0, 3.0, 0.25, 0.015, 0.97)
HIGH = Lumps(1.9 * 460, 11_500.0, 120.0, 12.0, 0.60, 0.030, 1.03)
PRIOR = assumed(LOW, HIGH)


def steady_and_constant(model: HeatModel, load: Load) -> tuple[np.ndarray, np.ndarray]:
    """Steady oil temperature and time constant at a load's mean, with their half widths."""
    means = [float(np.mean(each)) for each in (load.friction_w, load.through_w, load.speed_mps)]

    def both(lumps: Lumps) -> np.ndarray:
        return np.array([steady_oil_c(lumps, *means, 18.0), oil_time_constant_s(lumps, means[2])])

    return both(model.lumps), model.half_width(both)


def measured(load: Load, rng: np.random.Generator, lag_s: float = 8.0) -> np.ndarray:
    """What a thermometer with lag, noise and whole tenths shows of the true oil."""
    _, oil = temperatures(LUMPS, load, 45.0, 45.0)
    shown = np.empty_like(oil)
    state = 45.0
    for k, true in enumerate(oil):
        state += (true - state) * (1 - math.exp(-load.step_s / lag_s))
        shown[k] = state
    return np.round(shown + 0.2 * rng.standard_normal(len(oil)), 1)


def test_an_oil_temperature_narrows_the_ranges_of_the_build_sheet() -> None:
    load = lapping(1500)
    fitted = identified(PRIOR, load, measured(load, np.random.default_rng(4)))
    wide, narrow = (steady_and_constant(model, load)[1] for model in (PRIOR, fitted))
    assert narrow[0] < 0.3 * wide[0]
    assert narrow[1] < wide[1]


def test_the_fit_finds_where_the_oil_ends_and_how_fast() -> None:
    load = lapping(1500)
    truth, _ = steady_and_constant(assumed(LUMPS, LUMPS), load)
    fitted = identified(PRIOR, load, measured(load, np.random.default_rng(5)))
    value, half = steady_and_constant(fitted, load)
    assert abs(value[0] - truth[0]) < 5.0
    assert abs(value[1] / truth[1] - 1) < 0.15
    assert np.all(np.abs(value - truth) <= half)


@pytest.mark.slow
def test_the_intervals_of_the_fit_hold_the_truth() -> None:
    load = lapping(1200)
    truth, _ = steady_and_constant(assumed(LUMPS, LUMPS), load)
    held = np.zeros(2)
    for seed in range(40):
        fitted = identified(PRIOR, load, measured(load, np.random.default_rng(seed)))
        value, half = steady_and_constant(fitted, load)
        held += np.abs(value - truth) <= half
    assert np.all(held >= 36)


def test_two_minutes_of_oil_temperature_are_too_few() -> None:
    load = lapping(120)
    with pytest.raises(ValueError, match="less than 4 minutes"):
        identified(PRIOR, load, measured(load, np.random.default_rng(6)))


def test_holes_in_the_oil_temperature_are_left_out() -> None:
    load = lapping(900)
    shown = measured(load, np.random.default_rng(7))
    shown[200:400] = np.nan
    assert identified(PRIOR, load, shown).fitted
