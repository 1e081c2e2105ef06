"""Which way of reading the split of the input torque off the wheels comes nearest to the truth.

Run with the tests folder and the project on the path::

    python -m study.methods --runs 8

Every run drives an invented car of its own seed (`FIRST_SEED` + run) and hands the same samples,
tyre, beliefs and law to each method. What a run gave is kept under ``study/runs``, so that the
study may be stopped and goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import circuit_car
import numpy as np
from numpy.typing import NDArray
from simulated import session_of, sheet_of

from pipeline import inferred
from pipeline.build_sheet import BuildSheet, Circuit
from pipeline.driven_axle import axle_run, beliefs_of
from pipeline.lap_starts import crossings
from pipeline.laps import cut, judge
from pipeline.learn import Learnt, learn
from pipeline.lock import BREAKAWAY, DRIVE, OVERRUN, SlidingSamples, not_visited
from pipeline.regression import fit_by_cluster, student_t
from pipeline.runs import erode
from pipeline.signals import Signals, resolve
from pipeline.split import SplitFit, fit_split
from pipeline.tyre_beliefs import FIGURE_BELIEFS, LAW_BELIEFS, TYRE_BELIEFS, Belief
from pipeline.wheel_balance import AxleRun
from study import oil_heat
from study.cases import CASES, FROM_ENGINE, RING, WITHOUT, Case
from study.driven_wheels import STEP_S, windows_of
from study.evidence_table import HERE, Record, digest_of_sources, kept_records
from study.output_error import fit_output
from study.smoother import smoothed_difference

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

TABLE = HERE / "METHODS.md"
FIRST_SEED = 63_000  # no constant of the product was set by these
BUILDS = ("firm", "soft", "very firm", "worn", "one-way", "two-way")
TERMS = (BREAKAWAY, DRIVE, OVERRUN)
Law = dict[str, float]
NUMBERS = ("breakaway torque [N m]", "lock ratio, drive", "lock ratio, overrun", "energy [%]")
METHODS = (
    "equation error (the product)",
    "output error",
    "output error, from the product's fit",
    "output error, weighed by slip",
    "smoother",
)
INTRODUCTION = """\
# Which method reads the split off the wheels

Written by `make methods`; not edited by hand. {runs} runs of each build at seeds {seed} and on,
with the torque at the ring gear and of the engine in turn; all methods get the same signals,
loads, tyre, beliefs, robust loss and law (the adding one). What takes part of the law's terms only
counts in those. Energy: of the counted laps, by the law.

*Equation error*: the torque that each wheel's speed stands for, against the law, where the packs
are seen to slide for long enough; sums of both where they hold. *Output error*: both wheel speeds
integrated from the torques over windows of a second, packs holding or sliding as the law has it,
against the measured ones, away from where the torque turns round; errors weighed by what the
product doubts of the torques, turned into speeds, or by slip alike everywhere. *Smoother*: the
torque difference as a hidden state with the tyres of the product's fit, then a line.

