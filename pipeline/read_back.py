"""What the session's law says of the parts: plate friction, washer force, lost height, shims.

Three numbers of the log (breakaway torque, lock on drive, lock on overrun) against the parts of the
build sheet. The two lock ratios each give the friction; the breakaway torque over a lock ratio
gives the washers' force without knowing the friction, and their curve turns force into height.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.build_sheet import BuildSheet, Differential
from pipeline.estimate import Answer, Estimate, Grade, Missing, Prediction, SessionAnswer
from pipeline.lock import BREAKAWAY, DRIVE, OVERRUN, LockLaw, interval_of
from pipeline.plates import ramp_angle_to_plane
from pipeline.predict import pack_arm, ramp_thrust
from pipeline.springs import compression_for

# How well a ramp angle is known from a bevel gauge; chosen by us.
_ANGLE_TOLERANCE_RAD = math.radians(0.5)
# Thrust per torque of ramps within a fraction of a degree of upright: nothing but rounding. [1/m]
_UPRIGHT_PM = 0.01
_RAMPS = {DRIVE: "drive_ramp_deg", OVERRUN: "overrun_ramp_deg"}

_CALLED = {
    BREAKAWAY: "the breakaway torque",
    DRIVE: "the lock on drive",
    OVERRUN: "the lock on overrun",
}

FRICTION_BY = {
    DRIVE: "friction_by_drive_ramps",
    OVERRUN: "friction_by_overrun_ramps",
    BREAKAWAY: "friction_by_breakaway",
}


def read_back(
    sheet: BuildSheet,
    law: LockLaw | None,
    units: str,
    estimates: Mapping[str, SessionAnswer],
    predicted: Mapping[str, Prediction],
    grade: Grade,
) -> dict[str, Answer]:
    """Every number of the parts that the session's law gives, by its name.

    ``units`` names what the law's intervals come from, in words.

    Assumed throughout, and said with each number: equal packs, radii and faces as in the build
    sheet, run-in plates, ramp angles within half a degree.
    """
    names = ("breakaway_torque_nm", "lock_drive", "lock_overrun")
    shown = {
        term: estimates[name] for term, name in zip((BREAKAWAY, DRIVE, OVERRUN), names, strict=True)
    }
    found = _Found(sheet.differential, law, shown, units, grade)
    force = _spring_force(found)
    pressed = _compression(sheet, force)
    built = predicted["washer_compression_m"]
    return {
        FRICTION_BY[DRIVE]: _friction_by_ramps(found, DRIVE),
        FRICTION_BY[OVERRUN]: _friction_by_ramps(found, OVERRUN),
        FRICTION_BY[BREAKAWAY]: _friction_by_breakaway(found, predicted["spring_force_n"]),
        "friction_overrun_to_drive": _agreement(found),
        "spring_force_n": force,
        "washer_compression_m": pressed,
        "stack_loss_m": _loss(pressed, built),
        "shim_to_wanted_m": _shim(sheet, found, force, pressed),
    }


@dataclass(frozen=True, slots=True)
class _Found:
    """The law's coefficients as estimates, and numbers derived from them with intervals."""

    parts: Differential
    law: LockLaw | None
    shown: Mapping[str, SessionAnswer]
    units: str
    """What was left out one by one, in words."""
    grade: Grade

    def why_not(self, *terms: str) -> str:
        """Why a term cannot be used; empty when all can."""
        if self.law is None:
            return "the log shows no friction law of the packs"
        for term in terms:
            answer = self.shown[term]
            if isinstance(answer, Missing):
                return answer.reason
            if not isinstance(answer, Estimate) or self.law.index(term) is None:
                return f"the log only bounds {_CALLED[term]}"
            if answer.low <= 0:
                return f"{_CALLED[term]} is not clearly above zero"
        return ""

    def derived(
        self, formula: Callable[..., float], terms: tuple[str, ...], unit: str, method: str
    ) -> Estimate:
        """A formula of some coefficients; its interval is theirs by the formula's slopes."""
        law = self.law
        assert law is not None
        at = [law.terms.index(term) for term in terms]
        here = law.fit.coefficients[at]
        value = float(formula(*here))
        slopes: dict[str, float] = {}
        for place, term in enumerate(terms):
            size = 1e-4 * max(abs(float(here[place])), 1e-6)
            step = np.where(np.arange(len(here)) == place, size, 0.0)
            slopes[term] = float(formula(*(here + step)) - formula(*(here - step))) / (2 * size)
        half = float(law.fit.half_width(law.gradient(**slopes)))
        for term, slope in slopes.items():
            shown = self.shown[term]
            # As reported: with what the sensors and the split of the torque leave open.
            whole = shown.half_width if isinstance(shown, Estimate) else interval_of(law, term)
            left_out = float(law.fit.half_width(law.gradient(**{term: 1.0})))
            half = math.hypot(half, slope * math.sqrt(max(whole**2 - left_out**2, 0.0)))
        return Estimate(
            value, value - half, value + half, unit, law.fit.clusters, self.grade,
            f"{method}; {self.units} left out one by one",
        )  # fmt: skip


