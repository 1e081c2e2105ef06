"""The fit of tyres, axle and packs' law, on wheels whose balance is known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.lock import BREAKAWAY, DRIVE, OVERRUN
from pipeline.misreading import at_input_torque, misreading_covariance
from pipeline.plates import PreloadLaw
from pipeline.regression import ClusterFit, TooFewClustersError
from pipeline.split import fit_split, humbled
from pipeline.tyre_pair import Tyre
from pipeline.wheel_balance import AxleFigures, AxleRun, wheel_torques

TERMS = (BREAKAWAY, DRIVE, OVERRUN)
TYRE = Tyre(32.0, 0.0, 0.3, 1.35, 0.1, 1.05, 0.1)
TRUE = {BREAKAWAY: 90.0, DRIVE: 0.35, OVERRUN: 0.2}


def axle(seed: int = 1, laps: int = 6, each: int = 300) -> AxleRun:
    """Wheels that slip at random around a corner's speed; the packs hold in every third sample.

    The input torque is what the wheels' balances add up to, and sliding samples are moved along
    one wheel's slip until their difference follows the law.
    """
    rng = np.random.default_rng(seed)
    n = laps * each
    lateral = rng.uniform(-8.0, 8.0, n)
    speed = rng.uniform(20.0, 40.0, n)
    side = np.where(np.arange(n) % 3 == 0, 0.0, rng.choice([-1.0, 1.0], n))
    run = AxleRun(
        speed_mps=speed,
        yaw_rate_radps=lateral / speed,
        left_radps=np.zeros(n),
        right_radps=np.zeros(n),
        left_spin_radps2=rng.normal(0.0, 5.0, n),
        right_spin_radps2=rng.normal(0.0, 5.0, n),
        input_torque_nm=np.zeros(n),
        weight_n=np.full(n, 6000.0),
        weight_change_nps=np.zeros(n),
        downforce_n=0.8 * speed**2,
        transfer_n=180.0 * lateral,
        transfer_change_nps=np.zeros(n),
        side_force_n=600.0 * lateral,
        faster_side=side,
        speed_doubt=np.full(n, 1e-3),
        lap=np.repeat(np.arange(laps), each),
        track_m=1.5,
        lever=0.3,
        radius_m=0.312,
        wheel_inertia_kgm2=1.1,
        rolling_resistance=0.014,
    )
    slip = rng.uniform(-0.006, 0.012, n)
    half = 0.5 * run.track_m * run.yaw_rate_radps

    def at(apart: np.ndarray) -> AxleRun:
        return replace(
            run,
            left_radps=(speed - half) * (1 + slip + apart) / run.radius_m,
            right_radps=(speed + half) * (1 + slip - apart) / run.radius_m,
        )

    def off(apart: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        told = wheel_torques(at(apart), AxleFigures(), TYRE, steps=15)
        pull = told.left_nm + told.right_nm
        lock = (
            TRUE[BREAKAWAY]
            + TRUE[DRIVE] * np.maximum(pull, 0)
            + TRUE[OVERRUN] * np.maximum(-pull, 0)
        )
        return told.left_nm - told.right_nm + side * lock, pull

    low, high = np.full(n, -0.03), np.full(n, 0.03)
    for _ in range(40):
        middle = 0.5 * (low + high)
        above = off(middle)[0] > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    apart = np.where(side != 0, 0.5 * (low + high), rng.uniform(-0.003, 0.003, n))
    known = replace(at(apart), input_torque_nm=off(apart)[1])
    fits = np.where(side != 0, np.abs(off(apart)[0]) < 1.0, True)
    return replace(
        known,
        **{
            name: getattr(known, name)[fits]
            for name in AxleRun.__slots__
            if isinstance(getattr(known, name), np.ndarray)
        },
    )


def test_the_law_comes_back_from_wheels_that_follow_it() -> None:
    fit = fit_split(axle(), TERMS)
    found = dict(zip(fit.terms, fit.law.coefficients, strict=True))
    assert found[BREAKAWAY] == pytest.approx(TRUE[BREAKAWAY], abs=5.0)
    assert found[DRIVE] == pytest.approx(TRUE[DRIVE], abs=0.02)
    assert found[OVERRUN] == pytest.approx(TRUE[OVERRUN], abs=0.03)


def test_a_noisy_ground_speed_does_not_bend_the_law() -> None:
    run = axle(each=600)
    noise = np.random.default_rng(2).normal(0.0, 1e-3, len(run.lap))
    noisy = replace(run, speed_mps=run.speed_mps * (1 + noise))
    fit = fit_split(noisy, TERMS)
    found = dict(zip(fit.terms, fit.law.coefficients, strict=True))
    assert found[BREAKAWAY] == pytest.approx(TRUE[BREAKAWAY], abs=8.0)
    assert found[DRIVE] == pytest.approx(TRUE[DRIVE], abs=0.03)
    assert found[OVERRUN] == pytest.approx(TRUE[OVERRUN], abs=0.04)


def test_loads_that_follow_late_are_found_late() -> None:
    run = axle()
    rate = np.random.default_rng(3).normal(0.0, 4000.0, len(run.lap))
    late = replace(run, transfer_n=run.transfer_n + 0.08 * rate, transfer_change_nps=rate)
    assert fit_split(late, TERMS).figures.lag_s == pytest.approx(0.08, abs=0.01)


def test_wheel_speeds_that_are_a_tooth_old_are_found_old() -> None:
    run = axle()
    old = {
        f"{side}_radps": getattr(run, f"{side}_radps")
        - 0.13 * getattr(run, f"{side}_spin_radps2") / getattr(run, f"{side}_radps")
        for side in ("left", "right")
    }
    assert fit_split(replace(run, **old), TERMS).figures.tooth_rad == pytest.approx(0.13, abs=0.02)


def test_the_input_torque_tells_what_the_speed_is_off_by() -> None:
    run = axle()
    slow = replace(run, speed_mps=run.speed_mps * 0.998)
    true = wheel_torques(run, AxleFigures(), TYRE)
    plain = wheel_torques(slow, AxleFigures(), TYRE)
    told = at_input_torque(slow, AxleFigures(), TYRE)
    off, before = (np.abs(each.left_nm - true.left_nm) for each in (told, plain))
    assert np.median(off) < 0.4 * np.median(before)


def test_a_mirrored_axle_gives_the_same_law() -> None:
    run = axle()
    mirrored = replace(
        run,
        yaw_rate_radps=-run.yaw_rate_radps,
        left_radps=run.right_radps,
        right_radps=run.left_radps,
        left_spin_radps2=run.right_spin_radps2,
        right_spin_radps2=run.left_spin_radps2,
        transfer_n=-run.transfer_n,
        transfer_change_nps=-run.transfer_change_nps,
        side_force_n=-run.side_force_n,
        faster_side=-run.faster_side,
    )
    seen, reflected = (fit_split(each, TERMS).law.coefficients for each in (run, mirrored))
    assert reflected == pytest.approx(seen, rel=0.02, abs=0.01)


def test_uneven_tyres_show_as_factors_on_the_radius() -> None:
    run = axle()
    figures = fit_split(replace(run, left_radps=run.left_radps / 1.004), TERMS).figures
    assert figures.left_radius / figures.right_radius == pytest.approx(1.004, abs=5e-4)


def test_what_the_tyres_misread_alike_in_every_lap_is_in_the_interval() -> None:
    fit = fit_split(axle(), TERMS).law
    assert fit.shared is not None
    assert np.sqrt(fit.shared[0, 0]) > 3.0
    assert np.all(np.diag(fit.covariance) >= np.diag(fit.shared))


def test_misreadings_have_less_in_common_the_farther_apart_the_torques_are() -> None:
    covariance = misreading_covariance(np.array([-200.0, 0.0, 600.0, 2000.0]))
    size = np.sqrt(np.diag(covariance))
    alike = covariance[0] / (size[0] * size)
    assert np.all(np.diff(alike) < 0)
    assert alike[-1] < 0.2


def test_a_hole_in_the_log_blanks_no_other_sample() -> None:
    run = axle()
    weight_n = run.weight_n.copy()
    weight_n[3] = np.nan
    told = wheel_torques(replace(run, weight_n=weight_n, reference_load_n=0.0), AxleFigures(), TYRE)
    assert np.flatnonzero(np.isnan(told.left_nm)).tolist() == [3]


def test_a_part_of_a_run_has_the_tyre_of_the_whole() -> None:
    run = axle()
    heavy = run.weight_n > np.median(run.weight_n)
    part = replace(run, weight_n=run.weight_n[heavy], downforce_n=run.downforce_n[heavy])
    assert part.reference_load_n == run.reference_load_n


def test_two_laps_are_too_few() -> None:
    with pytest.raises(TooFewClustersError, match="2 laps"):
        fit_split(axle(laps=2), TERMS)


def test_a_law_is_fitted_as_the_sheet_states_it() -> None:
    adding, greater = (fit_split(axle(), TERMS, law).law.coefficients for law in PreloadLaw)
    assert greater[0] > adding[0]


def test_a_law_that_is_negative_for_sure_is_in_doubt_as_a_whole() -> None:
    replicates = np.array([[-100.0, 0.3], [-102.0, 0.31], [-98.0, 0.29], [-100.0, 0.3]])
    law = humbled(ClusterFit(replicates.mean(axis=0), replicates, 1.0, 400))
    halves = law.half_width(np.eye(2))
    assert halves[0] > 100.0
    assert halves[1] > 0.3
