"""Whether wheels are counted with the wrong number of teeth: ratios that no tyre makes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loaders.evidence import BoolArray, FloatArray

_LEAST_SAMPLES = 100
# Tyres of one axle differ by less than this; a tooth more or less on a wheel of 48 makes 2 %.
_SAME_WHEEL = 0.015
# Rolling radii are stated to a few per cent.
_SAME_RADIUS = 0.04
_TOOTH = 0.003
# Tooth counts in use. Common practice, no source.
_TEETH = (12, 16, 18, 20, 22, 24, 25, 26, 28, 29, 30, 32, 36, 40, 42, 43, 44, 45, 46, 47, 48, 50,
          52, 54, 56, 58, 60, 64, 72, 80, 84, 88, 90, 96, 100, 120)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ToothCount:
    """Two wheels of one axle whose speeds are a ratio apart throughout."""

    ratio: float
    """Left over right, on straights."""
    low: float
    high: float
    teeth: tuple[int, int] | None
    """Numbers of teeth, of left and right, that give the ratio; None when none in use do."""
    samples: int


def tooth_count(
    left_radps: FloatArray, right_radps: FloatArray, straight: BoolArray
) -> ToothCount | None:
    """Two wheels of one axle that run apart by more than tyres do; None when they do not.

    Notes
    -----
    The median ratio on straights in each eighth of the log, and the eighths' spread. Not seen:
    less than 1.5 % (one tooth in 67 and more), which unequal tyres may do too; a wrong number on
    both wheels of an axle alike, see `axle_scale`; and ratios that are those of two units. Told as
    such only if all of the log shows it.
    """
    ok = straight & np.isfinite(left_radps) & np.isfinite(right_radps) & (right_radps > 0)
    if np.count_nonzero(ok) < _LEAST_SAMPLES:
        return None
    parts = np.array_split(left_radps[ok] / right_radps[ok], 8)
    medians = np.array([np.median(part) for part in parts])
    if not (np.all(medians > 1 + _SAME_WHEEL) or np.all(medians < 1 - _SAME_WHEEL)):
        return None
    ratio, spread = float(np.median(medians)), float(np.std(medians, ddof=1))
    half = max(2.36 * spread / np.sqrt(8), 1e-4)  # t of 7 degrees of freedom
    if spread > 0.02 * ratio or ratio <= 0.2 or ratio >= 5:
        return None
    return ToothCount(ratio, ratio - half, ratio + half, teeth_of(ratio), int(np.count_nonzero(ok)))


def teeth_of(ratio: float) -> tuple[int, int] | None:
    """Two numbers of teeth in use that give a ratio of speeds; None when none do.

    >>> teeth_of(48 / 47)
    (48, 47)
    """
    pairs = [
        (abs(n - m), abs(n / m / ratio - 1), n, m)
        for n in _TEETH
        for m in _TEETH
        if n != m and abs(n / m / ratio - 1) < _TOOTH
    ]
    if not pairs:
        return None
    _, _, n, m = min(pairs, key=lambda pair: (abs(pair[2] - 48), pair[1]))
    return n, m


def axle_scale(
    left_radps: FloatArray,
    right_radps: FloatArray,
    radius_m: float,
    speed_mps: FloatArray,
    gentle: BoolArray,
) -> tuple[float, int] | None:
    """How many times too fast an axle runs for the ground, when that is more than radii explain.

    Returns
    -------
    The median ratio over ``gentle`` samples and their number; None within 4 %.
    """
    ok = gentle & np.isfinite(left_radps) & np.isfinite(right_radps) & (speed_mps > 0)
    samples = int(np.count_nonzero(ok))
    if samples < _LEAST_SAMPLES:
        return None
    road = 0.5 * radius_m * (left_radps[ok] + right_radps[ok])
    ratio = float(np.median(road / speed_mps[ok]))
    return (ratio, samples) if abs(ratio - 1) > _SAME_RADIUS else None
