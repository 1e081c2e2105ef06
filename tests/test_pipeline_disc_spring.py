"""Spring washers, against the table of the standard and a textbook's design example."""

from __future__ import annotations

import math
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.disc_spring import (
    POISSON_RATIO,
    YOUNGS_MODULUS_PA,
    Disc,
    Stack,
    compression_near,
    compressions_at,
    disc_force,
    disc_rate,
    force_range,
    force_tolerance,
    shape_factor,
    stack_force,
)

DIN_2093 = tomllib.loads(
    (Path(__file__).parent / "reference" / "din_2093.toml").read_text(encoding="utf-8")
)["row"]
B50 = Disc(0.050, 0.0254, 0.002, 0.0014)
# Cone height 1.3 thicknesses: its force hardly changes towards flat.
C50 = Disc(0.050, 0.0254, 0.00125, 0.0016)
TALL = Disc(0.050, 0.0254, 0.001, 0.0020)


def disc_of(row: dict[str, Any]) -> Disc:
    return Disc(
        row["outer_diameter"] / 1000,
        row["inner_diameter"] / 1000,
        row["thickness"] / 1000,
        row["cone_height"] / 1000,
    )


# Source: DIN 2093, tables of series A, B and C; how each row was read stands in the file.
@pytest.mark.parametrize("row", DIN_2093, ids=lambda row: row["name"])
def test_a_washer_pushes_with_what_the_standards_table_says(row: dict[str, Any]) -> None:
    disc = disc_of(row)
    force = float(disc_force(disc, 0.75 * disc.cone_height_m))
    assert force == pytest.approx(row["force"], rel=0.005)


def test_the_shape_factor_at_a_ratio_of_two_is_the_standards() -> None:
    # Source: DIN 2092, K1 at De/Di = 2, as a public copy of its formulas states it.
    assert shape_factor(2.0) == pytest.approx(0.69433320, abs=5e-9)


# Source: Bhandari, Design of Machine Elements, example 10.26: 4500 N flat, De/Di 1.75, h/t 1.5,
# E 207 GPa, nu 0.3 give t 2.652980, h 3.979470, De 154.818478, Di 88.467702 mm.
TEXTBOOK = Disc(0.154818478, 0.088467702, 0.002652980, 0.003979470)


def test_the_textbooks_design_washer_pushes_as_designed_when_flat() -> None:
    flat = float(disc_force(TEXTBOOK, TEXTBOOK.cone_height_m)) * 207e9 / YOUNGS_MODULUS_PA
    assert flat == pytest.approx(4500.0, rel=0.006)


def test_the_textbooks_own_shape_factor_makes_it_exact() -> None:
    # The textbook uses M = 6/(pi ln d) ((d - 1)/d)^2 where the standard has K1.
    d = 1.75
    textbook_factor = 6 / (math.pi * math.log(d)) * ((d - 1) / d) ** 2
    flat = float(disc_force(TEXTBOOK, TEXTBOOK.cone_height_m)) * 207e9 / YOUNGS_MODULUS_PA
    assert flat * shape_factor(d) / textbook_factor == pytest.approx(4500.0, rel=1e-5)


def test_a_flat_washer_pushes_with_the_linear_part_alone() -> None:
    # At s = h0 the bracket is 1: F = 4 E/(1 - nu^2) t^3 h0/(K1 De^2).
    plate = 4 * YOUNGS_MODULUS_PA / (1 - POISSON_RATIO**2)
    k1 = shape_factor(B50.outer_diameter_m / B50.inner_diameter_m)
    linear = plate * B50.thickness_m**3 * B50.cone_height_m / (k1 * B50.outer_diameter_m**2)
    assert float(disc_force(B50, B50.cone_height_m)) == pytest.approx(linear, rel=1e-12)


@given(st.floats(min_value=0.01, max_value=0.99))
def test_the_rate_is_the_slope_of_the_force(share: float) -> None:
    at, step = share * B50.cone_height_m, 1e-8
    rise = disc_force(B50, at + step) - disc_force(B50, at - step)
    assert float(disc_rate(B50, at)) == pytest.approx(float(rise) / (2 * step), rel=1e-5)


@given(
    st.integers(min_value=1, max_value=4),
    st.integers(min_value=1, max_value=6),
    st.floats(min_value=0.0, max_value=1.0),
)
def test_a_stack_adds_force_in_parallel_and_travel_in_series(
    parallel: int, series: int, share: float
) -> None:
    stack = Stack(B50, parallel, series)
    alone = float(disc_force(B50, share * B50.cone_height_m))
    assert float(stack_force(stack, share * stack.travel_m)) == pytest.approx(
        parallel * alone, rel=1e-12
    )


@given(st.sampled_from([B50, C50, TALL]), st.floats(min_value=0.01, max_value=0.99))
def test_a_force_leads_back_to_the_compression_it_came_from(disc: Disc, share: float) -> None:
    stack = Stack(disc, parallel=2, series=3)
    at = share * stack.travel_m
    found = compression_near(stack, float(stack_force(stack, at)), at)
    assert found == pytest.approx(at, rel=1e-6)


def test_a_tall_washer_pushes_alike_at_more_than_one_height() -> None:
    stack = Stack(TALL)
    force = float(stack_force(stack, TALL.cone_height_m))
    found = compressions_at(stack, force)
    assert len(found) > 1
    assert [float(stack_force(stack, at)) for at in found] == pytest.approx([force] * len(found))


def test_a_force_beyond_the_washer_has_no_compression() -> None:
    assert compressions_at(Stack(B50), 1e6) == ()


def test_friction_between_more_discs_widens_the_range() -> None:
    spans = []
    for parallel in (1, 2, 4):
        stack = Stack(B50, parallel)
        low, high = force_range(stack, 0.001)
        assert low < float(stack_force(stack, 0.001)) < high
        spans.append((high - low) / low)
    assert all(less < more for less, more in pairwise(spans))


def test_a_tenth_of_a_millimetre_costs_a_flat_washer_more_than_a_pressed_tall_one() -> None:
    # Source: computed here once, share of the force that 0.10 mm costs at half the cone height.
    lost = {}
    for disc in (Disc(0.1, 0.051, 0.006, 0.0022), Disc(0.1, 0.051, 0.0027, 0.0035)):
        at = 0.5 * disc.cone_height_m
        now, built = (float(disc_force(disc, s)) for s in (at - 1e-4, at))
        lost[disc.thickness_m] = now / built - 1
    assert lost == pytest.approx({0.006: -0.085, 0.0027: -0.029}, abs=5e-4)


def test_washers_with_contact_flats_are_refused_with_what_to_do() -> None:
    with pytest.raises(ValueError, match=r"contact flats.*state spring_force_n instead"):
        Disc(0.2, 0.102, 0.008, 0.0028)


@pytest.mark.parametrize("sizes", [(0.05, 0.06, 0.002, 0.001), (0.05, 0.02, 0.0, 0.001)])
def test_a_washer_that_cannot_be_is_refused(sizes: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="washer"):
        Disc(*sizes)


# Source: DIN 2093, permissible deviations of the spring force, as two makers print them.
@pytest.mark.parametrize(
    ("thickness_m", "shares"),
    [(0.001, (-0.075, 0.25)), (0.0025, (-0.075, 0.15)), (0.005, (-0.05, 0.10))],
)
def test_new_washers_scatter_as_the_standard_allows(
    thickness_m: float, shares: tuple[float, float]
) -> None:
    assert force_tolerance(thickness_m) == shares


def test_forces_of_an_array_keep_its_shape() -> None:
    assert stack_force(Stack(B50), np.zeros((2, 3))).shape == (2, 3)
