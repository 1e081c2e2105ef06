"""How near the product comes to the truth, case by case and grade by grade.

Run with the tests folder and the project on the path::

    python -m study.evidence_table --runs 100 --workers 2

Each run of a case drives a car of its own seed (`FIRST_SEED` + run), spoils its log once, and
analyses the log with different torques left out.  The build sheet is drawn too: what it states as
a range holds the truth in 95 % of the runs.  What a run gave is kept under ``study/runs``, in a
folder named after the sources, so that the study may be stopped and goes on where it was.
What this version of the product does not answer counts as not told.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Any

import circuit_car
import numpy as np
from simulated import session_of, sheet_of

from loaders.normalise import Session
from pipeline.analyse import analyse
from pipeline.build_sheet import BuildSheet, Circuit
from pipeline.estimate import Bound, Choice, Estimate, Missing
from pipeline.result import SessionResult
from pipeline.signals import resolve
from study.cases import CASES, FROM_ENGINE, RING, WITHOUT, Case
from study.summary import markdown

HERE = Path(__file__).parent
TABLE = HERE / "EVIDENCE.md"
FIRST_SEED = 40_000  # no constant of an estimator was set by these
SOURCES = ("loaders", "pipeline", "tests/circuit_car", "tests/study", "tests/simulated.py")

Record = dict[str, Any]


def digest_of_sources() -> str:
    """A short name for what the numbers depend on."""
    root = HERE.parents[1]
    files = [root / name for name in SOURCES if name.endswith(".py")]
    files += [path for name in SOURCES for path in (root / name).rglob("*.py")]
    return hashlib.sha256(b"".join(path.read_bytes() for path in sorted(files))).hexdigest()[:12]


def true_numbers(
    case: Case,
    drive: circuit_car.Drive,
    known: circuit_car.Truth,
    left: tuple[float, float],
    right: tuple[float, float],
    counted: Sequence[float],
) -> dict[str, float | str]:
    """What the answers should have been.

    ``left``, ``right`` are what is left of each half-shaft's offset, and its gain; ``counted`` are
    the starts of the laps that count [s].
    """
    law = known.running if case.moving else known
    parts = drive.car.differential
    laps = [min(known.laps, key=lambda lap: abs(lap.start_s - start)) for start in counted]
    return {
        "breakaway_torque_nm": np.inf if parts.spool else law.breakaway_torque_nm,
        "lock_drive": np.inf if parts.spool else law.lock_drive,
        "lock_overrun": np.inf if parts.spool else law.lock_overrun,
        "energy_per_lap_j": float(np.mean([lap.energy_j for lap in laps])) if laps else np.nan,
        "lap_energy_j": laps[0].energy_j if laps else np.nan,
        "rolling_radius_ratio": known.radius_left_m / known.radius_right_m,
        "torque_difference_offset_nm": left[0] - right[0],
        "torque_difference_gain": 0.5 * (left[1] - right[1]),
        "torque_delay_s": case.sensors.torque_delay_s,
        "ramp_friction_drive": parts.ramp_friction,
        "static_to_running_friction": parts.friction.static_ratio,
        "half_shaft_stiffness_nmprad": drive.car.shafts.stiffness_nmprad or np.inf,
        # Where nothing judders no number is right.
        "judder_frequency_hz": _judder_hz(drive) if case.judders else np.inf,
        "preload_law": known.preload_law.replace("_", " "),
        "way": _way(known),
    }


def _judder_hz(drive: circuit_car.Drive) -> float:
    """Strongest frequency of the flanges' speed difference while the packs slide, above 10 Hz."""
    length, finely = 640, 6400  # zeros behind each window draw the spectrum ten times as finely
    difference = drive["flange_speed_left_radps"] - drive["flange_speed_right_radps"]
    slides = (drive["stuck"] == 0.0) & (drive["speed_mps"] > 5.0)
    power = np.zeros(finely // 2 + 1)
    for start in range(0, len(difference) - length, length // 2):
        window = slice(start, start + length)
        if slides[window].mean() > 0.9:
            change = np.gradient(difference[window])
            power += np.abs(np.fft.rfft((change - change.mean()) * np.hanning(length), finely)) ** 2
    frequency = np.fft.rfftfreq(finely, circuit_car.SAMPLE_S)
    return float(frequency[frequency > 10.0][np.argmax(power[frequency > 10.0])])


def _way(known: circuit_car.Truth) -> str | float:
    """By the shares that the trade's names stand for (common practice, no source)."""
    if known.lock_drive <= 0.0:
        return np.nan
    ratio = known.lock_overrun / known.lock_drive
    return "one-way" if ratio <= 0.15 else "two-way" if ratio >= 0.85 else "1.5-way"


def _plain(answer: object) -> Record:
    """One answer of the product, ready for JSON."""
    if isinstance(answer, Estimate):
        return {"kind": "estimate", "value": answer.value, "low": answer.low, "high": answer.high}
    if isinstance(answer, Bound):
        return {"kind": "bound", "side": str(answer.side), "value": answer.value}
    if isinstance(answer, Choice):
        return {"kind": "choice", "chosen": answer.chosen.replace("_", " ")}
    reason = answer.reason if isinstance(answer, Missing) else "not answered by this version"
    return {"kind": "missing", "reason": reason}


def _answers(result: SessionResult, true: dict[str, float | str]) -> Record:
    first = next((lap.energy_j for lap in result.laps if lap.valid), None)
    given = {**result.estimates, **result.choices, "lap_energy_j": first}
    return {
        name: {"truth": None if isinstance(value, float) and np.isnan(value) else value}
        | _plain(given.get(name))
        for name, value in true.items()
    }


def one_run(case: Case, number: int) -> Record:
    """Drive, spoil, analyse at every grade."""
    rng = np.random.default_rng([FIRST_SEED + number, *case.name.encode()])
    car = case.car()
    sheet = sheet_of(car.front_axle_alone() if case.look_at_front else car, rng=rng)
    if 0.0 < car.drive_share_front < 1.0:
        sheet = replace(sheet, car=replace(sheet.car, other_axle="driven"))
    if case.uneven_radii > 0.0:
        car = car.with_uneven_radii(rng, case.uneven_radii)
    track = circuit_car.short_circuit()
    drive = circuit_car.drive(car, track, case.driver, laps=case.laps, rng=rng)
    if case.look_at_front:
        drive = circuit_car.front_axle_of(drive)
    log = circuit_car.spoil(drive, case.sensors, rate_hz=case.rate_hz, rng=rng)
    known = circuit_car.truth(drive)
    record: Record = {"case": case.name, "run": number, "logs": {}, "seconds": {}}
    for name in case.logs_of(number):
        session = session_of(log, without=WITHOUT[name])
        started = time.perf_counter()
        result = analyse(session, _stating(sheet, known.preload_law, name), Circuit())
        record["seconds"][name] = time.perf_counter() - started
        counted = [lap.start_s for lap in result.laps if lap.valid]
        sides = _after_zeroing(log, session, sheet)
        record["logs"][name] = _answers(result, true_numbers(case, drive, known, *sides, counted))
    return record


def _stating(sheet: BuildSheet, preload_law: str, log: str) -> BuildSheet:
    """The sheet, with the preload law where the wheels alone cannot tell it."""
    if log not in (RING, FROM_ENGINE):
        return sheet
    law = "greater of" if "greater" in preload_law else "adding"
    return replace(sheet, differential=replace(sheet.differential, preload_law=law))


def _after_zeroing(
    log: circuit_car.Log, session: Session, sheet: BuildSheet
) -> tuple[tuple[float, float], ...]:
    """Offset that the zero taken at a standstill left, and gain, of each half-shaft."""
    signals = resolve(session, sheet)
    taken = [zero.offset_nm for zero in signals.zeros] if signals.zeroed else [0.0, 0.0]
    drawn = (log.drawn[f"shaft_torque_{side}_nm"] for side in ("left", "right"))
    return tuple(
        (offset - zero, gain)
        for (offset, gain), zero in zip(drawn, [*taken, 0.0, 0.0], strict=False)
    )


def kept_records(folder: Path) -> list[Record]:
    """All runs that this version of the sources has made."""
    return [
        json.loads(line)
        for path in sorted(folder.glob("*.jsonl"))
        for line in path.read_text(encoding="utf-8").splitlines()
    ]


def _run_missing(cases: Sequence[Case], runs: int, workers: int, folder: Path) -> int:
    """Make what is not there yet; returns how many runs broke off."""
    done = {(record["case"], record["run"]) for record in kept_records(folder)}
    todo = [(case, k) for k in range(runs) for case in cases if (case.name, k) not in done]
    broken = 0
    if not todo:
        return broken
    one_run(cases[0], 10**6)  # compiles once, before the workers want to
    by_name = {case.name: case for case in cases}
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        futures: dict[Future[Record], tuple[str, int]] = {
            pool.submit(_by_name, case.name, k): (case.name, k) for case, k in todo
        }
        for made, future in enumerate(as_completed(futures), 1):
            name, k = futures[future]
            if failure := future.exception():
                broken += 1
                print(f"{name}, run {k}: {failure!r}", file=sys.stderr)
                continue
            with (folder / f"{by_name[name].name.replace(' ', '_')}.jsonl").open("a") as file:
                file.write(json.dumps(future.result()) + "\n")
            if made % 20 == 0:
                print(f"{made} of {len(futures)}", file=sys.stderr)
    return broken


def _by_name(name: str, number: int) -> Record:
    return one_run(next(case for case in CASES if case.name == name), number)


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the missing runs and write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=_Plain)
    parser.add_argument("--runs", type=int, default=100, help="runs of each case")
    parser.add_argument("--workers", type=int, default=2, help="processes at once")
    parser.add_argument("--case", action="append", help="only this case; may be repeated")
    parser.add_argument("--table", type=Path, default=TABLE, help="where the table goes")
    stated = parser.parse_args(arguments)
    os.environ["OMP_NUM_THREADS"] = "1"  # one thread a worker
    cases = [case for case in CASES if not stated.case or case.name in stated.case]
    folder = HERE / "runs" / digest_of_sources()
    folder.mkdir(parents=True, exist_ok=True)
    broken = _run_missing(cases, stated.runs, stated.workers, folder)
    wanted = {case.name for case in cases}
    records = [r for r in kept_records(folder) if r["case"] in wanted and r["run"] < stated.runs]
    stated.table.write_text(markdown(cases, records, FIRST_SEED, broken), encoding="utf-8")
    print(f"{len(records)} runs, {broken} broken off; written to {stated.table}")
    return 1 if broken else 0


class _Plain(argparse.RawDescriptionHelpFormatter):
    """Leaves the description's lines as they are."""


if __name__ == "__main__":
    sys.exit(main())
