"""From parts to numbers and back: the round trip meets the parts, and says what it assumes."""

from __future__ import annotations

from dataclasses import replace

import circuit_car
import numpy as np
import pytest
from simulated import session_of, sheet_of, simulate

from pipeline.analyse import analyse
from pipeline.build_sheet import BuildSheet, Car, Circuit, Differential, Sensors, States
from pipeline.disc_spring import compressions_at, stack_force
from pipeline.estimate import Estimate, Grade, Missing, Predicted
from pipeline.findings_parts import ramps, service, stack
from pipeline.lock import BREAKAWAY, DRIVE, OVERRUN, LockLaw
from pipeline.parts import Limits, StackUp, Washers
from pipeline.plates import PreloadLaw
from pipeline.predict import predictions, stated_law
from pipeline.read_back import read_back
from pipeline.regression import ClusterFit
from pipeline.result import SessionInfo
from pipeline.springs import as_built, compression_for, spring_force

WASHERS = Washers(
    sit="between the rings",
    outer_diameter_m=0.104,
    inner_diameter_m=0.084,
    thickness_m=0.0022,
    cone_height_m=0.0016,
    in_series=2,
    force_share=(1.0, 1.0),
)
PARTS = Differential(
    build="A",
    drive_ramp_deg=45.0,
    overrun_ramp_deg=60.0,
    ramp_radius_m=0.042,
    friction_faces_per_pack=4,
    plate_outer_radius_m=0.060,
    plate_inner_radius_m=0.045,
    friction_coefficient=(0.08, 0.12),
)
SHEET = BuildSheet(
    Car("example", "rear", 1.5, 0.31),
    PARTS,
    Sensors(),
    States(),
    washers=WASHERS,
    stack=StackUp(washer_compression_m=(0.0016, 0.0016)),
    limits=Limits(breakaway_nm=(60.0, 120.0), wanted_breakaway_nm=90.0),
)
INFO = SessionInfo("1", "run", "car", "", "", "", "A", 100.0, 1, 1.0, 1.0, Grade.MEASURED)


def predicted(sheet: BuildSheet, name: str) -> Predicted:
    found = predictions(sheet)[name]
    assert isinstance(found, Predicted), found
    return found


def law(breakaway_nm: float, drive: float, overrun: float, spread: float = 0.002) -> LockLaw:
    """A law with these numbers, each lap within a share of them."""
    numbers = np.array([breakaway_nm, drive, overrun])
    laps = np.random.default_rng(3).standard_normal((8, 3)) * spread / np.sqrt(8)
    fit = ClusterFit(numbers, numbers * (1 + laps), 1.0, 1000)
    return LockLaw(fit, (BREAKAWAY, DRIVE, OVERRUN), {}, {BREAKAWAY: {"gain": 0.01 * breakaway_nm}})


def found(sheet: BuildSheet, known: LockLaw | None) -> dict[str, Estimate | Missing]:
    names = {"breakaway_torque_nm": BREAKAWAY, "lock_drive": DRIVE, "lock_overrun": OVERRUN}
    estimates = {
        name: Missing("no law") if known is None else around(known.value(term))
        for name, term in names.items()
    }
    return read_back(sheet, known, "laps", estimates, predictions(sheet), Grade.MEASURED)


def around(value: float, half: float | None = None) -> Estimate:
    half = 0.01 * value if half is None else half
    return Estimate(value, value - half, value + half, "1", 8, Grade.MEASURED, "")


def estimate(numbers: dict[str, Estimate | Missing], name: str) -> Estimate:
    answer = numbers[name]
    assert isinstance(answer, Estimate), answer
    return answer


def law_of(sheet: BuildSheet, friction: float, force_n: float) -> LockLaw:
    """The law that these parts give with one friction and one washer force."""
    exact = replace(
        sheet,
        differential=replace(
            sheet.differential,
            friction_coefficient=(friction, friction),
            spring_force_n=(force_n, force_n),
        ),
    )
    names = ("breakaway_torque_nm", "lock_drive", "lock_overrun")
    return law(*(predicted(exact, name).value for name in names))


# --- forward -----------------------------------------------------------------------------------


def test_washers_and_heights_give_the_force_that_is_not_stated() -> None:
    force = spring_force(SHEET)
    assert isinstance(force, Predicted)
    assert WASHERS.stack is not None
    assert force.low < float(stack_force(WASHERS.stack, 0.0016)) < force.high


def test_a_stated_force_goes_before_that_of_the_washers() -> None:
    sheet = replace(SHEET, differential=replace(PARTS, spring_force_n=(1900.0, 2100.0)))
    assert predicted(sheet, "spring_force_n").value == 2000.0


def test_heights_add_up_to_the_compression() -> None:
    heights = StackUp(housing_depth_m=(0.124, 0.124), parts_height_m=(0.117, 0.117), shim_m=0.001)
    pressed = as_built(replace(SHEET, stack=heights))
    assert isinstance(pressed, Predicted)
    # Two washers of 1.6 + 2.2 mm, 117 mm of parts and 1 mm of shims in 124 mm.
    assert pressed.value == pytest.approx(0.0016)


