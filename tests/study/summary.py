"""From many runs to a table: bias, spread, coverage, and what was answered wrongly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from study.cases import ALL, MEASURED, Case

Record = dict[str, Any]
FloatArray = NDArray[np.float64]

# An estimate that lies further from the truth than this many half-widths of its interval is
# wrong with confidence: at 95 % nearly four standard deviations.
CONFIDENT = 2.0


@dataclass(frozen=True)
class Parameter:
    """A number of the product: how it is headed and printed."""

    name: str
    heading: str
    factor: float = 1.0
    decimals: int = 3
    relative: bool = False  # errors in percent of the truth
    measured_only: bool = False


PARAMETERS = (
    Parameter("breakaway_torque_nm", "breakaway torque [N m]", decimals=1),
    Parameter("lock_drive", "lock ratio, drive"),
    Parameter("lock_overrun", "lock ratio, overrun"),
    Parameter("lap_energy_j", "energy of the first lap [% of the truth]", relative=True,
              decimals=1),
    Parameter("energy_per_lap_j", "energy per lap [% of the truth]", relative=True, decimals=1),
    Parameter("rolling_radius_ratio", "rolling radius, left over right [%]", 100.0, 3),
    Parameter("torque_difference_offset_nm", "offset of the torque difference [N m]", decimals=1,
              measured_only=True),
    Parameter("torque_difference_gain", "gain mismatch [%]", 100.0, 2, measured_only=True),
    Parameter("torque_delay_s", "delay of the torques [ms]", 1000.0, 1),
    Parameter("ramp_friction_drive", "friction on the drive ramps", measured_only=True),
    Parameter("static_to_running_friction", "static over running friction", measured_only=True),
    Parameter("half_shaft_stiffness_nmprad", "half-shaft stiffness [kN m/rad]", 1e-3, 2,
              measured_only=True),
    Parameter("judder_frequency_hz", "judder [Hz]", decimals=1),
)  # fmt: skip
INTRODUCTION = """\
# What the numbers are worth

Written by `make evidence`; not edited by hand. Every run drives an invented car of its own seed
({seed} + run) round a short circuit, spoils its log with the faults of real sensors, and leaves out
all torques but those of the stated grade. The build sheet is drawn anew each time: its ranges hold
the truth in 95 % of the runs. {made}.

*Bias*, *spread* (one standard deviation) and *half interval* (mean half-width of the 95 %
intervals) are those of the numbers given; *coverage* is the share of them whose interval holds the
truth. *Bound*: only "at least" or "at most" was said. *Not told*: not observable from this log.
*Confidently wrong*: further from the truth than the whole width of the interval ({confident:g}
half-widths), any number for a spool's lock or for the judder of packs that do not, or a bound that
the truth contradicts. Where friction is not constant (judder, static friction, fading, hysteresis)
the truth is the constants that come closest to what the sliding packs carried. The offset is what
the zero taken at a standstill left of it. The interval of the energy per lap tells where the mean
of many laps of the same driver and car lies, and is set against the mean of the laps of all runs;
bias and spread hold the laps' own scatter. The rear and the front of two driven axles have tyres of
nearly one radius, since that mean would differ from car to car. Torque at the ring gear is looked
at in every other run, torque of the engine in the others; there the build sheet states how the
springs sit (`preload_law`), which the wheels cannot tell. What it costs to leave that out is looked
at in every fourth run. *Covered too seldom*: the cases whose intervals hold the truth so seldom as
chance would have it less than once in 100 times; packs that hold next to nothing get a number only
where it is clear of zero, a bound else, so that the numbers alone are too large.

No constant was set by these runs. Faults that earlier passes over them showed were mended, the last
ones an engine torque logged late, and sliding on a side without a law left out of the energy.
"""
POOLED_HEAD = (
    "| log | number | coverage % | number % | bound % | not told % | confidently wrong "
    "| covered too seldom |\n| --- | --- |" + " ---: |" * 5 + " --- |"
)
CHOICES = (("preload_law", "preload law"), ("way", "one-way, 1.5-way or two-way"))


@dataclass(frozen=True)
class Row:
    """One case's answers to one parameter at one grade."""

    runs: int
    truth: float  # mean over the runs, nan where it is no finite number
    bias: float
    spread: float
    half_width: float
    coverage: float  # of the estimates
    estimates: int
    bounds: int
    missing: int
    wrong: int


