"""Temperatures of a simulated session against what the simulator knows of them."""

from __future__ import annotations

from dataclasses import replace

import circuit_car
import numpy as np
import pytest
from simulated import FULLY_FITTED, THERMOMETERS, session_of, sheet_of, simulate

from pipeline.analyse import analyse
from pipeline.build_sheet import Circuit
from pipeline.estimate import Estimate, Missing, Predicted
from pipeline.parts import HeatPaths, Limits, Oil
from pipeline.result import HeatSummary, SessionResult

PATHS = HeatPaths(
    plates_mass_kg=(1.5, 1.9),
    housing_mass_kg=(16.0, 20.0),
    plates_to_oil_wpk=(40.0, 120.0),
    still_air_wpk=(3.0, 12.0),
    moving_air_wpk_per_mps=(0.25, 0.60),
    gear_loss=(0.015, 0.03),
    ambient_c=18.0,
    start_c=45.0,
)


@pytest.fixture(scope="module")
def driven() -> tuple[circuit_car.Drive, circuit_car.Log]:
    return simulate(31, laps=8, sensors=FULLY_FITTED)


def analysed(
    log: circuit_car.Log, paths: HeatPaths, without: tuple[str, ...] = ()
) -> SessionResult:
    sheet = replace(
        sheet_of(circuit_car.Car()),
        heat=paths,
        oil=Oil(volume_l=1.0, limit_c=120.0),
        limits=Limits(plate_temperature_c=60.0, race_length_s=2400.0),
    )
    return analyse(session_of(log, without=without), sheet, Circuit())


def heat_of(result: SessionResult) -> HeatSummary:
    assert isinstance(result.heat, HeatSummary), result.heat
    return result.heat


def test_with_a_thermometer_the_true_plate_temperature_lies_in_the_band(
    driven: tuple[circuit_car.Drive, circuit_car.Log],
) -> None:
    drive, log = driven
    heat = heat_of(analysed(log, PATHS))
    time_s = heat.step_s * (np.arange(len(heat.plates_c)) + 1.0)
    truth = np.interp(time_s, drive.time_s, drive["plate_temperature_c"])
    inside = np.abs(heat.plates_c - truth) <= heat.plates_half_c + 1.0
    assert heat.fitted
    assert float(np.mean(inside)) > 0.9


def test_with_a_thermometer_the_numbers_are_estimates_with_their_grade(
    driven: tuple[circuit_car.Drive, circuit_car.Log],
) -> None:
    answers = heat_of(analysed(driven[1], PATHS)).answers
    assert all(isinstance(answer, Estimate) for answer in answers.values())


def steady_and_constant(drive: circuit_car.Drive) -> tuple[float, float]:
    """Where the simulator's oil would end at the mean of the laps [degC], and how fast [s]."""
    on = (drive["lap_number"] >= 1) & (drive["lap_number"] <= drive.laps)
    case = 0.5 * (drive["wheel_speed_rl_radps"] + drive["wheel_speed_rr_radps"])
    through = float(np.mean(np.abs(drive["input_torque_nm"] * case)[on]))
    friction = float(np.mean(drive["friction_power_w"][on]))
    heat = drive.car.heat
    to_air = heat.still_air_wpk + heat.moving_air_wpk_per_mps * float(
        np.mean(drive["speed_mps"][on])
    )
    ends = heat.ambient_c + (friction + heat.gear_loss * through) / to_air
    return ends, (heat.plates_jpk + heat.housing_jpk) / to_air


def test_the_oil_at_the_end_of_a_race_is_the_simulators_own_balance(
    driven: tuple[circuit_car.Drive, circuit_car.Log],
) -> None:
    drive, log = driven
    steady = heat_of(analysed(log, PATHS)).answers["oil_steady_c"]
    assert isinstance(steady, Estimate)
    assert steady.low < steady_and_constant(drive)[0] < steady.high


# The truth lies in these ranges too, but near their lower ends.
OFF_CENTRE = HeatPaths(
    plates_mass_kg=(1.6, 2.2),
    housing_mass_kg=(17.0, 24.0),
    plates_to_oil_wpk=(60.0, 180.0),
    still_air_wpk=(5.0, 20.0),
    moving_air_wpk_per_mps=(0.35, 1.2),
    gear_loss=(0.02, 0.045),
)


@pytest.mark.slow
@pytest.mark.parametrize("paths", [PATHS, OFF_CENTRE], ids=["centred", "off centre"])
def test_heat_paths_come_back_from_sessions_or_the_intervals_say_how_far(
    paths: HeatPaths,
) -> None:
    held = np.zeros(2)
    for seed in range(20):
        drive, log = simulate(1500 + seed, laps=8, sensors=FULLY_FITTED)
        answers = heat_of(analysed(log, paths)).answers
        truths = steady_and_constant(drive)
        near = 5.0, 0.15 * truths[1]
        for k, name in enumerate(("oil_steady_c", "oil_time_constant_s")):
            found = answers[name]
            assert isinstance(found, Estimate)
            inside = found.low <= truths[k] <= found.high
            held[k] += inside
            # Within 5 K and 15 %, or an interval that is wider and says so.
            assert abs(found.value - truths[k]) < near[k] or (inside and found.half_width > near[k])
    assert np.all(held >= 18), held


def test_without_a_thermometer_every_number_says_assumed(
    driven: tuple[circuit_car.Drive, circuit_car.Log],
) -> None:
    heat = heat_of(analysed(driven[1], PATHS, without=THERMOMETERS))
    assert not heat.fitted
    for answer in heat.answers.values():
        assert isinstance(answer, Predicted)
        assert answer.method.startswith("assumed")


def test_findings_on_assumed_temperatures_are_marked_and_raise_no_unsure_alarm(
    driven: tuple[circuit_car.Drive, circuit_car.Log],
) -> None:
    found = analysed(driven[1], PATHS, without=THERMOMETERS).findings
    warm = [each for each in found if each.assumed]
    assert len(warm) == 2
    # The plates pass 60 degC for sure, the oil's margin over a race may be either.
    assert [each.needs_attention for each in warm if "margin" in each.sentence] == [False]


def test_a_sheet_without_heat_paths_names_what_is_needed(
    driven: tuple[circuit_car.Drive, circuit_car.Log],
) -> None:
    heat = analysed(driven[1], HeatPaths(), without=THERMOMETERS).heat
    assert isinstance(heat, Missing)
    assert "gear_loss under [heat]" in heat.reason
    assert "start_c under [heat]" in heat.reason


def test_plates_beyond_their_limit_are_a_finding_with_its_caution(
    driven: tuple[circuit_car.Drive, circuit_car.Log],
) -> None:
    said = [each for each in analysed(driven[1], PATHS).findings if "plates reach" in each.sentence]
    assert len(said) == 1
    assert said[0].needs_attention
    assert "hot long after a run" in said[0].consequence
