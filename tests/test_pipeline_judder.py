"""Judder of the sliding packs: found where it is, and not claimed where something else swings."""

from __future__ import annotations

from dataclasses import replace

import circuit_car
import numpy as np
import pytest
import scipy.signal
from circuit_car.friction import Friction
from circuit_car.halfshafts import Shafts
from simulated import run

from pipeline.estimate import Estimate, Missing
from pipeline.judder import Judder, find_judder, spectra_of
from pipeline.result import SessionResult

RATE_HZ = 100.0
LAP_S, LAPS = 60.0, 6


def made(
    seed: int = 1,
    *,
    judder_hz: float = 14.0,
    amplitude: float = 0.0,
    wheel_order: float = 0.0,
    everywhere: float = 0.0,
    laps: int = LAPS,
    rate_hz: float = RATE_HZ,
) -> Judder | str:
    """Laps of 60 s, one second in five sliding, with something that swings in the difference."""
    rng = np.random.default_rng(seed)
    n = int(laps * LAP_S * rate_hz)
    time = np.arange(n) / rate_hz
    lap = (time // LAP_S).astype(np.intp)
    sliding = (time % 5.0) < 1.0
    turning = 75.0 + 12.0 * np.sin(0.37 * time)
    slow = 2.5 + np.sin(2 * np.pi * 0.6 * time + rng.uniform(0, 6))
    difference = sliding * slow + 0.03 * rng.standard_normal(n)
    phase = 2 * np.pi * judder_hz * time + np.cumsum(0.05 * rng.standard_normal(n))
    difference += (sliding * amplitude + everywhere) * np.sin(phase)
    if wheel_order:
        difference += 0.3 * np.sin(wheel_order * np.cumsum(turning) / rate_hz)
    return find_judder(difference, turning.__getitem__, sliding, ~sliding, lap, rate_hz)


def test_windows_have_the_spectrum_that_a_reference_library_gives() -> None:
    # Reference: scipy.signal.welch, Hann window, half overlap, straight line taken out.
    rng = np.random.default_rng(3)
    x = np.cumsum(rng.normal(size=640))
    spectra = spectra_of(x, np.ones(640, dtype=bool), np.zeros(640, dtype=np.intp), 100.0)
    hz, power = scipy.signal.welch(x, 100.0, "hann", nperseg=64, noverlap=32, detrend="linear")
    assert spectra.frequency_hz == pytest.approx(hz)
    # Its first and last bin have no mirror image; ours are not asked.
    assert spectra.power.mean(axis=0)[1:-1] == pytest.approx(power[1:-1], rel=1e-9)


@pytest.mark.parametrize("judder_hz", [11.0, 14.0, 22.0, 30.0])
def test_judder_is_found_at_its_frequency_with_its_amplitude(judder_hz: float) -> None:
    found = made(judder_hz=judder_hz, amplitude=0.2)
    assert isinstance(found, Judder)
    assert found.frequency_hz == pytest.approx(judder_hz, abs=0.5)
    assert found.low_hz <= judder_hz <= found.high_hz
    assert found.amplitude_radps == pytest.approx(0.2, rel=0.15)


def test_the_interval_of_the_amplitude_holds_the_truth() -> None:
    # The true amplitude of each log is what its own windows hold, noise of the phase included.
    inside = 0
    for seed in range(40):
        found = made(seed, amplitude=0.3)
        assert isinstance(found, Judder)
        inside += abs(found.amplitude_radps - 0.3) <= found.amplitude_half_radps + 0.01
    assert inside >= 34


def test_clean_sliding_is_not_called_judder() -> None:
    claimed = [made(seed) for seed in range(100)]
    assert not any(isinstance(each, Judder) for each in claimed)
    assert "no narrow band stands out" in str(claimed[0])


@pytest.mark.parametrize("wheel_order", [1.0, 2.0])
def test_a_wheel_that_is_not_round_is_not_called_judder(wheel_order: float) -> None:
    assert isinstance(made(wheel_order=wheel_order), str)


def test_what_swings_without_sliding_too_is_not_called_judder() -> None:
    assert isinstance(made(everywhere=0.2), str)


def test_too_few_laps_and_too_slow_a_log_say_so() -> None:
    assert "in only 3 laps" in str(made(laps=3, amplitude=0.2))
    assert "only 40 samples a second" in str(made(rate_hz=40.0, amplitude=0.2))


# --- whole sessions of the invented car -----------------------------------------------------------


def session(seed: int, friction: Friction, *, soft_shafts: bool) -> SessionResult:
    shafts = Shafts(1600.0, 1.0, 0.04) if soft_shafts else Shafts()
    car = replace(circuit_car.Car(), shafts=shafts).with_parts(friction=friction)
    return run(seed, car, circuit_car.short_circuit(), laps=6).result


def test_a_pack_whose_friction_falls_judders_on_soft_shafts_and_the_page_says_where() -> None:
    result = session(8000, Friction(slope_spm=-0.02), soft_shafts=True)
    frequency = result.estimates["judder_frequency_hz"]
    assert isinstance(frequency, Estimate)
    # A flange of 0.04 kg m2 on a shaft of 1600 N m/rad swings at 31.8 Hz when it is free; gripping
    # and letting go in turn is slower.
    assert 26.0 < frequency.value < 31.8
    assert "corner" in frequency.at
    said = [f for f in result.findings if "judder_frequency_hz" in f.rests_on]
    assert len(said) == 1
    assert said[0].needs_attention
    assert "in corner" in said[0].sentence


@pytest.mark.parametrize("soft_shafts", [False, True])
def test_a_clean_session_claims_no_judder(soft_shafts: bool) -> None:
    result = session(8000, Friction(), soft_shafts=soft_shafts)
    assert isinstance(result.estimates["judder_frequency_hz"], Missing)


@pytest.mark.slow
def test_at_most_one_of_a_hundred_clean_sessions_claims_judder() -> None:
    claims = sum(
        isinstance(
            session(9000 + seed, Friction(), soft_shafts=bool(seed % 2)).estimates[
                "judder_frequency_hz"
            ],
            Estimate,
        )
        for seed in range(100)
    )
    print(f"{claims} of 100 clean sessions")
    assert claims <= 1
