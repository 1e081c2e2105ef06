"""Where a table between blanks has every column at its own place, so that cells may be blank."""

from __future__ import annotations

from collections.abc import Sequence

Places = tuple[tuple[int, int], ...]
"""First place of each column and the one behind its last."""


def column_places(lines: Sequence[str]) -> Places:
    """The columns' places, or nothing when the lines do not share them.

    >>> column_places(["0.00  1.5", "0.01     ", "0.02 12.5"])
    ((0, 4), (5, 9))
    >>> column_places(["0.00 1.5", "10.01 1.5 7"])
    ()
    """
    taken = [False] * max(map(len, lines), default=0)
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
        met = [i for i, (start, end) in enumerate(places) if at < end and at + len(token) > start]
        if len(met) != 1 or cells[met[0]]:
            return None
        cells[met[0]] = token
        at += len(token)
    return cells
