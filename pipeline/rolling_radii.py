"""What radii the driven wheels roll on, told from running in which little else happens."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.axle import RollingFit, fit_mean_radius, fit_radius_difference, odd_samples
from pipeline.build_sheet import BuildSheet
from pipeline.lock import turns_both_ways
from pipeline.regression import TooFewClustersError
from pipeline.runs import erode, mean_at, moving_mean
from pipeline.signals import Signals
from pipeline.stretches import by_stretch, some
from pipeline.torque import ShaftTorque, averaged_at
from pipeline.turns import TURNS_MODEL_DOUBT, fit_radius_from_turns, turning_freely

BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

# Gentle running: fast enough for slip to be small, nearly straight, tyres far from their limit.
_GENTLE_SPEED_MPS = 12.0
_GENTLE_LATERAL_MPS2 = 5.0
_GENTLE_INPUT_SHARE = 0.3
_GENTLE_SMOOTH_S = 0.2
# Of a day's gentle running, averaged, every other or every tenth sample says as much.
_MOST_SAMPLES = 150_000


def radii_by_gentle_running(
    signals: Signals, label: IndexArray, torque: ShaftTorque, sheet: BuildSheet
) -> tuple[RollingFit, str]:
    """Radii of the driven wheels; the build sheet's where the log cannot give them."""
    stated = RollingFit(*sheet.car.driven_radii_m, None)
    if why := _no_rolling_speed(signals):
        return stated, why
    assert signals.ground is not None
    # Nothing happens fast here, and noise in the torques would flatten the laws.
    window = odd_samples(_GENTLE_SMOOTH_S, signals.rate_hz)
    gentle = np.flatnonzero(erode(_gentle(signals, label, torque), window // 2))
    gentle = gentle[:: 1 + len(gentle) // _MOST_SAMPLES]
    ground = signals.ground.averaged_at(window, gentle)
    left, right = (
        mean_at(speed, window, gentle) for speed in (signals.left_radps, signals.right_radps)
    )
    slow = averaged_at(torque, window, gentle)
    cluster = label[gentle]
    try:
        mean = fit_mean_radius(0.5 * (left + right), slow.input_nm, ground.mean_mps, cluster)
        radius = 1 / float(mean.coefficients[0])
        fit = fit_radius_difference(left - right, slow, ground, radius, cluster)
    except TooFewClustersError as problem:
        return stated, f"too little gentle straight running: {problem}"
    half = 0.5 * float(fit.coefficients[0])
    return RollingFit(1 / (1 / radius + half), 1 / (1 / radius - half), fit), ""


def _no_rolling_speed(signals: Signals) -> str:
    """Why the log cannot say how fast the wheels would roll; empty when it can."""
    if signals.ground is None:
        return "the log has no yaw rate"
    if not signals.speed_is_independent:
        return "the log has no ground speed apart from the driven wheels"
    return ""


def radii_by_turns(
    signals: Signals, label: IndexArray, sliding: BoolArray, sheet: BuildSheet
) -> tuple[RollingFit, str]:
    """Radii from turns both ways, where no half-shaft torque tells what a held axle hides."""
    stated = RollingFit(*sheet.car.driven_radii_m, None)
    if why := _no_rolling_speed(signals):
        return stated, why
    assert signals.ground is not None
    pull = signals.input_torque_nm
    if pull is None:
        pull = signals.accel_long_mps2
    if pull is None:
        pull = np.zeros(len(signals.time_s))
    window = odd_samples(_GENTLE_SMOOTH_S, signals.rate_hz)
    pull, ground = moving_mean(pull, window), signals.ground.averaged(window)
    # What is asked is how far the radii are from the stated ones.
    inverse = 1 / stated.radius_left_m, 1 / stated.radius_right_m
    nominal, apart = 2 / sum(inverse), inverse[0] - inverse[1]
    difference = moving_mean(signals.difference_radps, window) - ground.mean_mps * apart
    chosen = turning_freely(difference, ground, nominal)
    chosen &= erode(sliding & signals.brakes_off, window // 2) & np.isfinite(pull)
    if not chosen.any() or not turns_both_ways(np.sign(ground.yaw_rate_radps[chosen])):
        return stated, "a held axle hides unequal radii, and the packs slide in turns one way only"
    try:
        fit = fit_radius_from_turns(
            difference[chosen],
            ground.at(chosen),
            pull[chosen],
            nominal,
            label[chosen],
        )
    except TooFewClustersError as problem:
        return stated, f"the packs slide too little in turns both ways: {problem}"
    half = 0.5 * (float(fit.coefficients[0]) + apart)
    left, right = 1 / (1 / nominal + half), 1 / (1 / nominal - half)
    return RollingFit(left, right, fit, TURNS_MODEL_DOUBT), ""


def _gentle(signals: Signals, label: IndexArray, torque: ShaftTorque) -> BoolArray:
    assert signals.yaw_rate_radps is not None
    yaw_rate_radps = signals.yaw_rate_radps
    counted = label >= 0
    size = np.abs(some(torque.left_nm) + some(torque.right_nm))[some(counted)]
    if not np.isfinite(size).any():
        return np.zeros(len(counted), dtype=bool)
    large = float(np.nanpercentile(size, 99))

    def gentle(here: slice) -> BoolArray:
        speed = signals.speed_mps[here]
        lateral = np.abs(speed * yaw_rate_radps[here])
        return np.asarray(
            signals.steady[here]
            & signals.brakes_off[here]
            & counted[here]
            & (speed > _GENTLE_SPEED_MPS)
            & (lateral < _GENTLE_LATERAL_MPS2)
            & (np.abs(torque[here].input_nm) < _GENTLE_INPUT_SHARE * large)
        )

    return by_stretch(gentle, len(counted))