def _widened(found: Estimate, low_share: float, high_share: float, doubt: float = 0.0) -> Estimate:
    """An estimate times a factor in a range, and an independent doubt as a share of it."""
    middle = 0.5 * (low_share + high_share) * found.value
    below = math.hypot(found.value - found.low, doubt * found.value)
    above = math.hypot(found.high - found.value, doubt * found.value)
    return replace(
        found,
        value=middle,
        low=low_share * (found.value - below),
        high=high_share * (found.value + above),
    )


def angle_doubt(parts: Differential, ramp: str) -> float:
    """What half a degree of a ramp does to ``tan(angle)``, as a share."""
    angle = ramp_angle_to_plane(getattr(parts, ramp), parts.ramp_angle_from)
    return 2 / max(math.sin(2 * angle), 0.05) * _ANGLE_TOLERANCE_RAD


def _geometry(parts: Differential) -> float | Missing:
    """Faces times effective radius: torque of one pack per newton at friction 1. [m]"""
    arm = pack_arm(replace(parts, friction_coefficient=(1.0, 1.0)))
    if isinstance(arm, Missing):
        return arm
    return arm[0] if arm[0] > 0 else Missing("the build sheet states packs without friction faces")


def _friction_by_ramps(found: _Found, term: str) -> Answer:
    """Friction of the plates that a lock ratio stands for: ``mu = k / (N r_e cot(angle)/r_r)``."""
    arm, thrust = _geometry(found.parts), ramp_thrust(found.parts, _RAMPS[term])
    for part in (arm, thrust):
        if isinstance(part, Missing):
            return part
    if why := found.why_not(term):
        return Missing(why)
    assert not isinstance(arm, Missing)
    assert not isinstance(thrust, Missing)
    if thrust[0] <= _UPRIGHT_PM:
        return Missing(f"upright {term} ramps do not press the plates")
    bare = found.derived(
        lambda lock: lock / arm, (term,), "1",
        f"from the lock on {term}, ramps and faces as in the build sheet, run-in plates",
    )  # fmt: skip
    return _widened(bare, 1 / thrust[1], 1 / thrust[0], angle_doubt(found.parts, _RAMPS[term]))


def _friction_by_breakaway(found: _Found, force: Prediction) -> Answer:
    """Friction that the breakaway torque stands for if the washers push as built."""
    arm = _geometry(found.parts)
    for part in (arm, force):
        if isinstance(part, Missing):
            return part
    if why := found.why_not(BREAKAWAY):
        return Missing(why)
    assert not isinstance(arm, Missing)
    assert not isinstance(force, Missing)
    if force.low <= 0:
        return Missing("the build sheet's washers may not push at all")
    bare = found.derived(
        lambda breakaway: breakaway / (2 * arm), (BREAKAWAY,), "1",
        "from the breakaway torque, assuming that the washers still push as built",
    )  # fmt: skip
    return _widened(bare, 1 / force.high, 1 / force.low)


def _agreement(found: _Found) -> Answer:
    """Friction by the overrun ramps over friction by the drive ramps: 1 if the ramps are right.

    Plates, faces and radii cancel, so what is left is the ramps.
    """
    thrusts = [ramp_thrust(found.parts, _RAMPS[term]) for term in (OVERRUN, DRIVE)]
    for part in thrusts:
        if isinstance(part, Missing):
            return part
    if why := found.why_not(DRIVE, OVERRUN):
        return Missing(why)
    (over_low, over_high), (drive_low, drive_high) = (
        thrust for thrust in thrusts if not isinstance(thrust, Missing)
    )
    if over_low <= _UPRIGHT_PM:
        return Missing("an upright overrun ramp gives no lock to compare")
    bare = found.derived(
        lambda drive, overrun: overrun / drive, (DRIVE, OVERRUN), "1",
        "friction by the overrun ramps over that by the drive ramps; ramps as in the build sheet",
    )  # fmt: skip
    doubt = math.hypot(
        angle_doubt(found.parts, _RAMPS[DRIVE]), angle_doubt(found.parts, _RAMPS[OVERRUN])
    )
    # Friction on the ramps is the same on both sides.
    shares = sorted((drive_low / over_low, drive_high / over_high))
    return _widened(bare, shares[0], shares[1], doubt)


