"""Whether the sliding packs judder: a narrow band in the speed difference, and where."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.regression import mean_interval, student_t_share
from pipeline.runs import runs

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

# Two thirds of a second tell bands 1.6 Hz apart, and a corner has some of them.
_WINDOW_S = 0.64
LOWEST_HZ = 5.0
"""Below this the driver and the car move the speed difference themselves."""
_LEAST_HZ = 50.0
_FEWEST_WINDOWS = 3
"""In a lap that is to be asked."""
_FEWEST_LAPS = 4
# Of a day's windows some thousands say as much as all.
_MOST_WINDOWS = 6000
# The band stands for its middle and one bin to either side; beside it lies what it must rise above.
_HALF_BAND = 1
_BESIDE = (3, 4, 5)
# So much stronger must a band be than what is beside it, and than the same in the log's own
# running without sliding. The strongest of 103 clean simulated logs had 1.3; a judder that comes
# and goes had 1.8 to 2.4.
_LEAST_RISE = 1.6
_CHANCE = 0.01
HIGHEST_HZ = 45.0
# How far the middle of a band may lie from the frequency it stands for, in bins. Chosen by us.
_OF_A_BIN = 0.5


@dataclass(frozen=True, slots=True)
class Judder:
    """A narrow band of the speed difference while the packs slide."""

    frequency_hz: float
    low_hz: float
    high_hz: float
    amplitude_radps: float
    amplitude_half_radps: float
    """95 % half width of the amplitude, from the laps. [rad/s]"""
    rise: float
    """Power in the band over that beside it. [1]"""
    laps: int
    strength: FloatArray
    """Power in the band of each window above what is beside it, shape (windows,). [rad2/s2]"""
    middle: IndexArray
    """Sample in the middle of each window, shape (windows,)."""


@dataclass(frozen=True, slots=True)
class Spectra:
    """Power spectra of windows, shape (windows, bins), with where each window lies."""

    power: FloatArray
    frequency_hz: FloatArray
    lap: IndexArray
    middle: IndexArray


def spectra_of(
    difference_radps: FloatArray, chosen: BoolArray, lap: IndexArray, rate_hz: float
) -> Spectra:
    """Power spectra of all windows that lie in chosen stretches of one lap. [rad2/s2 per Hz]

    Notes
    -----
    Half overlapping windows of Hann, freed of their straight line.

    Source: Welch, The use of fast Fourier transform for the estimation of power spectra, IEEE
    Trans. Audio Electroacoustics 15, 1967, 70-73.
    """
    length = 2 * round(0.5 * _WINDOW_S * rate_hz)
    usable = chosen & np.isfinite(difference_radps) & (lap >= 0)
    starts = np.concatenate(
        [np.arange(first, stop - length + 1, length // 2) for first, stop in runs(usable)]
        or [np.empty(0, dtype=np.intp)]
    ).astype(np.intp)
    starts = starts[lap[starts] == lap[starts + length - 1]] if len(starts) else starts
    starts = starts[:: 1 + len(starts) // _MOST_WINDOWS]
    part = difference_radps[starts[:, None] + np.arange(length)]
    ramp = np.linspace(-1.0, 1.0, length)
    part = part - part.mean(axis=1, keepdims=True)
    part = part - (part @ ramp / (ramp @ ramp))[:, None] * ramp
    # The periodic one, as spectral analysis wants it.
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    power = np.abs(np.fft.rfft(part * window, axis=1)) ** 2
    power *= 2 / (rate_hz * float(window @ window))
    frequency = np.fft.rfftfreq(length, 1 / rate_hz)
    return Spectra(np.asarray(power), np.asarray(frequency), lap[starts], starts + length // 2)


def find_judder(
    difference_radps: FloatArray,
    turning_radps: Callable[[IndexArray], FloatArray],
    sliding: BoolArray,
    calm: BoolArray,
    lap: IndexArray,
    rate_hz: float,
) -> Judder | str:
    """The narrow band in which the sliding packs judder, or why none is claimed.

    Parameters
    ----------
    difference_radps : array, shape (n,)
        Left minus right speed as logged. [rad/s]
    turning_radps : callable
        Mean of both speeds at some samples. [rad/s]
    sliding, calm : array of bool, shape (n,)
        Where the packs slide, and where the car moves without their sliding.
    lap : array of int, shape (n,)
        -1 where a sample counts nowhere.

    Notes
    -----
    The rise of a band is its power, averaged over windows by the logarithm, over the same of what
    lies to either side. The band with the largest rise, less what the same band rises without
    sliding, is judder when the rise is at least `_LEAST_RISE`, when the laps agree in it (Student's
    t), and when it stands at one frequency: a wheel that is not round, or an uneven ring of teeth,
    gives a band that stands out better once all windows are drawn to one wheel speed.
    """
    if rate_hz < _LEAST_HZ:
        return f"the log has only {rate_hz:.3g} samples a second; judder needs {_LEAST_HZ:.0f}"
    spectra = spectra_of(difference_radps, sliding, lap, rate_hz)
    laps, counts = np.unique(spectra.lap, return_counts=True)
    laps = laps[counts >= _FEWEST_WINDOWS]
    if len(laps) < _FEWEST_LAPS:
        return f"the packs slide for {_WINDOW_S} s on end in only {len(laps)} laps or stretches"
    reach, hz = max(_BESIDE), spectra.frequency_hz
    first = max(int(np.searchsorted(hz, LOWEST_HZ)), reach + 1)
    last = min(int(np.searchsorted(hz, HIGHEST_HZ)), len(hz) - reach - 1)
    bands = np.arange(first, last)
    typical = np.stack([_typical(spectra.power[spectra.lap == each]) for each in laps])
    rises = _rises(typical, bands)
    without = np.zeros(len(bands))
    background = spectra_of(difference_radps, calm, lap, rate_hz).power
    if len(background) >= _FEWEST_WINDOWS:
        without = np.maximum(_rises(_typical(background), bands), 0.0)
    rise = rises.mean(axis=0) - without
    at = int(np.argmax(rise))
    band, strongest = int(bands[at]), float(np.exp(rise[at]))
    error = float(np.std(rises[:, at], ddof=1)) / np.sqrt(len(laps))
    chance = student_t_share(-float(rise[at]) / max(error, 1e-9), len(laps) - 1)
    tracked = _following_wheels(spectra, turning_radps(spectra.middle))
    followed = float(_rises(_typical(tracked), bands)[max(at - 1, 0) : at + 2].max())
    fixed = float(_rises(_typical(spectra.power), bands)[max(at - 1, 0) : at + 2].max())
    judder = _measured(spectra, laps, band, strongest)
    clear = strongest >= _LEAST_RISE and chance <= _CHANCE and followed <= fixed
    if clear and judder.amplitude_radps > judder.amplitude_half_radps:
        return judder
    return (
        f"no narrow band stands out from {hz[bands[0] - _HALF_BAND]:.0f} to {hz[bands[-1]]:.0f} Hz "
        f"while the packs slide; the strongest, at {hz[band]:.0f} Hz, has {strongest:.1f} times "
        "the power beside it"
    )


def _mean(power: FloatArray) -> FloatArray:
    return np.asarray(power.mean(axis=0))


def _typical(power: FloatArray) -> FloatArray:
    """Geometric mean over windows: a few with a large swing do not drown the others."""
    return np.asarray(np.exp(np.log(np.maximum(power, 1e-30)).mean(axis=0)))


def _following_wheels(spectra: Spectra, turning_radps: FloatArray) -> FloatArray:
    """The windows' power with frequencies drawn out or in to one wheel speed, same shape."""
    stretch = turning_radps / np.median(turning_radps)
    place = np.arange(spectra.power.shape[1])[None, :] * stretch[:, None]
    last = spectra.power.shape[1] - 2
    low = np.clip(place.astype(np.intp), 0, last)
    share = np.clip(place - low, 0.0, 1.0)
    row = np.arange(len(stretch))[:, None]
    logs = np.log(np.maximum(spectra.power, 1e-30))
    return np.asarray(np.exp((1 - share) * logs[row, low] + share * logs[row, low + 1]))


