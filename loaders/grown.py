"""A log that has grown since it was added: the session of its beginning is set aside.

Otherwise one run would count twice, in the season's energy above all.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from loaders.logbook import Logbook, provenance_of, read_result, writing

_ASIDE = "set_aside"
_CHUNK = 1 << 20


def beginnings_of(logbook: Logbook, session_id: str, log: Path) -> list[str]:
    """Sessions of the same name whose log is the beginning of this one, byte for byte."""
    name = session_id.rpartition("-")[0]
    results = sorted(logbook.kinds[-1].glob(f"{name}-????????.json"))
    others = [path.stem for path in results if path.stem != session_id]
    return [each for each in others if _is_beginning(logbook, each, log)]


def _is_beginning(logbook: Logbook, session_id: str, log: Path) -> bool:
    stored = provenance_of(read_result(logbook.result(session_id)))
    size = str(stored.get("log size", "")).partition(" bytes")[0]
    if not size.isdigit() or int(size) >= log.stat().st_size:
        return False
    return _sha256_of_first(log, int(size)) == stored.get("log SHA-256")


def _sha256_of_first(path: Path, count: int) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while count > 0 and (chunk := file.read(min(count, _CHUNK))):
            digest.update(chunk)
            count -= len(chunk)
    return digest.hexdigest()


def set_aside(logbook: Logbook, session_id: str) -> Path:
    """Take a session out of the logbook without losing it; returns the folder it now stands in.

    Its result goes first: with it the session leaves the logbook, whatever happens then.

    Raises
    ------
    InputError
        If the folder cannot be written, or another process keeps it.
    """
    aside = logbook.folder / _ASIDE
    files = (logbook.result(session_id), logbook.page(session_id), logbook.session(session_id),
             logbook.log(session_id))  # fmt: skip
    with writing(logbook):
        for path in files:
            if path.is_file():
                target = aside / path.parent.name / path.name
                target.parent.mkdir(parents=True, exist_ok=True)
                path.replace(target)
    return aside