**Kept: equation error.** The output error reads lock on drive and energy further off, ends up
elsewhere from another start, now and then nowhere near the truth, and takes several times as long.
Weighed by slip, as by the book, the few wheels that run away rule it and the law is lost. The
smoother reads as well as the product, whose tyres it has; from the sums of both torques alone it
could not find them.
"""


def _terms(pull_nm: FloatArray) -> dict[str, FloatArray]:
    """What each coefficient of the law is multiplied by."""
    ramps = np.maximum(pull_nm, 0.0), np.maximum(-pull_nm, 0.0)
    return dict(zip(TERMS, (np.ones_like(pull_nm), *ramps), strict=True))


@dataclass(frozen=True)
class Seen:
    """One session as every method gets it, and the truth."""

    run: AxleRun
    usable: BoolArray
    """Samples to integrate over."""
    one_sided: BoolArray
    """Where the smoothed input torque has no part from beyond zero, where the law has its kink."""
    slides: IndexArray
    held: IndexArray
    terms: tuple[str, ...]
    """Of the law, as far as the sliding samples show them."""
    beliefs: dict[str, Belief]
    rate_hz: float
    heats: FloatArray
    """Half the speed difference where the packs slide in counted laps, 0 elsewhere. [rad/s]"""
    true_law: tuple[float, float, float]
    true_energy_j: float

    def chosen(self) -> AxleRun:
        """The samples that the product fits to."""
        at = np.sort(np.concatenate((self.slides, self.held)))
        return inferred._at(self.run, at, np.isin(at, self.slides))

    def energy_j(self, law: Law) -> float:
        """Friction energy of the counted laps by a law; NaN where it lacks a term. [J]"""
        if len(law) < len(TERMS):
            return np.nan
        lock = sum(law[term] * each for term, each in _terms(self.run.input_torque_nm).items())
        return float(np.nansum(lock * self.heats)) / self.rate_hz


def seen(case: Case, seed: int) -> Seen:
    """Drive, spoil, and take what the product takes."""
    rng = np.random.default_rng([seed, *case.name.encode()])
    car = case.car()
    sheet = sheet_of(car, rng=rng)
    car = car.with_uneven_radii(rng, case.uneven_radii)
    drive = circuit_car.drive(
        car, circuit_car.short_circuit(), case.driver, laps=case.laps, rng=rng
    )
    log = circuit_car.spoil(drive, case.sensors, rate_hz=case.rate_hz, rng=rng)
    session = session_of(log, without=WITHOUT[(RING, FROM_ENGINE)[seed % 2]])
    signals = resolve(session, sheet)
    crossed, first, _ = crossings(session.channels, signals, Circuit())
    laps = judge(
        cut(signals.time_s, crossed, first), signals.speed_mps, signals.clean, signals.rate_hz
    )
    learnt = learn(signals, laps, sheet)
    known = circuit_car.truth(drive)
    counted = [lap.start_s for lap in laps if lap.valid]
    energies = [min(known.laps, key=lambda lap: abs(lap.start_s - at)).energy_j for at in counted]
    law = (known.breakaway_torque_nm, known.lock_drive, known.lock_overrun)
    return _taken(signals, learnt, sheet, law, float(np.sum(energies)))


def _taken(
    signals: Signals,
    learnt: Learnt,
    sheet: BuildSheet,
    law: tuple[float, float, float],
    energy_j: float,
) -> Seen:
    pull, label, smooth = signals.input, learnt.clusters.label, learnt.flange_radps
    assert pull is not None
    side = np.where(learnt.sliding, np.sign(smooth), 0.0)
    run = axle_run(signals, pull, label, side, sheet)
    threshold = learnt.sliding_radps
    slides, held = inferred._chosen(signals, pull, label, smooth, threshold, learnt.sliding, run)
    missing = not_visited(
        SlidingSamples(
            run.input_torque_nm[slides], np.zeros(len(slides)), smooth[slides], label[slides], 20.0
        )
    )
    finite = np.isfinite(sum(getattr(run, name) for name in inferred._ARRAYS[:-2]))
    off = erode(signals.brakes_off, round(0.15 * signals.rate_hz))
    usable = signals.steady & pull.usable & off & finite & (label >= 0) & (run.speed_mps > 8.0)
    reach = round(0.06 * signals.rate_hz)
    one_sided = erode(pull.torque_nm > 0, reach) | erode(pull.torque_nm < 0, reach)
    sliding = (np.abs(smooth) > threshold) & (label >= 0)
    return Seen(
        run, usable, one_sided, slides, held, tuple(term for term in TERMS if term not in missing),
        beliefs_of(sheet.car), signals.rate_hz,
        np.where(sliding, 0.5 * np.abs(smooth), 0.0), law, energy_j,
    )  # fmt: skip


def equation_error(session: Seen) -> tuple[Law, SplitFit]:
    """The product's own fit."""
    fit = fit_split(session.chosen(), session.terms, beliefs=session.beliefs)
    return dict(zip(fit.terms, fit.law.coefficients.tolist(), strict=True)), fit


