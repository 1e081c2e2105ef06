"""Faults of single signals: what is found where, and what is left alone."""

from __future__ import annotations

from dataclasses import replace

import circuit_car
import numpy as np
import pytest
from numpy.typing import NDArray
from simulated import session_of, simulate

from loaders.normalise import Session
from loaders.quality import FaultKind, SignalFault, signal_faults, with_faults_marked
from loaders.signal_faults import (
    frozen_spans,
    spans_of,
    spike_spans,
    stop_spans,
    written_step,
)

N = 4000
RATE_HZ = 100.0
MOVING = np.ones(N, dtype=bool)


def noise(seed: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng(seed).normal(0.0, 1.0, N)


def wave() -> NDArray[np.float64]:
    return 20.0 * np.sin(0.01 * np.arange(N)) + noise()


@pytest.fixture(scope="module")
def session() -> Session:
    return session_of(simulate(4001, circuit=circuit_car.short_circuit(), laps=2)[1])


def hurt(session: Session, **channels: NDArray[np.float64]) -> Session:
    return replace(session, channels={**session.channels, **channels})


def kinds(faults: tuple[SignalFault, ...], channel: str) -> list[FaultKind]:
    return [each.kind for each in faults if each.channel == channel]


def test_a_sound_session_shows_only_its_steps(session: Session) -> None:
    assert {fault.kind for fault in signal_faults(session)} == {FaultKind.STEP}


def test_a_value_that_stands_is_frozen_and_a_coarse_signal_is_not() -> None:
    stuck = wave()
    stuck[1000:1200] = stuck[1000]
    assert frozen_spans(stuck, MOVING, RATE_HZ).tolist() == [[1000, 1200]]
    # Slow and coarse: each value stands for half a second and some for longer.
    coarse = np.round(3.0 * np.sin(0.004 * np.arange(N)), 1)
    assert len(frozen_spans(coarse, MOVING, RATE_HZ)) == 0


def test_a_signal_that_never_changes_is_frozen_throughout() -> None:
    assert frozen_spans(np.full(N, 7.0), MOVING, RATE_HZ).tolist() == [[0, N]]


def test_nothing_is_frozen_while_the_car_stands_or_where_the_signal_is_missing() -> None:
    stuck = wave()
    stuck[1000:1200] = 3.0
    assert len(frozen_spans(stuck, ~MOVING, RATE_HZ)) == 0
    assert len(frozen_spans(np.full(N, np.nan), MOVING, RATE_HZ)) == 0


def test_a_wheel_locked_by_the_brakes_is_not_frozen() -> None:
    locked = 80.0 + wave()
    locked[1000:1200] = 0.0
    assert len(frozen_spans(locked, MOVING, RATE_HZ)) == 0
    locked[1000:1500] = 0.0
    assert frozen_spans(locked, MOVING, RATE_HZ).tolist() == [[1000, 1500]]


def test_spikes_are_found_at_every_place_but_a_step_is_none() -> None:
    spiked = wave()
    at = np.array([5, 130, 1000, 2047, N - 5])
    spiked[at] += 50.0
    assert spike_spans(spiked, RATE_HZ)[:, 0].tolist() == at.tolist()
    step = wave()
    step[2000:] += 50.0
    assert len(spike_spans(step, RATE_HZ)) == 0


def test_a_dip_of_a_gear_shift_is_no_spike() -> None:
    shifted = wave()
    shifted[2000:2005] -= 60.0
    assert len(spike_spans(shifted, RATE_HZ)) == 0
    assert len(spike_spans(shifted, 10.0)) == 0


def test_both_ends_of_a_range_can_be_stops_and_a_rounded_peak_is_none() -> None:
    clipped = np.clip(wave(), -15.0, 15.0)
    assert len(stop_spans(clipped, upper=True)) > 2
    assert len(stop_spans(clipped, upper=False)) > 2
    assert len(stop_spans(np.round(20.0 * np.sin(0.01 * np.arange(N)), 1), upper=True)) == 0
    assert len(stop_spans(wave(), upper=True)) == 0


@pytest.mark.parametrize("step", [0.01, 0.1, 2.5])
def test_the_written_step_is_found_whatever_the_unit_makes_of_it(step: float) -> None:
    written = np.rint(wave() / step) * step / 0.305
    assert written_step(written) == pytest.approx(step / 0.305)


def test_a_signal_without_a_step_has_none() -> None:
    assert written_step(wave()) is None
    assert written_step(np.full(N, 2.0)) is None


def test_stretches_are_found_at_both_ends() -> None:
    assert spans_of(np.array([True, False, True])).tolist() == [[0, 1], [2, 3]]
    assert spans_of(np.zeros(0, dtype=bool)).tolist() == []


def test_marked_samples_are_suspect_and_untouched(session: Session) -> None:
    stuck = session.channels["wheel_speed_rl_radps"].copy()
    stuck[6000:6300] = stuck[6000]
    broken = hurt(session, wheel_speed_rl_radps=stuck)
    faults = signal_faults(broken)
    assert FaultKind.FROZEN in kinds(faults, "wheel_speed_rl_radps")
    marked = with_faults_marked(broken, faults)
    assert marked.suspect["wheel_speed_rl_radps"][6000:6300].all()
    assert marked.channels["wheel_speed_rl_radps"] is stuck
    assert "wheel_speed_rr_radps" not in broken.suspect or np.array_equal(
        marked.suspect["wheel_speed_rr_radps"], broken.suspect["wheel_speed_rr_radps"]
    )


def test_what_two_torques_feel_at_once_is_no_spike(session: Session) -> None:
    left, right = (session.channels[f"shaft_torque_{side}_nm"].copy() for side in ("left", "right"))
    left[5000] += 3000.0
    right[5001] += 3000.0
    both = hurt(session, shaft_torque_left_nm=left, shaft_torque_right_nm=right)
    assert FaultKind.SPIKES not in kinds(signal_faults(both), "shaft_torque_left_nm")
    one = hurt(session, shaft_torque_left_nm=left)
    assert FaultKind.SPIKES in kinds(signal_faults(one), "shaft_torque_left_nm")
