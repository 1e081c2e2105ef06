"""The service record: what was done to the differential and when, as a plain text table.

`service_record.csv` in the logbook, one entry a line, made by ``sidegear service add`` or by hand.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path

from loaders.errors import InputError, nearest
from pipeline.bench_check import Method, breakaway_from_reading, loaded_ramps
from pipeline.plates import PreloadLaw
from pipeline.teardown import problems_of_teardown

NAME = "service_record.csv"
HEADER = ("date", "entry", "value", "unit", "method", "note")


class Entry(StrEnum):
    """What an entry is about."""

    BUILD = "build"
    """A pack was built; its history starts anew. ``note`` names the build."""
    RESHIM = "re-shim"
    """The preload was set anew; the history of the preload starts anew."""
    OIL_CHANGE = "oil change"
    BENCH_CHECK = "bench check"
    """A breakaway torque read on the bench, with its method."""
    TEARDOWN = "teardown"
    """Something seen with the unit apart; ``method`` says what was looked at."""
    SESSION_DATE = "session date"
    """When a session was driven whose log does not say so; ``note`` is the session's id."""
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class ServiceEntry:
    """One dated entry."""

    on: date
    entry: Entry
    value: float | None = None
    """The wrench's reading of a bench check [N m], or what a teardown measured."""
    unit: str = ""
    method: str = ""
    note: str = ""

    @property
    def starts_a_life(self) -> bool:
        """Whether the pack's history starts anew here."""
        return self.entry in (Entry.BUILD, Entry.RESHIM)


def read_service_record(path: Path) -> tuple[ServiceEntry, ...]:
    """Every entry in order of date; none when there is no such file.

    Raises
    ------
    InputError
        Listing every line and column that does not fit.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as problem:
        msg = f"{path}: cannot be read as UTF-8 text ({problem}). Save it as UTF-8."
        raise InputError(msg) from problem
    rows = list(csv.reader(io.StringIO(text), skipinitialspace=True))
    filled = [(number, row) for number, row in enumerate(rows, 1) if any(map(str.strip, row))]
    if not filled:
        return ()
    head = tuple(cell.strip().lower() for cell in filled[0][1])
    if head != HEADER:
        msg = (
            f"{path.name}: line {filled[0][0]}: found the columns {', '.join(head)}; expected "
            f"{', '.join(HEADER)}. Put them back in this order."
        )
        raise InputError(msg)
    problems: list[str] = []
    entries = [
        entry
        for number, row in filled[1:]
        if (entry := _entry(row, f"{path.name}: line {number}", problems)) is not None
    ]
    if problems:
        raise InputError.gathered(problems)
    return tuple(sorted(entries, key=lambda entry: entry.on))


def _entry(row: Sequence[str], place: str, problems: list[str]) -> ServiceEntry | None:
    if len(row) != len(HEADER):
        problems.append(
            f"{place}: found {len(row)} cells; expected {len(HEADER)}: {', '.join(HEADER)}. Put "
            "text that holds a comma between quotes."
        )
        return None
    on, kind, value, unit, method, note = (cell.strip() for cell in row)
    before = len(problems)
    day = _date(on, place, problems)
    entry = _kind(kind, place, problems)
    reading = _reading(value, place, problems)
    if len(problems) > before or day is None or entry is None:
        return None
    found = ServiceEntry(day, entry, reading, unit, method, note)
    problems += [f"{place}: {problem}" for problem in problems_of(found)]
    return found


def _date(text: str, place: str, problems: list[str]) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        problems.append(
            f"{place}, column 'date': found '{text}'; expected a date as 2026-04-12. Correct it."
        )
        return None


def _kind(text: str, place: str, problems: list[str]) -> Entry | None:
    try:
        return Entry(text.lower())
    except ValueError:
        problems.append(
            f"{place}, column 'entry': found '{text}'; expected one of {', '.join(Entry)}."
            f"{nearest(text, list(Entry))}"
        )
        return None


def _reading(text: str, place: str, problems: list[str]) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        problems.append(
            f"{place}, column 'value': found '{text}'; expected a number with a decimal point. "
            "Correct or blank it."
        )
        return None
    return value


def problems_of(entry: ServiceEntry) -> list[str]:
    """What an entry of its kind lacks."""
    if entry.entry is Entry.BENCH_CHECK:
        problems = []
        if entry.value is None or entry.value < 0 or entry.unit not in ("N m", "N·m", "Nm"):
            problems.append("a bench check needs the wrench's reading in N m, as value and unit.")
        if entry.method not in list(Method):
            problems.append(
                f"a bench check needs its method: {' or '.join(repr(str(m)) for m in Method)}."
            )
        return problems
    if entry.entry is Entry.TEARDOWN:
        return problems_of_teardown(entry.value, entry.unit, entry.method, entry.note)
    if entry.value is not None and not entry.unit:
        return [f"the value {entry.value:g} needs its unit."]
    if entry.entry is Entry.SESSION_DATE and not entry.note:
        return ["a session date needs the session's id as note."]
    if entry.entry is Entry.BUILD and not entry.note:
        return ["a build needs its name as note, as in the build sheet."]
    return []


def breakaway_of(
    entry: ServiceEntry, locks: Mapping[str, float], law: PreloadLaw = PreloadLaw.ADDING
) -> float | None:
    """Breakaway torque that a bench check stands for; None when it cannot be told. [N m]

    Parameters
    ----------
    entry : ServiceEntry
    locks : mapping
        Lock ratio by the ramps that a check in gear loads: ``"drive"``, ``"overrun"``.
    law : str
        How springs and ramps act together.
    """
    if entry.entry is not Entry.BENCH_CHECK or entry.value is None:
        return None
    method = Method(entry.method)
    ramps = loaded_ramps(method)
    if ramps is not None and ramps not in locks:
        return None
    lock = 0.0 if ramps is None else locks[ramps]
    return None if lock >= 1 else breakaway_from_reading(entry.value, lock, method, law)


def line_of(entry: ServiceEntry) -> str:
    """The entry as a line of the table."""
    out = io.StringIO()
    value = "" if entry.value is None else f"{entry.value:g}"
    csv.writer(out, lineterminator="\n").writerow(
        (entry.on.isoformat(), str(entry.entry), value, entry.unit, entry.method, entry.note)
    )
    return out.getvalue()
