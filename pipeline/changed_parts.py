"""By what other parts change breakaway torque and lock ratios, whatever they are today."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from pipeline.build_sheet import BuildSheet, Differential
from pipeline.disc_spring import Stack, stack_force
from pipeline.estimate import Estimate, Missing, Prediction, SessionAnswer
from pipeline.plates import effective_radius, effective_radius_new
from pipeline.predict import pack_arm, predictions, ramp_thrust
from pipeline.read_back import angle_doubt
from pipeline.springs import as_built, spring_force

Range = tuple[float, float]
Estimates = Mapping[str, SessionAnswer]


def _arm_share(estimates: Estimates, today: Differential, then: Differential) -> Range | Missing:
    """How friction, faces and radii of the plates change what a force on the pack gives.

    Friction of today is the one that the session's ramps show, where they do.
    """
    geometry = (
        "friction_faces_per_pack",
        "plate_outer_radius_m",
        "plate_inner_radius_m",
    )
    low = high = 1.0
    if any(getattr(today, key) != getattr(then, key) for key in geometry):
        # At one friction on both sides, so that only the geometry is left.
        old, new = (
            pack_arm(replace(parts, friction_coefficient=(1.0, 1.0))) for parts in (today, then)
        )
        for arm in (old, new):
            if isinstance(arm, Missing):
                return arm
        assert not isinstance(old, Missing)
        assert not isinstance(new, Missing)
        low = high = new[0] / old[0]
    if today.plate_friction == then.plate_friction:
        return low, high
    if then.plate_friction is None:
        return Missing("the build sheet leaves out friction_coefficient")
    found = estimates.get("friction_by_drive_ramps")
    now = (found.low, found.high) if isinstance(found, Estimate) else today.plate_friction
    if now is None or now[0] <= 0:
        return Missing("the friction of today's plates is not known")
    return low * then.plate_friction[0] / now[1], high * then.plate_friction[1] / now[0]


def ramp_share(today: Differential, then: Differential, ramp: str) -> Range | Missing:
    """What the ramps alone change a lock ratio by."""
    keys = (ramp, "ramp_radius_m", "ramp_friction", "ramp_angle_from")
    if all(getattr(today, key) == getattr(then, key) for key in keys):
        return 1.0, 1.0
    old, new = ramp_thrust(today, ramp), ramp_thrust(then, ramp)
    for thrust in (old, new):
        if isinstance(thrust, Missing):
            return thrust
    assert not isinstance(old, Missing)
    assert not isinstance(new, Missing)
    if min(old) <= 0:
        return Missing(f"today's {ramp} gives no lock to start from")
    thrusts = sorted((new[0] / old[0], new[1] / old[1]))
    doubt = float(np.hypot(angle_doubt(today, ramp), angle_doubt(then, ramp)))
    return thrusts[0] * (1 - doubt), thrusts[1] * (1 + doubt)


def lock_share(
    estimates: Estimates, today: Differential, then: Differential, ramp: str
) -> Range | Missing:
    """What the parts change a lock ratio by."""
    arm, ramps = _arm_share(estimates, today, then), ramp_share(today, then, ramp)
    for share in (arm, ramps):
        if isinstance(share, Missing):
            return share
    assert not isinstance(arm, Missing)
    assert not isinstance(ramps, Missing)
    return arm[0] * ramps[0], arm[1] * ramps[1]


def breakaway_share(estimates: Estimates, today: BuildSheet, then: BuildSheet) -> Range | Missing:
    """What the parts change the breakaway torque by."""
    arm = _arm_share(estimates, today.differential, then.differential)
    force = force_share(estimates, today, then)
    for share in (arm, force):
        if isinstance(share, Missing):
            return share
    assert not isinstance(arm, Missing)
    assert not isinstance(force, Missing)
    return arm[0] * force[0], arm[1] * force[1]


def force_share(estimates: Estimates, today: BuildSheet, then: BuildSheet) -> Range | Missing:
    """What washers, heights or a stated force change the washers' force by.

    With the same washers only the shim counts, from where the session finds them pressed; their own
    scatter cancels. Other washers push by their own curve against the force that the session finds.
    """
    same_washers = today.washers == then.washers
    stated = today.differential.spring_force_n, then.differential.spring_force_n
    if same_washers and today.stack == then.stack and stated[0] == stated[1]:
        return 1.0, 1.0
    stack = then.washers.stack
    if same_washers and stack is not None and stated[0] == stated[1]:
        return _shimmed(estimates, today, then, stack)
    force = spring_force(_without_stated_force(then) if stated[0] == stated[1] else then)
    if isinstance(force, Missing):
        return force
    now: Prediction | Estimate = predictions(today)["spring_force_n"]
    found = estimates.get("spring_force_n")
    if isinstance(found, Estimate) and found.low > 0:
        now = found
    if isinstance(now, Missing):
        return now
    if now.low <= 0:
        return Missing("today's washers may not push at all")
    return force.low / now.high, force.high / now.low


def _without_stated_force(sheet: BuildSheet) -> BuildSheet:
    """The sheet with its washers alone: a stated force of today's says nothing of other ones."""
    return replace(sheet, differential=replace(sheet.differential, spring_force_n=None))


def _shimmed(
    estimates: Estimates, today: BuildSheet, then: BuildSheet, stack: Stack
) -> Range | Missing:
    built, changed = as_built(today), as_built(then)
    for pressed in (built, changed):
        if isinstance(pressed, Missing):
            return pressed
    assert not isinstance(built, Missing)
    assert not isinstance(changed, Missing)
    more_m = changed.value - built.value
    found = estimates.get("washer_compression_m")
    at = found if isinstance(found, Estimate) else built
    ends = np.array([at.low, at.value, at.high])
    if at.high + more_m > stack.travel_m:
        return Missing("with that shim the washers may be pressed flat; measure before assembly")
    before, after = (
        stack_force(stack, np.maximum(pressed, 0.0)) for pressed in (ends, ends + more_m)
    )
    if before[0] <= 0:
        return Missing("today's washers may not push at all")
    ratios = after / before
    return float(np.min(ratios)), float(np.max(ratios))


def new_over_run_in(parts: Differential) -> float | None:
    """Radius at which new plates carry over that of run-in ones; None where it is not stated."""
    outer, inner = parts.plate_outer_radius_m, parts.plate_inner_radius_m
    if outer is None or inner is None:
        return None
    return effective_radius_new(outer, inner) / effective_radius(outer, inner)
