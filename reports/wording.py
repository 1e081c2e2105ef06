"""The words of the page: what each number, grade, state and caution is called and means."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.estimate import Grade
from pipeline.result import AxleState


@dataclass(frozen=True, slots=True)
class Quantity:
    """How a reported number is called, in which unit it is read and where its evidence stands."""

    label: str
    meaning: str
    unit: str
    factor: float
    """What turns the SI value into the shown unit."""
    figure: str = ""
    """Id of the figure that shows the evidence."""


QUANTITIES: dict[str, Quantity] = {
    "breakaway_torque_nm": Quantity(
        "Breakaway torque",
        "torque difference that the plates hold without any input torque: the washers' preload",
        "N·m", 1.0, "lock",
    ),
    "lock_drive": Quantity(
        "Lock on drive", "held back per input torque while driving, preload apart",
        "%", 100.0, "lock",
    ),
    "lock_overrun": Quantity(
        "Lock on overrun", "held back per input torque on the overrun, preload apart",
        "%", 100.0, "lock",
    ),
    "lock_overrun_to_drive": Quantity(
        "Overrun lock over drive lock", "near 0 one-way, near 1 two-way, between them 1.5-way",
        "", 1.0, "lock",
    ),
    "effective_lock_drive": Quantity(
        "Effective lock, drive", "held back per input torque while sliding, preload included",
        "%", 100.0, "lock",
    ),
    "effective_lock_overrun": Quantity(
        "Effective lock, overrun", "held back per input torque while sliding, preload included",
        "%", 100.0, "lock",
    ),
    "torque_bias_drive": Quantity(
        "Torque bias, drive", "slower wheel's torque over the faster one's while sliding",
        "", 1.0, "lock",
    ),
    "torque_bias_overrun": Quantity(
        "Torque bias, overrun", "the same on the overrun", "", 1.0, "lock",
    ),
    "locking_torque_drive_nm": Quantity(
        "Locking torque, drive", "springs and ramps together, at one input torque",
        "N·m", 1.0, "lock",
    ),
    "locking_torque_overrun_nm": Quantity(
        "Locking torque, overrun", "the same on the overrun", "N·m", 1.0, "lock",
    ),
    "energy_per_lap_j": Quantity(
        "Energy per lap", "friction heat that the plate packs make in one lap",
        "kJ", 1e-3, "heat",
    ),
    "friction_loss_share": Quantity(
        "Share of the power lost in the packs", "of what passes the ring gear; up to 5 % is usual",
        "%", 100.0, "heat",
    ),
    "peak_power_w": Quantity(
        "Peak power", "highest friction power of the plate packs in a lap", "kW", 1e-3, "heat"
    ),
    "speed_difference_share_drive": Quantity(
        "Speed difference taken, drive",
        "in corners, of what the path asks for: 100 % turns freely, 0 % is held, less runs away",
        "%", 100.0, "slip",
    ),
    "speed_difference_share_overrun": Quantity(
        "Speed difference taken, overrun", "the same on the overrun", "%", 100.0, "slip",
    ),
    "held_share_drive": Quantity(
        "Held in corners, drive", "share of the time in corners", "%", 100.0, "slip",
    ),
    "held_share_overrun": Quantity(
        "Held in corners, overrun", "the same on the overrun", "%", 100.0, "slip",
    ),
    "slip_events_per_lap": Quantity("Slip events", "of all kinds, in one lap", "", 1.0, "slip"),
    "rolling_radius_ratio": Quantity(
        "Rolling radius, left over right", "of the driven wheels, from gentle running",
        "", 1.0, "slip",
    ),
    "slip_per_torque_difference": Quantity(
        "Tyres' slip per torque difference",
        "share of the speed by which the driven wheels part for each 100 N·m between half-shafts",
        "rad/m", 100.0,
    ),
    "torque_difference_offset_nm": Quantity(
        "Torque sensors, offset", "what the left one reads more than the right one at rest",
        "N·m", 1.0,
    ),
    "torque_difference_gain": Quantity(
        "Torque sensors, gain", "how much more of the input torque the left one reads", "%", 100.0
    ),
    "lock_hysteresis_drive": Quantity(
        "Ramp hysteresis, drive", "lock with the torque falling less lock with it rising",
        "%", 100.0, "lock",
    ),
    "lock_hysteresis_overrun": Quantity(
        "Ramp hysteresis, overrun", "the same on the overrun", "%", 100.0, "lock",
    ),
    "ramp_friction_drive": Quantity(
        "Friction on the drive ramps", "that the hysteresis comes from", "", 1.0,
    ),
    "ramp_friction_overrun": Quantity(
        "Friction on the overrun ramps", "that the hysteresis comes from", "", 1.0,
    ),
    "friction_per_speed_slow": Quantity(
        "Friction against speed, slow", "change for each rad/s of speed difference up to 4 rad/s",
        "% per rad/s", 100.0,
    ),
    "friction_per_speed_fast": Quantity(
        "Friction against speed, fast", "the same beyond 4 rad/s", "% per rad/s", 100.0,
    ),
    "friction_per_plate_speed_slow": Quantity(
        "Friction against plate speed", "slow sliding, for each m/s of one plate over the next",
        "% per m/s", 100.0,
    ),
    "friction_per_10_k": Quantity(
        "Friction against oil temperature", "change for each 10 K", "%", 100.0,
    ),
    "static_to_running_friction": Quantity(
        "Static over running friction", "peak where a held axle lets go, over the law", "", 1.0,
    ),
    "half_shaft_stiffness_nmprad": Quantity(
        "Half-shaft stiffness", "of one half-shaft, from how the wheels give while the packs hold",
        "kN·m/rad", 1e-3,
    ),
    "oil_mean_c": Quantity("Oil temperature", "mean of the counted laps, as logged", "°C", 1.0),
    "judder_frequency_hz": Quantity(
        "Judder, frequency", "narrow band in the speed difference while the packs slide", "Hz", 1.0,
    ),
    "judder_amplitude_radps": Quantity(
        "Judder, amplitude", "of the speed difference, over all sliding", "rad/s", 1.0,
    ),
    "torque_delay_s": Quantity(
        "Torque delay", "how much later the torques are logged than the wheel speeds",
        "ms", 1e3,
    ),
    "friction_by_drive_ramps": Quantity(
        "Plate friction by drive ramps", "what the lock on drive and the build sheet's parts give",
        "", 1.0, "lock",
    ),
    "friction_by_overrun_ramps": Quantity(
        "Plate friction by overrun ramps", "the same by the lock on overrun", "", 1.0, "lock",
    ),
    "friction_by_breakaway": Quantity(
        "Plate friction by breakaway", "if the washers still push as built", "", 1.0, "lock",
    ),
    "friction_overrun_to_drive": Quantity(
        "Friction, overrun over drive", "1 where the ramps are those of the build sheet",
        "", 1.0, "lock",
    ),
    "spring_force_n": Quantity(
        "Washer force", "on the packs; plate friction and faces cancel", "N", 1.0, "lock",
    ),
    "washer_compression_m": Quantity(
        "Washers pressed by", "all washers together", "mm", 1000.0,
    ),
    "stack_loss_m": Quantity(
        "Stack height lost", "since the build; a shim as thick restores it", "mm", 1000.0,
    ),
    "shim_to_wanted_m": Quantity(
        "Shim to the wanted breakaway", "to add; below zero to take out", "mm", 1000.0,
    ),
    "washer_travel_left_m": Quantity(
        "Washers' travel left", "until they are pressed flat", "mm", 1000.0,
    ),
    "breakaway_new_plates_nm": Quantity(
        "Breakaway, new plates", "before they run in: a new face carries a little further out",
        "N·m", 1.0,
    ),
    "bench_other_wheel_held_nm": Quantity(
        "Other wheel held, neutral", "ramps unloaded: half the breakaway torque", "N·m", 1.0,
    ),
    "bench_in_gear_forward_nm": Quantity(
        "In gear, turned forward", "other wheel free: the overrun ramps load too", "N·m", 1.0,
    ),
    "bench_in_gear_backward_nm": Quantity(
        "In gear, turned backward", "other wheel free: the drive ramps load too", "N·m", 1.0,
    ),
    "plates_peak_c": Quantity("Plates, hottest", "in this session", "°C", 1.0),
    "oil_peak_c": Quantity("Oil, hottest", "in this session", "°C", 1.0),
    "plates_above_limit_s": Quantity("Plates above their limit", "in this session", "s", 1.0),
    "oil_above_limit_s": Quantity("Oil above its limit", "in this session", "s", 1.0),
    "oil_steady_c": Quantity(
        "Oil, in the end", "if the car kept running at this pace", "°C", 1.0,
    ),
    "oil_time_constant_s": Quantity(
        "Oil, time constant", "two thirds of the way there", "s", 1.0,
    ),
    "oil_race_end_c": Quantity(
        "Oil at the end of the race", "of the build sheet's length", "°C", 1.0,
    ),
    "plates_race_end_c": Quantity(
        "Plates at the end of the race", "hottest place of the lap", "°C", 1.0,
    ),
    "oil_margin_k": Quantity("Oil, margin to its limit", "at the end of the race", "K", 1.0),
    "plates_margin_k": Quantity(
        "Plates, margin to their limit", "at the end of the race", "K", 1.0,
    ),
    **{
        f"{str(state).replace(' ', '_')}_s_per_lap": Quantity(
            f"Time {words}", "in one lap", "s", 1.0, "slip"
        )
        for state, words in (
            (AxleState.HELD, "held"),
            (AxleState.INSIDE_OVERSPEED, "in inside overspeed"),
            (AxleState.AXLE_OVERSPEED, "in axle overspeed"),
            (AxleState.INSIDE_DRAG, "in inside drag"),
        )
    },
}  # fmt: skip
"""Names used by the analysis; an unknown name is shown as it is spelt there."""

KEY_NUMBERS: tuple[str, ...] = (
    "breakaway_torque_nm",
    "lock_drive",
    "lock_overrun",
    "energy_per_lap_j",
    "peak_power_w",
)

FURTHER_GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("The pack in running", (
        "lock_overrun_to_drive", "effective_lock", "torque_bias", "locking_torque",
        "friction_loss_share", "oil_mean",
    )),
    ("The axle in corners", (
        "held_", "inside_", "axle_", "speed_difference_share", "slip_events",
    )),
    ("How friction moves", (
        "lock_hysteresis", "ramp_friction", "friction_per", "static_to_running", "judder",
    )),
    ("What is inside, by the build sheet", (
        "friction_by", "friction_overrun_to_drive", "spring_force", "washer", "stack_loss", "shim",
    )),
    ("Tyres, shafts and sensors", (
        "rolling_radius", "slip_per_torque", "half_shaft", "torque_difference", "torque_delay",
    )),
)  # fmt: skip
"""Further numbers under one heading, by how their names begin; others stand below all headings."""

UNIT_WORDS: dict[str, tuple[str, float]] = {
    "J": ("kJ", 1e-3),
    "W": ("kW", 1e-3),
    "1": ("", 1.0),
    "N m": ("N·m", 1.0),
    "degC": ("°C", 1.0),
    "m/s": ("km/h", 3.6),
}


def quantity(name: str, unit: str) -> Quantity:
    """The wording of a reported number; an unknown name keeps its own words and unit."""
    known = QUANTITIES.get(name)
    if known is not None:
        return known
    shown, factor = UNIT_WORDS.get(unit, (unit, 1.0))
    words = name.replace("_", " ").strip() or "unnamed"
    return Quantity(words[0].upper() + words[1:], "", shown, factor)


LAW_SHAPE: dict[str, str] = {
    "adding": "Where the law meets the zero line is the breakaway torque; its slopes to the right "
    "and left are the lock on drive and on overrun.",
    "greater of": "Where the law is flat the springs rule, and its height is the breakaway torque; "
    "where it rises the ramps rule, and the slope of the line from zero is their lock.",
}
"""How to read breakaway torque and lock off the drawn law."""

CHOICES: dict[str, tuple[str, str]] = {
    "preload_law": (
        "Springs and ramps",
        "whether their forces on the packs add up or the greater of them rules",
    ),
    "way": ("Way", "how much overrun locks against drive"),
}
"""Label and meaning of each choice; an unknown one is shown as it is spelt."""

MEASURE_BETTER: dict[str, str] = {
    "scatter of the laps": "Drive more laps that count, alike in line and pace",
    "gain of both torques": "Calibrate both torque sensors against one known torque",
    "zero of both torques": "Log some seconds at a standstill with slack shafts, before and after",
    "zeros of the torques apart": "Drive corners both ways, or zero the sensors at a standstill",
    "zero and gain of the torques apart": "Drive corners both ways, and calibrate both alike",
    "noise in the input torque": "Vary the throttle more from corner to corner",
    "preload law": "State preload_law in the build sheet, or corner at little and at much torque",
    "samples filled or at a stop": "See to the channels named under what was left out",
    "noise of torques and speeds": "Log the torques with less noise, or at a higher rate",
    "reading of the tyres": "Fit torque gauges to both half-shafts; wheels tell no closer",
    "law read from the wheels": "Fit torque gauges to both half-shafts",
    "rolling radii": "Measure how far each driven tyre rolls in ten turns, at running pressure",
    "track width": "Measure the driven axle's track at ride height",
    "gain of the input torque": "Calibrate the input torque against a known torque",
    "zero of the input torque": "Log some seconds at a standstill in neutral",
    "gain of the engine torque": "Set the engine torque against a dynamometer",
    "zero of the engine torque": "Log some seconds of idling in neutral",
    "driveline efficiency": "State the driveline's efficiency as a narrower range",
    "engine inertia": "State the engine's inertia as a narrower range",
    "driveline inertia": "State the driveline's inertia as a narrower range",
    "mass": "Weigh the car with driver and fuel",
    "gain of the acceleration": "Calibrate the accelerometer, and level it",
    "zero of the acceleration or slope": "Log some seconds at a standstill on level ground",
    "drag": "Coast down from speed on a level straight and state the drag area",
    "rolling resistance": "Coast down at low speed and state the rolling resistance",
    "wheel inertia": "State the wheels' inertia as a narrower range",
}
"""What narrows an interval, by the input that it comes from."""

GRADE_SENTENCES: dict[Grade, str] = {
    Grade.MEASURED: "measured: the torque in both half-shafts was logged",
    Grade.INFERRED: "inferred: only the input torque is known, the split comes from the wheels",
    Grade.KINEMATIC: "kinematic: no torque was logged, only speeds, position and accelerations",
}

STATE_LETTER: dict[AxleState, str] = {
    AxleState.DIFFERING: "F",
    AxleState.HELD: "H",
    AxleState.INSIDE_OVERSPEED: "I",
    AxleState.AXLE_OVERSPEED: "A",
    AxleState.INSIDE_DRAG: "D",
}

STATE_SHORT: dict[AxleState, str] = {
    AxleState.DIFFERING: "free",
    AxleState.HELD: "held",
    AxleState.INSIDE_OVERSPEED: "inside",
    AxleState.AXLE_OVERSPEED: "axle",
    AxleState.INSIDE_DRAG: "drag",
}
"""One word each, under the letter in narrow column headings."""

STATE_MEANING: dict[AxleState, str] = {
    AxleState.DIFFERING: "the packs slide and the wheels turn as far apart as the corner asks",
    AxleState.HELD: "the packs stick although the corner asks for different wheel speeds: "
    "the axle scrubs and the car resists turning",
    AxleState.INSIDE_OVERSPEED: "the inside driven wheel runs faster than it rolls, under drive",
    AxleState.AXLE_OVERSPEED: "both driven wheels run faster than they roll",
    AxleState.INSIDE_DRAG: "the inside driven wheel runs slower than it rolls, on the overrun "
    "or under braking",
}

GLOSSARY: tuple[tuple[str, str], ...] = (
    (
        "Drive, overrun",
        (
            "on drive the engine pushes the car, on the overrun the car turns the engine; neutral "
            "is next to no input torque."
        ),
    ),
    (
        "Input torque",
        "torque at the ring gear: what both half-shafts together pass on. Above zero it drives.",
    ),
    (
        "Locking torque",
        (
            "difference between the two half-shaft torques that the plates' friction holds while "
            "they slide. It grows with the input torque through the ramps."
        ),
    ),
    (
        "Breakaway torque",
        (
            "the part of the locking torque that is there without any input torque; the spring "
            "washers set it."
        ),
    ),
    (
        "Lock",
        (
            "locking torque per input torque from the ramps alone, in per cent; drive and overrun "
            "have ramps of their own. The breakaway torque is not part of it."
        ),
    ),
    (
        "Effective lock",
        (
            "locking torque over input torque as the lap had it, preload included; it rises "
            "without bound where the input torque is small."
        ),
    ),
    (
        "Interval",
        (
            "the range that holds the true value with the stated chance, usually 95 %. "
            "A difference smaller than the interval is not a difference."
        ),
    ),
    (
        "Slip event",
        "one stretch of a lap in one axle state other than differing.",
    ),
    (
        "Grade",
        "what kind of torque evidence a number rests on: measured, inferred or kinematic.",
    ),
)

CAUTIONS: tuple[str, ...] = (
    (
        "Oil, housing and plates are hot after a run, and hot oil burns skin. Let them cool, wear "
        "gloves and eye protection, and support the car before working under it."
    ),
    (
        "A pack that welds or seizes can lock the axle without warning. If the numbers jump, "
        "if the car judders or the drained oil carries metal, take the differential out and look "
        "at it before it runs again."
    ),
    "Driving tests belong on closed ground, with a qualified driver and people standing clear.",
    (
        "The makers' limits for car, differential and oil, and the rules of the series and of the "
        "place come before anything on this page. The page reports what one log shows; it does not "
        "replace an inspection."
    ),
)
