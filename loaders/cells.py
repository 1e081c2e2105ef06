"""What one cell of a log's text may say: a number, a time of day, a date-time, or nothing."""

from __future__ import annotations

import re
from functools import cache

DECIMAL_MARKS = {".": "point", ",": "comma"}
THOUSANDS_MARKS = {
    " ": "blank",
    "\u00a0": "hard blank",
    "\u2009": "thin blank",
    "\u202f": "narrow hard blank",
    "'": "apostrophe",
    "\u2019": "apostrophe",
    ",": "comma",
    ".": "point",
}
COMMENT_SIGNS = ("#", "//", "%", ";")

# Words that programs write where there is no number. A closed list, chosen here: whatever else
# stands in a column of numbers is an error.
_BLANK_WORDS = frozenset(
    {"nan", "n/a", "na", "#n/a", "null", "none", "-", "--", "---", "inf", "infinity"}
    # How some C run-time libraries print NaN and infinity.
    | {"1.#qnan", "1.#ind", "1.#inf", "nan(ind)", "nan(snan)", "1.#snan"}
)

# Time of day or of the log: m:ss or h:mm:ss, seconds with decimals. ISO 8601-1:2019 (from memory,
# not read again) allows comma and point as decimal sign.
CLOCK = re.compile(r"[0-9]{1,4}:[0-5][0-9](:[0-5][0-9])?([.,][0-9]{1,9})?")
# A date-time is in the extended or the basic format; RFC 3339 has a blank for T and small letters.
BASIC_DATE_TIME = re.compile(r"[0-9]{8}[Tt][0-9]{6}")
DATE_TIME = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}|[0-9]{8}[Tt][0-9]{6})"
    r"([.,][0-9]{1,9})?([Zz]|[+-][0-9]{2}(:?[0-9]{2})?)?"
)
# Year first, or day, month and year with points; with other marks nobody can tell the order.
DATE = re.compile(r"[0-9]{4}[-/][0-9]{2}[-/][0-9]{2}|[0-9]{1,2}\.[0-9]{1,2}\.[0-9]{4}")
TIME_FORMATS = {"clock": CLOCK, "iso": DATE_TIME, "date": DATE}
SAID_FORMATS = {
    "clock": "clock time", "iso": "ISO 8601 date-time", "date": "date", "number": "a number",
}  # fmt: skip


@cache
def number_pattern(mark: str) -> re.Pattern[str]:
    """A decimal number with this decimal mark, as a log writes it."""
    point = re.escape(mark)
    return re.compile(rf"[+-]?([0-9]+({point}[0-9]*)?|{point}[0-9]+)([eE][+-]?[0-9]+)?")


@cache
def grouped_pattern(mark: str) -> re.Pattern[str]:
    """A number whose thousands are set apart by one and the same mark."""
    marks = re.escape("".join(each for each in THOUSANDS_MARKS if each != mark))
    point = re.escape(mark)
    return re.compile(
        rf"[+-]?[1-9][0-9]{{0,2}}(?P<mark>[{marks}])[0-9]{{3}}((?P=mark)[0-9]{{3}})*({point}[0-9]*)?"
    )


def is_blank_word(text: str) -> bool:
    """Whether the text is one of the words for "no value here".

    >>> is_blank_word("NaN"), is_blank_word("-inf"), is_blank_word("fault")
    (True, True, False)
    """
    lower = text.lower()
    return lower in _BLANK_WORDS or lower.lstrip("+-") in _BLANK_WORDS


def is_quantity(text: str, mark: str) -> bool:
    """Whether the text is a number, with or without thousands marks, or a time."""
    return bool(
        number_pattern(mark).fullmatch(text)
        or grouped_pattern(mark).fullmatch(text)
        or CLOCK.fullmatch(text)
        or DATE_TIME.fullmatch(text)
        or DATE.fullmatch(text)
    )


def comment_sign(line: str, delimiter: str) -> str | None:
    """The sign that makes the line a comment, or None."""
    text = line.lstrip()
    return next(
        (sign for sign in COMMENT_SIGNS if sign != delimiter and text.startswith(sign)), None
    )
