"""From an ASAM MDF 4 file to a raw table, through the optional package asammdf."""

from __future__ import annotations

import gc
import io
import logging
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from loaders.errors import InputError
from loaders.layout import BY_EVIDENCE, TextHabits
from loaders.rawtable import (
    Choose,
    Contents,
    FloatArray,
    Layout,
    RawTable,
    Typed,
    refuse_repeated_names,
)

_TIME = "time"
"""What the time is called, which in MDF belongs to every channel and has no name of its own."""


def is_mdf(head: bytes) -> bool:
    """Whether the file begins as MDF, finalised or not.

    Source: ASAM MDF 4.1, identification block (from memory, not read again).
    """
    return head.startswith((b"MDF     ", b"UnFinMF "))


def read_mdf(contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE) -> RawTable:
    """Read the channels that ``choose`` wants out of an MDF 4 file.

    Channels of several rates come on the union of their time stamps, blank where a channel has no
    sample of its own, as in a text log of several rates.

    Raises
    ------
    InputError
        If asammdf is not installed, the file is damaged, or a channel holds no numbers.
    """
    del stated  # a typed file leaves nothing to state
    file = _opened(contents)
    try:
        return _read(contents, file, choose)
    finally:
        file.close()


def _opened(contents: Contents) -> Any:
    try:
        from asammdf import MDF  # optional, and it loads slowly
    except ImportError:
        msg = (
            f"{contents.path.name}: is an MDF file; reading those needs the package asammdf. "
            'Install it with: pip install "sidegear[mdf]"'
        )
        raise InputError(msg) from None
    # It tells of damage in its own words and on its own way; ours is the error.
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    with _thrown_away_quietly():
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                return MDF(io.BytesIO(contents.data))
        except Exception as why:  # noqa: BLE001 - damage meets any of its parts
            damage = _damaged(contents, why)
    raise damage


@contextmanager
def _thrown_away_quietly() -> Iterator[None]:
    """A half-read file of asammdf complains on the screen when it is thrown away; not here."""
    before = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        yield
        gc.collect()
    finally:
        sys.unraisablehook = before


def _damaged(contents: Contents, why: Exception) -> InputError:
    said = " ".join(str(why).split())[:80] or type(why).__name__
    return InputError(
        f"{contents.path.name}: begins as an MDF file but cannot be read ({said}); it is damaged "
        "or cut short. Copy or export the log again."
    )


def _read(contents: Contents, file: Any, choose: Choose) -> RawTable:
    try:
        places = _places(file)
        units = [str(file.groups[g].channels[i].unit or "") for _, g, i in places]
        start = str(file.header.start_time)
    except Exception as why:  # as above
        raise _damaged(contents, why) from why
    layout = Layout(
        names=(_TIME, *(name for name, _, _ in places)),
        units=("s", *(unit or None for unit in units)),
        metadata={"start": start},
        dialect=Typed("MDF"),
    )
    wanted = choose(layout)
    refuse_repeated_names(contents.path, layout.names, wanted, layout.dialect)
    try:
        signals = {
            name: file.get(name, group=group, index=index, ignore_invalidation_bits=False)
            for name, group, index in places
            if name in wanted
        }
    except Exception as why:  # as above
        raise _damaged(contents, why) from why
    stamps, columns = _on_all_stamps(contents, signals)
    return RawTable(
        path=contents.path,
        names=layout.names,
        units=layout.units,
        columns={_TIME: stamps, **columns} if _TIME in wanted else columns,
        rows=len(stamps),
        metadata=layout.metadata,
        dialect=layout.dialect,
        sha256=contents.sha256,
        size_bytes=contents.size_bytes,
        notes=(),
        container=contents.container,
    )


def _places(file: Any) -> list[tuple[str, int, int]]:
    """Name, group and index of every channel but the masters, in file order."""
    return [
        (str(channel.name), g, i)
        for g, group in enumerate(file.groups)
        for i, channel in enumerate(group.channels)
        if file.masters_db.get(g) != i
    ]


def _on_all_stamps(
    contents: Contents, signals: dict[str, Any]
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """The union of all time stamps, and each signal on it, NaN between its samples."""
    odd = [name for name, signal in signals.items() if signal.samples.dtype.kind not in "biuf"]
    odd = [name for name in odd if name] or odd
    if odd:
        said = ", ".join(f"'{name}'" for name in odd)
        msg = (
            f"{contents.path.name}: no plain numbers in channel {said}; expected one number per "
            "sample. Take it out of the channel map."
        )
        raise InputError(msg)
    stamps = np.unique(np.concatenate([np.empty(0), *(s.timestamps for s in signals.values())]))
    columns = {}
    for name, signal in signals.items():
        column = np.full(len(stamps), np.nan)
        column[np.searchsorted(stamps, signal.timestamps)] = signal.samples.astype(np.float64)
        columns[name] = column
    return stamps, columns
