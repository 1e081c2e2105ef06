"""What a season reads of each published session: when, where, which pack, and its numbers."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.estimate import Estimate, Grade, Predicted


@dataclass(frozen=True, slots=True)
class SeasonSession:
    """One session as the season sees it."""

    id: str
    name: str
    on: date
    build: str
    circuit: str
    laps: int
    hours: float
    energy_j: float | None
    """All of the log, counted laps or not; None when no lap's energy is known."""
    estimates: Mapping[str, Estimate]
    assumed: Mapping[str, Predicted]
    """Temperatures that rest on the build sheet's ranges, not on the log."""
    tyres: str = ""

    @property
    def place(self) -> str:
        """Circuit, and tyres where the log states them."""
        return f"{self.circuit}, {self.tyres}" if self.circuit and self.tyres else self.circuit


@dataclass(frozen=True, slots=True)
class Undated:
    """A session that has no place in time."""

    id: str
    reason: str


def read_session(result: Mapping[str, Any], stated: Mapping[str, date]) -> SeasonSession | Undated:
    """A published session, ``sidegear.session/1`` or the part of it that the index keeps.

    Parameters
    ----------
    result : mapping
    stated : mapping
        Dates that the service record states, by session id.
    """
    about = result["session"]
    on = stated.get(about["id"]) or date_in(about["date"])
    if on is None:
        found = f"'{about['date']}' is no date that reads one way only" if about["date"] else ""
        return Undated(about["id"], found or "its log says no date")
    energies = [lap["energy_j"] for lap in result["laps"] if isinstance(lap["energy_j"], float)]
    # A bound from one side has no place in a course.
    both_ends = {
        name: answer
        for name, answer in (result["estimates"] | result.get("heat", {})).items()
        if isinstance(answer, Mapping) and "low" in answer
    }
    return SeasonSession(
        id=about["id"],
        name=about["name"],
        on=on,
        build=about["build"],
        circuit=about["circuit"],
        laps=len(result["laps"]),
        hours=about["duration_s"] / 3600,
        energy_j=sum(energies) if energies else None,
        estimates={name: _seen(each) for name, each in both_ends.items() if "grade" in each},
        assumed={name: _assumed(each) for name, each in both_ends.items() if "grade" not in each},
        tyres=about.get("tyres", ""),
    )


def _seen(answer: Mapping[str, Any]) -> Estimate:
    return Estimate(
        answer["value"], answer["low"], answer["high"], answer["unit"],
        answer["n"], Grade(answer["grade"]), answer.get("method", ""),
    )  # fmt: skip


def _assumed(answer: Mapping[str, Any]) -> Predicted:
    ends = answer["value"], answer["low"], answer["high"]
    return Predicted(*ends, answer["unit"], answer.get("method", ""))


_ISO = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?=\D|$)")
_DOTTED = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?=\D|$)")


def date_in(text: str) -> date | None:
    """The date that a text begins with: ISO 8601, or day.month.year; None for any other.

    Slashes are read day first in some countries and month first in others, so they say no date.

    >>> date_in("2026-04-12 10:15"), date_in("12.4.2026"), date_in("04/12/2026")
    (datetime.date(2026, 4, 12), datetime.date(2026, 4, 12), None)
    """
    iso, dotted = _ISO.match(text.strip()), _DOTTED.match(text.strip())
    if iso is not None:
        parts = [int(part) for part in iso.groups()]
    elif dotted is not None:
        parts = [int(part) for part in reversed(dotted.groups())]
    else:
        return None
    try:
        return date(*parts)
    except ValueError:
        return None
