"""From the file as given to the bytes of the log: gzip, Zstandard and zip are unpacked.

Told by the first bytes, not by the name. What would unpack to far more than a log can be is
refused before it fills the memory.
"""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from io import RawIOBase
from pathlib import Path
from tempfile import SpooledTemporaryFile
from typing import IO, cast

import pyarrow as pa

from loaders.errors import InputError
from loaders.rawtable import Contents, Stream

# Logs shrink to a fifth to a fiftieth (tried with the sample logs); a file that grows more than
# this is none. Small ones may, up to the size that any machine holds.
_LARGEST_GROWTH = 200
_ALWAYS_ALLOWED_BYTES = 64 << 20
# A log may be packed once more, as in a zip of gzips.
_MOST_LAYERS = 2
_IN_MEMORY_BYTES = 16 << 20
# What a reader may look at to know its files.
_HEAD_BYTES = 64


def open_contents(path: Path) -> Contents:
    """The file's bytes, unpacked as they are read.

    Raises
    ------
    InputError
        If there is no such file, it may not be read, or what it is packed in is damaged, holds
        more than one file, is packed more than twice, or unpacks to more than a log can be; reading
        on may raise it too.
    """
    with _plain(path) as file:
        head, size = file.read(_HEAD_BYTES), path.stat().st_size
    layers: list[_Layer] = []
    said: list[str] = []
    while (layer := _layer(head)) is not None:
        if len(layers) == _MOST_LAYERS:
            msg = (
                f"{path.name}: is packed more than {_MOST_LAYERS} times, {layer.kind} in "
                f"{' in '.join(each.kind for each in reversed(layers))}; expected a log packed "
                "twice at most. Give it unpacked."
            )
            raise InputError(msg)
        layers.append(layer)
        said = []
        with _unpacked(path, size, layers, said) as stream:
            head = stream.read(_HEAD_BYTES)
    if not layers:
        return Contents(path, size, head, lambda: _plain(path))
    container = f"unpacked from {', which was in '.join(reversed(said))}"
    return Contents(path, size, head, lambda: _unpacked(path, size, layers, []), container)


@contextmanager
def _plain(path: Path) -> Iterator[IO[bytes]]:
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


@contextmanager
def _unpacked(path: Path, size: int, layers: Sequence[_Layer], said: list[str]) -> Iterator[Stream]:
    """All bytes out of every layer; what each was packed in goes to ``said``, outermost first."""
    with ExitStack() as open_layers:
        stream: IO[bytes] = open_layers.enter_context(_plain(path))
        for layer in layers:
            opened = open_layers.enter_context(_opened(path, layer, stream, said))
            stream = cast("IO[bytes]", _Bounded(path, size, opened))
        yield stream


@contextmanager
def _opened(path: Path, layer: _Layer, packed: IO[bytes], said: list[str]) -> Iterator[Stream]:
    try:
        with layer.unpack(path, packed, said) as stream:
            yield stream
    except (OSError, EOFError, zlib.error, zipfile.BadZipFile, pa.ArrowException) as why:
        msg = (
            f"{path.name}: begins as a {layer.kind} file but cannot be unpacked ({why!s:.80}); "
            "it is damaged or cut short. Copy it again, or give the log unpacked."
        )
        raise InputError(msg) from why


@contextmanager
def _from_gzip(path: Path, packed: IO[bytes], said: list[str]) -> Iterator[Stream]:
    import gzip

    del path
    said.append("gzip")
    with gzip.GzipFile(fileobj=packed) as stream:
        yield stream


@contextmanager
def _from_zstd(path: Path, packed: IO[bytes], said: list[str]) -> Iterator[Stream]:
    del path
    said.append("Zstandard")
    with pa.CompressedInputStream(pa.PythonFile(packed, "r"), "zstd") as stream:
        yield stream


@contextmanager
def _from_zip(path: Path, packed: IO[bytes], said: list[str]) -> Iterator[Stream]:
    try:
        with _seekable(packed) as file, zipfile.ZipFile(file) as archive:
            member = _only_member(path, archive)
            said.append(f"zip as '{member.filename}'")
            with archive.open(member) as stream:
                yield stream
    except (NotImplementedError, RuntimeError, ValueError, IndexError, KeyError) as why:
        msg = (
            f"{path.name}: the zip cannot be unpacked ({why!s:.80}); expected one file, without "
            "password. Give the log unpacked."
        )
        raise InputError(msg) from why


@contextmanager
def _seekable(packed: IO[bytes]) -> Iterator[IO[bytes]]:
    """A zip is read from its end: one that is packed itself is unpacked aside first."""
    if not isinstance(packed, _Bounded):
        yield packed
        return
    with SpooledTemporaryFile(max_size=_IN_MEMORY_BYTES) as aside:
        while block := packed.read(1 << 20):
            aside.write(block)
        aside.seek(0)
        yield aside


# Magic numbers: RFC 1952 sec. 2.3.1, RFC 8878 sec. 3.1.1, the ZIP application note sec. 4.3
# (from memory, not read again).
@dataclass(frozen=True, slots=True)
class _Layer:
    """One kind of packing."""

    kind: str
    starts: tuple[bytes, ...]
    unpack: Callable[[Path, IO[bytes], list[str]], AbstractContextManager[Stream]]


_LAYERS = (
    _Layer("gzip", (b"\x1f\x8b\x08",), _from_gzip),
    _Layer("Zstandard", (b"\x28\xb5\x2f\xfd",), _from_zstd),
    _Layer("zip", (b"PK\x03\x04", b"PK\x05\x06"), _from_zip),
)


def _layer(head: bytes) -> _Layer | None:
    return next((layer for layer in _LAYERS if head.startswith(layer.starts)), None)


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


class _Bounded(RawIOBase):
    """A stream that ends in an error when it holds more than a log can."""

    def __init__(self, path: Path, size_bytes: int, stream: Stream) -> None:
        super().__init__()
        self._path, self._stream, self._read = path, stream, 0
        self._limit = max(_ALWAYS_ALLOWED_BYTES, _LARGEST_GROWTH * size_bytes)

    def readable(self) -> bool:
        """It is for reading."""
        return True

    def read(self, size: int = -1, /) -> bytes:
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
