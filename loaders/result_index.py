"""What a season needs of every session in the logbook, without reading every result again.

The results hold events and corners by the thousand; a season needs a dozen numbers of each. They
are kept in one file beside the results, each with the size and time of the result it came from.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from loaders.logbook import Logbook, read_result

_NAME = "result_index.json"
_SCHEMA = 1
_ABOUT = ("id", "name", "car", "date", "build", "circuit", "duration_s")


def session_summaries(logbook: Logbook) -> list[Mapping[str, Any]]:
    """The part of each published result that a season reads, in order of their names."""
    kept = _read(logbook.folder / _NAME)
    fresh: dict[str, Any] = {}
    for path in sorted((logbook.folder / "results").glob("[!.]*.json")):
        stamp = [path.stat().st_mtime_ns, path.stat().st_size]
        known = kept.get(path.name)
        if known is not None and known["stamp"] == stamp:
            fresh[path.name] = known
        elif (result := read_result(path)).get("session"):
            fresh[path.name] = {"stamp": stamp, "summary": _summary(result)}
    if fresh != kept:
        _write(logbook.folder / _NAME, fresh)
    return [each["summary"] for each in fresh.values()]


def _summary(result: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "session": {key: result["session"][key] for key in _ABOUT},
        "laps": [{"energy_j": lap["energy_j"]} for lap in result["laps"]],
        "estimates": result["estimates"],
    }


def _read(path: Path) -> dict[str, Any]:
    """The index as it stands; empty when there is none, or another version or a fault wrote it."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(found, dict) or found.get("schema") != _SCHEMA:
        return {}
    sessions = found.get("sessions")
    return sessions if isinstance(sessions, dict) else {}


def _write(path: Path, sessions: Mapping[str, Any]) -> None:
    # Only a shortcut: where it cannot be written the results are read again next time.
    aside = path.with_name(f".aside-{secrets.token_hex(8)}.json")
    text = json.dumps({"schema": _SCHEMA, "sessions": sessions}, ensure_ascii=False)
    with suppress(OSError):
        aside.write_text(text, encoding="utf-8")
        os.replace(aside, path)
