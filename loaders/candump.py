"""From a capture of a CAN bus as ``candump -L`` writes it, and its DBC file, to raw rows."""

from __future__ import annotations

import hashlib
import importlib.util
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from loaders.can_frames import Frames, frames_of
from loaders.can_signals import decoded
from loaders.errors import InputError
from loaders.layout import BY_EVIDENCE, TextHabits
from loaders.rawtable import (
    Account,
    Choose,
    Contents,
    FloatArray,
    Layout,
    RawLog,
    Typed,
    in_chunks,
    refuse_repeated_names,
)

_TIME = "time"
"""What the time is called, which in a capture belongs to every frame."""
_BEGINNING = re.compile(rb"\(\d+\.\d+\) +\S+ +[0-9A-Fa-f]{3,8}#")
_MOST_NAMED = 8


def is_candump(head: bytes) -> bool:
    """Whether the file begins with a frame, as ``candump -L`` writes it.

    Source: can-utils, candump.c, the format that its option -L writes: ``(time) interface id#data``
    (from memory, not read again; python-can writes and reads the same).

    >>> is_candump(b"(1436509052.249713) vcan0 044#2A366C2BBA"), is_candump(b"1,2,3")
    (True, False)
    """
    return _BEGINNING.match(head) is not None


def read_candump(
    contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE, *, spare: bool = False
) -> RawLog:
    """A capture with the signals that ``choose`` wants, and with ``spare`` all others.

    Rows are the frames of the fastest wanted message; the others' samples stand in the nearest row,
    which is said with how far that moves them.

    Raises
    ------
    InputError
        If cantools is not installed, there is no DBC file beside the capture or more than one that
        could be meant, or either of both cannot be read.
    """
    del stated
    place = contents.path.name
    if importlib.util.find_spec("cantools") is None:
        msg = (
            f"{place}: is a capture of a CAN bus; reading those needs the package cantools. "
            'Install it with: pip install "sidegear[can]"'
        )
        raise InputError(msg)
    dbc = _dbc_beside(contents.path)
    messages = _messages(place, dbc)
    frames = frames_of(contents.data, place)
    known = {key: message for key, message in messages.items() if key in frames.by_id}
    signals = _signals(known)
    layout = Layout(
        names=(_TIME, *signals),
        units=("s", *(signal.unit or None for _, signal in signals.values())),
        metadata={},
        dialect=Typed(f"CAN capture, decoded by {dbc.name}"),
    )
    wanted = choose(layout)
    refuse_repeated_names(contents.path, layout.names, wanted, layout.dialect)
    order = [name for name in signals if spare or name in wanted]
    leading = {signals[name][0] for name in order if name in wanted} or {*known}
    stamps = _rows(frames, leading)
    columns: dict[str, FloatArray] = {_TIME: stamps} if spare or _TIME in wanted else {}
    rows_of = {key: _nearest(stamps, frames.by_id[key].stamps) for key in known}
    blanked = []
    for name in order:
        key, signal = signals[name]
        found = decoded(frames.by_id[key].payload, signal, known[key])
        columns[name] = np.full(len(stamps), np.nan)
        columns[name][rows_of[key]] = found.values
        for count, why in ((found.short, "end before it"), (found.odd, "hold no finite number")):
            if count:
                blanked.append(f"column '{name}': blank in {count} frames that {why}")
    notes = [
        *frames.notes,
        f"decoded by {dbc.name}, SHA-256 {hashlib.sha256(dbc.read_bytes()).hexdigest()[:16]}…",
        *_unknown(frames, messages),
        *blanked,
        *_moved(frames, known, {signals[name][0] for name in order}, stamps, rows_of),
    ]
    account = Account(contents.sha256(), contents.size_bytes, tuple(notes))
    return RawLog(
        path=contents.path,
        layout=layout,
        columns=tuple(columns),
        chunks=in_chunks(columns, len(stamps)),
        account=lambda: account,
        container=contents.container,
    )


