"""Numbers of few decimals as whole numbers and a scale, and back to the last bit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32] | NDArray[np.int64]

_MOST_DECIMALS = 9
# Parquet's DECIMAL of 9 digits is a whole number of 32 bits; of 64 bits, as many digits are taken
# as a float64 tells apart.
_NARROW, _WIDE = 10**9 - 1, 10**15 - 1
_SPARE_DIGITS = 6
# What rises all the time, as time does, may rise so much further than it has been seen to.
_ROOM = 64
# Worked on at once, so that what is between stays near the processor.
_AT_ONCE = 1 << 14
_LOOKED_AT = 512


@dataclass(frozen=True, slots=True)
class Decimals:
    """How a column of numbers is written as whole numbers."""

    scale: int
    """Digits behind the point."""
    wide: bool

    @property
    def type(self) -> pa.DataType:
        """The column's type, as every engine knows it."""
        return pa.decimal64(18, self.scale) if self.wide else pa.decimal32(9, self.scale)

    def joined(self, other: Decimals) -> Decimals | None:
        """What is surely enough for both; None when nothing is."""
        few, many = sorted((self, other), key=lambda how: how.scale)
        if few.scale == many.scale:
            return Decimals(few.scale, few.wide or many.wide)
        more = many.scale - few.scale
        return Decimals(many.scale, True) if not few.wide and more <= _SPARE_DIGITS else None


def decimals_of(values: FloatArray) -> Decimals | None:
    """The fewest decimals in which all values are written exactly; None when these are too many.

    NaN stands for no value. A zero below zero counts as zero.

    >>> decimals_of(np.array([0.25, np.nan, 12.5]))
    Decimals(scale=2, wide=False)
    >>> decimals_of(np.array([1 / 3])) is None
    True
    """
    some = values[:: max(1, len(values) // _LOOKED_AT)]
    for scale in range(_MOST_DECIMALS + 1):
        if _fits(some, scale) and _fits(values, scale):
            with np.errstate(over="ignore"):
                peak = float(np.max(np.abs(values), where=~np.isnan(values), initial=0.0))
            return Decimals(scale, wide=peak * 10.0**scale * _ROOM > _NARROW)
    return None


def _fits(values: FloatArray, scale: int) -> bool:
    return whole_numbers(values, Decimals(scale, wide=True)) is not None


def whole_numbers(values: FloatArray, how: Decimals) -> IntArray | None:
    """The whole numbers, zero where there is no value; None when a value is not told exactly.

    Notes
    -----
    Whole numbers below 2**53 and powers of ten up to 10**22 are exact as float64, so that their
    quotient is the float64 nearest to the decimal: what a parser makes of the same digits. Every
    value is held against it.
    """
    factor, most = 10.0**how.scale, _WIDE if how.wide else _NARROW
    out: IntArray = np.empty(len(values), np.int64)
    if not how.wide:
        out = np.empty(len(values), np.int32)
    for start in range(0, len(values), _AT_ONCE):
        part = values[start : start + _AT_ONCE]
        with np.errstate(over="ignore", invalid="ignore"):
            whole = part * factor
            np.rint(whole, out=whole)
            exact = whole / factor == part
            # Costs less than a look at each.
            if not exact.all():
                holes = np.isnan(part)
                if not (exact | holes).all():
                    return None
                whole[holes] = 0.0
            if len(whole) and not (whole.min() >= -most and whole.max() <= most):
                return None
        out[start : start + _AT_ONCE] = whole
    return out


def numbers_from(whole: IntArray, scale: int, out: FloatArray) -> None:
    """The values that were written, into ``out``."""
    np.divide(whole, 10.0**scale, out=out)
