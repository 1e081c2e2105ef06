"""Which words on a page can be asked for their meaning where they stand."""

from __future__ import annotations

import re
from collections.abc import Sequence

from markupsafe import Markup, escape

from reports.printable import printable


class Glossary:
    """The terms of one page; each is marked where it is first used in a kind of place."""

    def __init__(self, terms: Sequence[tuple[str, str]]) -> None:
        meanings = {
            word.strip().lower(): f"{term}: {meaning}"
            for term, meaning in terms
            for word in re.sub(r"\(.*?\)", "", term).split(",")
            if word.strip()
        }
        self._meanings = meanings
        # The longest first, so that "effective lock" is not taken for "lock".
        words = "|".join(re.escape(word) for word in sorted(meanings, key=len, reverse=True))
        self._pattern = re.compile(rf"\b({words})s?\b", re.IGNORECASE) if words else None
        self._told: set[tuple[str, str]] = set()

    def meaning(self, text: str) -> str:
        """What the first term in the text means; empty where there is none."""
        found = self._pattern.search(text) if self._pattern else None
        return self._meanings[found[1].lower()] if found else ""

    def marked(self, text: str, place: str) -> Markup:
        """The text, escaped, with a button on each term that this kind of place has not told yet.

        >>> glossary = Glossary([("Lock", "what ramps hold back")])
        >>> ["button" in glossary.marked("Locks & more", "findings") for _ in range(2)]
        [True, False]
        """
        text = str(printable(text))
        if self._pattern is None:
            return escape(text)
        parts: list[Markup] = []
        end = 0
        for found in self._pattern.finditer(text):
            key = (place, found[1].lower())
            if key in self._told:
                continue
            self._told.add(key)
            parts += [escape(text[end : found.start()]), term(found[0], self._meanings[key[1]])]
            end = found.end()
        return Markup("").join([*parts, escape(text[end:])])


def term(word: str, meaning: str) -> Markup:
    """A word that shows its meaning when it is pressed."""
    return Markup('<button type="button" class="term" data-means="{}">{}</button>').format(
        printable(meaning), word
    )
