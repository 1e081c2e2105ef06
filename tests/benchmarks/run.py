"""How long the main job takes, stage by stage, against bare reading of the same file.

Run with ``make bench``; with ``--large`` for a log of a day as well. Times move with the machine;
the ratios are what to compare.
"""

from __future__ import annotations

import json
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests"), str(Path(__file__).parent)]

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import pyarrow as pa  # noqa: E402
from large_log import RATE_HZ, large_log_map, write_large_log  # noqa: E402
from physics_chain import physics_chain  # noqa: E402
from pyarrow import csv as arrow_csv  # noqa: E402
from pyarrow import parquet  # noqa: E402
from simulated import simulate  # noqa: E402
from stopwatch import timed  # noqa: E402

from loaders.channels import CHANNEL_BY_NAME  # noqa: E402
from loaders.intake import take_in  # noqa: E402
from loaders.logbook import Logbook, publish, room_in  # noqa: E402
from loaders.mapping import read_channel_map  # noqa: E402
from loaders.normalise import load_session  # noqa: E402
from loaders.quality import signal_faults, with_faults_marked  # noqa: E402
from loaders.session import Session  # noqa: E402
from pipeline.analyse import analyse  # noqa: E402
from pipeline.build_sheet import BuildSheet, read_build_sheet, read_circuit  # noqa: E402
from pipeline.lateness import torque_lateness  # noqa: E402
from pipeline.learn import learn  # noqa: E402
from pipeline.published import to_json  # noqa: E402
from pipeline.quality import quality_notes  # noqa: E402
from pipeline.signals import resolve  # noqa: E402
from reports.render import render  # noqa: E402
from reports.session import session_report  # noqa: E402

COLUMNS = 24
SHEET = """schema = 1
[car]
name = "Ostrel C3"
driven_axle = "rear"
track_m = 1.48
rolling_radius_m = 0.312
[differential]
build = "A"
"""


def write_logbook(folder: Path) -> Path:
    """A logbook and a log of 20 minutes at 100 Hz with 24 columns; returns the log."""
    log = simulate(seed=1, laps=16)[1]
    columns = {"time_s": log["time_s"]}
    columns |= {name: log[name] for name in log.channels if name in CHANNEL_BY_NAME}
    for i in range(COLUMNS - len(columns)):
        columns[f"spare_{i}"] = np.sin(0.1 * (i + 1) * columns["time_s"])
    path = folder / "twenty_minutes.csv"
    pd.DataFrame(columns).round(4).to_csv(path, index=False)
    lines = ["schema = 1", "[time]", 'column = "time_s"', 'unit = "s"']
    for name in columns:
        if name in CHANNEL_BY_NAME:
            unit = CHANNEL_BY_NAME[name].unit
            lines += [f"[channels.{name}]", f'column = "{name}"', f'unit = "{unit}"']
    (folder / "channels.toml").write_text("\n".join(lines), encoding="utf-8")
    (folder / "build_sheet.toml").write_text(SHEET, encoding="utf-8")
    print(f"{path.name}: {len(columns['time_s'])} rows x {len(columns)} columns, "
          f"{path.stat().st_size / 1e6:.1f} MB")  # fmt: skip
    return path


def process(*arguments: str, forget: Path | None = None) -> Callable[[], None]:
    """A cold start of the command line with these arguments, after results were forgotten."""
    command = [sys.executable, "-m", "pipeline.cli", *arguments]

    def start() -> None:
        if forget is not None:
            shutil.rmtree(forget, ignore_errors=True)
        subprocess.run(command, check=True, capture_output=True, cwd=REPOSITORY)

    return start


def read_bare(path: Path) -> pa.Table:
    """The file with every column declared, as fast as the parser goes."""
    names = path.open(encoding="utf-8").readline().strip().split(",")
    types = dict.fromkeys(names, pa.float64())
    return arrow_csv.read_csv(path, convert_options=arrow_csv.ConvertOptions(column_types=types))


def write_bare(table: pa.Table, path: Path) -> None:
    """The same table as Parquet, in one go."""
    parquet.write_table(table, path, compression="zstd", compression_level=1)


def time_of_quality(session: Session, sheet: BuildSheet) -> float:
    """Median time of everything that is found in the signals. [s]"""
    marked = with_faults_marked(session, signal_faults(session))
    signals = resolve(marked, sheet)
    learnt = learn(signals, (), sheet)
    delay = torque_lateness(marked.channels, sheet, signals)
    return timed(
        lambda: quality_notes(marked, signal_faults(session), sheet, signals, learnt, delay)
    )[0]


def taken_in(logbook: Logbook, log: Path) -> Session:
    """The log's own columns and its session, on disk, and the session in memory."""
    maps = [read_channel_map(path) for path in logbook.channel_maps]
    with room_in(logbook) as room:
        return take_in(log, maps, "", room)