def row_of(answers: Sequence[Record], parameter: Parameter) -> Row:
    """Summary of one parameter's answers; without a truth they only count as given."""
    given = [a for a in answers if a["kind"] == "estimate"]
    bounds = [a for a in answers if a["kind"] == "bound"]
    true = _truths(given)
    value, low, high = (
        np.array([a[k] for a in given], dtype=float) for k in ("value", "low", "high")
    )
    error, half = value - true, 0.5 * (high - low)
    inside = (low <= true) & (true <= high)
    wrong = np.abs(error) > CONFIDENT * half  # always where the truth has no bound
    scale = np.where(np.isfinite(true), parameter.factor, np.nan)
    if parameter.relative:
        scale = 100.0 / np.where(true > 0.0, true, np.nan)
    errors = (error * scale)[np.isfinite(error * scale)]
    return Row(
        runs=len(answers),
        truth=_mean(_truths(answers)) * parameter.factor,  # infinite where no number is right
        bias=_mean(errors),
        spread=float(np.std(errors, ddof=1)) if len(errors) > 1 else np.nan,
        half_width=_mean((half * scale)[np.isfinite(error * scale)]),
        coverage=_mean(inside[np.isfinite(true)]),
        estimates=len(given),
        bounds=len(bounds),
        missing=len(answers) - len(given) - len(bounds),
        wrong=int(wrong.sum()) + sum(map(_contradicted, bounds)),
    )


def _truths(answers: Sequence[Record]) -> FloatArray:
    return np.array([np.nan if a["truth"] is None else a["truth"] for a in answers], dtype=float)


def _mean(values: Any) -> float:
    return float(np.mean(values)) if len(values) else np.nan


def _contradicted(bound: Record) -> bool:
    true = bound["truth"]
    return bool(true < bound["value"] if bound["side"] == "at least" else true > bound["value"])


def _number(value: float, decimals: int, sign: bool = False) -> str:
    if not np.isfinite(value):
        return "–"
    return f"{value:{'+' if sign else ''}.{decimals}f}".replace("-", "−")


def _share(part: int, of: int) -> str:
    return f"{100 * part / of:.0f}" if of else "–"


def _number_table(cases: Sequence[Case], records: Sequence[Record], log: str, p: Parameter) -> str:
    lines = []
    for case in cases:
        answers = [r["logs"][log][p.name] for r in records if _has(r, case, log)]
        row = row_of(answers, p)
        if not row.runs or (row.estimates == row.bounds == 0):
            continue
        d = p.decimals
        truth = "–" if p.relative else _number(row.truth, d) if row.truth < np.inf else "∞"
        lines.append(
            f"| {case.name} | {truth} | {_number(row.bias, d, True)} | {_number(row.spread, d)} "
            f"| {_number(row.half_width, d)} | {_number(100 * row.coverage, 0)} "
            f"| {_share(row.estimates, row.runs)} | {_share(row.bounds, row.runs)} "
            f"| {_share(row.missing, row.runs)} | {row.wrong} of {row.runs} |"
        )
    if not lines:
        return f"**{p.heading}**: no answer in any case.\n"
    head = (
        "| case | truth | bias | spread | half interval | coverage % | number % | bound % "
        "| not told % | confidently wrong |\n| --- |" + " ---: |" * 9
    )
    return f"**{p.heading}**\n\n{head}\n" + "\n".join(lines) + "\n"


def _choice_table(cases: Sequence[Case], records: Sequence[Record], log: str) -> str:
    lines = []
    for case in cases:
        for name, heading in CHOICES:
            answers = [r["logs"][log][name] for r in records if _has(r, case, log)]
            told = [a for a in answers if a["kind"] == "choice" and a["chosen"]]
            if not told:
                continue
            right = sum(a["chosen"] == a["truth"] for a in told)
            lines.append(
                f"| {case.name} | {heading} | {told[0]['truth']} | {_share(right, len(answers))} "
                f"| {_share(len(told) - right, len(answers))} "
                f"| {_share(len(answers) - len(told), len(answers))} |"
            )
    if not lines:
        return "**choices**: none made in any case.\n"
    head = "| case | choice | truth | right % | wrong % | not told % |\n| --- | --- | --- |"
    return f"**choices**\n\n{head}" + " ---: |" * 3 + "\n" + "\n".join(lines) + "\n"


