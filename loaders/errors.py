"""How a user's mistake is reported: place, what was found, what is allowed, what to do."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class InputError(Exception):
    """Something the user gave us cannot be used; the message is one paragraph for them.

    The command line prints it and ends with exit code 2. All problems of one file are
    gathered in one error.
    """

    @classmethod
    def gathered(cls, problems: Iterable[str]) -> InputError:
        """One error from all the problems found in one file."""
        return cls(" ".join(problems))


def nearest(word: str, known: Iterable[str]) -> str:
    """`` Did you mean 'x'?`` when something close is known, else nothing.

    >>> nearest("kmh", ["km/h", "m/s"])
    " Did you mean 'km/h'?"
    >>> nearest("furlong", ["km/h", "m/s"])
    ''
    """
    close = closest(word, known)
    return f" Did you mean '{close}'?" if close else ""


def closest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is written most like ``word``, or None when none comes near."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return close[0] if close else None
