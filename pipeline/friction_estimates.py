"""The session's numbers on how friction moves: ramps, sliding speed, warmth, break-loose."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.break_loose import static_friction
from pipeline.build_sheet import Differential
from pipeline.delay import thinned
from pipeline.estimate import Answer, Estimate, Missing
from pipeline.friction import (
    FAST,
    HYSTERESIS,
    RAMP_HZ,
    SLOW,
    SLOW_TO_RADPS,
    WARM,
    Movements,
    friction_movements,
    ramp_friction,
    ramp_states,
)
from pipeline.learn import Learnt
from pipeline.lock import DRIVE, OVERRUN, LockLaw, interval_of
from pipeline.plates import effective_radius, ramp_angle_to_plane
from pipeline.regression import student_t
from pipeline.signals import Signals
from pipeline.stretches import by_stretch

FloatArray = NDArray[np.float64]

# What averaging and the choice of samples take off a ramp's hysteresis: 5 % on simulated logs.
_RAMP_DOUBT = 0.08
# How far beyond zero an interval reaches whose middle cannot be. Chosen by us.
_HUMBLED = 1.5
_EVERY = 20
NAMES = (
    "lock_hysteresis_drive", "lock_hysteresis_overrun", "ramp_friction_drive",
    "ramp_friction_overrun", "friction_per_speed_slow", "friction_per_speed_fast",
    "friction_per_plate_speed_slow", "friction_per_10_k", "static_to_running_friction",
)  # fmt: skip
_RAMPS = {DRIVE: "drive_ramp_deg", OVERRUN: "overrun_ramp_deg"}


def friction_estimates(signals: Signals, learnt: Learnt, parts: Differential) -> dict[str, Answer]:
    """Every number on how friction moves, by its name."""
    if learnt.law is None or learnt.samples is None or signals.torque is None:
        why = learnt.why_no_law or "the log does not hold both half-shaft torques"
        return dict.fromkeys(NAMES, Missing(why))
    moved = _movements(signals, learnt, learnt.law)
    teller = _Teller(learnt, learnt.law, moved, signals)
    slow = teller.answer(SLOW, "s/rad", f"up to {SLOW_TO_RADPS:.0f} rad/s")
    return {
        **{f"lock_hysteresis_{term}": teller.hysteresis(term) for term in _RAMPS},
        **{
            f"ramp_friction_{term}": teller.ramp_friction(term, parts, key)
            for term, key in _RAMPS.items()
        },
        "friction_per_speed_slow": slow,
        "friction_per_speed_fast": teller.answer(
            FAST, "s/rad", f"beyond {SLOW_TO_RADPS:.0f} rad/s"
        ),
        "friction_per_plate_speed_slow": _at_the_plates(slow, parts),
        "friction_per_10_k": teller.answer(WARM, "1", "per 10 K of the differential's oil"),
        "static_to_running_friction": _static(signals, learnt, learnt.law),
    }


def _movements(signals: Signals, learnt: Learnt, law: LockLaw) -> Movements:
    assert signals.torque is not None
    assert learnt.samples is not None
    every = max(1, round(signals.rate_hz / RAMP_HZ))
    left, right = (thinned(each, every) for each in signals.torque.both)
    states = ramp_states(left + right)
    place = np.minimum(learnt.fitted // every, len(states) - 1)
    warmth = None if signals.oil_c is None else signals.oil_c[learnt.fitted]
    return friction_movements(learnt.samples, law, states[place], warmth)


class _Teller:
    """Puts the movements' coefficients into answers."""

    def __init__(self, learnt: Learnt, law: LockLaw, moved: Movements, signals: Signals) -> None:
        self.law, self.moved, self.grade = law, moved, signals.grade
        self.units = learnt.clusters.name

    def answer(self, term: str, unit: str, where: str) -> Answer:
        """One coefficient with its jackknife interval."""
        if self.moved.fit is None or term not in self.moved.terms:
            return Missing(self.moved.missing[term])
        fit, at = self.moved.fit, self.moved.column(term)
        row = np.zeros(len(fit.coefficients))
        row[at] = 1.0
        half = float(fit.half_width(row))
        value = float(fit.coefficients[at])
        return Estimate(
            value, value - half, value + half, unit, fit.clusters, self.grade,
            f"{where}; fitted beside the law to {self.moved.seconds:.0f} s of sliding; "
            f"{self.units} left out one by one",
        )  # fmt: skip

    def hysteresis(self, term: str) -> Answer:
        """Lock ratio with the torque falling less that with it rising."""
        found = self.answer(HYSTERESIS[term], "1", "torque falling less torque rising")
        if isinstance(found, Missing):
            return found
        half = _humbled(found.value, math.hypot(found.half_width, _RAMP_DOUBT * found.value))
        return replace(found, low=found.value - half, high=found.value + half)

    def ramp_friction(self, term: str, parts: Differential, key: str) -> Answer:
        """Friction on a side's ramps that its hysteresis comes from."""
        found = self.hysteresis(term)
        if isinstance(found, Missing):
            return found
        angle_deg, at = getattr(parts, key), self.law.index(term)
        assert self.moved.fit is not None
        assert at is not None
        if angle_deg is None:
            return Missing(f"the build sheet leaves out {key}")
        if self.law.value(term) < interval_of(self.law, term):
            return Missing(f"the lock ratio on {term} is not clear of zero")
        angle = ramp_angle_to_plane(angle_deg, parts.ramp_angle_from)
        turn = self.moved.column(HYSTERESIS[term])

        def friction(coefficients: FloatArray) -> float:
            lock, swing = float(coefficients[at]), float(coefficients[turn])
            return ramp_friction((lock + 0.5 * swing) / max(lock - 0.5 * swing, 1e-9), angle)

        value = friction(self.moved.fit.coefficients)
        others = np.array([friction(replicate) for replicate in self.moved.fit.replicates])
        count = len(others)
        error = math.sqrt((count - 1) / count * float(np.sum((others - others.mean()) ** 2)))
        half = _humbled(value, math.hypot(student_t(count - 1) * error, _RAMP_DOUBT * value))
        return replace(
            found, value=value, low=value - half, high=value + half,
            method=f"from the lock ratios with torque rising and falling and {key}; {found.method}",
        )  # fmt: skip


