"""How much later the torques are logged than the wheel speeds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import BuildSheet
from pipeline.delay import (
    BY_ACCELEROMETER_S,
    BY_WHEELS_S,
    LONGEST_DELAY_S,
    Delay,
    looked_at,
    rate_of_change,
    thinned,
    torque_delay,
)
from pipeline.estimate import Answer, Estimate, Missing
from pipeline.signals import Signals
from pipeline.stretches import around, excerpt, excerpt_of

FloatArray = NDArray[np.float64]

# Torque and speed this far apart shift where the law is read off by as much; less is not told
# from none on simulated sessions.
NOTABLE_DELAY_S = 0.010
_FULL_HZ = 100.0
_CHECK_HZ = 50.0
_MOVING_MPS = 8.0
# Wheels of an axle that is driven or braked by something else explain 31 to 53 % on simulated logs,
# and then tell delays of 25 ms that are none; freely rolling ones explain 59 % and more.
_LEAST_BY_WHEELS = 0.56
# What speeds up the engine is taken off its torque, which shifts the answer by up to 12 ms on
# simulated sessions.
_BY_ENGINE_S = 0.012


def is_late(delay: Delay | str) -> bool:
    """Whether a delay is clearly there, either way, and long enough to matter."""
    if isinstance(delay, str) or abs(delay.value_s) < NOTABLE_DELAY_S:
        return False
    return delay.low_s > 0 or delay.high_s < 0


def torque_lateness(
    channels: Mapping[str, FloatArray], sheet: BuildSheet, signals: Signals
) -> Delay | str:
    """How much later the input torque is logged than the wheel speeds, or why that is not known.

    By accelerometer, unless that is itself out of step with the wheels; else by wheels alone.
    """
    if signals.input_torque_nm is None or signals.input is None or not signals.input.channels:
        return "the log has no torque of the axle"
    driven = signals.left_radps, signals.right_radps
    usable = (signals.speed_mps > _MOVING_MPS) & signals.brakes_off
    undriven = wheels_of(channels, "f" if sheet.car.driven_axle == "rear" else "r")

    def answer(
        highest_hz: float, parts: tuple[FloatArray, ...], *, is_speed: bool, shift_s: float
    ) -> Delay | str:
        assert signals.input_torque_nm is not None
        every = max(1, round(signals.rate_hz / highest_hz))
        rate, n = signals.rate_hz / every, len(usable) // every
        if rate * LONGEST_DELAY_S < 2:
            return f"the log has only {rate:.3g} samples a second"

        def mean(of: tuple[FloatArray, ...], here: slice) -> FloatArray:
            part = slice(every * here.start, every * here.stop)
            return np.asarray(sum(thinned(each[part], every) for each in of) / len(of))

        def rate_of(of: tuple[FloatArray, ...], here: slice) -> FloatArray:
            wide, within = around(here, 1, n)
            return rate_of_change(mean(of, wide), rate)[within]

        free = usable[: n * every : every]
        pieces, torque = looked_at(free, rate), signals.input_torque_nm
        return torque_delay(
            excerpt_of(lambda here: mean((torque,), here), pieces),
            (
                excerpt_of(lambda here: rate_of(driven, here), pieces),
                excerpt_of(lambda here: (rate_of if is_speed else mean)(parts, here), pieces),
            ),
            excerpt(free, pieces),
            rate,
            shift_s,
        )

    answers = []
    along = channels.get("accel_long_mps2")
    if along is not None:
        answers.append(answer(_FULL_HZ, (along,), is_speed=False, shift_s=BY_ACCELEROMETER_S))
    if undriven is not None:
        by_wheels = answer(_CHECK_HZ, undriven, is_speed=True, shift_s=BY_WHEELS_S)
        if isinstance(by_wheels, Delay) and by_wheels.explained < _LEAST_BY_WHEELS:
            by_wheels = (
                f"the other axle's wheels explain only {100 * by_wheels.explained:.0f} % of the "
                "torque's quick changes"
            )
        answers.append(by_wheels)
    engine_s = _BY_ENGINE_S if signals.input.channels == ("engine_torque_nm",) else 0.0
    known = [
        replace(each, low_s=each.low_s - engine_s, high_s=each.high_s + engine_s)
        for each in answers
        if isinstance(each, Delay)
    ]
    if not answers:
        return "neither undriven wheels nor longitudinal acceleration show how the car gains speed"
    if not known:
        return answers[0]
    apart = abs(known[0].value_s - known[-1].value_s)
    return known[-1] if apart > NOTABLE_DELAY_S + BY_WHEELS_S else known[0]


def wheels_of(
    channels: Mapping[str, FloatArray], axle: str
) -> tuple[FloatArray, FloatArray] | None:
    """Speeds of an axle's wheels, None when one is not logged. [rad/s]"""
    left, right = (channels.get(f"wheel_speed_{axle}{side}_radps") for side in "lr")
    return None if left is None or right is None else (left, right)


def delay_answer(signals: Signals, delay: Delay | str) -> Answer:
    """How much later the torques were logged than the wheel speeds. [s]"""
    if isinstance(delay, str):
        return Missing(delay)
    taken_out = "taken out" if is_late(delay) else "not told from none, so left in"
    return Estimate(
        delay.value_s, delay.low_s, delay.high_s, "s", delay.stretches, signals.grade,
        f"quick changes of torque against wheels and car; stretches of the log left out one by "
        f"one; {taken_out}",
    )  # fmt: skip