def _spring_force(found: _Found) -> Answer:
    """Force of the washers: ``F = T_pre / (2 k) cot(angle)/r_r``; friction and faces cancel."""
    why = ""
    for term in (DRIVE, OVERRUN):
        thrust = ramp_thrust(found.parts, _RAMPS[term])
        this = thrust.reason if isinstance(thrust, Missing) else found.why_not(BREAKAWAY, term)
        if this or isinstance(thrust, Missing):
            why = why or this
            continue
        bare = found.derived(
            lambda breakaway, lock: 0.5 * breakaway / lock, (BREAKAWAY, term), "N",
            f"breakaway torque over the lock on {term}: friction, faces and radii of the plates "
            f"cancel; {term} ramps as in the build sheet",
        )  # fmt: skip
        return _widened(bare, *thrust, doubt=angle_doubt(found.parts, _RAMPS[term]))
    return Missing(why)


def _compression(sheet: BuildSheet, force: Answer) -> Answer:
    """How far the washers are pressed, from their force and their curve."""
    if isinstance(force, Missing):
        return force
    if force.high <= 0:
        return Missing("the washers push with nothing")
    span = compression_for(sheet, (force.low, force.high))
    if isinstance(span, Missing):
        return span
    return replace(
        force, value=0.5 * sum(span), low=span[0], high=span[1], unit="m",
        method="from the washers' force and their load-deflection curve; the range is that of the "
        f"force, of friction between washers and of their own scatter. Force: {force.method}",
    )  # fmt: skip


def _loss(pressed: Answer, built: Prediction) -> Answer:
    """Height that the stack has lost since it was built, in all. Below zero: none. [m]"""
    for part in (pressed, built):
        if isinstance(part, Missing):
            return part
    assert isinstance(pressed, Estimate)
    assert not isinstance(built, Missing)
    ends = built.value - pressed.value, built.low - pressed.high, built.high - pressed.low
    return replace(
        pressed, value=ends[0], low=ends[1], high=ends[2],
        method="compression as built less compression found, assuming that the washers have kept "
        "their strength; a shim as thick restores the build",
    )  # fmt: skip


def _shim(sheet: BuildSheet, found: _Found, force: Answer, pressed: Answer) -> Answer:
    """Shim to add (below zero: take out) for the wanted breakaway torque. [m]

    Friction, faces and radii cancel: the wanted force is that found, times wanted over found
    breakaway torque. The washers' own scatter is common to both ends.
    """
    wanted = sheet.limits.wanted_breakaway_nm
    if wanted is None:
        return Missing("the build sheet states no wanted_breakaway_nm under [limits]")
    for part in (force, pressed):
        if isinstance(part, Missing):
            return part
    assert isinstance(force, Estimate)
    assert isinstance(pressed, Estimate)
    now = found.shown[BREAKAWAY]
    assert isinstance(now, Estimate)
    spans = []
    for breakaway in (now.low, now.high):
        ratio = wanted / max(breakaway, 1e-9)
        for end in (force.low, force.high):
            here, there = (compression_for(sheet, (each, each)) for each in (end, end * ratio))
            if isinstance(here, Missing):
                return here
            if isinstance(there, Missing):
                return Missing(
                    f"these washers do not reach {wanted:.0f} N·m with any shim: {there.reason}"
                )
            # The same washer at both ends: low belongs to low, high to high.
            spans += [there[0] - here[0], there[1] - here[1]]
    low, high = min(spans), max(spans)
    return replace(
        pressed, value=0.5 * (low + high), low=low, high=high,
        method=f"shim to add for {wanted:.0f} N·m, from the washers' curve and the breakaway "
        "torque found; check on the bench after assembly",
    )  # fmt: skip
