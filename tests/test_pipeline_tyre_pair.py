"""What two tyres on one axle push, against what is known of tyres from outside."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.tyre_pair import PairForce, Tyre, pair_force

LOAD_N = 3000.0
PLAIN = Tyre(20.0, 0.0, 0.0, 1.2, 0.0, 1.0, 0.0)


def pushed(
    tyre: Tyre,
    slip: tuple[float, float],
    load: tuple[float, float] = (LOAD_N, LOAD_N),
    side_n: float = 0.0,
    arm: float = 0.0,
) -> PairForce:
    return pair_force(
        tyre,
        (np.array([slip[0]]), np.array([slip[1]])),
        (np.array([load[0]]), np.array([load[1]])),
        np.array([side_n]),
        LOAD_N,
        arm,
    )


def magic_formula_n(load_n: float, slip: float) -> float:
    """Longitudinal force of the published coefficients. [N]"""
    # Form of Bakker, Pacejka, Lidner, SAE 890087 (from memory); coefficients read in the public
    # file src/simulink/pacajeka_init.m of n-jokic/Vehicle_MPC_control; load in kN, slip in %.
    f = load_n / 1000.0
    shape = 1.65
    peak = (-21.3 * f + 1144.0) * f
    stiffness = (49.6 * f + 226.0) * f * math.exp(-0.069 * f)
    curvature = (-0.006 * f + 0.056) * f + 0.486
    x = 100.0 * slip * stiffness / (shape * peak)
    return peak * math.sin(shape * math.atan(x - curvature * (x - math.atan(x))))


@pytest.mark.parametrize("slip", [0.005, 0.01, 0.02, 0.04, 0.08, 0.12])
@pytest.mark.parametrize("load_n", [2000.0, 3000.0, 4500.0])
def test_the_brush_follows_the_published_magic_formula_within_a_tenth_of_its_peak(
    slip: float, load_n: float
) -> None:
    peak = max(magic_formula_n(load_n, each) for each in np.linspace(0.01, 0.3, 100))
    start = magic_formula_n(load_n, 1e-5) / 1e-5 / load_n
    brush = Tyre(start, 0.0, 0.0, peak / load_n, 0.0, 1.0, 0.1)
    found = pair_force(
        brush,
        (np.array([slip]), np.array([slip])),
        (np.array([load_n]), np.array([load_n])),
        np.zeros(1),
        load_n,
        0.0,
    )
    assert found.left_n[0] == pytest.approx(magic_formula_n(load_n, slip), abs=0.10 * peak)


def test_the_force_begins_at_the_slip_stiffness() -> None:
    assert pushed(PLAIN, (1e-6, 1e-6)).left_n[0] / 1e-6 == pytest.approx(20.0 * LOAD_N, rel=1e-3)


def test_full_sliding_gives_the_grip_times_the_load() -> None:
    # Brush model with parabolic pressure: at slip 3 mu F_z / C the whole contact slides; Pacejka,
    # Tyre and Vehicle Dynamics, ch. 3, from memory.
    assert pushed(PLAIN, (3 * 1.2 / 20.0, 0.0)).left_n[0] == pytest.approx(1.2 * LOAD_N, rel=1e-3)


def test_side_force_takes_from_what_the_same_slip_pushes() -> None:
    straight, turning = pushed(PLAIN, (0.02, 0.02)), pushed(PLAIN, (0.02, 0.02), side_n=5000.0)
    assert turning.left_n[0] < 0.8 * straight.left_n[0]


def test_no_wheel_pulls_more_than_its_grip_in_both_directions_together() -> None:
    found = pushed(PLAIN, (0.05, 0.01), (1500.0, 4500.0), side_n=4000.0)
    assert abs(found.left_n[0]) <= 1.2 * 1500.0
    assert abs(found.right_n[0]) <= 1.2 * 4500.0


def test_seen_in_a_mirror_the_two_wheels_change_places() -> None:
    tyre = Tyre(30.0, 0.1, 0.3, 1.4, 0.1, 1.05, 0.1)
    seen = pushed(tyre, (0.03, 0.01), (2000.0, 4000.0), side_n=3000.0, arm=0.3)
    mirrored = pushed(tyre, (0.01, 0.03), (4000.0, 2000.0), side_n=-3000.0, arm=0.3)
    assert seen.left_n[0] == pytest.approx(mirrored.right_n[0], rel=1e-6)
    assert seen.right_n[0] == pytest.approx(mirrored.left_n[0], rel=1e-6)
