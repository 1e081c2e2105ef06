"""From the file as given to the bytes of the log: gzip, Zstandard and zip are unpacked.

Told by the first bytes, not by the name. What would unpack to far more than a log can be is
refused before it fills the memory.
"""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pyarrow as pa

from loaders.errors import InputError
from loaders.rawtable import Contents, Stream

# Logs shrink to a fifth to a fiftieth (tried with the sample logs); a file that grows more than
# this is none. Small ones may, up to the size that any machine holds.
_LARGEST_GROWTH = 200
_ALWAYS_ALLOWED_BYTES = 64 << 20
# What a reader may look at to know its files.
_HEAD_BYTES = 64


def open_contents(path: Path) -> Contents:
    """The file's bytes, unpacked as they are read.

    Raises
    ------
    InputError
        If there is no such file, it may not be read, or what it is packed in is damaged, holds
        more than one file, or unpacks to more than a log can be; reading on may raise it too.
    """
    magic, size = _looked_at(path)
    for start, (unpack, kind) in _UNPACKERS.items():
        if magic.startswith(start):
            container = [f"unpacked from {kind}"]

            def opened(
                unpack: _Unpack = unpack, kind: str = kind, said: list[str] = container
            ) -> AbstractContextManager[Stream]:
                return _opened(path, size, unpack, kind, said)

            with opened() as stream:
                head = stream.read(_HEAD_BYTES)
            return Contents(path, size, head, opened, container[-1])
    return Contents(path, size, magic, lambda: _plain(path))


def _looked_at(path: Path) -> tuple[bytes, int]:
    """The first bytes of the file as given, and its size."""
    with _plain(path) as file:
        return file.read(_HEAD_BYTES), path.stat().st_size


@contextmanager
def _plain(path: Path) -> Iterator[Stream]:
    try:
        with path.open("rb", buffering=0) as file:
            yield file
        return
    except FileNotFoundError:
        msg = f"{path}: no such file. Check the name and the folder."
    except OSError as problem:
        if path.is_dir():
            msg = f"{path}: is a folder; expected a log file. Name the file inside it."
        else:
            msg = f"{path}: cannot be read ({problem.strerror}). Name a log that you may read."
    raise InputError(msg)


_Unpack = Callable[[Path, list[str]], AbstractContextManager[Stream]]


@contextmanager
def _opened(path: Path, size: int, unpack: _Unpack, kind: str, said: list[str]) -> Iterator[Stream]:
    try:
        with unpack(path, said) as stream:
            yield _Bounded(path, size, stream)
    except (OSError, EOFError, zlib.error, zipfile.BadZipFile, pa.ArrowException) as why:
        msg = (
            f"{path.name}: begins as a {kind} file but cannot be unpacked ({why!s:.80}); "
            "it is damaged or cut short. Copy it again, or give the log unpacked."
        )
        raise InputError(msg) from why


@contextmanager
def _from_gzip(path: Path, said: list[str]) -> Iterator[Stream]:
    import gzip

    del said
    with gzip.open(path) as stream:
        yield stream


@contextmanager
def _from_zstd(path: Path, said: list[str]) -> Iterator[Stream]:
    del said
    with pa.CompressedInputStream(pa.OSFile(str(path)), "zstd") as stream:
        yield stream


@contextmanager
def _from_zip(path: Path, said: list[str]) -> Iterator[Stream]:
    try:
        with zipfile.ZipFile(path) as archive:
            member = _only_member(path, archive)
            said.append(f"unpacked from zip as '{member.filename}'")
            with archive.open(member) as stream:
                yield stream
    except (NotImplementedError, RuntimeError, ValueError, IndexError, KeyError) as why:
        msg = (
            f"{path.name}: the zip cannot be unpacked ({why!s:.80}); expected one file, without "
            "password. Give the log unpacked."
        )
        raise InputError(msg) from why


# Magic numbers: RFC 1952 sec. 2.3.1, RFC 8878 sec. 3.1.1, the ZIP application note sec. 4.3
# (from memory, not read again).
_UNPACKERS: dict[bytes, tuple[_Unpack, str]] = {
    b"\x1f\x8b\x08": (_from_gzip, "gzip"),
    b"\x28\xb5\x2f\xfd": (_from_zstd, "Zstandard"),
    b"PK\x03\x04": (_from_zip, "zip"),
    b"PK\x05\x06": (_from_zip, "zip"),
}


def _only_member(path: Path, archive: zipfile.ZipFile) -> zipfile.ZipInfo:
    members = [member for member in archive.infolist() if not member.is_dir()]
    if len(members) == 1:
        return members[0]
    names = ", ".join(f"'{member.filename}'" for member in members[:10])
    more = f" and {len(members) - 10} more" if len(members) > 10 else ""
    found = f"{len(members)} files: {names}{more}" if members else "no file"
    msg = (
        f"{path.name}: the zip holds {found}; expected exactly one log. Unpack it and add each log "
        "by itself."
    )
    raise InputError(msg)


class _Bounded:
    """A stream that ends in an error when it holds more than a log can."""

    def __init__(self, path: Path, size_bytes: int, stream: Stream) -> None:
        self._path, self._stream, self._read = path, stream, 0
        self._limit = max(_ALWAYS_ALLOWED_BYTES, _LARGEST_GROWTH * size_bytes)

    def read(self, size: int, /) -> bytes:
        """So many bytes, fewer at the end."""
        block = self._stream.read(size)
        self._read += len(block)
        if self._read > self._limit:
            msg = (
                f"{self._path.name}: unpacks to more than {self._limit / 1e6:.0f} MB, "
                f"{_LARGEST_GROWTH} times its size or more; no log shrinks so far. If it is one, "
                "give it unpacked."
            )
            raise InputError(msg)
        return block
