"""Texts without characters that would change how what follows them is read."""

from __future__ import annotations

from markupsafe import Markup

UNPRINTABLE = dict.fromkeys(
    (
        *range(0x09), 0x0B, 0x0C, *range(0x0E, 0x20), 0x7F,  # control characters
        0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A),
        *range(0xD800, 0xE000),  # halves of a pair: from file names that are not UTF-8
    ),
    "\ufffd",
)  # fmt: skip
"""Characters that would turn the reading order of what follows, or that no file can hold."""


def printable(value: object) -> object:
    """A text without characters that reorder the line around them or that no file can hold.

    >>> printable("run\\u202e1")
    'run\ufffd1'
    """
    if isinstance(value, str) and not isinstance(value, Markup) and not value.isprintable():
        return value.translate(UNPRINTABLE)
    return value
