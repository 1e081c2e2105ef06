"""The build sheet and the circuit file are checked whole before anything is done with them."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from loaders.errors import InputError
from pipeline.build_sheet import Circuit, StartLine, read_build_sheet, read_circuit
from pipeline.stated_parts import stated_parts

TEMPLATES = Path(__file__).parents[1] / "pipeline" / "templates"
GOOD = """
schema = 1
[car]
name = "Ostrel C3"
driven_axle = "rear"
track_m = 1.5
rolling_radius_m = 0.31
[differential]
build = "A"
drive_ramp_deg = 45
plate_outer_radius_m = 0.06
plate_inner_radius_m = 0.045
friction_coefficient = [0.08, 0.11]
spring_force_n = 1200
"""


def write(folder: Path, text: str, name: str = "build_sheet.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def sheet_complaint(folder: Path, text: str) -> str:
    with pytest.raises(InputError) as caught:
        read_build_sheet(write(folder, text))
    return str(caught.value)


def circuit_complaint(folder: Path, text: str) -> str:
    with pytest.raises(InputError) as caught:
        read_circuit(write(folder, text, "circuit.toml"))
    return str(caught.value)


# --- build sheet -------------------------------------------------------------------------------


def test_a_build_sheet_is_read_as_written(tmp_path: Path) -> None:
    sheet = read_build_sheet(write(tmp_path, GOOD))
    assert (sheet.car.name, sheet.car.rolling_radius_m) == ("Ostrel C3", 0.31)
    assert sheet.differential.friction_coefficient == (0.08, 0.11)


def test_the_build_sheet_that_new_writes_is_a_build_sheet() -> None:
    assert read_build_sheet(TEMPLATES / "build_sheet.toml").differential.drive_ramp_deg is None


def test_every_example_in_the_build_sheet_that_new_writes_can_be_taken_as_it_is(
    tmp_path: Path,
) -> None:
    text = (TEMPLATES / "build_sheet.toml").read_text(encoding="utf-8")
    stated = "\n".join(
        line.removeprefix("# ") if " = " in line else line for line in text.splitlines()
    )
    parts = read_build_sheet(write(tmp_path, stated)).differential
    assert parts.spring_force_n == (1000.0, 1300.0)


def test_the_build_sheet_that_new_writes_explains_every_key() -> None:
    text = (TEMPLATES / "build_sheet.toml").read_text(encoding="utf-8")
    sheet = read_build_sheet(TEMPLATES / "build_sheet.toml")
    tables = tuple(field.name for field in fields(sheet))
    assert [part.key for part in stated_parts(sheet, tables) if part.key not in text] == []


def test_one_number_is_a_range_without_width(tmp_path: Path) -> None:
    parts = read_build_sheet(write(tmp_path, GOOD)).differential
    assert parts.spring_force_n == (1200.0, 1200.0)


def test_what_is_left_out_is_none_and_not_a_guess(tmp_path: Path) -> None:
    assert read_build_sheet(write(tmp_path, GOOD)).differential.overrun_ramp_deg is None


def test_a_whole_number_may_stand_where_a_number_is_expected(tmp_path: Path) -> None:
    ramp = read_build_sheet(write(tmp_path, GOOD)).differential.drive_ramp_deg
    assert isinstance(ramp, float)


def test_a_negative_radius_is_named_with_what_is_allowed(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, GOOD.replace("= 0.31", "= -0.31"))
    assert said == (
        "build_sheet.toml: [car]: rolling_radius_m = -0.31; expected a number above 0 to 1 "
        "(rolling radius of the driven wheels)."
    )


# --- washers, stack, oil, limits, heat ---------------------------------------------------------

WASHERS = """
[washers]
sit = "at the ends of the packs"
outer_diameter_m = 0.104
inner_diameter_m = 0.084
thickness_m = 0.0022
cone_height_m = 0.0016
in_series = 2
"""


def test_washers_are_read_as_a_stack(tmp_path: Path) -> None:
    washers = read_build_sheet(write(tmp_path, GOOD + WASHERS)).washers
    assert washers.stack is not None
    assert washers.stack.free_height_m == pytest.approx(0.0076)


def test_washers_with_a_size_left_out_are_no_stack_and_no_guess(tmp_path: Path) -> None:
    text = GOOD + WASHERS.replace("thickness_m = 0.0022\n", "")
    assert read_build_sheet(write(tmp_path, text)).washers.stack is None


def test_washers_with_contact_flats_are_refused_with_what_to_do(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, GOOD + WASHERS.replace("0.0022", "0.008"))
    assert "thickness_m = 0.008" in said
    assert "contact flats" in said
    assert "state spring_force_n" in said


def test_washers_wider_inside_than_outside_are_an_error(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, GOOD + WASHERS.replace("0.084", "0.124"))
    assert "[washers]: inner_diameter_m = 0.124 is not smaller" in said


def test_where_the_washers_sit_may_not_contradict_the_stated_law(tmp_path: Path) -> None:
    adding = GOOD.replace('build = "A"', 'build = "A"\npreload_law = "adding"')
    said = sheet_complaint(tmp_path, adding + WASHERS)
    assert 'washers that sit at the ends of the packs make preload_law "greater of"' in said


def test_the_compression_is_not_stated_beside_the_heights_that_give_it(tmp_path: Path) -> None:
    stack = (
        "[stack]\nhousing_depth_m = 0.124\nparts_height_m = 0.117\nshim_m = 0.001\n"
        "washer_compression_m = 0.0015\n"
    )
    assert "Leave one of the two out" in sheet_complaint(tmp_path, GOOD + WASHERS + stack)


def test_a_plate_material_stands_for_its_published_friction(tmp_path: Path) -> None:
    # Source: Juvinall & Marshek, p. 750: sintered metal in oil 0.05 to 0.08.
    text = GOOD.replace("friction_coefficient = [0.08, 0.11]", 'plate_material = "sintered metal"')
    parts = read_build_sheet(write(tmp_path, text)).differential
    assert parts.plate_friction == (0.05, 0.08)


def test_a_stated_friction_goes_before_that_of_the_material(tmp_path: Path) -> None:
    text = GOOD.replace("drive_ramp_deg = 45", 'drive_ramp_deg = 45\nplate_material = "paper"')
    assert read_build_sheet(write(tmp_path, text)).differential.plate_friction == (0.08, 0.11)


def test_a_misspelt_key_is_answered_with_the_nearest(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, GOOD.replace("drive_ramp_deg", "drive_ramp_degrees"))
    assert said.startswith(
        "build_sheet.toml: [differential]: unknown key 'drive_ramp_degrees'. "
        "Did you mean 'drive_ramp_deg'? Allowed here: build, preload_law, "
    )


def test_a_misspelt_table_is_answered_with_the_nearest(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, GOOD + "[sensor]\nshaft_torque_gain_tolerance = 0.1\n")
    assert "unknown table or key 'sensor'. Did you mean 'sensors'?" in said


def test_a_choice_that_is_none_of_the_allowed_is_an_error(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, GOOD.replace('"rear"', '"Rear"'))
    assert said == (
        'build_sheet.toml: [car]: driven_axle = "Rear"; expected "rear" or "front". '
        "Did you mean 'rear'?"
    )


@pytest.mark.parametrize(
    ("written", "instead", "said"),
    [
        ("= 0.31", '= "0.31"', 'rolling_radius_m = "0.31"; expected a number ('),
        ("= 0.31", "= true", "rolling_radius_m = true; expected a number ("),
        ("= 0.31", "= nan", "rolling_radius_m = nan; expected a number above 0 to 1 ("),
        ("= 1.5", "= inf", "track_m = inf; expected a number above 0 to 3 ("),
        ("= 1.5", "= 1" + "0" * 400, "track_m = a huge number; expected a number above 0 to 3 ("),
        ('"Ostrel C3"', "3", "name = 3; expected text in quotes ("),
        ("= 1200", "= [900, 1200, 1500]", "spring_force_n = [900, 1200, 1500]; expected 2 numbers"),
        ("[0.08, 0.11]", "[0.11, 0.08]", "expected the smaller number first. Swap them."),
        ("[0.08, 0.11]", "[0.08, true]", "friction_coefficient = true; expected a number ("),
        ("= 45", "= 0", "drive_ramp_deg = 0; expected a number above 0 to 90 ("),
    ],
)
def test_a_value_of_the_wrong_kind_is_an_error(
    tmp_path: Path, written: str, instead: str, said: str
) -> None:
    assert said in sheet_complaint(tmp_path, GOOD.replace(written, instead))


def test_a_count_of_faces_is_a_whole_number(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, GOOD + "friction_faces_per_pack = 8.5\n")
    assert "friction_faces_per_pack = 8.5; expected a whole number (" in said


@pytest.mark.parametrize("inner", ["0.06", "0.07"])
def test_the_inner_radius_of_the_plates_is_below_the_outer(tmp_path: Path, inner: str) -> None:
    said = sheet_complaint(tmp_path, GOOD.replace("0.045", inner))
    assert said == (
        f"build_sheet.toml: [differential]: plate_inner_radius_m = {inner} is not smaller than "
        "plate_outer_radius_m = 0.06. Swap or correct them."
    )


def test_a_key_that_is_missing_is_named_with_its_meaning(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, GOOD.replace("track_m = 1.5\n", ""))
    assert said == (
        "build_sheet.toml: [car]: 'track_m' is not set (track width of the driven axle). Add it."
    )


@pytest.mark.parametrize(
    ("schema", "said"),
    [
        ("schema = 2", "schema = 2; expected 1."),
        ("schema = true", "schema = true; expected 1."),
        ("", "'schema' is not set. Write schema = 1 at the top."),
    ],
)
def test_another_schema_is_refused(tmp_path: Path, schema: str, said: str) -> None:
    assert said in sheet_complaint(tmp_path, GOOD.replace("schema = 1", schema))


def test_a_table_written_as_a_key_is_an_error(tmp_path: Path) -> None:
    said = sheet_complaint(tmp_path, "states = 3\n" + GOOD)
    assert "build_sheet.toml: 'states' must be a table, written [states]." in said


def test_all_problems_of_a_build_sheet_come_in_one_error(tmp_path: Path) -> None:
    text = (
        GOOD.replace("= 0.31", "= -0.31").replace("= 45", "= 145").replace("0.045", "0.07")
        + "[states]\noverspeed_slop = 0.1\n"
    )
    said = sheet_complaint(tmp_path, text)
    for part in (
        "rolling_radius_m = -0.31",
        "drive_ramp_deg = 145",
        "plate_inner_radius_m = 0.07 is not smaller",
        "Did you mean 'overspeed_slip'?",
    ):
        assert part in said


def test_a_build_sheet_saved_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "build_sheet.toml"
    path.write_text(GOOD, encoding="utf-8-sig", newline="\r\n")
    assert read_build_sheet(path).car.track_m == 1.5


def test_a_build_sheet_that_is_no_utf_8_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "build_sheet.toml"
    path.write_bytes(GOOD.replace("Ostrel", "Östrel").encode("cp1252"))
    with pytest.raises(InputError, match=r"build_sheet\.toml: line 4 is not UTF-8\. Save"):
        read_build_sheet(path)


def test_a_folder_in_place_of_a_build_sheet_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_build_sheet(tmp_path)


# --- circuit -----------------------------------------------------------------------------------

LINE = """
name = "Hollin Fell"
[start_line]
unit = "m"
left = [0.0, 6.0]
right = [0.0, -6.0]
"""


def test_a_circuit_is_read_as_written(tmp_path: Path) -> None:
    assert read_circuit(write(tmp_path, LINE, "circuit.toml")) == Circuit(
        "Hollin Fell", StartLine("m", (0.0, 6.0), (0.0, -6.0))
    )


def test_a_logbook_without_circuit_file_has_a_circuit_without_name(tmp_path: Path) -> None:
    assert read_circuit(tmp_path / "circuit.toml") == Circuit("", None)


def test_the_circuit_that_new_writes_is_a_circuit() -> None:
    assert read_circuit(TEMPLATES / "circuit.toml") == Circuit("", None)


@pytest.mark.parametrize(
    ("written", "instead", "said"),
    [
        ("[0.0, -6.0]", "[0.0, 6.0]", "[start_line]: left and right are the same point"),
        ("[0.0, -6.0]", "6.0", "right = 6.0; expected 2 numbers in square brackets"),
        ("[0.0, -6.0]", "[0.0, inf]", "right = inf; expected a number ("),
        ('"m"', '"km"', 'unit = "km"; expected "m" or "deg".'),
        ('"Hollin Fell"', "7", "circuit.toml: name = 7; expected text in quotes."),
        ("left =", "lift =", "unknown key 'lift'. Did you mean 'left'?"),
        ("name =", "nome =", "unknown table or key 'nome'. Did you mean 'name'?"),
    ],
)
def test_a_circuit_that_cannot_be_used_is_an_error(
    tmp_path: Path, written: str, instead: str, said: str
) -> None:
    assert said in circuit_complaint(tmp_path, LINE.replace(written, instead))


def test_degrees_beyond_the_globe_are_metres_by_mistake(tmp_path: Path) -> None:
    said = circuit_complaint(
        tmp_path, LINE.replace('"m"', '"deg"').replace("[0.0, 6.0]", "[350.0, 6.0]")
    )
    assert 'for metres set unit = "m"' in said