def output_error(session: Seen, start: SplitFit | None = None, *, by_slip: bool = False) -> Law:
    """Wheel speeds computed over windows; from what is believed, or from the product's fit."""
    beliefs = {**FIGURE_BELIEFS, **TYRE_BELIEFS, **session.beliefs, **LAW_BELIEFS}
    begin = None
    if start is not None:
        law = zip(start.terms, start.law.coefficients.tolist(), strict=True)
        tyre = asdict(start.tyre)
        tyre["log_stiffness"] = np.log(tyre.pop("stiffness"))
        begin = {name: each.mean for name, each in beliefs.items()}
        begin |= {**asdict(start.figures), **tyre, **dict(law)}
    windows = windows_of(session.usable, session.rate_hz)
    counted = windows.there & session.one_sided[windows.at]
    windows = replace(windows, there=counted)
    fit = fit_output(session.run, windows, beliefs, begin, by_slip=by_slip)
    return {term: fit.numbers[term] for term in TERMS}


def smoother(session: Seen, axle: SplitFit) -> Law:
    """A robust line through what a smoother reads of the torque difference."""
    windows = windows_of(session.usable, session.rate_hz)
    told = smoothed_difference(session.run, windows, axle.figures, axle.tyre)
    at = windows.at[windows.there]
    step = max(1, round(STEP_S * session.rate_hz))
    sliding = session.run.faster_side[at]
    used = (sliding != 0) & np.isin(at // step, session.slides // step)
    weight = 1 / told.sigma_nm[windows.there][used]
    terms = _terms(session.run.input_torque_nm[at[used]])
    lock = -told.difference_nm[windows.there][used] * sliding[used]
    design = np.column_stack([terms[term] * weight for term in session.terms])
    fit = fit_by_cluster(design, lock * weight, session.run.lap[at[used]])
    return dict(zip(session.terms, fit.coefficients.tolist(), strict=True))


def one_run(name: str, number: int) -> list[Record]:
    """All methods on one session."""
    case = next(each for each in CASES if each.name == name)
    session = seen(case, FIRST_SEED + number)
    record: Record = {"case": name, "run": number, "methods": {}}
    record["truth"] = [*session.true_law, session.true_energy_j]
    started = time.perf_counter()
    law, fit = equation_error(session)
    methods: dict[str, Callable[[], Law]] = {
        METHODS[1]: lambda: output_error(session),
        METHODS[2]: lambda: output_error(session, fit),
        METHODS[3]: lambda: output_error(session, by_slip=True),
        METHODS[4]: lambda: smoother(session, fit),
    }
    for method in METHODS:
        if method in methods:
            started = time.perf_counter()
            law = methods[method]()
        seconds = time.perf_counter() - started
        found = [law.get(term) for term in TERMS]
        energy = session.energy_j(law)
        record["methods"][method] = {
            "found": [*found, None if np.isnan(energy) else energy], "seconds": seconds
        }  # fmt: skip
    return [record]


def errors(records: Sequence[Record], method: str) -> FloatArray:
    """Of breakaway, both lock ratios and energy as a share, shape (runs, 4); NaN: not told."""
    truth = np.array([record["truth"] for record in records])
    found = [record["methods"][method]["found"] for record in records]
    apart = np.array(found, dtype=np.float64) - truth
    apart[:, 3] /= truth[:, 3]
    return apart


def markdown(records: Sequence[Record]) -> str:
    """The table."""
    lines = [
        INTRODUCTION.format(seed=FIRST_SEED, runs=len({record["run"] for record in records})),
        "## All builds together\n",
        _row("root mean square error", *METHODS),
        "| --- |" + " ---: |" * len(METHODS),
    ]
    apart = {method: errors(records, method) for method in METHODS}
    for k, number in enumerate(NUMBERS):
        rms = [np.sqrt(np.nanmean(apart[method][:, k] ** 2)) for method in METHODS]
        lines.append(_row(number, *(_plain(value, k) for value in rms)))
    seconds = [
        np.median([record["methods"][method]["seconds"] for record in records])
        for method in METHODS
    ]
    lines.append(_row("time of a fit, median [s]", *(f"{value:.1f}" for value in seconds)))
    lines += [
        "",
        "How much further from the truth than the product, mean of the runs, 95 % interval:\n",
        _row("number", *METHODS[1:]),
        "| --- |" + " ---: |" * (len(METHODS) - 1),
    ]
    for k, number in enumerate(NUMBERS):
        further = [np.abs(apart[m][:, k]) - np.abs(apart[METHODS[0]][:, k]) for m in METHODS[1:]]
        lines.append(_row(number, *(_mean(each, k) for each in further)))
    lines += ["", "## Build by build\n", "Bias and, in brackets, spread (one standard deviation)\n"]
    lines += [_row("build", "number", *METHODS), "| --- | --- |" + " ---: |" * len(METHODS)]
    for build in BUILDS:
        own = [record for record in records if record["case"] == build]
        for k, number in enumerate(NUMBERS if own else ()):
            each = [errors(own, method)[:, k] for method in METHODS]
            lines.append(_row(build, number, *(_bias(values, k) for values in each)))
    return "\n".join(lines) + "\n"


def _row(*cells: str) -> str:
    return f"| {' | '.join(cells)} |"


def _plain(value: float, number: int, sign: str = "") -> str:
    factor, decimals = ((1.0, 1), (1.0, 3), (1.0, 3), (100.0, 1))[number]
    return f"{factor * value:{sign}.{decimals}f}"


def _bias(values: FloatArray, number: int) -> str:
    told = values[np.isfinite(values)]
    if len(told) < 2:
        return "not told"
    return f"{_plain(told.mean(), number, '+')} ({_plain(told.std(ddof=1), number)})"


def _mean(values: FloatArray, number: int) -> str:
    told = values[np.isfinite(values)]
    half = student_t(len(told) - 1) * told.std(ddof=1) / np.sqrt(len(told))
    return f"{_plain(told.mean(), number, '+')} ± {_plain(half, number)}"


def _kept(
    name: str, todo: Sequence[tuple[Any, ...]], make: Callable[..., list[Record]]
) -> list[Record]:
    """What each of some runs gives, kept under the version of the sources."""
    folder = HERE / "runs" / f"{name}-{digest_of_sources()}"
    folder.mkdir(parents=True, exist_ok=True)
    done = {json.dumps(record["of"]): record["made"] for record in kept_records(folder)}
    for of in todo:
        key = json.dumps(of)
        if key not in done:
            done[key] = make(*of)
            with (folder / "all.jsonl").open("a") as file:
                file.write(json.dumps({"of": of, "made": done[key]}) + "\n")
    return [record for of in todo for record in done[json.dumps(of)]]


def main() -> None:
    """Make the missing runs and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=8, help="runs of each build")
    runs = parser.parse_args().runs
    records = _kept("methods", [(b, k) for k in range(runs) for b in BUILDS], one_run)
    seeds = range(FIRST_SEED, FIRST_SEED + max(1, runs // 4))
    warm = [(b, laps, seed) for seed in seeds for laps in oil_heat.LAPS for b in oil_heat.BUILDS]
    oil = _kept("oil", warm, oil_heat.one_run)
    TABLE.write_text(f"{markdown(records)}\n{oil_heat.markdown(oil)}", encoding="utf-8")
    print(f"{len(records)} runs; written to {TABLE}")


if __name__ == "__main__":
    main()