def test_a_stack_that_presses_the_washers_beyond_flat_is_said() -> None:
    sheet = replace(SHEET, stack=StackUp(washer_compression_m=(0.0031, 0.0033)))
    answer = spring_force(sheet)
    assert isinstance(answer, Missing)
    assert "they are flat at 3.20 mm" in answer.reason


def test_a_bare_sheet_names_what_it_lacks() -> None:
    bare = BuildSheet(SHEET.car, Differential(build="bare"), Sensors(), States())
    answer = predictions(bare)["breakaway_torque_nm"]
    assert isinstance(answer, Missing)
    assert "friction_coefficient" in answer.reason
    assert "spring_force_n and the washers' sizes" in answer.reason


def test_more_preload_moves_the_breakaway_and_not_the_lock() -> None:
    # Common practice, no source: shims and washers set breakaway, ramps and faces set lock.
    more = replace(SHEET, stack=StackUp(washer_compression_m=(0.0020, 0.0020)))
    assert predicted(more, "breakaway_torque_nm").low > predicted(SHEET, "breakaway_torque_nm").low
    assert predicted(more, "lock_drive") == predicted(SHEET, "lock_drive")


def test_other_ramps_move_the_lock_and_not_the_breakaway() -> None:
    # Common practice, no source.
    other = replace(SHEET, differential=replace(PARTS, drive_ramp_deg=35.0))
    assert predicted(other, "lock_drive").low > predicted(SHEET, "lock_drive").low
    assert predicted(other, "breakaway_torque_nm") == predicted(SHEET, "breakaway_torque_nm")


def test_friction_on_the_ramps_widens_the_lock_both_ways() -> None:
    rough = replace(SHEET, differential=replace(PARTS, ramp_friction=(0.1, 0.1)))
    wide, plain = predicted(rough, "lock_drive"), predicted(SHEET, "lock_drive")
    assert wide.low == pytest.approx(plain.low * 0.818, rel=1e-3)
    assert wide.high == pytest.approx(plain.high * 1.222, rel=1e-3)


def test_the_bench_reads_half_with_the_other_wheel_held() -> None:
    half = predicted(SHEET, "bench_other_wheel_held_nm")
    whole = predicted(SHEET, "breakaway_torque_nm")
    assert (half.low, half.high) == pytest.approx((0.5 * whole.low, 0.5 * whole.high))


def test_where_the_washers_sit_tells_the_law() -> None:
    ends = replace(SHEET, washers=replace(WASHERS, sit="at the ends of the packs"))
    assert stated_law(SHEET) is PreloadLaw.ADDING
    assert stated_law(ends) is PreloadLaw.GREATER_OF
    assert stated_law(replace(SHEET, washers=Washers())) is None


# --- and back ----------------------------------------------------------------------------------


@pytest.mark.parametrize("friction", [0.08, 0.1, 0.12])
def test_each_ramp_side_and_the_breakaway_lead_back_to_the_friction(friction: float) -> None:
    assert WASHERS.stack is not None
    force = float(stack_force(WASHERS.stack, 0.0016))
    numbers = found(SHEET, law_of(SHEET, friction, force))
    for name in ("friction_by_drive_ramps", "friction_by_overrun_ramps", "friction_by_breakaway"):
        answer = estimate(numbers, name)
        assert answer.low < friction < answer.high


@pytest.mark.parametrize("friction", [0.06, 0.1, 0.14])
def test_the_washers_force_is_found_without_knowing_the_friction(friction: float) -> None:
    answer = estimate(found(SHEET, law_of(SHEET, friction, 2200.0)), "spring_force_n")
    assert answer.value == pytest.approx(2200.0, rel=1e-6)
    assert answer.low < 2200.0 < answer.high


@pytest.mark.parametrize("lost_m", [0.0, 0.0002, 0.0005])
def test_a_thinner_pack_is_told_in_millimetres(lost_m: float) -> None:
    assert WASHERS.stack is not None
    force = float(stack_force(WASHERS.stack, 0.0016 - lost_m))
    answer = estimate(found(SHEET, law_of(SHEET, 0.1, force)), "stack_loss_m")
    assert answer.low < lost_m < answer.high
    assert answer.value == pytest.approx(lost_m, abs=5e-5)


def test_the_shim_to_the_wanted_breakaway_gives_it() -> None:
    assert WASHERS.stack is not None
    force = float(stack_force(WASHERS.stack, 0.0012))
    known = law_of(SHEET, 0.1, force)
    shim = estimate(found(SHEET, known), "shim_to_wanted_m")
    wanted = force * 90.0 / known.value(BREAKAWAY)
    gained = stack_force(WASHERS.stack, 0.0012 + np.array([shim.low, shim.high]))
    assert gained[0] < wanted < gained[1]


def test_another_ramp_than_the_sheets_contradicts_the_other_side() -> None:
    built = replace(SHEET, differential=replace(PARTS, overrun_ramp_deg=70.0))
    numbers = found(SHEET, law_of(built, 0.1, 2200.0))
    assert estimate(numbers, "friction_overrun_to_drive").high < 1
    assert [each.needs_attention for each in ramps(INFO, numbers)] == [True]


