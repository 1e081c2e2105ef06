"""How counts and odds stand in a sentence."""

from __future__ import annotations


def counted(count: int, noun: str) -> str:
    """A count with its noun.

    >>> counted(1, "session"), counted(3, "session")
    ('1 session', '3 sessions')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def odds_words(share: float) -> str:
    """Odds as a percentage; the ends are never claimed.

    >>> odds_words(0.9994), odds_words(0.25)
    ('over 99 %', '25 %')
    """
    if share > 0.99:
        return "over 99 %"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"
