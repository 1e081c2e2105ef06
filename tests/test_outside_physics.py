"""The product's answers against an axle that a general-purpose physics engine turned.

MuJoCo (Todorov, Erez & Tassa, "MuJoCo: A physics engine for model-based control", IROS 2012) says
how the wheels turn, what the half-shafts carry, when the packs slide and how much energy is gone.
The parts that the engine is given (`Packs`) are what the product has to find from its log.

Tolerances: halving the engine's step moves breakaway torque and lock ratios by no more than a fifth
of what the tests allow; the inertia of the side gears and the logger's 100 Hz are in it too.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from outside_axle import (
    RADIUS_M,
    RATE_HZ,
    STEP_S,
    TRACK_M,
    Packs,
    Road,
    Turned,
    logged,
    road,
    turn,
    wrench_at_breaking_loose,
)

from loaders.normalise import Session, Source
from pipeline.analyse import analyse
from pipeline.axle import SMOOTH_S
from pipeline.bench_check import Method, breakaway_from_reading
from pipeline.build_sheet import BuildSheet, Car, Circuit, Differential, Sensors, States
from pipeline.estimate import Bound, Choice, Estimate, Side
from pipeline.heat import plate_friction_power
from pipeline.plates import PreloadLaw
from pipeline.result import AxleState, SessionResult

AROUND = 2 * np.pi
STANDS_S, GETS_GOING_S, LAP_S, LAPS = 5.0, 3.0, 10.0, 6
STARTS_S = STANDS_S + GETS_GOING_S
BREAKAWAY_NM, LOCK = 0.1, 1e-3
# No more than this goes into the packs at any instant: 300 N m at 2 rad/s, halved.
POWER_W = 300.0


def circuit(step_s: float = STEP_S) -> Road:
    """Standing, getting going, six laps of bends both ways with drive and overrun in each."""

    def going(t: np.ndarray) -> np.ndarray:
        return np.clip((t - STANDS_S) / GETS_GOING_S, 0.0, 1.0)

    return road(
        STARTS_S + LAPS * LAP_S + 1.0,
        lambda t: going(t) * (30 + 4 * np.sin(AROUND * t / 9.1)),
        lambda t: going(t) * (0.45 * np.sin(AROUND * t / 7.3) + 0.25 * np.sin(AROUND * t / 3.1)),
        lambda t: going(t) * (150 + 450 * np.sin(AROUND * t / 4.7) + 150 * np.sin(AROUND * t / 2)),
        step_s,
    )


@cache
def turned(packs: Packs, step_s: float = STEP_S) -> Turned:
    return turn(packs, circuit(step_s))


def session(run: Turned, step_s: float = STEP_S) -> Session:
    time = logged(run.road.time_s, step_s)
    kept = {
        "wheel_speed_rl_radps": run.left_radps,
        "wheel_speed_rr_radps": run.right_radps,
        "shaft_torque_left_nm": run.shaft_left_nm,
        "shaft_torque_right_nm": run.shaft_right_nm,
        "speed_mps": run.road.speed_mps,
        "yaw_rate_radps": run.road.yaw_rate_radps,
    }
    channels = {name: logged(values, step_s) for name, values in kept.items()}
    channels["lap_number"] = np.maximum(0.0, 1 + np.floor((time - STARTS_S) / LAP_S))
    source = Source("outside.csv", "0" * 64, 0, len(time), "", "channels.toml")
    return Session("outside", RATE_HZ, time, channels, {}, (), source)


SHEET = BuildSheet(
    Car("Outside", "rear", TRACK_M, RADIUS_M), Differential("A"), Sensors(), States()
)


@cache
def result(packs: Packs, step_s: float = STEP_S) -> SessionResult:
    return analyse(session(turned(packs, step_s), step_s), SHEET, Circuit())


def value(found: SessionResult, name: str) -> float:
    answer = found.estimates[name]
    assert isinstance(answer, Estimate)
    return answer.value


ADDING = Packs()
GREATER_OF = Packs(springs_nm=50.0, greater_of=True)
ONE_WAY = replace(ADDING, overrun=0.0)
SPRINGS_ALONE = replace(ADDING, drive=0.0, overrun=0.0)
OPEN = replace(SPRINGS_ALONE, springs_nm=0.0)
SPOOL = replace(ADDING, spool=True)


def test_springs_alone_break_loose_at_what_the_engines_two_packs_rub_with() -> None:
    found = result(SPRINGS_ALONE)
    assert value(found, "breakaway_torque_nm") == pytest.approx(90.0, abs=BREAKAWAY_NM)
    for phase in ("drive", "overrun"):
        assert value(found, f"locking_torque_{phase}_nm") == pytest.approx(90.0, abs=BREAKAWAY_NM)


@pytest.mark.parametrize("packs", [ADDING, GREATER_OF, ONE_WAY], ids=["adding", "greater", "1way"])
def test_breakaway_torque_and_lock_ratios_are_those_the_engine_was_given(packs: Packs) -> None:
    found = result(packs)
    assert value(found, "breakaway_torque_nm") == pytest.approx(packs.springs_nm, abs=BREAKAWAY_NM)
    assert value(found, "lock_drive") == pytest.approx(packs.drive, abs=LOCK)
    assert value(found, "lock_overrun") == pytest.approx(packs.overrun, abs=LOCK)


@pytest.mark.parametrize(("packs", "law"), [(ADDING, "adding"), (GREATER_OF, "greater of")])
def test_the_preload_law_that_presses_the_engines_packs_is_told(packs: Packs, law: str) -> None:
    choice = result(packs).choices["preload_law"]
    assert isinstance(choice, Choice)
    assert choice.chosen == law


def test_halving_the_engines_step_moves_no_answer() -> None:
    coarse, fine = result(ADDING), result(ADDING, STEP_S / 2)
    for name, allowed in (
        ("breakaway_torque_nm", BREAKAWAY_NM),
        ("lock_drive", LOCK),
        ("lock_overrun", LOCK),
    ):
        assert value(fine, name) == pytest.approx(value(coarse, name), abs=allowed / 5)


@pytest.mark.parametrize("packs", [ADDING, GREATER_OF, ONE_WAY], ids=["adding", "greater", "1way"])
def test_friction_power_sums_to_the_energy_that_leaves_the_engine(packs: Packs) -> None:
    run = turned(packs)
    power = plate_friction_power(
        run.shaft_left_nm, run.shaft_right_nm, run.left_radps, run.right_radps
    )
    # What the pinions' constraint takes while the axle sticks is a few hundredths of a joule.
    assert np.sum(power) * STEP_S == pytest.approx(run.dissipated_j[-1], rel=1e-4)


@pytest.mark.parametrize("packs", [ADDING, GREATER_OF, ONE_WAY], ids=["adding", "greater", "1way"])
def test_each_laps_energy_is_what_leaves_the_engine_in_that_lap(packs: Packs) -> None:
    lost = turned(packs).dissipated_j
    laps = [lap for lap in result(packs).laps if lap.valid]
    assert len(laps) == LAPS
    for lap in laps:
        assert isinstance(lap.energy_j, Estimate)
        start, end = (round(at / STEP_S) for at in (lap.start_s, lap.end_s))
        # One logged sample of the lap's largest power: where the lap ends between samples.
        assert lap.energy_j.value == pytest.approx(lost[end] - lost[start], abs=POWER_W / RATE_HZ)


def test_a_spool_gets_a_lower_bound_below_what_the_engine_had_in_its_shafts() -> None:
    run, found = turned(SPOOL), result(SPOOL)
    held = float(np.max(np.abs(run.shaft_left_nm - run.shaft_right_nm)))
    for name in ("breakaway_torque_nm", "locking_torque_drive_nm", "locking_torque_overrun_nm"):
        bound = found.estimates[name]
        assert isinstance(bound, Bound)
        assert bound.side is Side.AT_LEAST
        assert 0.5 * held < bound.value < held


def test_an_axle_whose_packs_do_not_rub_reads_as_open() -> None:
    found = result(OPEN)
    for phase in ("drive", "overrun"):
        assert value(found, f"locking_torque_{phase}_nm") == pytest.approx(0.0, abs=BREAKAWAY_NM)
    assert value(found, "breakaway_torque_nm") == pytest.approx(0.0, abs=BREAKAWAY_NM)


# --- stuck, loose and stuck again -----------------------------------------------------------------


@cache
def one_bend() -> Turned:
    """A bend to the left under 400 N m that tightens until the packs let go, and opens again."""
    return turn(
        ADDING,
        road(
            8.0,
            lambda t: np.full(len(t), 30.0),
            lambda t: 0.9 * np.exp(-(((t - 4.0) / 1.2) ** 2)),
            lambda t: np.full(len(t), 400.0),
        ),
    )


def sliding_span(run: Turned) -> tuple[int, int]:
    """First step at which the engine's packs slide, and first at which they stick again."""
    changes = np.flatnonzero(np.diff(run.sliding.astype(int))) + 1
    assert len(changes) == 2
    return int(changes[0]), int(changes[1])


