"""Read an MDF 4 file in a process of its own, which a damaged file may bring down.

Started by `loaders.mdf` as ``python -m loaders.mdf_process``: one line of JSON and the file's bytes
come in; channel names and units as JSON, or stamps and values as a NumPy archive, go out.
"""

from __future__ import annotations

import io
import json
import logging
import sys
import warnings
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

NO_NUMBERS = 4
"""Exit code when a wanted channel holds no plain numbers; their names are on standard output."""


def _opened(data: bytes) -> Any:
    from asammdf import MDF  # optional, and it loads slowly

    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    warnings.simplefilter("ignore")
    return MDF(io.BytesIO(data))


def _places(file: Any) -> list[tuple[str, int, int]]:
    """Name, group and index of every channel but the masters, in file order."""
    return [
        (str(channel.name), g, i)
        for g, group in enumerate(file.groups)
        for i, channel in enumerate(group.channels)
        if file.masters_db.get(g) != i
    ]


def _layout(file: Any) -> bytes:
    places = _places(file)
    units = [str(file.groups[g].channels[i].unit or "") for _, g, i in places]
    names = [name for name, _, _ in places]
    about = {"names": names, "units": units, "start": str(file.header.start_time)}
    return json.dumps(about).encode()


def _values(file: Any, wanted: list[str], spare: list[str]) -> bytes:
    """The union of all time stamps, and each signal on it, NaN between its samples.

    A spare channel that holds no plain numbers comes as an empty column.
    """
    signals = {
        name: file.get(name, group=group, index=index, ignore_invalidation_bits=False)
        for name, group, index in _places(file)
        if name in wanted or name in spare
    }
    odd = [name for name, s in signals.items() if s.samples.dtype.kind not in "biuf"
           or s.samples.ndim != 1]  # fmt: skip
    if set(odd) & set(wanted):
        sys.stdout.write(json.dumps([name for name in odd if name in wanted]))
        sys.exit(NO_NUMBERS)
    plain = [signal for name, signal in signals.items() if name not in odd]
    stamps = np.unique(np.concatenate([np.empty(0), *(s.timestamps for s in plain)]))
    columns: list[FloatArray] = []
    for name, signal in signals.items():
        if name in odd:
            columns.append(np.empty(0))
            continue
        column = np.full(len(stamps), np.nan)
        column[np.searchsorted(stamps, signal.timestamps)] = signal.samples.astype(np.float64)
        columns.append(column)
    archive = io.BytesIO()
    # By number: a channel may be called anything.
    np.savez(archive, stamps, *columns)
    return archive.getvalue()


def main() -> None:
    """Answer one request from standard input on standard output."""
    request = json.loads(sys.stdin.buffer.readline())
    file = _opened(sys.stdin.buffer.read())
    wanted = request["wanted"]
    sys.stdout.buffer.write(
        _layout(file) if wanted is None else _values(file, wanted, request["spare"])
    )


if __name__ == "__main__":
    main()
