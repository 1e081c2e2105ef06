"""The frames of a capture in candump's log format: stamps and payloads by message id."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from loaders.errors import InputError

_FRAME = re.compile(
    r"\((?P<second>\d{1,12})\.(?P<part>\d{1,9})\) +(?P<bus>\S+) +"
    r"(?P<id>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})#"
    r"(?:(?P<remote>R[0-9A-Fa-f]?)|(?P<data>(?:#[0-9A-Fa-f])?(?:[0-9A-Fa-f]{2}){0,64}))(?: [RT])?"
)
_ERROR_FLAG = 0x2000_0000
_DAY_S = 86_400
_LAST_DAY_S = 250_000_000_000  # of the calendar, in the year 9892


@dataclass(frozen=True, slots=True)
class OfOneId:
    """The frames of one message."""

    stamps: NDArray[np.float64]
    """From midnight of the day of the first frame, in which a float64 tells every tick. [s]"""
    payload: tuple[bytes, ...]


@dataclass(slots=True)
class Frames:
    """A capture's frames by id and whether that is an extended one, and what was left out."""

    by_id: Mapping[tuple[int, bool], OfOneId]
    notes: list[str] = field(default_factory=list)


def frames_of(data: bytes, place: str) -> Frames:
    """The data frames of a capture.

    Raises
    ------
    InputError
        Naming the first line that holds no frame, or an id that comes over two buses.
    """
    notes = []
    text = data.decode("ascii", errors="replace")
    lines = text.splitlines()
    if lines and not text.endswith(("\n", "\r")):
        lines.pop()
        notes.append("the last line has no line end and may be cut short; it was left out")
    stamps: dict[tuple[int, bool], list[float]] = {}
    payloads: dict[tuple[int, bool], list[bytes]] = {}
    buses: dict[tuple[int, bool], str] = {}
    remote = errors = 0
    midnight: int | None = None
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        frame = _FRAME.fullmatch(line.rstrip())
        if frame is None:
            msg = (
                f"{place}: line {number}: found '{line[:40]}'; expected a frame as "
                "'(1436509052.249713) can0 044#2A366C2BBA'. Remove the line or record again."
            )
            raise InputError(msg)
        second, part, bus, text_id, is_remote, body = frame.groups()
        midnight = int(second) // _DAY_S * _DAY_S if midnight is None else midnight
        key = (int(text_id, 16), len(text_id) == 8)
        if is_remote is not None:
            remote += 1
        elif key[0] & _ERROR_FLAG:
            errors += 1
        else:
            if buses.setdefault(key, bus) != bus:
                msg = (
                    f"{place}: line {number}: id {text_id} comes over {buses[key]} and over {bus}; "
                    "expected it over one bus. Leave one of them out of the capture."
                )
                raise InputError(msg)
            stamps.setdefault(key, []).append(float(f"{int(second) - midnight}.{part}"))
            payloads.setdefault(key, []).append(
                bytes.fromhex(body[2:] if body[:1] == "#" else body)
            )
    for count, what in ((remote, "remote"), (errors, "error")):
        if count:
            notes.append(f"{count} {what} frames, which hold no data, were left out")
    by_id = {key: OfOneId(np.array(stamps[key]), tuple(payloads[key])) for key in stamps}
    if midnight and midnight < _LAST_DAY_S:
        day = dt.datetime.fromtimestamp(midnight, dt.UTC).date()
        notes.append(f"times are counted from midnight (UTC) of {day}")
    return Frames(by_id, notes)
