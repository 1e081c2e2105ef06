"""From the file as given to the bytes of the log: gzip, Zstandard and zip are unpacked.

Told by the first bytes, not by the name. What would unpack to far more than a log can be is
refused before it fills the memory.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import pyarrow as pa

from loaders.errors import InputError
from loaders.rawtable import Contents

# Logs shrink to a fifth to a fiftieth (tried with the sample logs); a file that grows more than
# this is none. Small ones may, up to the size that any machine holds.
_LARGEST_GROWTH = 200
_ALWAYS_ALLOWED_BYTES = 64 << 20
_BLOCK_BYTES = 1 << 20


class _Stream(Protocol):
    def read(self, size: int, /) -> bytes: ...


def open_contents(path: Path) -> Contents:
    """The file's bytes, unpacked, with the hash of the file as given.

    Raises
    ------
    InputError
        If there is no such file, it may not be read, or what it is packed in is damaged, holds
        more than one file, or unpacks to more than a log can be.
    """
    raw = _read_bytes(path)
    data, container = _unpacked(path, raw)
    return Contents(path, data, hashlib.sha256(raw).hexdigest(), len(raw), container)


def _read_bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        msg = f"{path}: no such file. Check the name and the folder."
    except OSError as problem:
        if path.is_dir():
            msg = f"{path}: is a folder; expected a log file. Name the file inside it."
        else:
            msg = f"{path}: cannot be read ({problem.strerror}). Name a log that you may read."
    raise InputError(msg)


def _unpacked(path: Path, raw: bytes) -> tuple[bytes, str | None]:
    # Magic numbers: RFC 1952 sec. 2.3.1, RFC 8878 sec. 3.1.1, the ZIP application note sec. 4.3
    # (from memory, not read again).
    unpackers: dict[bytes, tuple[Callable[[Path, bytes], tuple[bytes, str]], str]] = {
        b"\x1f\x8b\x08": (_from_gzip, "gzip"),
        b"\x28\xb5\x2f\xfd": (_from_zstd, "Zstandard"),
        b"PK\x03\x04": (_from_zip, "zip"),
        b"PK\x05\x06": (_from_zip, "zip"),
    }
    for magic, (unpack, kind) in unpackers.items():
        if raw.startswith(magic):
            try:
                return unpack(path, raw)
            except (OSError, EOFError, zlib.error, zipfile.BadZipFile, pa.ArrowException) as why:
                msg = (
                    f"{path.name}: begins as a {kind} file but cannot be unpacked ({why!s:.80}); "
                    "it is damaged or cut short. Copy it again, or give the log unpacked."
                )
                raise InputError(msg) from why
    return raw, None


def _from_gzip(path: Path, raw: bytes) -> tuple[bytes, str]:
    import gzip

    with gzip.GzipFile(fileobj=io.BytesIO(raw)) as stream:
        return _bounded(path, raw, stream), "unpacked from gzip"


def _from_zstd(path: Path, raw: bytes) -> tuple[bytes, str]:
    with pa.CompressedInputStream(pa.BufferReader(raw), "zstd") as stream:
        return _bounded(path, raw, stream), "unpacked from Zstandard"


def _from_zip(path: Path, raw: bytes) -> tuple[bytes, str]:
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            member = _only_member(path, archive)
            with archive.open(member) as stream:
                return _bounded(path, raw, stream), f"unpacked from zip as '{member.filename}'"
    except (NotImplementedError, RuntimeError, ValueError, IndexError, KeyError) as why:
        msg = (
            f"{path.name}: the zip cannot be unpacked ({why!s:.80}); expected one file, without "
            "password. Give the log unpacked."
        )
        raise InputError(msg) from why


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


def _bounded(path: Path, raw: bytes, stream: _Stream) -> bytes:
    """All that the stream holds, unless that is more than a log can be."""
    limit = max(_ALWAYS_ALLOWED_BYTES, _LARGEST_GROWTH * len(raw))
    unpacked = io.BytesIO()
    while block := stream.read(_BLOCK_BYTES):
        unpacked.write(block)
        if unpacked.tell() > limit:
            msg = (
                f"{path.name}: unpacks to more than {limit / 1e6:.0f} MB, {_LARGEST_GROWTH} times "
                "its size or more; no log shrinks so far. If it is one, give it unpacked."
            )
            raise InputError(msg)
    return unpacked.getvalue()
