"""From the bytes of a text log to blocks of whole lines in UTF-8, a little at a time."""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain

import numpy as np

# How far into the file its encoding and its layout are looked for: enough for any preamble.
HEAD_BYTES = 1 << 18
# Of every second byte of UTF-16 that holds mostly numbers; and of the bytes between them.
_MOSTLY_NULS, _STRAY_NULS = 0.7, 0.01
# What stands below the last row of numbers may have so many lines; they stay with the last block.
LONGEST_FOOTER = 50


@dataclass(frozen=True, slots=True)
class Text:
    """A text log, in UTF-8 without mark."""

    encoding: str
    """What it came in."""
    head: bytes
    """From the beginning; all of the file, or at least as much as the layout is looked for in."""
    rest: Iterator[bytes]
    """What follows, cut anywhere."""


def as_text(blocks: Iterable[bytes]) -> Text:
    """The text that the bytes hold.

    Notes
    -----
    Byte-order mark, else UTF-16 where every other byte is NUL, else strict UTF-8, else
    Windows-1252: general charset guessers turn unit signs into other alphabets. The head decides;
    a later line that is no UTF-8 is read by itself as Windows-1252 where it is looked at
    (`line_text`).
    """
    source = iter(blocks)
    raw = b""
    # A head of nothing but blanks tells nothing.
    while len(raw) < 2 * HEAD_BYTES or not raw[-HEAD_BYTES:].strip():
        block = next(source, b"")
        if not block:
            break
        raw = raw + block if raw else block
    if raw.startswith(codecs.BOM_UTF8):
        return Text("UTF-8 with mark", raw[len(codecs.BOM_UTF8) :], source)
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or (order := _order(raw)):
        marked = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
        decoder = codecs.getincrementaldecoder("utf-16" if marked else order)(errors="replace")
        parts = chain((decoder.decode(raw),), map(decoder.decode, source))
        texts = (part.encode("utf-8", errors="replace") for part in parts)
        head = next(texts)
        last = (decoder.decode(b"", final=True).encode() for _ in range(1))
        encoding = "UTF-16" if marked else f"{order.upper()} without mark"
        return Text(encoding, head, chain(texts, last))
    head = raw[:HEAD_BYTES]
    if not head.isascii():
        try:
            head.decode("utf-8")
        except UnicodeDecodeError as problem:
            # A head cut inside a character is still UTF-8.
            if problem.reason != "unexpected end of data":
                return Text("Windows-1252", _from_1252(raw), map(_from_1252, source))
    return Text("UTF-8", raw, source)


def _order(raw: bytes) -> str:
    """The UTF-16 of a text without mark, told by where its NUL bytes stand; nothing if it is none.

    Digits, delimiters and line ends have one NUL byte each, all first or all second.

    >>> _order("1,2".encode("utf-16-le")), _order(b"1,2"), _order(bytes(64))
    ('utf-16-le', '', '')
    """
    head = raw[: HEAD_BYTES // 2 * 2]
    half = len(head) // 2
    first, second = head[::2].count(0), head[1::2].count(0)
    if min(first, second) > _STRAY_NULS * half:
        return ""
    if second > _MOSTLY_NULS * half:
        return "utf-16-le"
    return "utf-16-be" if first > _MOSTLY_NULS * half else ""


def _from_1252(raw: bytes) -> bytes:
    return raw if raw.isascii() else raw.decode("cp1252", errors="replace").encode()


def line_text(line: bytes) -> str:
    """One line as text: UTF-8, or Windows-1252 where it is none."""
    try:
        return line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


@dataclass(slots=True)
class Lines:
    """Whole lines of a text, in blocks; what was left out at its end."""

    parts: Iterable[bytes]
    notes: list[str] = field(default_factory=list)

    def blocks(self) -> Iterator[tuple[bytes, bool]]:
        """Blocks of whole lines, each with whether it is the last.

        The last holds all the lines that can be a footer, and is all there is of a short text.
        """
        carried, nuls = b"", 0
        for part, more in _with_more(self.parts):
            # Loggers reserve room and are switched off before they have filled it.
            whole = part.rstrip(b"\x00") if part.endswith(b"\x00") else part
            filling = len(part) - len(whole)
            if whole and nuls:
                whole, nuls = b"\x00" + whole, 0  # one is enough to be refused
            nuls += filling
            cut = _before_footer(whole) if more else 0
            if cut:
                # Put together once: copies of megabytes cost as much as looking at them.
                yield b"".join((carried, memoryview(whole)[:cut])), False
                carried = whole[cut:]
            else:
                carried += whole
        if nuls:
            self.notes.append(f"{nuls} NUL bytes that fill up the file were left out")
        if carried and not carried.endswith((b"\n", b"\r")):
            # A line without its end may have lost digits: 6.1 of 6.125 is still a number.
            carried = carried[: max(carried.rfind(b"\n"), carried.rfind(b"\r")) + 1]
            self.notes.append("the last line has no line end and may be cut short; it was left out")
        if carried.endswith((b"\n\n", b"\r\n\r\n", b"\r\r")):
            carried = carried.rstrip(b"\r\n") + b"\n"
        yield carried, True


def _with_more(parts: Iterable[bytes]) -> Iterator[tuple[bytes, bool]]:
    """Each part with whether another one follows."""
    iterator = iter(parts)
    part = next(iterator, b"")
    for following in iterator:
        yield part, True
        part = following
    yield part, False


def _before_footer(text: bytes) -> int:
    """Where the last lines begin that a footer may take up, blank ones below it not counted."""
    newline = b"\n" if b"\n" in text else b"\r"
    at = len(text)
    if text.endswith((b"\n", b"\r")):
        at = len(text.rstrip(b"\r\n"))
    # One line more for one that is not whole, one for the end of that before them.
    for _ in range(LONGEST_FOOTER + 2):
        at = text.rfind(newline, 0, at)
        if at < 0:
            return 0
    return at + 1


def count_lines(text: bytes) -> int:
    """How many lines end in the text, as `bytes.splitlines` counts.

    >>> count_lines(b"1\\n2\\r\\n3\\r")
    3
    """
    # `bytes.count` takes several times as long for a sign that is frequent.
    newlines = int(np.count_nonzero(np.frombuffer(text, np.uint8) == ord("\n")))
    if b"\r" not in text:
        return newlines
    return newlines + text.count(b"\r") - text.count(b"\r\n")
