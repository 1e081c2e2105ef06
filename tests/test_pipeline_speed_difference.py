"""Speed differences in corners, and the tyres' radii from turns, without any torque channel."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import circuit_car
import numpy as np
import pytest
from simulated import session_of, sheet_of, simulate

from pipeline.analyse import analyse
from pipeline.build_sheet import Circuit
from pipeline.estimate import Estimate, Grade, Missing
from pipeline.result import SessionResult
from pipeline.rolling import under_straight_wheels
from pipeline.turns import fit_radius_from_turns, turning_freely

NO_TORQUE = ("shaft_torque_left_nm", "shaft_torque_right_nm", "engine_torque_nm")
CARS = {
    "spool": circuit_car.Car().with_parts(spool=True),
    "open": circuit_car.Car().with_parts(
        spring_force_n=1.0, drive_ramp_deg=90.0, overrun_ramp_deg=90.0
    ),
    "firm": circuit_car.Car(),
}


@cache
def seen(kind: str, dropped: tuple[str, ...] = NO_TORQUE, seed: int = 5) -> SessionResult:
    log = simulate(seed, CARS[kind], circuit_car.short_circuit(), laps=5)[1]
    whole = session_of(log)
    kept = {k: v for k, v in whole.channels.items() if k not in dropped}
    return analyse(replace(whole, channels=kept), sheet_of(CARS[kind]), Circuit())


def estimate(result: SessionResult, name: str) -> Estimate:
    found = result.estimates[name]
    assert isinstance(found, Estimate), found
    return found


def true_radius_ratio(kind: str, seed: int = 5) -> float:
    car = simulate(seed, CARS[kind], circuit_car.short_circuit(), laps=5)[0].car
    return car.radius_rear_left_m / car.radius_rear_right_m


def test_radii_are_what_left_and_right_turns_have_in_common() -> None:
    # 30 m/s wide of slips: turns of either sense, wheels 0.311 and 0.313 m, slip odd in the turn.
    rng = np.random.default_rng(2)
    yaw = np.tile(np.repeat([0.5, -0.5], 50), 8)
    speed = 15.0 + rng.standard_normal(len(yaw))
    left = (speed - 0.75 * yaw) / 0.311 - 0.3 * np.sign(yaw)
    right = (speed + 0.75 * yaw) / 0.313 + 0.3 * np.sign(yaw)
    lap = np.repeat(np.arange(8), 100)
    pull = rng.standard_normal(len(yaw))
    ground = under_straight_wheels(speed, yaw, 1.5)
    fit = fit_radius_from_turns(left - right, ground, pull, 0.312, lap)
    assert float(fit.coefficients[0]) == pytest.approx(1 / 0.311 - 1 / 0.313, rel=0.05)


def test_a_wheel_that_runs_away_is_not_turning_freely() -> None:
    speed, yaw = np.full(2, 20.0), np.full(2, 0.5)
    difference = np.array([-1.5 * 0.5 / 0.312, 5.0])
    ground = under_straight_wheels(speed, yaw, 1.5)
    assert turning_freely(difference, ground, 0.312).tolist() == [True, False]


@pytest.mark.parametrize("kind", ["open", "firm"])
def test_the_tyres_radii_come_out_of_turns_without_any_torque(kind: str) -> None:
    ratio = estimate(seen(kind), "rolling_radius_ratio")
    assert ratio.low <= true_radius_ratio(kind) <= ratio.high
    assert ratio.half_width < 0.005


def test_a_spool_hides_the_tyres_radii_and_it_says_so() -> None:
    found = seen("spool").estimates["rolling_radius_ratio"]
    assert isinstance(found, Missing)
    assert "held axle hides" in found.reason


def test_a_spool_takes_nothing_of_the_speed_difference_that_corners_ask_for() -> None:
    share = estimate(seen("spool"), "speed_difference_share_drive")
    assert abs(share.value) < 0.05
    assert estimate(seen("spool"), "held_share_overrun").value > 0.95


def test_a_firm_pack_holds_more_than_an_open_one() -> None:
    firm, opened = (estimate(seen(kind), "held_share_drive") for kind in ("firm", "open"))
    assert firm.low > opened.high


def test_torque_sensors_change_little_of_what_the_wheels_show() -> None:
    for name in ("speed_difference_share_drive", "held_share_drive", "held_share_overrun"):
        without, with_torque = estimate(seen("firm"), name), estimate(seen("firm", ()), name)
        assert without.grade is Grade.KINEMATIC
        assert without.low - 0.05 <= with_torque.value <= without.high + 0.05


def test_the_wheels_measures_are_said_where_no_torque_is_measured() -> None:
    sentences = [each.sentence for each in seen("firm").findings]
    assert any(
        each.startswith("Of the speed difference that corners ask for") for each in sentences
    )


def test_an_inside_wheel_that_runs_away_is_said_to_be_ahead() -> None:
    said = next(
        each.sentence for each in seen("firm").findings if each.sentence.startswith("Of the speed")
    )
    share = estimate(seen("firm"), "speed_difference_share_drive")
    assert share.high < 0
    assert (
        f"under drive the inside wheel is ahead of the outside one by {-100 * share.value:.0f} %"
        in said
    )


@pytest.mark.slow
def test_the_radius_ratio_from_turns_lies_in_its_interval_in_forty_sessions() -> None:
    inside = []
    for seed in range(5000, 5040):
        for kind in ("firm",):
            found = seen(kind, NO_TORQUE, seed).estimates["rolling_radius_ratio"]
            if isinstance(found, Estimate):
                inside.append(found.low <= true_radius_ratio(kind, seed) <= found.high)
            seen.cache_clear()
    print(f"{sum(inside)} of {len(inside)}")
    assert len(inside) >= 20
    assert np.mean(inside) >= 0.9