def test_the_shafts_differ_by_the_locking_torque_when_the_engine_lets_go() -> None:
    run = one_bend()
    loose, _ = sliding_span(run)
    # The left wheel, inside and slower, gets more.
    difference = run.shaft_left_nm[loose] - run.shaft_right_nm[loose]
    assert difference == pytest.approx(ADDING(400.0), abs=BREAKAWAY_NM)


def test_the_axle_counts_as_held_until_the_engine_lets_go_and_again_once_it_sticks() -> None:
    run = one_bend()
    loose, stuck = (run.road.time_s[at] for at in sliding_span(run))
    events = analyse(session(run), SHEET, Circuit()).events
    held = [event for event in events if event.state is AxleState.HELD]
    assert len(held) == 2
    # Sliding shows from 0.3 rad/s (1.3 times that where the packs were stuck) and over half the
    # averaging window: the engine's own speeds say when that is.
    difference = np.abs(run.left_radps - run.right_radps)
    clear = run.road.time_s[difference > 1.3 * 0.3]
    assert loose - SMOOTH_S <= held[0].end_s <= clear[0] + SMOOTH_S
    assert clear[-1] - SMOOTH_S <= held[1].start_s <= stuck + SMOOTH_S


# --- bench checks ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "held", "direction", "lock"),
    [
        (Method.OTHER_WHEEL_HELD, "hold right", +1.0, 0.0),
        (Method.IN_GEAR_FORWARD, "hold case", +1.0, ADDING.overrun),
        (Method.IN_GEAR_BACKWARD, "hold case", -1.0, ADDING.drive),
    ],
)
def test_a_wrench_on_the_engines_wheel_reads_what_the_bench_check_converts(
    method: Method, held: str, direction: float, lock: float
) -> None:
    reading = wrench_at_breaking_loose(ADDING, held, direction)
    assert breakaway_from_reading(reading, lock, method, PreloadLaw.ADDING) == pytest.approx(
        90.0, abs=0.5
    )