def test_ramps_as_in_the_sheet_agree_whatever_the_friction() -> None:
    numbers = found(SHEET, law_of(SHEET, 0.06, 2200.0))
    answer = estimate(numbers, "friction_overrun_to_drive")
    assert answer.low < 1 < answer.high
    assert [each.needs_attention for each in ramps(INFO, numbers)] == [False]


def test_breakaway_and_both_ramps_agree_when_the_washers_push_as_built() -> None:
    numbers = found(SHEET, law_of(SHEET, 0.1, predicted(SHEET, "spring_force_n").value))
    (said,) = ramps(INFO, numbers)
    assert said.sentence.startswith("All three agree")
    assert "washers push as built" in said.consequence


def test_tired_washers_are_told_from_worn_ramps_without_their_sizes() -> None:
    sheet = replace(
        SHEET, washers=Washers(), differential=replace(PARTS, spring_force_n=(2500.0, 2600.0))
    )
    agreed, said = ramps(INFO, found(sheet, law_of(sheet, 0.1, 1500.0)))
    assert not agreed.needs_attention
    assert "they push less than the build sheet says" in said.sentence


def test_without_a_law_nothing_is_said_of_the_parts() -> None:
    numbers = found(SHEET, None)
    assert all(isinstance(answer, Missing) for answer in numbers.values())
    assert ramps(INFO, numbers) == stack(INFO, numbers, Limits()) == []


@pytest.mark.parametrize(
    ("parts", "names"),
    [
        ({"friction_faces_per_pack": 0}, ("friction_by_breakaway", "friction_by_drive_ramps")),
        ({"overrun_ramp_deg": 90.0}, ("friction_by_overrun_ramps", "friction_overrun_to_drive")),
    ],
)
def test_parts_that_cannot_lock_give_no_friction(
    parts: dict[str, float], names: tuple[str, ...]
) -> None:
    sheet = replace(
        SHEET,
        differential=replace(PARTS, spring_force_n=(2000.0, 2000.0), **parts),  # type: ignore[arg-type]
    )
    numbers = found(sheet, law(90.0, 0.4, 0.2))
    assert all(isinstance(numbers[name], Missing) for name in names)


def test_a_loss_that_is_shown_comes_with_its_shim() -> None:
    assert WASHERS.stack is not None
    force = float(stack_force(WASHERS.stack, 0.0010))
    numbers = found(SHEET, law_of(SHEET, 0.1, force))
    (said,) = stack(INFO, numbers, Limits(stack_loss_m=0.0004))
    assert said.needs_attention
    assert "beyond the limit of the build sheet" in said.sentence
    assert "A shim of 0.6" in said.consequence


@pytest.mark.parametrize(
    ("breakaway_nm", "words"), [(50.0, "is below"), (60.5, "may be below"), (130.0, "is above")]
)
def test_a_breakaway_beyond_the_service_limits_is_a_finding(
    breakaway_nm: float, words: str
) -> None:
    value = around(breakaway_nm, 1.0)
    (said,) = service(INFO, {"breakaway_torque_nm": value}, SHEET.limits)
    assert words in said.sentence


def test_washers_that_cannot_push_that_hard_are_said() -> None:
    assert isinstance(compression_for(SHEET, (2000.0, 50000.0)), Missing)


@pytest.mark.slow
def test_parts_come_back_from_simulated_sessions() -> None:
    car, seeds = circuit_car.Car(), 100
    parts, stack = car.differential, WASHERS.stack
    assert stack is not None
    truth = {
        "friction_by_drive_ramps": parts.friction_coefficient,
        "friction_by_overrun_ramps": parts.friction_coefficient,
        "friction_by_breakaway": parts.friction_coefficient,
        "spring_force_n": parts.spring_force_n,
        "stack_loss_m": 0.0,
    }
    met = dict.fromkeys(truth, 0)
    for seed in range(700, 700 + seeds):
        # What a workshop measures errs by as much as the sheet states: washers by 3 %, heights by
        # 0.02 mm, angles by half a degree, two standard deviations each.
        share, height, drive, overrun = np.random.default_rng(seed).standard_normal(4)
        pressed = compressions_at(stack, parts.spring_force_n / (1 + 0.015 * share))[0]
        pressed += 1e-5 * height
        sheet = sheet_of(car)
        as_it_was = replace(
            sheet,
            differential=replace(
                sheet.differential,
                drive_ramp_deg=parts.drive_ramp_deg + 0.25 * drive,
                overrun_ramp_deg=parts.overrun_ramp_deg + 0.25 * overrun,
            ),
            washers=replace(WASHERS, force_share=(0.97, 1.03)),
            stack=StackUp(washer_compression_m=(pressed - 2e-5, pressed + 2e-5)),
        )
        _, log = simulate(seed, car, laps=6)
        numbers = analyse(session_of(log), as_it_was, Circuit()).estimates
        for name, value in truth.items():
            answer = numbers[name]
            assert isinstance(answer, Estimate), answer
            met[name] += answer.low <= value <= answer.high
    assert min(met.values()) >= 0.92 * seeds, met
