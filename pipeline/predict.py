"""What the build sheet's parts should give, before any log is read."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.bench_check import Method, loaded_ramps, wrench_reading
from pipeline.build_sheet import BuildSheet, Differential
from pipeline.estimate import Missing, Predicted, Prediction
from pipeline.plates import (
    PreloadLaw,
    breakaway_torque,
    effective_radius,
    effective_radius_new,
    pack_torque,
    ramp_angle_to_plane,
)
from pipeline.ramps import thrust_ratio
from pipeline.springs import as_built, between, spring_force, travel_left

Range = tuple[float, float]

_METHOD = "from the build sheet's parts; the range is that of its friction"
_LAW_BY_SEAT = {
    "between the rings": PreloadLaw.ADDING,
    "at the ends of the packs": PreloadLaw.GREATER_OF,
}


def predictions(sheet: BuildSheet) -> dict[str, Prediction]:
    """Breakaway torque, lock ratios and what leads to them, under the names of the estimates.

    What the sheet leaves out is Missing with the keys that would be needed.
    """
    parts = sheet.differential
    force = spring_force(sheet)
    known = {
        "breakaway_torque_nm": _breakaway(parts, force, new=False),
        "breakaway_new_plates_nm": _breakaway(parts, force, new=True),
        "lock_drive": _lock(parts, "drive_ramp_deg"),
        "lock_overrun": _lock(parts, "overrun_ramp_deg"),
        "spring_force_n": force,
        "washer_compression_m": as_built(sheet),
        "washer_travel_left_m": travel_left(sheet),
    }
    return known | bench_readings(known, stated_law(sheet))


def stated_law(sheet: BuildSheet) -> PreloadLaw | None:
    """How springs and ramps act together by the sheet: as stated, else by the washers' seat."""
    if sheet.differential.preload_law is not None:
        return PreloadLaw(sheet.differential.preload_law)
    return None if sheet.washers.sit is None else _LAW_BY_SEAT[sheet.washers.sit]


_PACK = (
    "friction_coefficient",
    "friction_faces_per_pack",
    "plate_outer_radius_m",
    "plate_inner_radius_m",
)


def _absent(parts: Differential, *keys: str) -> Missing | None:
    absent = [key for key in (*_PACK, *keys) if getattr(parts, key) is None]
    if parts.plate_friction is not None and "friction_coefficient" in absent:
        absent.remove("friction_coefficient")
    if not absent:
        return None
    return Missing(f"the build sheet leaves out {', '.join(absent)}")


def pack_arm(parts: Differential, *, new: bool = False) -> Range | Missing:
    """Torque of one pack for each newton on it: friction times faces times radius. [m]

    A new face carries by uniform pressure, a run-in one by uniform wear.
    """
    if missing := _absent(parts):
        return missing
    assert parts.plate_friction is not None
    assert parts.friction_faces_per_pack is not None
    assert parts.plate_outer_radius_m is not None
    assert parts.plate_inner_radius_m is not None
    law = effective_radius_new if new else effective_radius
    radius = law(parts.plate_outer_radius_m, parts.plate_inner_radius_m)
    low, high = (
        pack_torque(mu, parts.friction_faces_per_pack, radius, 1.0) for mu in parts.plate_friction
    )
    return low, high


def ramp_thrust(parts: Differential, ramp: str) -> Range | Missing:
    """Axial force on a pack for each N m at the ring gear, times two: cot(angle)/radius. [1/m]

    The range is that of friction on the ramps, torque rising and falling.
    """
    absent = [key for key in ("ramp_radius_m", ramp) if getattr(parts, key) is None]
    if absent:
        return Missing(f"the build sheet leaves out {', '.join(absent)}")
    assert parts.ramp_radius_m is not None
    angle = ramp_angle_to_plane(getattr(parts, ramp), parts.ramp_angle_from)
    friction = 0.0 if parts.ramp_friction is None else parts.ramp_friction[1]
    try:
        rising, falling = thrust_ratio(angle, friction)
    except ValueError as problem:
        return Missing(str(problem))
    return rising / parts.ramp_radius_m, falling / parts.ramp_radius_m


def _breakaway(parts: Differential, force: Prediction, *, new: bool) -> Prediction:
    arm = pack_arm(parts, new=new)
    if isinstance(arm, Missing) or isinstance(force, Missing):
        reasons = [each.reason for each in (arm, force) if isinstance(each, Missing)]
        return Missing("; ".join(reasons))
    low, high = (
        breakaway_torque(1.0, 1, each, end)
        for each, end in zip(arm, (force.low, force.high), strict=True)
    )
    return between(low, high, "N m", f"{_METHOD} and spring force")


def _lock(parts: Differential, ramp: str) -> Prediction:
    if missing := _absent(parts, "ramp_radius_m", ramp):
        return missing
    arm, thrust = pack_arm(parts), ramp_thrust(parts, ramp)
    if isinstance(thrust, Missing):
        return thrust
    assert not isinstance(arm, Missing)
    both = _METHOD if parts.ramp_friction is None else f"{_METHOD}, on plates and on ramps"
    return between(arm[0] * thrust[0], arm[1] * thrust[1], "1", both)


BENCH = {
    Method.OTHER_WHEEL_HELD: "bench_other_wheel_held_nm",
    Method.IN_GEAR_FORWARD: "bench_in_gear_forward_nm",
    Method.IN_GEAR_BACKWARD: "bench_in_gear_backward_nm",
}


def bench_readings(
    known: Mapping[str, Prediction], law: PreloadLaw | None
) -> dict[str, Prediction]:
    """What a torque wrench on one wheel should read by each method, turning steadily. [N m]"""
    breakaway = known["breakaway_torque_nm"]
    found: dict[str, Prediction] = {}
    for method, name in BENCH.items():
        ramps = loaded_ramps(method)
        lock = None if ramps is None else known[f"lock_{ramps}"]
        found[name] = _reading(breakaway, lock, method, law)
    return found


def _reading(
    breakaway: Prediction, lock: Prediction | None, method: Method, law: PreloadLaw | None
) -> Prediction:
    if isinstance(breakaway, Missing):
        return breakaway
    if isinstance(lock, Missing):
        return lock
    low, high = (0.0, 0.0) if lock is None else (lock.low, lock.high)
    # Unless the law is known, the reading lies between those of both.
    mildest = PreloadLaw.GREATER_OF if law is None else law
    hardest = PreloadLaw.ADDING if law is None else law
    try:
        ends = (
            wrench_reading(breakaway.low, low, method, mildest),
            wrench_reading(breakaway.high, high, method, hardest),
        )
    except ValueError as problem:
        return Missing(str(problem))
    words = f"{method}, turning steadily; breaking loose takes more"
    return Predicted(0.5 * sum(ends), *ends, "N m", words)
