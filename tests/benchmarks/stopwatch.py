"""The median time of a piece of work."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")
RUNS = 7


def timed(what: Callable[[], T]) -> tuple[float, T]:
    """Median time of a few runs after one for warming up, and the last result. [s]"""
    result = what()
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        result = what()
        times.append(time.perf_counter() - start)
    return statistics.median(times), result
