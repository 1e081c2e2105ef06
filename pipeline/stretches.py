"""Long arrays worked on a stretch at a time: what is made on the way stays small."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Values = TypeVar("Values", FloatArray, BoolArray, NDArray[np.intp])
Scalar = TypeVar("Scalar", bound=np.generic)
Result = TypeVar("Result")

# 22 minutes at 100 Hz: an ordinary session is one stretch. Fresh memory for what comes and goes
# with a whole day is most of what its analysis would cost, and a stretch stays near the processor.
AT_ONCE = 1 << 17
# So many stretches are worked on at a time; more would need more memory.
_TOGETHER = 2
# A signal's noise shows as well in so many samples as in all, if so many of them are chosen.
_ENOUGH, _PIECES, _FEWEST = 1 << 20, 64, 100_000


def stretches(n: int, at_once: int | None = None) -> Iterator[slice]:
    """Slices of at most so many samples that cover all n, in order; one where there is none.

    >>> list(stretches(5, at_once=3))
    [slice(0, 3, None), slice(3, 5, None)]
    """
    size = at_once or AT_ONCE
    for first in range(0, max(n, 1), size):
        yield slice(first, min(n, first + size))


def each_stretch(work: Callable[[slice], Result], n: int) -> list[Result]:
    """What ``work`` makes of each stretch, in their order.

    >>> each_stretch(lambda here: here.stop, 3)
    [3]
    """
    parts = list(stretches(n))
    if len(parts) == 1:
        return [work(parts[0])]
    with ThreadPoolExecutor(_TOGETHER) as threads:
        return list(threads.map(work, parts))


def by_stretch(work: Callable[[slice], NDArray[Scalar]], n: int) -> NDArray[Scalar]:
    """What ``work`` makes of each stretch, side by side, shape (n,).

    >>> values = np.array([1.0, 2.0, 3.0])
    >>> by_stretch(lambda here: 2 * values[here], 3).tolist()
    [2.0, 4.0, 6.0]
    """
    if n <= AT_ONCE:
        return work(slice(0, n))
    whole = np.empty(n, work(slice(0, 1)).dtype)

    def fill(here: slice) -> None:
        whole[here] = work(here)

    each_stretch(fill, n)
    return whole


def around(here: slice, reach: int, n: int) -> tuple[slice, slice]:
    """A stretch with so many samples more to either side, and where it lies in that.

    >>> around(slice(1, 4), 2, 10)
    (slice(0, 6, None), slice(1, 4, None))
    """
    wide = slice(max(0, here.start - reach), min(n, here.stop + reach))
    return wide, slice(here.start - wide.start, here.stop - wide.start)


def some(values: Values) -> Values:
    """Every k-th value of a long signal: enough to tell its percentiles; a short one whole.

    >>> some(np.arange(3.0)).tolist()
    [0.0, 1.0, 2.0]
    """
    return values[:: 1 + len(values) // _ENOUGH]


def spread(
    values: FloatArray | BoolArray, rate_hz: float, pieces: int, longest_s: float
) -> tuple[slice, ...]:
    """So many even pieces of a signal that make up ``longest_s`` together; one of a shorter one.

    >>> spread(np.arange(100.0), 1.0, 2, 20.0)
    (slice(20, 30, None), slice(70, 80, None))
    """
    n, length = len(values), int(longest_s * rate_hz) // pieces
    if n <= pieces * length:
        return (slice(0, n),)
    starts = [int((i + 0.5) * n / pieces - 0.5 * length) for i in range(pieces)]
    return tuple(slice(start, start + length) for start in starts)


def excerpt(values: Values, pieces: tuple[slice, ...]) -> Values:
    """The pieces one after the other, shape (sum of their lengths,), with a hole at every joint.

    The hole (NaN, or False) is there so that nothing is averaged across a joint.

    >>> excerpt(np.arange(100.0), (slice(20, 22), slice(70, 72))).tolist()
    [20.0, nan, 70.0, nan]
    """
    return excerpt_of(lambda piece: values[piece], pieces)


def excerpt_of(work: Callable[[slice], Values], pieces: tuple[slice, ...]) -> Values:
    """`excerpt` of what ``work`` makes of each piece."""
    if len(pieces) == 1:
        return work(pieces[0])
    joined = np.concatenate([work(piece) for piece in pieces])
    ends = np.cumsum([piece.stop - piece.start for piece in pieces]) - 1
    joined[ends] = False if joined.dtype == np.bool_ else np.nan
    return joined


def telling(chosen: BoolArray) -> tuple[slice, ...]:
    """Even pieces of a long signal that hold as many chosen samples as its noise needs; else all.

    >>> telling(np.ones(1000, dtype=bool))
    (slice(0, 1000, None),)
    """
    pieces = spread(chosen, 1.0, _PIECES, _ENOUGH)
    held = sum(np.count_nonzero(chosen[piece]) for piece in pieces)
    return pieces if held >= _FEWEST else (slice(0, len(chosen)),)
