"""Every unit a column may carry goes to SI by the published factor."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from scipy import constants

from loaders.channels import CHANNELS, Quantity
from loaders.errors import InputError
from loaders.units import canonical, is_known_unit, linear_speed_unit, spellings, unit_of

# scipy.constants (SciPy 1.17), whose factors are written down apart from ours.
OUTSIDE = [
    (Quantity.TIME, "s", 1.0),
    (Quantity.TIME, "ms", constants.milli),
    (Quantity.TIME, "us", constants.micro),
    (Quantity.TIME, "min", constants.minute),
    (Quantity.TIME, "ns", constants.nano),
    (Quantity.TIME, "h", constants.hour),
    (Quantity.ANGULAR_SPEED, "rad/s", 1.0),
    (Quantity.ANGULAR_SPEED, "rpm", 2 * constants.pi / constants.minute),
    (Quantity.ANGULAR_SPEED, "1/min", 2 * constants.pi / constants.minute),
    (Quantity.ANGULAR_SPEED, "Hz", 2 * constants.pi),
    (Quantity.ANGULAR_SPEED, "deg/s", constants.degree),
    (Quantity.ANGULAR_SPEED, "rev/s", 2 * constants.pi),
    (Quantity.SPEED, "m/s", 1.0),
    (Quantity.SPEED, "km/h", constants.kmh),
    (Quantity.SPEED, "mph", constants.mph),
    (Quantity.SPEED, "kn", constants.knot),
    (Quantity.SPEED, "ft/s", constants.foot),
    (Quantity.TORQUE, "N m", 1.0),
    (Quantity.TORQUE, "kN m", constants.kilo),
    (Quantity.TORQUE, "daN m", constants.deka),
    (Quantity.TORQUE, "lbf in", constants.pound_force * constants.inch),
    (Quantity.TORQUE, "kgf m", constants.kilogram_force),
    (Quantity.TORQUE, "lbf ft", constants.pound_force * constants.foot),
    (Quantity.ACCELERATION, "m/s2", 1.0),
    (Quantity.ACCELERATION, "g", constants.g),
    (Quantity.ACCELERATION, "ft/s2", constants.foot),
    (Quantity.ANGLE, "rad", 1.0),
    (Quantity.ANGLE, "deg", constants.degree),
    (Quantity.ANGLE, "mrad", constants.milli),
    (Quantity.ANGLE, "rev", 2 * constants.pi),
    (Quantity.YAW_RATE, "rad/s", 1.0),
    (Quantity.YAW_RATE, "deg/s", constants.degree),
    (Quantity.YAW_RATE, "mrad/s", constants.milli),
    (Quantity.PRESSURE, "Pa", 1.0),
    (Quantity.PRESSURE, "kPa", constants.kilo),
    (Quantity.PRESSURE, "MPa", constants.mega),
    (Quantity.PRESSURE, "bar", constants.bar),
    (Quantity.PRESSURE, "psi", constants.psi),
    (Quantity.PRESSURE, "hPa", constants.hecto),
    (Quantity.PRESSURE, "mbar", constants.milli * constants.bar),
    (Quantity.PRESSURE, "atm", constants.atm),
    (Quantity.RATIO, "1", 1.0),
    (Quantity.RATIO, "%", 0.01),
    (Quantity.RATIO, "‰", constants.milli),
    (Quantity.TEMPERATURE, "degC", 1.0),
    (Quantity.TEMPERATURE, "K", 1.0),
    (Quantity.TEMPERATURE, "degF", constants.degree_Fahrenheit),
    (Quantity.DISTANCE, "m", 1.0),
    (Quantity.DISTANCE, "km", constants.kilo),
    (Quantity.DISTANCE, "mm", constants.milli),
    (Quantity.DISTANCE, "ft", constants.foot),
    (Quantity.DISTANCE, "mi", constants.mile),
    (Quantity.DISTANCE, "cm", constants.centi),
    (Quantity.DISTANCE, "in", constants.inch),
    (Quantity.DISTANCE, "yd", constants.yard),
    (Quantity.COUNT, "1", 1.0),
]  # fmt: skip


@pytest.mark.parametrize(("quantity", "spelling", "factor"), OUTSIDE)
def test_a_unit_has_the_published_factor(quantity: Quantity, spelling: str, factor: float) -> None:
    assert unit_of(spelling, quantity, "here").factor == pytest.approx(factor, rel=1e-14)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_no_spelling_is_left_out_of_the_comparison(quantity: Quantity) -> None:
    compared = {(each, unit_of(spelling, each, "here").factor) for each, spelling, _ in OUTSIDE}
    for spelling in spellings(quantity):
        assert (quantity, unit_of(spelling, quantity, "here").factor) in compared


# NIST SP 811 (2008), appendix B.8, as printed to seven digits; from memory, not read again.
PRINTED = [
    (Quantity.TORQUE, "lbf ft", 1.355818),
    (Quantity.PRESSURE, "psi", 6.894757e3),
    (Quantity.SPEED, "mph", 4.4704e-1),
    (Quantity.SPEED, "kn", 5.144444e-1),
    (Quantity.ANGULAR_SPEED, "rpm", 1.047198e-1),
    (Quantity.ANGLE, "deg", 1.745329e-2),
    (Quantity.DISTANCE, "ft", 3.048e-1),
    (Quantity.DISTANCE, "mi", 1.609344e3),
    (Quantity.TORQUE, "lbf in", 1.129848e-1),
    (Quantity.TORQUE, "kgf m", 9.80665),
    (Quantity.PRESSURE, "atm", 1.01325e5),
    (Quantity.DISTANCE, "yd", 9.144e-1),
]


@pytest.mark.parametrize(("quantity", "spelling", "printed"), PRINTED)
def test_a_factor_agrees_with_the_printed_table(
    quantity: Quantity, spelling: str, printed: float
) -> None:
    assert unit_of(spelling, quantity, "here").factor == pytest.approx(printed, rel=5e-7)


@pytest.mark.parametrize(
    ("spelling", "name"), [("degC", "Celsius"), ("K", "Kelvin"), ("degF", "Fahrenheit")]
)
@pytest.mark.parametrize("value", [-40.0, 0.0, 32.0, 212.0])
def test_temperatures_agree_with_scipy(spelling: str, name: str, value: float) -> None:
    unit = unit_of(spelling, Quantity.TEMPERATURE, "here")
    # scipy.constants.convert_temperature, SciPy 1.17.
    expected = constants.convert_temperature(value, name, "Celsius")
    assert value * unit.factor + unit.offset == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("quantity", "one", "other"),
    [
        (Quantity.TORQUE, "Nm", "N m"),
        (Quantity.TORQUE, "N·m", "N m"),
        (Quantity.TORQUE, "ft lbf", "lbf ft"),
        (Quantity.ANGULAR_SPEED, "rev/min", "rpm"),
        (Quantity.ANGULAR_SPEED, "min-1", "rpm"),
        (Quantity.SPEED, "kph", "km/h"),
        (Quantity.ACCELERATION, "m/s²", "m/s2"),
        (Quantity.ACCELERATION, "G", "g"),
        (Quantity.YAW_RATE, "°/s", "deg/s"),
        (Quantity.TEMPERATURE, "°C", "degC"),
        (Quantity.TIME, "µs", "us"),
        (Quantity.COUNT, "-", "1"),
        (Quantity.SPEED, "KMH", "km/h"),
        (Quantity.SPEED, "Km / h", "km/h"),
        (Quantity.SPEED, "KPH", "km/h"),
        (Quantity.SPEED, "M/S", "m/s"),
        (Quantity.SPEED, "m s⁻¹", "m/s"),
        (Quantity.ANGULAR_SPEED, "RPM", "rpm"),
        (Quantity.ANGULAR_SPEED, "U/min", "rpm"),
        (Quantity.ANGULAR_SPEED, "rad·s-1", "rad/s"),
        (Quantity.TORQUE, "NM", "N m"),
        (Quantity.TORQUE, "N*m", "N m"),
        (Quantity.TORQUE, "N⋅m", "N m"),
        (Quantity.TORQUE, "lb ft", "lbf ft"),
        (Quantity.TORQUE, "ft-lb", "lbf ft"),
        (Quantity.TORQUE, "FT·LBF", "lbf ft"),
        (Quantity.ACCELERATION, "m/s^2", "m/s2"),
        (Quantity.ACCELERATION, "m·s⁻²", "m/s2"),
        (Quantity.PRESSURE, "PSI", "psi"),
        (Quantity.PRESSURE, "Bar", "bar"),
        (Quantity.PRESSURE, "KPA", "kPa"),
        (Quantity.TEMPERATURE, "DegC", "degC"),
        (Quantity.TEMPERATURE, "° F", "degF"),
        (Quantity.TIME, "Sec", "s"),
        (Quantity.RATIO, "Percent", "%"),
        (Quantity.RATIO, "", "1"),
    ],
)
def test_two_spellings_mean_the_same_unit(quantity: Quantity, one: str, other: str) -> None:
    assert unit_of(one, quantity, "here") == unit_of(other, quantity, "here")


def test_blanks_around_a_unit_do_not_matter() -> None:
    assert unit_of(" bar ", Quantity.PRESSURE, "here").factor == 1e5


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.name)
def test_the_unit_of_every_channel_is_taken_as_it_is(channel: object) -> None:
    unit = unit_of(channel.unit, channel.quantity, "here")  # type: ignore[attr-defined]
    assert (unit.factor, unit.offset) == (1.0, 0.0)


def test_an_unknown_unit_is_an_error_with_the_nearest_and_all_known() -> None:
    with pytest.raises(InputError) as caught:
        unit_of("k/h", Quantity.SPEED, "run3.csv: column 'Speed'")
    assert str(caught.value) == (
        "run3.csv: column 'Speed' has unit 'k/h', which is no unit of speed. Did you mean 'km/h'? "
        "Known: m/s, km/h, mph, kn, ft/s, kmh, kph, km/hr, kmph, km h-1, mps, m s-1, m/sec, mi/h, "
        "kt, kts, knot, knots, fps. Set the unit in the channel map."
    )


def test_a_unit_of_another_quantity_is_an_error() -> None:
    with pytest.raises(InputError, match="'bar', which is no unit of torque"):
        unit_of("bar", Quantity.TORQUE, "run3.csv: column 'Torque'")


def test_a_linear_speed_is_told_from_a_rotational_one() -> None:
    assert linear_speed_unit("kph") is not None
    assert linear_speed_unit("rpm") is None


def test_a_column_name_is_no_unit() -> None:
    assert is_known_unit("m/s²")
    assert not is_known_unit("Wheel FL")


def test_a_degree_is_an_angle_and_not_a_temperature() -> None:
    assert unit_of("°", Quantity.ANGLE, "here").factor == pytest.approx(math.tau / 360)
    with pytest.raises(InputError):
        unit_of("°", Quantity.TEMPERATURE, "here")


@pytest.mark.parametrize(
    ("quantity", "wrong", "right"),
    [
        (Quantity.PRESSURE, "mPa", "MPa"),
        (Quantity.PRESSURE, "Mbar", "mbar"),
        (Quantity.TIME, "Ms", "ms"),
        (Quantity.DISTANCE, "Mm", "mm"),
        (Quantity.ANGLE, "Mrad", "mrad"),
    ],
)
def test_a_thousandth_and_a_million_are_never_confused(
    quantity: Quantity, wrong: str, right: str
) -> None:
    assert canonical(right, quantity) == right
    assert canonical(wrong, quantity) is None
    with pytest.raises(InputError, match=f"Did you mean '{right}'"):
        unit_of(wrong, quantity, "here")


def test_one_letter_is_a_unit_only_as_it_is_usually_written() -> None:
    assert is_known_unit("s")
    assert is_known_unit("%")
    assert not is_known_unit("S")
    assert not is_known_unit("v")


def test_no_two_units_of_a_quantity_are_folded_into_one() -> None:
    for quantity in Quantity:
        for spelling in spellings(quantity):
            assert canonical(spelling, quantity) is not None
        own = [each for each in spellings(quantity) if canonical(each, quantity) == each]
        assert len({canonical(each, quantity) for each in own}) == len(own)


def test_the_readme_lists_every_spelling() -> None:
    text = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    for quantity in set(Quantity) - {Quantity.COUNT}:
        (row,) = [line for line in text.splitlines() if line.startswith(f"| {quantity} | `")]
        assert [each for each in spellings(quantity) if f"`{each}`" not in row] == []