def published(logbook: Logbook, session: Session, page: str, result: str) -> None:
    """Page and result written, and all put in place."""
    with room_in(logbook) as room:
        publish(logbook, session.id, page, result, room)


def alone(what: str, log: Path) -> dict[str, float]:
    """Seconds and peak memory of one kind of work in a process of its own."""
    command = [sys.executable, str(Path(__file__).with_name("alone.py")), what, str(log)]
    ran = subprocess.run(command, check=True, capture_output=True, text=True)
    return dict(json.loads(ran.stdout))


def compare(log: Path, bare: tuple[str, str], ours: tuple[str, str]) -> None:
    """Two kinds of work on one log, in turns."""
    pairs = [(alone(bare[0], log), alone(ours[0], log)) for _ in range(3)]
    for (_, said), runs in zip((bare, ours), zip(*pairs, strict=True), strict=True):
        each = {key: statistics.median(run[key] for run in runs) for key in runs[0]}
        print(
            f"{said:<24} {each['seconds']:7.2f} s, {each['cpu']:6.2f} s of processors, "
            f"peak {each['peak_gb']:.2f} GB"
        )
    for key, said in (("seconds", "time"), ("cpu", "processors")):
        ratio = statistics.median(our[key] / plain[key] for plain, our in pairs)
        print(f"{said} {ratio:.2f} x {bare[1]}")


def compare_large(hours: float) -> None:
    """A long log taken in, against the bare drain of the same file in the same run."""
    with tempfile.TemporaryDirectory() as name:
        log = Path(name) / "day.csv"
        write_large_log(log, round(hours * 3600 * RATE_HZ))
        (log.parent / "channels.toml").write_text(large_log_map(), encoding="utf-8")
        (log.parent / "build_sheet.toml").write_text(SHEET, encoding="utf-8")
        print(f"\n{log.name}: {hours:g} h at {RATE_HZ} Hz, {log.stat().st_size / 1e6:.0f} MB")
        compare(log, ("drain", "bare drain"), ("take in", "log to stored session"))
        compare(log, ("chain", "plain physics chain"), ("analyse", "analysis, measured grade"))


def main() -> None:
    """Print one row per stage: seconds, and how many times the bare reading."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = write_logbook(folder)
        logbook = Logbook(folder)
        maps = [read_channel_map(folder / "channels.toml")]
        sheet, circuit = read_build_sheet(logbook.build_sheet), read_circuit(logbook.circuit)
        bare_s, table = timed(lambda: read_bare(log))
        parquet_s, _ = timed(lambda: write_bare(table, folder / "bare.parquet"))
        load_s, session = timed(lambda: load_session(log, maps))
        quality_s = time_of_quality(session, sheet)
        analyse_s, result = timed(lambda: analyse(session, sheet, circuit))
        chain_s, _ = timed(lambda: physics_chain(session.channels, session.rate_hz))
        render_s, page = timed(lambda: render(session_report(result)))
        json_s, as_json = timed(lambda: to_json(result))
        take_s, _ = timed(lambda: taken_in(logbook, log))
        publish_s, _ = timed(lambda: published(logbook, session, page, as_json))
        add = ("add", str(log), "--logbook", str(folder))
        cold_s, _ = timed(process(*add, forget=folder / "results"))
        again_s, _ = timed(process(*add))
        help_s, _ = timed(process("--help"))
        rows = [
            ("bare pyarrow.csv reading (baseline)", bare_s),
            ("bare Parquet writing of the same table", parquet_s),
            ("read and normalise in memory", load_s),
            ("read, keep the columns, store the session", take_s),
            ("quality findings (part of the next row)", quality_s),
            ("analyse, intervals included", analyse_s),
            ("page", render_s),
            ("JSON", json_s),
            ("page and result put in place", publish_s),
            ("sidegear add, cold start to finished page", cold_s),
            ("sidegear add of the same log again", again_s),
            ("sidegear --help, cold start", help_s),
        ]
        for what, seconds in rows:
            print(f"{what:<44} {seconds:7.3f} s {seconds / bare_s:7.2f} x")
        ratio = (take_s + quality_s) / (bare_s + parquet_s)
        print(
            f"log to stored session, quality findings included: {take_s + quality_s:.3f} s, "
            f"{ratio:.2f} x bare read and write; without them {take_s / (bare_s + parquet_s):.2f} x"
        )
        print(
            f"analysis {analyse_s / chain_s:.0f} x a plain physics chain of {1000 * chain_s:.1f} ms"
        )
        print(f"page {len(page.encode()) / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
    if "--large" in sys.argv:
        compare_large(24.0)
