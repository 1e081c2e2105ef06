"""A car with a differential on either axle: one log, and each axle by its own build sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import circuit_car
import numpy as np
import pytest
from simulated import session_of, sheet_of

from loaders.normalise import Session
from loaders.proposals import Confidence, Proposals
from loaders.propose import propose
from pipeline.analyse import analyse
from pipeline.build_sheet import BuildSheet, Circuit
from pipeline.estimate import Estimate, Grade, Missing
from pipeline.result import SessionResult

SHAFTS = ("shaft_torque_left_nm", "shaft_torque_right_nm")


@cache
def driven() -> circuit_car.Drive:
    return circuit_car.drive(
        circuit_car.four_wheel_driven_car(), circuit_car.short_circuit(), circuit_car.Driver(),
        laps=5, rng=np.random.default_rng(6),
    )  # fmt: skip


def axle_of(axle: str) -> circuit_car.Drive:
    return circuit_car.front_axle_of(driven()) if axle == "front" else driven()


@cache
def session() -> Session:
    """One log with the half-shaft torques of both axles."""
    sessions = {
        axle: session_of(
            circuit_car.spoil(
                axle_of(axle), circuit_car.Sensors(), rate_hz=100.0, rng=np.random.default_rng(7)
            )
        )
        for axle in ("rear", "front")
    }
    whole = sessions["rear"]
    channels = {name: each for name, each in whole.channels.items() if name not in SHAFTS}
    suspect = {name: marks for name, marks in whole.suspect.items() if name not in SHAFTS}
    for axle, each in sessions.items():
        for name in SHAFTS:
            own = name.replace("torque_", f"torque_{axle}_")
            channels[own] = each.channels[name]
            if name in each.suspect:
                suspect[own] = each.suspect[name]
    return replace(whole, channels=channels, suspect=suspect)


CORNERS = {
    f"Torque {axle[0]}{side[0]}".upper(): f"shaft_torque_{axle}_{side}_nm"
    for axle in ("front", "rear")
    for side in ("left", "right")
}


def proposed(called: Mapping[str, str]) -> Proposals:
    """What is proposed for the log of both axles, its torques called by other names."""
    channels = {"time_s": session().time_s, **session().channels}
    columns = {new: channels[own] for new, own in called.items()}
    columns |= {name: v for name, v in channels.items() if name not in called.values()}
    return propose(list(columns), [None] * len(columns), columns)


def test_four_half_shafts_are_told_apart_by_the_corners_in_their_names() -> None:
    made = proposed(CORNERS)
    assert made.ties == ()
    found = {p.column: p for p in made.entries if p.channel.startswith("shaft_torque")}
    assert {column: p.channel for column, p in found.items()} == CORNERS
    assert all("while the wheel of its name is the slower" in p.reason for p in found.values())


def test_four_half_shafts_on_the_wrong_sides_are_no_more_than_a_guess() -> None:
    swapped = {name: CORNERS[name[:-1] + ("R" if name[-1] == "L" else "L")] for name in CORNERS}
    for each in proposed(swapped).entries:
        if each.channel.startswith("shaft_torque"):
            assert each.confidence is Confidence.GUESS
            assert "IT IS GREATER WHILE THE WHEEL OF ITS NAME IS THE FASTER" in each.reason


def sheet(axle: str) -> BuildSheet:
    whole = sheet_of(axle_of(axle).car)
    assert whole.car.driven_axle == axle
    return replace(whole, car=replace(whole.car, other_axle="driven"))


@cache
def result(axle: str) -> SessionResult:
    return analyse(session(), sheet(axle), Circuit())


@pytest.mark.parametrize("axle", ["rear", "front"])
def test_each_differential_is_found_by_its_own_build_sheet(axle: str) -> None:
    truth = circuit_car.truth(axle_of(axle))
    for name, true in (
        ("breakaway_torque_nm", truth.breakaway_torque_nm),
        ("lock_drive", truth.lock_drive),
        ("lock_overrun", truth.lock_overrun),
    ):
        found = result(axle).estimates[name]
        assert isinstance(found, Estimate)
        assert found.low <= true <= found.high


def test_steered_wheels_beside_a_driven_rear_axle_do_not_tell_the_split_and_it_is_said() -> None:
    names = [name.replace("torque_", "torque_front_") for name in SHAFTS]
    channels = {name: v for name, v in session().channels.items() if "shaft_torque" not in name}
    channels["input_torque_front_nm"] = np.sum([session().channels[name] for name in names], axis=0)
    found = analyse(replace(session(), channels=channels), sheet("front"), Circuit())
    assert found.session.grade is Grade.INFERRED
    lock = found.estimates["lock_drive"]
    assert isinstance(lock, Missing)
    assert "log both half-shaft torques of the front axle" in lock.reason


def test_wheels_of_the_other_driven_axle_give_no_ground_speed() -> None:
    channels = {name: each for name, each in session().channels.items() if name != "speed_mps"}
    blind = replace(session(), channels=channels)
    said = analyse(blind, sheet("rear"), Circuit()).provenance["ground speed"]
    assert said == "mean of the driven wheels: slip of the axle is not visible"


def test_engine_torque_tells_no_axles_share_and_it_is_said() -> None:
    shafts = {name for name in session().channels if name.startswith("shaft_torque_")}
    channels = {name: each for name, each in session().channels.items() if name not in shafts}
    found = analyse(replace(session(), channels=channels), sheet("front"), Circuit())
    assert isinstance(found.estimates["breakaway_torque_nm"], Missing)
    assert "both axles are driven" in found.provenance["input torque"]


def test_a_fault_is_said_of_the_channel_that_the_map_names() -> None:
    left, right = (name.replace("torque_", "torque_front_") for name in SHAFTS)
    channels = dict(session().channels)
    channels[left], channels[right] = channels[right], channels[left]
    notes = analyse(replace(session(), channels=channels), sheet("front"), Circuit()).quality
    swapped = next(note for note in notes if note.kind == "swapped sides" and note.serious)
    assert swapped.channel == left
    assert f"[channels.{left}]" in swapped.remedy