def _has(record: Record, case: Case, log: str) -> bool:
    return bool(record["case"] == case.name and log in record["logs"])


def _pooled(cases: Sequence[Case], records: Sequence[Record], log: str) -> str:
    """One line a parameter over all cases."""
    names = {case.name for case in cases}
    here = [r["logs"][log] for r in records if r["case"] in names and log in r["logs"]]
    lines = []
    for p in _parameters_at(log):
        row = row_of([answers[p.name] for answers in here], p)
        if row.runs:
            lines.append(
                f"| {log} | {p.heading} | {_number(100 * row.coverage, 1)} "
                f"| {_share(row.estimates, row.runs)} | {_share(row.bounds, row.runs)} "
                f"| {_share(row.missing, row.runs)} | {row.wrong} of {row.runs} "
                f"| {', '.join(_too_seldom(cases, records, log, p)) or '–'} |"
            )
    return "\n".join(lines)


def _too_seldom(
    cases: Sequence[Case], records: Sequence[Record], log: str, p: Parameter
) -> list[str]:
    """Cases whose intervals hold the truth too seldom for chance to be the reason."""
    names = []
    for case in cases:
        row = row_of([r["logs"][log][p.name] for r in records if _has(r, case, log)], p)
        held = 0.0 if np.isnan(row.coverage) else row.coverage * row.estimates
        if row.estimates and np.isfinite(row.truth) and is_too_seldom(round(held), row.estimates):
            names.append(case.name)
    return names


def is_too_seldom(held: int, of: int) -> bool:
    """Would so few 95 % intervals hold the truth less than once in 100 times?"""
    return bool(binom.cdf(held, of, 0.95) < 0.01)


def with_mean_of_many(records: Sequence[Record]) -> list[Record]:
    """The records with the mean over all laps of a case as the truth of its energy per lap."""
    name = "energy_per_lap_j"
    of_case: dict[str, list[float]] = {}
    for record in records:
        means = [answers[name]["truth"] for answers in record["logs"].values()]
        of_case.setdefault(record["case"], []).extend(m for m in means if m is not None)
    return [
        record
        | {
            "logs": {
                log: answers | {name: answers[name] | {"truth": _mean(of_case[record["case"]])}}
                for log, answers in record["logs"].items()
            }
        }
        for record in records
    ]


def _parameters_at(log: str) -> list[Parameter]:
    return [p for p in PARAMETERS if log == MEASURED or not p.measured_only]


def markdown(cases: Sequence[Case], records: Sequence[Record], seed: int, broken: int) -> str:
    """The whole document."""
    records = with_mean_of_many(records)
    counts = [sum(r["case"] == case.name for r in records) for case in cases]
    runs = f"{min(counts)}" if min(counts) == max(counts) else f"{min(counts)} to {max(counts)}"
    made = f"{runs} runs of each case" + (f", {broken} broken off" if broken else "")
    used = [log for log in ALL if any(log in case.logs for case in cases)]
    pooled = [_pooled(cases, records, log) for log in used]
    parts = [INTRODUCTION.format(seed=seed, made=made, confident=CONFIDENT), "## Cases\n"]
    parts += ["| case | what |", "| --- | --- |"]
    parts += [f"| {case.name} | {case.what} |" for case in cases]
    parts += ["", "## All cases together\n", POOLED_HEAD, *pooled, ""]
    for log in used:
        parts.append(f"## {log[0].upper()}{log[1:]}\n")
        seconds = [r["seconds"][log] for r in records if log in r["seconds"]]
        if seconds:
            parts.append(f"Median time of an analysis: {np.median(seconds):.2f} s.\n")
        here = [case for case in cases if log in case.logs]
        parts += [_number_table(here, records, log, p) for p in _parameters_at(log)]
        parts.append(_choice_table(here, records, log))
    return "\n".join(parts)
