"""The peak where a held axle lets go, apart from sensors' noise."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.break_loose import StaticFriction, static_friction
from pipeline.torque import ShaftTorque

RATE_HZ = 100.0


def letting_go(friction_nm: float, peak: float, noise_nm: float, seed: int) -> StaticFriction | str:
    """Six laps of ten events: half a second held, half a second sliding with a peak before it."""
    rng = np.random.default_rng(seed)
    phase = np.tile(np.arange(100), 60)
    slides = phase >= 50
    factor = np.where((phase >= 46) & (phase < 52), peak, np.where(slides, 1.0, 0.3))
    difference = -friction_nm * factor + noise_nm * rng.standard_normal(len(phase))
    return static_friction(
        ShaftTorque(200.0 + 0.5 * difference, 200.0 - 0.5 * difference),
        lambda torque: np.full(torque.shape, friction_nm),
        np.where(slides, 3.0, 0.0),
        np.ones(len(phase), dtype=bool),
        np.repeat(np.arange(6), 1000),
        0.5,
        RATE_HZ,
    )


@pytest.mark.parametrize("peak", [1.0, 1.3])
def test_a_peak_is_read_where_it_stands_clear_of_the_noise(peak: float) -> None:
    found = letting_go(90.0, peak, 7.0, seed=1)
    assert isinstance(found, StaticFriction)
    assert found.low <= peak <= found.high


@pytest.mark.parametrize("seed", range(20))
def test_peaks_of_noise_are_no_friction_at_rest(seed: int) -> None:
    # 4 N m is what the gears of an open differential take.
    found = letting_go(4.0, 1.0, 7.0, seed)
    assert isinstance(found, str)
    assert "scatter" in found
