"""From an ASAM MDF 4 file to raw rows, through the optional package asammdf."""

from __future__ import annotations

import importlib.util
import io
import json
import os
import subprocess
import sys
from collections.abc import Collection
from pathlib import Path

import numpy as np

from loaders.errors import InputError
from loaders.layout import BY_EVIDENCE, TextHabits
from loaders.mdf_process import NO_NUMBERS
from loaders.rawtable import (
    Account,
    Choose,
    Contents,
    FloatArray,
    Layout,
    RawLog,
    Typed,
    in_chunks,
    left_out,
    refuse_repeated_names,
)

# A long session is read in seconds; damage can send asammdf round in circles.
_LONGEST_S = 120.0
_TIME = "time"
"""What the time is called, which in MDF belongs to every channel and has no name of its own."""


def is_mdf(head: bytes) -> bool:
    """Whether the file begins as MDF, finalised or not.

    Source: ASAM MDF 4.1, identification block (from memory, not read again).
    """
    return head.startswith((b"MDF     ", b"UnFinMF "))


def read_mdf(
    contents: Contents, choose: Choose, stated: TextHabits = BY_EVIDENCE, *, spare: bool = False
) -> RawLog:
    """An MDF 4 file with the channels that ``choose`` wants, and with ``spare`` all others.

    Channels of several rates come on the union of their time stamps, blank where a channel has no
    sample of its own, as in a text log of several rates.

    Raises
    ------
    InputError
        If asammdf is not installed, the file is damaged, or a wanted channel holds no numbers.
    """
    del stated  # a typed file leaves nothing to state
    if importlib.util.find_spec("asammdf") is None:
        msg = (
            f"{contents.path.name}: is an MDF file; reading those needs the package asammdf. "
            'Install it with: pip install "sidegear[mdf]"'
        )
        raise InputError(msg)
    data = contents.data
    about = json.loads(_answer(contents, data, None))
    layout = Layout(
        names=(_TIME, *about["names"]),
        units=("s", *(unit or None for unit in about["units"])),
        metadata={"start": about["start"]},
        dialect=Typed("MDF"),
    )
    wanted = choose(layout)
    refuse_repeated_names(contents.path, layout.names, wanted, layout.dialect)
    once = {name for name in about["names"] if name and about["names"].count(name) == 1}
    others = once - wanted if spare else set()
    order = [name for name in about["names"] if name in wanted or name in others]
    with np.load(io.BytesIO(_answer(contents, data, order, others))) as archive:
        stamps, *values = (archive[f"arr_{i}"] for i in range(len(order) + 1))
    columns: dict[str, FloatArray] = {_TIME: stamps} if spare or _TIME in wanted else {}
    columns |= dict(zip(order, values, strict=True))
    texts = [name for name in others if len(columns[name]) < len(stamps)]
    columns = {name: values for name, values in columns.items() if name not in texts}
    account = Account(contents.sha256(), contents.size_bytes, tuple(left_out(texts)))
    return RawLog(
        path=contents.path,
        layout=layout,
        columns=tuple(columns),
        chunks=in_chunks(columns, len(stamps)),
        account=lambda: account,
        container=contents.container,
    )


def _answer(
    contents: Contents, data: bytes, order: list[str] | None, spare: Collection[str] = ()
) -> bytes:
    """What a process of its own reads out of the file: a damaged one can crash or hang asammdf."""
    request = {
        "wanted": order and [name for name in order if name not in spare],
        "spare": [name for name in order or () if name in spare],
    }
    packages = str(Path(__file__).parents[1])
    path = os.pathsep.join(filter(None, (packages, os.environ.get("PYTHONPATH"))))
    try:
        ran = subprocess.run(
            # -P: not a folder called loaders that happens to lie where the user stands.
            [sys.executable, "-P", "-m", "loaders.mdf_process"],
            input=json.dumps(request).encode() + b"\n" + data,
            capture_output=True,
            timeout=_LONGEST_S,
            env={**os.environ, "PYTHONPATH": path},
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise _damaged(contents, f"no end after {_LONGEST_S:.0f} s") from None
    if ran.returncode == NO_NUMBERS:
        said = ", ".join(f"'{name}'" for name in json.loads(ran.stdout))
        msg = (
            f"{contents.path.name}: no plain numbers in channel {said}; expected one number per "
            "sample. Take it out of the channel map."
        )
        raise InputError(msg)
    if ran.returncode != 0:
        last = ran.stderr.decode(errors="replace").strip().splitlines()[-1:]
        raise _damaged(contents, last[0] if last else f"its reader ended with {ran.returncode}")
    return ran.stdout


def _damaged(contents: Contents, why: str) -> InputError:
    said = " ".join(why.split())[:80]
    return InputError(
        f"{contents.path.name}: begins as an MDF file but cannot be read ({said}); it is damaged "
        "or cut short. Copy or export the log again."
    )
