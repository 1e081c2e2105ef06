"""The rivals of the study of methods, against a general solver, closed forms and themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from study.driven_wheels import STEP_S, Windows, moment, windows_of
from study.methods import METHODS, errors, markdown
from study.output_error import fit_output, integrated
from study.smoother import smoothed_difference

from pipeline.tyre_beliefs import FIGURE_BELIEFS, LAW_BELIEFS, TYRE_BELIEFS
from pipeline.tyre_pair import Tyre
from pipeline.wheel_balance import AxleFigures, AxleRun, wheel_torques

TYRE = Tyre(35.0, 0.0, 0.3, 1.4, 0.1, 1.05, 0.1)
NO_GRIP = replace(TYRE, stiffness=1e-12)
INERTIA = 1.1


def turning(pull_nm: np.ndarray, left_radps: float = 64.0, right_radps: float = 63.0) -> AxleRun:
    """A right turn of 40 m radius at 20 m/s, the left wheel outside."""
    one = np.ones(len(pull_nm))
    values = {
        "speed_mps": 20.0, "yaw_rate_radps": -0.5, "left_radps": left_radps,
        "right_radps": right_radps, "weight_n": 6200.0, "downforce_n": 200.0,
        "transfer_n": -1000.0, "side_force_n": -6000.0, "faster_side": 1.0, "speed_doubt": 1e-3,
    }  # fmt: skip
    arrays = {name: one * value for name, value in values.items()}
    changes = ("left_spin_radps2", "right_spin_radps2", "weight_change_nps", "transfer_change_nps")
    return AxleRun(
        **arrays, **dict.fromkeys(changes, 0.0 * one), input_torque_nm=pull_nm,
        lap=np.zeros(len(one), dtype=np.intp), track_m=1.48, lever=0.3, radius_m=0.312,
        wheel_inertia_kgm2=INERTIA, rolling_resistance=0.0,
    )  # fmt: skip


def one_window(steps: int) -> Windows:
    return Windows(np.arange(steps)[:, None], np.ones((steps, 1), dtype=bool))


def moved(run: AxleRun, step_s: float, tyre: Tyre, lock_nm: float) -> np.ndarray:
    """Left and right speed and the torque difference, shape (3, steps)."""
    steps = len(run.lap)
    motion = integrated(
        run, one_window(steps), step_s, AxleFigures(), tyre, np.full((steps, 1, 1), lock_nm)
    )
    return np.array([motion.left_radps, motion.right_radps, motion.difference_nm])[:, :, 0, 0]


def test_wheels_that_slide_on_their_tyres_follow_a_general_solver() -> None:
    step_s, lock = 0.001, 150.0
    time = step_s * np.arange(150)
    run = turning(400.0 + 300.0 * np.sin(20.0 * time))

    def rates(t: float, speeds: np.ndarray) -> np.ndarray:
        here = replace(
            moment(run, np.zeros(1, dtype=int)), left_radps=speeds[:1], right_radps=speeds[1:]
        )
        told = wheel_torques(here, AxleFigures(), TYRE, steps=12)
        half = 200.0 + 150.0 * np.sin(20.0 * t)
        return (
            np.array([half - 0.5 * lock - told.left_nm[0], half + 0.5 * lock - told.right_nm[0]])
            / INERTIA
        )

    left, right, difference = moved(run, step_s, TYRE, lock)
    exact = solve_ivp(rates, (0, time[-1]), [64.0, 63.0], "Radau", time, rtol=1e-9, atol=1e-9).y
    assert np.all(difference[1:] == -lock)
    # Both jump to their tyres' speeds first, and a step is a quarter of that time.
    assert left[30:] == pytest.approx(exact[0, 30:], abs=0.01)
    assert right[30:] == pytest.approx(exact[1, 30:], abs=0.01)


def test_free_wheels_come_together_at_a_steady_rate_and_then_stick() -> None:
    # Closed form, derived here: each wheel feels half the lock, so dw falls by lock / J.
    left, right, _ = moved(turning(np.zeros(100)), 0.01, NO_GRIP, 2.0)
    expected = np.maximum(1.0 - 2.0 / INERTIA * 0.01 * np.arange(100), 0.0)
    assert left - right == pytest.approx(expected, abs=1e-6)
    assert left + right == pytest.approx(np.full(100, 127.0), abs=1e-6)


def test_what_free_wheels_lose_of_their_energy_the_packs_take() -> None:
    left, right, difference = moved(turning(np.zeros(100)), 0.01, NO_GRIP, 2.0)
    motion = 0.5 * INERTIA * (left**2 + right**2)
    apart = left - right
    taken = -0.5 * difference[1:] * 0.5 * (apart[1:] + apart[:-1]) * 0.01
    assert np.sum(taken) == pytest.approx(motion[0] - motion[-1], rel=1e-6)


def test_packs_that_can_carry_it_hold_both_wheels_at_one_speed() -> None:
    left, right, difference = moved(turning(np.full(50, 300.0), 63.5, 63.5), 0.02, TYRE, 1e4)
    assert left == pytest.approx(right, abs=1e-9)
    assert np.all(np.abs(difference[5:]) > 50.0)  # the tyres would have them differ


def synthetic(law: tuple[float, float, float]) -> tuple[AxleRun, Windows]:
    """A run of two seconds, its speeds computed with a law."""
    time = STEP_S * np.arange(50)
    pull = np.concatenate([size * np.sin(3.0 * time) for size in (900.0, 300.0, -150.0, -400.0)])
    run = turning(pull)
    windows = windows_of(np.ones(len(pull), dtype=bool), 1 / STEP_S)
    here = run.input_torque_nm[windows.at]
    lock = law[0] + law[1] * np.maximum(here, 0.0) + law[2] * np.maximum(-here, 0.0)
    motion = integrated(run, windows, STEP_S, AxleFigures(), TYRE, lock[:, None])
    speeds = (each[:, 0].T.ravel() for each in (motion.left_radps, motion.right_radps))
    return replace(run, **dict(zip(("left_radps", "right_radps"), speeds, strict=True))), windows


def test_a_law_comes_back_from_the_speeds_that_it_makes() -> None:
    run, windows = synthetic((80.0, 0.2, 0.1))
    fit = fit_output(run, windows, {**FIGURE_BELIEFS, **TYRE_BELIEFS, **LAW_BELIEFS})
    found = [fit.numbers[name] for name in LAW_BELIEFS]
    assert found == pytest.approx([80.0, 0.2, 0.1], abs=1.0)


def test_the_smoother_reads_the_torque_difference_of_packs_that_slide() -> None:
    run, windows = synthetic((120.0, 0.0, 0.0))
    told = smoothed_difference(run, windows, AxleFigures(), TYRE)
    assert np.median(told.difference_nm[10:]) == pytest.approx(-120.0, abs=5.0)


def test_short_stretches_are_no_windows_and_long_ones_are_cut() -> None:
    usable = np.zeros(500, dtype=bool)
    usable[10:30] = usable[100:350] = True
    windows = windows_of(usable, 100.0)
    assert windows.at[0].tolist() == [100, 200, 300]
    assert windows.there.sum(axis=0).tolist() == [50, 50, 25]


def test_what_a_method_does_not_tell_counts_nowhere_in_the_table() -> None:
    def record(run: int, *found: float | None) -> dict:
        each = {"found": [100.0, *found, 0.2, 1100.0], "seconds": 1.0}
        return {
            "case": "firm", "run": run, "truth": [90.0, 0.4, 0.2, 1000.0],
            "methods": dict.fromkeys(METHODS, each),
        }  # fmt: skip

    records = [record(0, None), record(1, 0.5), record(2, 0.4)]
    assert errors(records, METHODS[0])[1].tolist() == pytest.approx([10.0, 0.1, 0.0, 0.1])
    assert "| firm | lock ratio, drive | +0.050 (0.071) |" in markdown(records)
