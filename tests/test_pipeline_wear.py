"""Temper colours and wear: evidence of a strip-down, against what was published and worked out."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.temper import CELSIUS, against_model, temper_range
from pipeline.wear import assumed_rate, found_rate, stack_loss

# Source: Dooley, Applied Science for Metal Workers, table of temper colours. [degF]
DOOLEY = {
    "very pale yellow": 430,
    "straw": 460,
    "dark straw": 480,
    "brownish yellow": 500,
    "tinged purple": 520,
    "light purple": 530,
    "dark purple": 550,
    "dark blue": 570,
    "pale blue": 610,
    "blue-green": 630,
}


def test_temper_colours_are_those_of_the_book() -> None:
    for colour, celsius in CELSIUS.items():
        assert celsius == pytest.approx((DOOLEY[colour] - 32) / 1.8, abs=0.6)


def test_blued_shaft_ends_stand_for_about_three_hundred_degrees() -> None:
    # Common practice, no source: shaft ends blued inside the side gears mean about 300 degC there.
    blue = temper_range("dark blue")
    assert blue.low_c < 300 < blue.high_c


def test_a_second_table_agrees_within_the_tolerance() -> None:
    # Source: an engineering dictionary's temper colours: light straw about 210, purple 275 degC.
    assert temper_range("very pale yellow").low_c <= 210 <= temper_range("very pale yellow").high_c
    assert temper_range("light purple").low_c <= 275 <= temper_range("light purple").high_c


@pytest.mark.parametrize(
    ("peak", "verdict"),
    [
        ((120.0, 160.0), "hotter than the model"),
        ((250.0, 300.0), "agrees"),
        ((350.0, 400.0), "cooler than the model"),
    ],
)
def test_a_dark_blue_shaft_is_held_against_the_model(
    peak: tuple[float, float], verdict: str
) -> None:
    assert against_model("dark blue", *peak) == verdict


def test_bright_steel_under_oil_contradicts_nothing() -> None:
    assert against_model(None, 300.0, 350.0) == "agrees"


def test_wear_in_energy_form_is_archards() -> None:
    # Source: Archard, V = k F L. Worked by hand: k 1e-15 m3/(N m), mu 0.1, 30 kJ in one pack of
    # 4 faces of 4948 mm2: 0.30 mm3, 0.061 um of that pack.
    force_n, friction, energy_j = 2000.0, 0.1, 30_000.0
    way_m = energy_j / (friction * force_n)
    volume_m3 = 1e-15 * force_n * way_m
    assert volume_m3 == pytest.approx(0.30e-9)
    assert float(stack_loss(energy_j, 1e-15, friction, 4948e-6)) == pytest.approx(
        0.061e-6, rel=0.01
    )


def test_strip_downs_lead_back_to_the_wear_rate() -> None:
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(200):
        energy = np.array([5e6, 12e6, 20e6])
        loss = 2e-11 * energy + 1e-5 * rng.standard_normal(3)
        found = found_rate(energy, loss, 1e-5)
        inside += found.low <= 2e-11 <= found.high
    assert inside >= 184


def test_one_strip_down_has_the_interval_of_its_measurement() -> None:
    found = found_rate(10e6, 2e-4, 1e-5)
    assert (found.low, found.high) == pytest.approx((1.804e-11, 2.196e-11))


def test_a_stack_without_clear_wear_has_no_limit_in_sight() -> None:
    found = found_rate(10e6, 1e-6, 1e-5)
    assert found.energy_left_j(0.0, 4e-4)[1] == np.inf


def test_wear_before_any_strip_down_is_called_assumed() -> None:
    rate = assumed_rate((0.08, 0.11), 4.8e-3)
    assert rate.assumed
    assert rate.low < rate.value < rate.high


def test_a_strip_down_without_energy_is_refused() -> None:
    with pytest.raises(ValueError, match="energy since the build"):
        found_rate(0.0, 1e-4, 1e-5)
