"""A signal's values out of the payloads of its message, as a DBC file describes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
UIntArray = NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class Decoded:
    """The values of one signal, shape (n,), NaN where a frame does not hold it."""

    values: FloatArray
    short: int
    """Frames that end before the signal does."""
    odd: int
    """Frames in which it is no finite number."""


def decoded(payloads: Sequence[bytes], signal: Any, message: Any) -> Decoded:
    """One signal out of all frames of its message.

    Parameters
    ----------
    payloads : sequence of bytes, shape (n,)
    signal, message
        As cantools describes them.

    Notes
    -----
    A little-endian signal counts its bits from its start upwards. A big-endian one starts at its
    most significant bit and goes down through each byte and on to the top of the next.
    Source: the DBC format as cantools reads it; the tests hold every value against its decoder.
    """
    longest = max((len(each) for each in payloads), default=0)
    table = np.frombuffer(b"".join(each.ljust(longest, b"\0") for each in payloads), np.uint8)
    table = table.reshape(len(payloads), longest)
    length = np.array([len(each) for each in payloads])
    raw, needed = _raw(table, signal)
    with np.errstate(over="ignore", invalid="ignore"):
        values = _number(raw, signal) * float(signal.scale) + float(signal.offset)
    there, own = length >= needed, np.ones(len(length), np.bool_)
    if signal.multiplexer_ids is not None:
        switch = next(each for each in message.signals if each.name == signal.multiplexer_signal)
        chosen, _ = _raw(table, switch)
        own = np.isin(chosen, np.array(list(signal.multiplexer_ids), np.uint64))
    finite = np.isfinite(values)
    return Decoded(
        np.where(own & there & finite, values, np.nan),
        int(np.count_nonzero(own & ~there)),
        int(np.count_nonzero(own & there & ~finite)),
    )


def _raw(table: NDArray[np.uint8], signal: Any) -> tuple[UIntArray, int]:
    """The signal's bits as whole numbers, and how many bytes a frame needs to hold them."""
    little = signal.byte_order == "little_endian"
    first = signal.start if little else 8 * (signal.start // 8) + 7 - signal.start % 8
    needed = (first + signal.length - 1) // 8 + 1
    raw = np.zeros(len(table), np.uint64)
    if table.shape[1] < needed:
        return raw, needed
    bits = np.unpackbits(table[:, :needed], axis=1, bitorder="little" if little else "big")
    places = range(first, first + signal.length)
    for place in reversed(places) if little else places:  # the most significant one first
        raw = (raw << np.uint64(1)) | bits[:, place]
    return raw, needed


def _number(raw: UIntArray, signal: Any) -> FloatArray:
    if signal.is_float:
        kind = {16: (np.uint16, np.float16), 32: (np.uint32, np.float32)}.get(signal.length)
        if kind is not None:
            return raw.astype(kind[0]).view(kind[1]).astype(np.float64)
        return raw.view(np.float64)
    if signal.is_signed:
        free = np.uint64(64 - signal.length)
        return ((raw << free).view(np.int64) >> free.astype(np.int64)).astype(np.float64)
    return raw.astype(np.float64)