def _dbc_beside(log: Path) -> Path:
    """The DBC file with the log's name, else the only one in its folder."""
    found = sorted(path for path in log.parent.iterdir() if path.suffix.lower() == ".dbc")
    own = [path for path in found if log.name.startswith(f"{path.stem}.")]
    if len(own or found) == 1:
        return (own or found)[0]
    names = " and ".join(path.name for path in found) or "none"
    msg = (
        f"{log.name}: is a capture of a CAN bus; expected the DBC file that says what its messages "
        f"mean beside it, found {names}. Put it there, called {log.name.split('.')[0]}.dbc."
    )
    raise InputError(msg)


def _messages(place: str, dbc: Path) -> dict[tuple[int, bool], Any]:
    """Every message of the DBC file by id and whether that is an extended one."""
    import cantools  # optional, and it loads slowly
    import textparser
    from cantools.database.can import Database

    wrong = (cantools.Error, textparser.Error, ValueError, LookupError, TypeError, AttributeError)
    database = Database(strict=False)
    try:
        database.add_dbc_string(dbc.read_text(encoding="cp1252"))
    except (OSError, *wrong) as problem:
        said = " ".join(str(problem).split())[:80]
        msg = (
            f"{place}: {dbc.name} beside it cannot be read as a DBC file ({said}). Export it again."
        )
        raise InputError(msg) from problem
    return {(each.frame_id, each.is_extended_frame): each for each in database.messages}


def _signals(known: Mapping[tuple[int, bool], Any]) -> dict[str, tuple[tuple[int, bool], Any]]:
    """Every signal that the capture can hold, with its message, by name; twice used, with both."""
    pairs = [(key, signal) for key, message in known.items() for signal in message.signals]
    names = [signal.name for _, signal in pairs]
    return {
        signal.name
        if names.count(signal.name) == 1 and signal.name != _TIME
        else f"{known[key].name}.{signal.name}": (key, signal)
        for key, signal in pairs
    }


def _rows(frames: Frames, leading: set[tuple[int, bool]]) -> FloatArray:
    """The stamps of the message with the most frames."""
    if not leading:
        return np.empty(0)
    return np.unique(max((frames.by_id[key].stamps for key in sorted(leading)), key=len))


def _nearest(rows: FloatArray, stamps: FloatArray) -> np.ndarray:
    after = np.clip(np.searchsorted(rows, stamps), 1, max(len(rows) - 1, 1))
    if len(rows) < 2:
        return np.zeros(len(stamps), np.intp)
    return np.where(stamps - rows[after - 1] <= rows[after] - stamps, after - 1, after)


def _unknown(frames: Frames, messages: Mapping[tuple[int, bool], Any]) -> list[str]:
    strangers = [key for key in frames.by_id if key not in messages]
    if not strangers:
        return []
    count = sum(len(frames.by_id[key].stamps) for key in strangers)
    said = ", ".join(f"0x{number:X}" for number, _ in sorted(strangers)[:_MOST_NAMED])
    more = len(strangers) - _MOST_NAMED
    also = f" and {more} more" if more > 0 else ""
    return [f"{count} frames with ids that the DBC file does not hold were left out: {said}{also}"]


def _moved(
    frames: Frames,
    known: Mapping[tuple[int, bool], Any],
    used: set[tuple[int, bool]],
    stamps: FloatArray,
    rows_of: Mapping[tuple[int, bool], np.ndarray],
) -> list[str]:
    notes = []
    for key in sorted(used):
        own = frames.by_id[key].stamps
        by_s = stamps[rows_of[key]] - own
        lost = len(own) - len(np.unique(rows_of[key]))
        if np.abs(by_s).max(initial=0.0) > 0:
            notes.append(
                f"samples of message '{known[key].name}' stand in the nearest row, "
                f"{1000 * float(np.median(by_s)):+.2f} ms away in the middle and "
                f"{1000 * float(np.abs(by_s).max()):.2f} ms at most"
            )
        if lost:
            notes.append(
                f"{lost} frames of message '{known[key].name}' share a row with a later one, which "
                "stands for both"
            )
    return notes