def _humbled(value: float, half: float) -> float:
    """Half a width that reaches well beyond zero: a ramp's friction never unloads it early."""
    return half if value > -half else -_HUMBLED * value


def _at_the_plates(slow: Answer, parts: Differential) -> Answer:
    """The slope by the speed at which the plates slide over each other. [s/m]"""
    if isinstance(slow, Missing):
        return slow
    outer, inner = parts.plate_outer_radius_m, parts.plate_inner_radius_m
    if outer is None or inner is None:
        return Missing("the build sheet leaves out plate_outer_radius_m or plate_inner_radius_m")
    # Each pack takes half of the speed difference.
    lever = 0.5 * effective_radius(outer, inner)
    return replace(
        slow, value=slow.value / lever, low=slow.low / lever, high=slow.high / lever, unit="s/m"
    )


def _static(signals: Signals, learnt: Learnt, law: LockLaw) -> Answer:
    assert learnt.torque is not None
    # A shaft that unwinds faster than the packs slide hides when they let go.
    flange, wheel, threshold = learnt.flange_radps, learnt.difference_radps, learnt.sliding_radps
    usable = by_stretch(
        lambda here: signals.steady[here] & ~(np.abs(flange[here] - wheel[here]) > threshold),
        len(flange),
    )
    found = static_friction(
        learnt.torque,
        law.locking_torque,
        flange,
        usable,
        learnt.clusters.label,
        threshold,
        signals.rate_hz,
    )
    if isinstance(found, str):
        return Missing(found)
    # What the running law is off by where it is read, the ratio is off by.
    assert learnt.samples is not None
    law_nm, half_nm = law.curve(learnt.samples.input_torque_nm[::_EVERY])
    by_law = found.ratio * float(np.mean(half_nm) / np.mean(law_nm))
    low, high = (
        found.ratio + sign * math.hypot(end - found.ratio, by_law)
        for sign, end in ((-1, found.low), (1, found.high))
    )
    return Estimate(
        found.ratio, low, high, "1", found.events, signals.grade,
        f"mean of {found.events} times that the held axle lets go, in {found.laps} "
        f"{learnt.clusters.name}, over the running law at the same input torque; the upper end "
        "allows for a peak that sampling rounds off",
    )  # fmt: skip
