"""Where a table between blanks has every column at its own place, so that cells may be blank."""

from __future__ import annotations

import bisect
from collections.abc import Sequence

Places = tuple[tuple[int, int], ...]
"""First place of each column and the one behind its last."""

# Wider lines are no table for the eye, which fixed width is.
_WIDEST_LINE = 5000


def column_places(lines: Sequence[str]) -> Places:
    """The columns' places, or nothing when the lines do not share them.

    >>> column_places(["0.00  1.5", "0.01     ", "0.02 12.5"])
    ((0, 4), (5, 9))
    >>> column_places(["0.00 1.5", "10.01 1.5 7"])
    ()
    """
    widest = max(map(len, lines), default=0)
    if widest > _WIDEST_LINE:
        return ()
    taken = [False] * widest
    for line in lines:
        for at, sign in enumerate(line):
            taken[at] = taken[at] or not sign.isspace()
    starts = [i for i, t in enumerate(taken) if t and (i == 0 or not taken[i - 1])]
    ends = [i + 1 for i, t in enumerate(taken) if t and (i + 1 == len(taken) or not taken[i + 1])]
    places = tuple(zip(starts, ends, strict=True))
    apart = all(cells_at(line, places) is not None for line in lines)
    full = any(len(line.split()) == len(places) for line in lines)
    return places if apart and full else ()


def cells_at(line: str, places: Places) -> list[str] | None:
    """The line's cells by the columns' places, or None when one does not stand in one column."""
    cells, at = [""] * len(places), 0
    for token in line.split():
        at = line.index(token, at)
        behind = at + len(token)
        # The first column that ends behind the token's start; the next must begin behind it.
        i = bisect.bisect_right(places, at, key=_end)
        met = i < len(places) and places[i][0] < behind
        alone = i + 1 >= len(places) or places[i + 1][0] >= behind
        if not (met and alone) or cells[i]:
            return None
        cells[i] = token
        at = behind
    return cells


def _end(place: tuple[int, int]) -> int:
    return place[1]
