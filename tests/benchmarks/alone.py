"""One kind of work on one log in a process of its own, with its time and peak memory as JSON."""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY), str(Path(__file__).parent)]


def drained(log: Path) -> None:
    """All of the file through the parser and away, every column declared."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    names = log.open(encoding="utf-8").readline().strip().replace('"', "").split(",")
    options = arrow_csv.ConvertOptions(column_types=dict.fromkeys(names, pa.float64()))
    with arrow_csv.open_csv(log, convert_options=options) as batches:
        for _ in batches:
            pass


def taken_in(log: Path) -> None:
    """The log's own columns and its session, on disk, as `add` has them made."""
    from loaders.intake import take_in
    from loaders.logbook import Logbook, room_in
    from loaders.mapping import read_channel_map

    logbook = Logbook(log.parent)
    with room_in(logbook) as room:
        take_in(log, [read_channel_map(path) for path in logbook.channel_maps], "", room)
        room.log.replace(kept(log))
        room.session.replace(kept(log, "session"))


def kept(log: Path, what: str = "log") -> Path:
    """Where the benchmark leaves what a log was taken in as."""
    return log.with_name(f"kept_{what}.parquet")


def analysed(log: Path) -> None:
    """The session that was taken in, analysed at its best grade."""
    from loaders.store import read_session
    from pipeline.analyse import analyse
    from pipeline.build_sheet import Circuit, read_build_sheet

    session = read_session(kept(log, "session"), kept(log))
    analyse(session, read_build_sheet(log.with_name("build_sheet.toml")), Circuit())


def chained(log: Path) -> None:
    """A plain physics chain over the same columns: read, and what `physics_chain` does."""
    from physics_chain import physics_chain

    from loaders.store import read_session

    session = read_session(kept(log, "session"), kept(log))
    physics_chain(session.channels, session.rate_hz)


def peak_gb() -> float:
    """Most memory that this process has held. [GB]

    From the kernel's status where there is one: what ``getrusage`` tells also knows of the process
    that started this one.
    """
    status = Path("/proc/self/status")
    if status.exists():
        held = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return float(held.split()[1]) * 1024 / 1e9
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e9


if __name__ == "__main__":
    work = {"drain": drained, "take in": taken_in, "analyse": analysed, "chain": chained}[
        sys.argv[1]
    ]
    begun, worked = time.perf_counter(), time.process_time()
    work(Path(sys.argv[2]))
    print(json.dumps({
        "seconds": time.perf_counter() - begun, "cpu": time.process_time() - worked,
        "peak_gb": peak_gb(),
    }))  # fmt: skip
