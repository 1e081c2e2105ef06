"""How late one channel is against another, and whether that grows: delays with their intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.regression import student_t
from pipeline.runs import moving_mean
from pipeline.stretches import excerpt, spread

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A delay is looked for within this, and changes of torque slower than this are left out: the air,
# the brakes and the hills come with them. Chosen on simulated sessions, where half a second gives
# no delay its least bias (1 to 2 ms) and a whole second one of 6 ms.
LONGEST_DELAY_S = 0.2
_SLOW_S = 0.51
_STRETCHES = 16
# The parts must explain this share of the torque's quick changes, or the delay is no delay.
_LEAST_EXPLAINED = 0.3
_LEAST_S = 40.0
# A delay shows in ten minutes, a drift in 2.5 of each eighth; more of a long log adds time only.
_LONGEST_LOOK_S = 600.0
_LONGEST_DRIFT_LOOK_S = 1200.0
# What tyres, shafts, toothed wheels and the parabola shift the answer by, one way or the other.
# Measured on simulated sessions of two circuits at 20 to 500 Hz with 0 and 40 ms: up to 2 ms with
# an accelerometer; up to 15 ms with undriven wheels in its place, whose derivative is noisier.
BY_ACCELEROMETER_S = 0.004
BY_WHEELS_S = 0.016
_SHIFT_SAMPLES = 0.3
# Clocks of loggers differ by up to a few hundred parts in a million.
_LONGEST_DRIFT_S = 1.5
_DRIFT_STRETCHES = 8
# Means worked out at a time.
_AT_ONCE = 1 << 13
_LEAST_ALIKE = 0.4


@dataclass(frozen=True, slots=True)
class Delay:
    """How much later a signal is than the others, with its 95 % interval. [s]"""

    value_s: float
    low_s: float
    high_s: float
    stretches: int
    explained: float
    """Share of the signal's quick changes that the others explain at this delay. [1]"""


def torque_delay(
    input_torque_nm: FloatArray,
    parts: tuple[FloatArray, ...],
    usable: BoolArray,
    rate_hz: float,
    shift_s: float,
) -> Delay | str:
    """How much later the input torque is logged than the wheels that it speeds up, or why unknown.

    Parameters
    ----------
    input_torque_nm : array, shape (n,)
    parts : tuple of arrays, each of shape (n,)
        What the torque is spent on: acceleration of the driven wheels, and of the car (undriven
        wheels or an accelerometer).
    usable : array of bool, shape (n,)
        The car moves with its brakes off.
    rate_hz : float
    shift_s : float
        What the parts may shift the answer by, see `BY_ACCELEROMETER_S` and `BY_WHEELS_S`. [s]

    Notes
    -----
    Derived here. The torque at the shafts speeds up the wheels and the car:
    ``T(t + tau) = b0 + b1 dw_driven/dt(t) + b2 a(t)``. The correlation with either part alone is
    biased by a tyre's slip: a driven wheel leads the torque's effect, the car follows it. The
    delay is where the fit explains most, between samples by a parabola; its interval
    comes from leaving out sixteenths of the log one by one and from ``shift_s``. Delays beyond
    0.2 s are not seen. Of a long log ten minutes serve, in sixteen pieces spread over it.
    """
    pieces = looked_at(usable, rate_hz)
    usable = excerpt(usable, pieces)
    input_torque_nm = excerpt(input_torque_nm, pieces)
    parts = tuple(excerpt(part, pieces) for part in parts)
    reach = round(LONGEST_DELAY_S * rate_hz)
    length = (len(input_torque_nm) - 2 * reach) // _STRETCHES
    window = 2 * round(_SLOW_S * rate_hz / 2) + 1
    if np.count_nonzero(usable) < _LEAST_S * rate_hz or reach < 2:
        return "too little driving with the brakes off"
    quick = [_without_slow(part, usable, window) for part in (input_torque_nm, *parts)]
    ok = np.logical_and.reduce([np.isfinite(part) for part in quick])
    torque, *rest = (np.where(ok, part, 0.0) for part in quick)
    x = np.stack([part[reach : reach + _STRETCHES * length].reshape(_STRETCHES, -1)
                  for part in rest], axis=1)  # fmt: skip
    gram = x @ x.transpose(0, 2, 1)
    squares = np.concatenate(([0.0], np.cumsum(torque * torque)))
    cross, power = [], []
    for lag in range(-reach, reach + 1):
        y = torque[reach + lag : reach + lag + _STRETCHES * length].reshape(_STRETCHES, -1, 1)
        cross.append((x @ y)[:, :, 0])
        power.append(np.diff(squares[reach + lag + length * np.arange(_STRETCHES + 1)]))
    explained = _Explained(gram, np.array(cross), np.array(power))
    driven = gram[:, 0, 0] > 0
    if np.count_nonzero(driven) < 4:
        return "too little driving with the brakes off"
    total = explained.at(np.ones(_STRETCHES, dtype=bool))
    best = _peak(total)
    if best is None or total.max() < _LEAST_EXPLAINED:
        return (
            f"wheels and car explain only {100 * max(0.0, float(total.max())):.0f} % of the "
            "torque's quick changes"
        )
    left_out = [_peak(explained.at(np.arange(_STRETCHES) != i)) for i in np.flatnonzero(driven)]
    others = np.array([best if other is None else other for other in left_out]) / rate_hz
    m = len(others)
    error = np.sqrt((m - 1) / m * np.sum((others - others.mean()) ** 2))
    half = float(np.hypot(student_t(m - 1) * error, max(shift_s, _SHIFT_SAMPLES / rate_hz)))
    value = best / rate_hz
    return Delay(value, value - half, value + half, m, float(total.max()))