def _measured(spectra: Spectra, laps: IndexArray, band: int, rise: float) -> Judder:
    """Frequency and amplitude of a band that was found, with the laps' intervals."""
    around = np.arange(band - _HALF_BAND - 1, band + _HALF_BAND + 2)
    hz = spectra.frequency_hz
    step = float(hz[1])

    def excess(power: FloatArray) -> FloatArray:
        below, over = (
            np.log(np.maximum(power[..., [band + side * k for k in _BESIDE]], 1e-30)).mean(axis=-1)
            for side in (-1, 1)
        )
        reach = float(np.mean(_BESIDE))
        share = (around - band + reach) / (2 * reach)
        level = np.exp(below[..., None] * (1 - share) + over[..., None] * share)
        return np.asarray(power[..., around] - level)

    mean, typical = (
        np.maximum(excess(np.stack([each(spectra.power[spectra.lap == lap]) for lap in laps])), 0)
        for each in (_mean, _typical)
    )
    amplitude, half = mean_interval(np.sqrt(2 * mean.sum(axis=1) * step))
    middle, spread = mean_interval(typical @ hz[around] / np.maximum(typical.sum(axis=1), 1e-30))
    spread = float(np.hypot(spread, _OF_A_BIN * step))
    return Judder(
        frequency_hz=middle,
        low_hz=middle - spread,
        high_hz=middle + spread,
        amplitude_radps=amplitude,
        amplitude_half_radps=half,
        rise=rise,
        laps=len(laps),
        strength=np.maximum(excess(spectra.power).sum(axis=1) * step, 0.0),
        middle=spectra.middle,
    )


def _rises(power: FloatArray, bands: IndexArray) -> FloatArray:
    """Log of each band's power over the geometric mean of both sides', shape (.., bands)."""
    inside, below, above = (
        np.mean([power[..., bands + k] for k in places], axis=0)
        for places in (range(-_HALF_BAND, _HALF_BAND + 1), [-k for k in _BESIDE], _BESIDE)
    )
    return np.asarray(np.log(inside) - 0.5 * (np.log(below) + np.log(above)))
