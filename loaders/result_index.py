"""What a season needs of every session in the logbook, without reading every result again.

The results hold events and corners by the thousand; a season needs a dozen numbers of each. They
are kept in one file beside the results, each with the size and time of the result it came from.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from loaders.logbook import Logbook, read_result

_NAME = "result_index.json"
_SCHEMA = 2
_ABOUT = ("id", "name", "car", "date", "build", "circuit", "tyres", "duration_s")
_OF_A_NUMBER = ("value", "low", "high", "unit", "n", "grade")


def session_summaries(logbook: Logbook, names: Collection[str]) -> list[Mapping[str, Any]]:
    """The part of each published result that a season reads, in order of the results' names.

    Parameters
    ----------
    logbook : Logbook
    names : collection of str
        The numbers that are wanted, of estimates and heat: each with value, interval, unit, count
        and grade. One that is bounded or missing is left out.
    """
    place, wanted = logbook.folder / _NAME, sorted(names)
    kept = _read(place, wanted)
    fresh = _brought_up(logbook.folder / "results", kept, wanted)
    if fresh != kept:
        _write(place, wanted, fresh)
    return [_unfolded(fresh[name]["row"]) for name in sorted(fresh)]


def _brought_up(folder: Path, kept: Mapping[str, Any], wanted: Sequence[str]) -> dict[str, Any]:
    """The rows as the results stand now: those of unchanged results are taken over."""
    fresh: dict[str, Any] = {}
    with suppress(FileNotFoundError), os.scandir(folder) as files:
        for file in files:
            if not file.name.endswith(".json") or file.name.startswith("."):
                continue
            stamp = [file.stat().st_mtime_ns, file.stat().st_size]
            known = kept.get(file.name)
            if known is not None and known["stamp"] == stamp:
                fresh[file.name] = known
            elif (result := read_result(Path(file.path))).get("session"):
                fresh[file.name] = {"stamp": stamp, "row": _folded(result, wanted)}
    return fresh


def _folded(result: Mapping[str, Any], wanted: Sequence[str]) -> dict[str, Any]:
    """A result's row: its laps' energies, and the wanted numbers without their words."""
    answers = result["estimates"] | result.get("heat", {})
    known = {name: answers[name] for name in wanted if "low" in answers.get(name, {})}
    return {
        "session": {key: result["session"].get(key, "") for key in _ABOUT},
        "energy_j": [lap["energy_j"] for lap in result["laps"]],
        "numbers": {
            name: [answer.get(key) for key in _OF_A_NUMBER] for name, answer in known.items()
        },
    }


def _unfolded(row: Mapping[str, Any]) -> dict[str, Any]:
    """The row as a part of the result that it came from."""
    return {
        "session": row["session"],
        "laps": [{"energy_j": energy} for energy in row["energy_j"]],
        "estimates": {
            # What the build sheet assumes carries neither count nor grade.
            name: {key: each for key, each in zip(_OF_A_NUMBER, answer, strict=True)
                   if each is not None}
            for name, answer in row["numbers"].items()
        },
    }  # fmt: skip


def _read(path: Path, wanted: Sequence[str]) -> dict[str, Any]:
    """The rows as they stand; none where another version, other numbers or a fault wrote them."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(found, dict) or found.get("schema") != _SCHEMA:
        return {}
    if found.get("numbers") != wanted:
        return {}
    sessions = found.get("sessions")
    return sessions if isinstance(sessions, dict) else {}


def _write(path: Path, wanted: Sequence[str], sessions: Mapping[str, Any]) -> None:
    # Only a shortcut: where it cannot be written the results are read again next time.
    aside = path.with_name(f".aside-{secrets.token_hex(8)}.json")
    text = json.dumps(
        {"schema": _SCHEMA, "numbers": wanted, "sessions": sessions}, ensure_ascii=False
    )
    with suppress(OSError):
        aside.write_text(text, encoding="utf-8")
        os.replace(aside, path)
