"""Hostile bytes for the readers: damaged logs of every habit are read or refused, never a crash.

``PYTHONPATH=tests:. python tests/fuzz_readers.py 100000`` for the long run; the suite has a
short one.
"""

from __future__ import annotations

import io
import random
import resource
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
from pyarrow import feather, parquet
from test_loaders_matrix import SAME
from written_logs import TABLE, Habit, channel_map

from loaders.errors import InputError
from loaders.normalise import load_session

# What breaks parsers: quotes, NULs, marks, signs of other alphabets, numbers out of reach.
HOSTILE = [
    b'"', b"\x00", b"\n", b"\r", b",", b";", b"\t", b" ", b"-", b"--", b".", b":", b"#",
    b"\xff\xfe", b"\xef\xbb\xbf", b"\xc3", b"1e400", b"NaN", b"9" * 400, b"\x1f\x8b\x08",
    b"PK\x03\x04", b"PAR1", b"\xe2\x80\x89", b"1'000", b"Time", b"\n\n\n", b'""',
    b"2026-02-30T25:61:61", b"0:61:00",
]  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """What a run of damaged files came to."""

    count: int
    loaded: int
    refused: int
    crashes: tuple[tuple[str, bytes], ...]
    slowest_s: float
    peak_mb: float


def seeds() -> list[bytes]:
    """Sound logs of every habit and kind, to be damaged."""
    made = [each if isinstance(each, bytes) else each.write() for each in SAME.values()]
    # The long preamble only makes the run slow.
    made = [each for each in made if len(each) < 20_000]
    table = pa.table({name: pa.array(values) for name, values in TABLE.items()})
    for write in (parquet.write_table, feather.write_feather):
        written = io.BytesIO()
        write(table, written)
        made.append(written.getvalue())
    return [*made, Habit().write()]


def damaged(content: bytes, others: Sequence[bytes], rng: random.Random) -> bytes:
    """The content after a few of: bytes changed, cut, doubled, hostile ones put in, spliced."""
    made = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 4, 12))):
        at = rng.randrange(len(made) + 1)
        kind = rng.randrange(6)
        if kind == 0 and at < len(made):
            made[at] = rng.randrange(256)
        elif kind == 1:
            del made[at : at + rng.choice((1, 3, 50, 4000))]
        elif kind == 2:
            made[at:at] = made[at : at + rng.choice((2, 60, 2000))]
        elif kind == 3:
            made[at:at] = rng.choice(HOSTILE)
        elif kind == 4:
            other = rng.choice(others)
            made[at:] = other[rng.randrange(len(other)) :]
        else:
            made[at:at] = rng.randbytes(rng.choice((1, 8, 200)))
    return bytes(made[:60_000])


def fuzz(count: int, seed: int, folder: Path) -> Outcome:
    """Load so many damaged logs; what is no session and no `InputError` is a crash."""
    rng, sound = random.Random(seed), seeds()
    maps = [channel_map(folder)]
    log = folder / "run3.csv"
    tally: Counter[str] = Counter()
    crashes: list[tuple[str, bytes]] = []
    slowest = 0.0
    for _ in range(count):
        content = damaged(rng.choice(sound), sound, rng)
        log.write_bytes(content)
        start = time.perf_counter()
        try:
            load_session(log, maps)
            tally["loaded"] += 1
        except InputError:
            tally["refused"] += 1
        except Exception as crash:  # noqa: BLE001 -- finding these is the purpose
            crashes.append((repr(crash), content))
        slowest = max(slowest, time.perf_counter() - start)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    return Outcome(count, tally["loaded"], tally["refused"], tuple(crashes), slowest, peak)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        begun = time.perf_counter()
        outcome = fuzz(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0, Path(name))
        print(f"{outcome.count} inputs in {time.perf_counter() - begun:.0f} s")
        print(f"{outcome.loaded} loaded, {outcome.refused} refused, {len(outcome.crashes)} crashes")
        print(f"slowest {outcome.slowest_s * 1e3:.0f} ms, peak {outcome.peak_mb:.0f} MB")
        for what, count in Counter(each[0][:150] for each in outcome.crashes).most_common(12):
            print(count, what)
            print(next(c for w, c in outcome.crashes if w[:150] == what)[:300])
