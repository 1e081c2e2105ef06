"""A long log worked on stretch by stretch says what it says as a whole."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import circuit_car
import pytest
from simulated import session_of, sheet_of, simulate

import pipeline.stretches
from loaders.normalise import Session
from pipeline.analyse import analyse
from pipeline.build_sheet import Circuit
from pipeline.published import to_json
from pipeline.stretches import stretches

SHEET = sheet_of(circuit_car.Car())


@pytest.fixture(scope="module")
def session() -> Session:
    """Five laps, every torque logged."""
    log = simulate(77, circuit=circuit_car.short_circuit(), laps=5, rate_hz=50.0)[1]
    return session_of(log)


def numbers(published: Any, path: str = "") -> Iterator[tuple[str, object]]:
    """Everything that a result says, each with its place."""
    if isinstance(published, dict):
        for key, value in published.items():
            yield from numbers(value, f"{path}.{key}")
    elif isinstance(published, list):
        for i, value in enumerate(published):
            yield from numbers(value, f"{path}[{i}]")
    else:
        yield path, published


@pytest.mark.parametrize("size", [997, 5000])
def test_stretch_by_stretch_says_the_same_as_the_whole(
    session: Session, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = dict(numbers(json.loads(to_json(analyse(session, SHEET, Circuit())))))
    monkeypatch.setattr(pipeline.stretches, "AT_ONCE", size)
    parts = dict(numbers(json.loads(to_json(analyse(session, SHEET, Circuit())))))
    assert parts.keys() == whole.keys()
    for place, said in whole.items():
        assert parts[place] == (
            pytest.approx(said, rel=1e-9, abs=1e-9) if isinstance(said, float) else said
        ), place


@pytest.mark.parametrize("n", [0, 1, 996, 997, 998, 3000])
def test_stretches_cover_everything_once(n: int) -> None:
    covered = [i for part in stretches(n, 997) for i in range(n)[part]]
    assert covered == list(range(n))
