"""Teardown entries become ranges, are held against model and log, and tell the wear."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from sample_run import other_parts, sample_sheet
from seasons import FIRST_DAY, Scatter, published_sessions

from loaders.errors import InputError
from pipeline.disc_spring import stack_force
from pipeline.estimate import Missing
from pipeline.published_strip_downs import to_object, worn_sentences
from pipeline.season import season
from pipeline.service_record import Entry, ServiceEntry, problems_of, read_service_record
from pipeline.springs import as_built
from pipeline.strip_downs import StripDown, Wear, Worn, worn
from pipeline.teardown import Seen, SeenRange, problems_of_teardown, seen_range, unit_of

SHEET = sample_sheet()
LAST_DAY = FIRST_DAY + timedelta(days=7 * 11)
QUIET = Scatter(between_sessions=0.003, own=(0.003, 0.004))


def teardown(
    seen: Seen, value: float | None = None, note: str = "", on: date = LAST_DAY
) -> ServiceEntry:
    return ServiceEntry(on, Entry.TEARDOWN, value, unit_of(seen), str(seen), note)


def span(low: float, high: float, unit: str, **more: Any) -> dict[str, Any]:
    return {"value": 0.5 * (low + high), "low": low, "high": high, "unit": unit, **more}


MEASURED = {"n": 8, "grade": "measured", "method": "", "level": 0.95}


def driven(
    rng: np.random.Generator,
    wear_mm_per_mj: float = 0.0,
    peak_c: tuple[float, float] = (110.0, 150.0),
    *,
    fitted: bool = False,
) -> list[dict[str, Any]]:
    """Twelve sessions of a pack whose stack wears at a rate, with the washers of the sample."""
    results = published_sessions(12, rng, scatter=QUIET)
    stack, pressed = SHEET.washers.stack, as_built(SHEET)
    assert stack is not None
    assert not isinstance(pressed, Missing)
    done_mj = 0.0
    for result in results:
        energy_mj = sum(lap["energy_j"] for lap in result["laps"]) / 1e6
        lost_m = 1e-3 * wear_mm_per_mj * (done_mj + 0.5 * energy_mj)
        force = float(stack_force(stack, pressed.value - lost_m)) * (1 + 0.004 * rng.normal())
        done_mj += energy_mj
        result["estimates"] |= {
            "spring_force_n": span(0.99 * force, 1.01 * force, "N", **MEASURED),
            "stack_loss_m": span(lost_m - 1e-4, lost_m + 1e-4, "m", **MEASURED),
        }
        result["heat"] = {
            "basis": "fitted" if fitted else "assumed",
            "plates_peak_c": span(*peak_c, "degC", **(MEASURED if fitted else {"method": ""})),
        }
    return results


def told(entries: tuple[ServiceEntry, ...], wear_mm_per_mj: float = 0.0, **more: Any) -> Worn:
    results = driven(np.random.default_rng(4), wear_mm_per_mj, **more)
    return worn(season(results, entries), SHEET)


def only(inside: Worn) -> StripDown:
    (found,) = inside.strip_downs
    return found


def wear_in(inside: Worn) -> Wear:
    assert isinstance(inside.wear, Wear), inside.wear
    return inside.wear


# --- what an entry stands for ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seen", "value", "note", "low", "high"),
    [
        (Seen.COLOUR, None, "dark blue, left shaft end", 279.0, 319.0),
        (Seen.WASHER_CHANGED, 160.0, "", 155.0, np.inf),
        (Seen.LABEL_UNCHANGED, 110.0, "", -np.inf, 115.0),
        (Seen.STACK_LOSS, 0.30, "", 0.28e-3, 0.32e-3),
        # The sample's sheet: 116.94 to 117.02 mm as built.
        (Seen.STACK_HEIGHT, 116.70, "", 0.22e-3, 0.34e-3),
        # Four faces a pack: the stack loses four times what one plate does; 5 um a plate.
        (Seen.PLATE_THICKNESS, 1.95, "", 0.18e-3, 0.22e-3),
        (Seen.SPLINE_NOTCH, 0.2, "", 0.15e-3, 0.25e-3),
    ],
)
def test_what_was_seen_stands_for_a_range(
    seen: Seen, value: float | None, note: str, low: float, high: float
) -> None:
    sheet = replace(SHEET, stack=replace(SHEET.stack, plate_thickness_m=(0.002, 0.002)))
    found = seen_range(seen, value, note, sheet)
    assert isinstance(found, SeenRange)
    assert (found.low, found.high) == pytest.approx((low, high))


def test_bright_steel_stands_for_nothing() -> None:
    assert isinstance(seen_range(Seen.COLOUR, None, "none seen", SHEET), Missing)


def test_a_height_without_its_new_one_in_the_sheet_says_which_key_is_needed() -> None:
    found = seen_range(Seen.PLATE_THICKNESS, 1.95, "", SHEET)
    assert isinstance(found, Missing)
    assert "plate_thickness_m" in found.reason


@pytest.mark.parametrize(
    ("value", "unit", "method", "note", "said"),
    [
        (None, "", "temper", "", "Did you mean 'temper colour'?"),
        (None, "", "temper colour", "blue", "begins with one of very pale yellow"),
        (0.3, "m", "stack loss", "", "needs a value in mm"),
        (None, "degC", "temperature washer changed", "", "needs a value in degC"),
        (0.3, "mm", "", "", "needs what it is of"),
    ],
)
def test_an_entry_that_stands_for_nothing_is_refused(
    value: float | None, unit: str, method: str, note: str, said: str
) -> None:
    (problem,) = problems_of_teardown(value, unit, method, note)
    assert said in problem


def test_a_teardown_with_a_note_alone_stays_a_note() -> None:
    assert problems_of(ServiceEntry(LAST_DAY, Entry.TEARDOWN, note="plates dull")) == []


def test_a_record_with_a_wrong_observation_names_its_line(tmp_path: Any) -> None:
    path = tmp_path / "service_record.csv"
    path.write_text(
        "date,entry,value,unit,method,note\n2026-07-11,teardown,0.3,mm,stack los,\n", "utf-8"
    )
    with pytest.raises(InputError, match=r"line 2: .*Did you mean 'stack loss'"):
        read_service_record(path)


# --- held against model and log ------------------------------------------------------------------


def test_a_blue_shaft_end_contradicts_a_cool_model() -> None:
    found = only(told((teardown(Seen.COLOUR, note="dark blue"),)))
    assert found.agrees is False
    assert found.assumed
    assert "hotter than the model" in found.consequence


def test_a_blue_shaft_end_agrees_with_a_hot_model() -> None:
    found = only(told((teardown(Seen.COLOUR, note="dark blue"),), peak_c=(260.0, 300.0)))
    assert found.agrees


def test_a_fitted_model_is_not_called_assumed() -> None:
    found = only(told((teardown(Seen.WASHER_CHANGED, 120.0),), fitted=True))
    assert not found.assumed
    assert "assumed" not in found.against


def test_a_measured_loss_agrees_with_the_force_that_the_log_lost() -> None:
    # Half a millimetre for each MJ over the twelve sessions' energy.
    inside = told((), wear_mm_per_mj=0.05)
    lost_mm = 0.05 * wear_in(inside).exposure_mj
    found = only(told((teardown(Seen.STACK_LOSS, lost_mm),), wear_mm_per_mj=0.05))
    assert found.agrees
    assert "the log's washer force" in found.against


def test_force_lost_beyond_the_height_points_at_the_washers() -> None:
    found = only(told((teardown(Seen.STACK_LOSS, 0.05),), wear_mm_per_mj=0.05))
    assert found.agrees is False
    assert "measure the washers in a press" in found.consequence


def test_notches_without_a_sign_of_them_in_the_log_are_held_against_nothing() -> None:
    found = only(told((teardown(Seen.SPLINE_NOTCH, 0.3),)))
    assert found.agrees is None
    assert "notched splines" in found.consequence


def test_a_teardown_on_the_day_of_a_build_is_about_the_pack_that_was_taken_apart() -> None:
    day = FIRST_DAY + timedelta(days=7 * 6)
    build = ServiceEntry(day, Entry.BUILD, note="A")
    results = published_sessions(12, np.random.default_rng(2))
    inside = worn(season(results, (build, teardown(Seen.COLOUR, note="straw", on=day))), SHEET)
    assert only(inside).rebuilt
    assert wear_in(inside).exposure_mj < 6.0


# --- wear ----------------------------------------------------------------------------------------


def test_wear_is_assumed_until_anything_tells_it() -> None:
    bare = [result | {"heat": {}} for result in published_sessions(12, np.random.default_rng(3))]
    wear = wear_in(worn(season(bare), SHEET))
    assert wear.rate.assumed
    assert wear.basis.startswith("assumed")


def test_a_course_of_force_alone_tells_the_wear_of_its_height() -> None:
    held = 0
    for seed in range(40):
        results = driven(np.random.default_rng(seed), wear_mm_per_mj=0.04)
        wear = wear_in(worn(season(results), SHEET))
        assert (wear.rate.strips, wear.rate.trends) == (0, 1)
        held += wear.rate.low <= 0.04e-9 <= wear.rate.high
    assert held >= 36


def test_a_measured_height_goes_before_the_force_of_the_same_pack() -> None:
    wear = wear_in(told((teardown(Seen.STACK_LOSS, 0.1),), wear_mm_per_mj=0.05))
    assert (wear.rate.strips, wear.rate.trends) == (1, 0)
    assert wear.rate.value == pytest.approx(1e-4 / (1e6 * wear.exposure_mj))


def test_the_way_to_the_limit_is_told_in_energy_and_laps() -> None:
    wear = wear_in(told((teardown(Seen.STACK_LOSS, 0.1),)))
    assert wear.left_mj is not None
    assert wear.left_laps is not None
    assert wear.left_mj[0] < 0.3 * wear.exposure_mj / 0.1 < wear.left_mj[1]
    assert wear.left_laps[0] == pytest.approx(1e6 * wear.left_mj[0] / 42e3, rel=0.2)


def test_without_plates_in_the_sheet_no_wear_is_assumed() -> None:
    bare = replace(
        other_parts(plate_outer_radius_m=None), washers=replace(SHEET.washers, thickness_m=None)
    )
    inside = worn(season(published_sessions(12, np.random.default_rng(3))), bare)
    assert isinstance(inside.wear, Missing)


def test_sentences_and_json_say_the_same() -> None:
    inside = told((teardown(Seen.STACK_LOSS, 0.05), teardown(Seen.COLOUR, note="none")), 0.05)
    found = to_object(inside)
    assert [each["verdict"] for each in found["strip_downs"]] == [
        "disagrees", "nothing to hold it against",
    ]  # fmt: skip
    said = worn_sentences(inside)
    assert "1 strip-down" in said[-1]
    assert found["wear"]["basis"] == "1 strip-down"