def looked_at(usable: BoolArray, rate_hz: float) -> tuple[slice, ...]:
    """The pieces of a log that `torque_delay` looks at; a caller may give it these alone."""
    return spread(usable, rate_hz, _STRETCHES, _LONGEST_LOOK_S)


@dataclass(frozen=True, slots=True)
class _Explained:
    gram: FloatArray
    """Shape (stretches, parts, parts)."""
    cross: FloatArray
    """Shape (lags, stretches, parts)."""
    power: FloatArray
    """Shape (lags, stretches)."""

    def at(self, kept: BoolArray) -> FloatArray:
        """Share of the torque's power that the parts explain, over lags."""
        cross = self.cross[:, kept].sum(axis=1)
        ridge = 1e-12 * np.trace(self.gram.sum(axis=0)) * np.eye(self.gram.shape[1])
        fitted = np.linalg.solve(self.gram[kept].sum(axis=0) + ridge, cross.T).T
        power = self.power[:, kept].sum(axis=1)
        return np.asarray(np.sum(cross * fitted, axis=1) / np.maximum(power, 1e-30))


def _peak(curve: FloatArray) -> float | None:
    """Where a curve over the lags -m..m is largest, between samples; None at either end."""
    at = int(np.argmax(curve))
    if not 0 < at < len(curve) - 1:
        return None
    before, here, after = curve[at - 1 : at + 2]
    bend = before - 2 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(at + shift - len(curve) // 2)


def _without_slow(values: FloatArray, usable: BoolArray, window: int) -> FloatArray:
    return np.where(usable, values - moving_mean(values, window), np.nan)


def thinned(values: FloatArray, every: int) -> FloatArray:
    """Means of so many samples at a time, shape (n // every,); a hole anywhere in them is a hole.

    >>> thinned(np.array([1.0, 3.0, 5.0, 7.0, 9.0]), 2).tolist()
    [2.0, 6.0]
    """
    if every == 1:
        return values
    whole = len(values) // every * every
    means = np.empty(whole // every)
    for first in range(0, whole, _AT_ONCE * every):  # so much stays near the processor
        some = values[first : min(whole, first + _AT_ONCE * every)]
        total = some[::every].copy()
        for start in range(1, every):  # a few long sums cost less than many short ones
            total += some[start::every]
        np.divide(total, every, out=means[first // every :][: len(total)])
    return means


def rate_of_change(values: FloatArray, rate_hz: float) -> FloatArray:
    """Time derivative over one sample to either side, shape (n,); NaN at the ends. [unit/s]

    >>> rate_of_change(np.array([0.0, 1.0, 4.0, 9.0]), 1.0)[1:3].tolist()
    [2.0, 4.0]
    """
    slope = np.full(len(values), np.nan)
    slope[1:-1] = 0.5 * rate_hz * (values[2:] - values[:-2])
    return slope


def drift(late: FloatArray, reference: FloatArray, rate_hz: float) -> Delay | str:
    """How much later a signal is at the end of the log than at its start, or why unknown. [s]

    Parameters
    ----------
    late, reference : array, shape (n,)
        Two signals of the same kind, such as two accelerations, at a modest rate.
    rate_hz : float

    Notes
    -----
    The delay of largest correlation in each eighth of the log, and a straight line through them;
    the interval is the line's. A steady delay, whatever its cause, is not counted. What is not
    steady along the log, such as the 20 ms that a tyre adds when it warms, is; so less than 50 ms
    should not be taken for a drift of clocks. Of a long log 2.5 minutes in each eighth serve.
    """
    pieces = spread(reference, rate_hz, _DRIFT_STRETCHES, _LONGEST_DRIFT_LOOK_S)
    late, reference = excerpt(late, pieces), excerpt(reference, pieces)
    reach = round(_LONGEST_DRIFT_S * rate_hz)
    length = (len(late) - 2 * reach) // _DRIFT_STRETCHES
    if length < 10 * rate_hz:
        return "the log is too short to tell drifting clocks"
    window = 2 * round(rate_hz) + 1
    y, x = (np.nan_to_num(each - moving_mean(each, window)) for each in (late, reference))
    x = x[reach : reach + _DRIFT_STRETCHES * length].reshape(_DRIFT_STRETCHES, 1, -1)
    curves = []
    for lag in range(-reach, reach + 1):
        shifted = y[reach + lag : reach + lag + _DRIFT_STRETCHES * length]
        curves.append((x @ shifted.reshape(_DRIFT_STRETCHES, -1, 1))[:, 0, 0])
    size = np.sqrt(np.sum(x * x, axis=(1, 2)) * np.sum(y * y) / _DRIFT_STRETCHES)
    alike = np.array(curves) / np.maximum(size, 1e-30)
    peaks = [_peak(alike[:, i]) if alike[:, i].max() > _LEAST_ALIKE else None
             for i in range(_DRIFT_STRETCHES)]  # fmt: skip
    known = np.array([i for i, peak in enumerate(peaks) if peak is not None])
    if len(known) < _DRIFT_STRETCHES - 2:
        return "the two signals are not alike enough"
    delays = np.array([peak for peak in peaks if peak is not None]) / rate_hz
    design = np.column_stack((np.ones(len(known)), known / _DRIFT_STRETCHES))
    line, *_ = np.linalg.lstsq(design, delays, rcond=None)
    rest = delays - design @ line
    variance = np.sum(rest**2) / (len(known) - 2) * np.linalg.inv(design.T @ design)[1, 1]
    half = student_t(len(known) - 2) * float(np.sqrt(variance))
    whole = float(line[1])
    return Delay(whole, whole - half, whole + half, len(known), float(np.median(alike.max(axis=0))))
