"""Which wrench readings to aim at when a unit is built, by each method, and which to accept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.bench_check import Method, loaded_ramps, wrench_reading
from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Estimate, Missing, Prediction, SessionAnswer
from pipeline.plates import PreloadLaw
from pipeline.predict import stated_law

Range = tuple[float, float]

# Accuracy of a hand torque wrench, as a share. Source: ISO 6789-1, 4 % from 10 N m on; from memory,
# not read again.
WRENCH_TOLERANCE = 0.04


@dataclass(frozen=True, slots=True)
class BenchTarget:
    """What the wrench should read by one method while the wheel turns steadily. [N m]"""

    method: Method
    aim: Range | Missing
    """For the breakaway torque that is wanted or that the parts should give."""
    accept: Range | Missing
    """For the breakaway torques that the service limits allow, less what the wrench errs."""


def bench_targets(
    sheet: BuildSheet,
    predicted: Mapping[str, Prediction],
    estimates: Mapping[str, SessionAnswer] | None = None,
) -> tuple[BenchTarget, ...]:
    """A target for each method that measures something.

    Parameters
    ----------
    sheet : BuildSheet
    predicted : mapping
        What the sheet's parts should give.
    estimates : mapping, optional
        Of a session with the same ramps and plates; its lock ratios go before the predicted ones.
    """
    wanted = sheet.limits.wanted_breakaway_nm
    aim = (wanted, wanted) if wanted is not None else _range(predicted["breakaway_torque_nm"])
    allowed: Range | Missing = sheet.limits.breakaway_nm or Missing(
        "the build sheet leaves out breakaway_nm under [limits]"
    )
    targets = []
    for method in Method:
        ramps = loaded_ramps(method)
        lock: Range | Missing = (0.0, 0.0)
        if ramps is not None:
            name = f"lock_{ramps}"
            found = None if estimates is None else estimates.get(name)
            lock = _range(found if isinstance(found, Estimate) else predicted[name])
        law = stated_law(sheet)
        accept = _reading(allowed, lock, method, law, widest=False)
        targets.append(BenchTarget(method, _reading(aim, lock, method, law, widest=True), accept))
    return tuple(targets)


def _range(answer: Prediction | Estimate) -> Range | Missing:
    return answer if isinstance(answer, Missing) else (answer.low, answer.high)


def _reading(
    breakaway: Range | Missing,
    lock: Range | Missing,
    method: Method,
    law: PreloadLaw | None,
    *,
    widest: bool,
) -> Range | Missing:
    """Readings for a range of breakaway torques.

    The widest that lock ratio and law allow; or those which are within whatever these are and the
    wrench errs.
    """
    for each in (breakaway, lock):
        if isinstance(each, Missing):
            return each
    assert not isinstance(breakaway, Missing)
    assert not isinstance(lock, Missing)
    laws = tuple(PreloadLaw) if law is None else (law,)
    try:
        ends = [
            [wrench_reading(torque, ratio, method, each) for ratio in lock for each in laws]
            for torque in breakaway
        ]
    except ValueError as problem:
        return Missing(str(problem))
    if widest:
        return min(ends[0]), max(ends[1])
    low = max(ends[0]) * (1 + WRENCH_TOLERANCE)
    high = min(ends[1]) * (1 - WRENCH_TOLERANCE)
    if low >= high:
        return Missing("lock ratio and wrench are not known well enough for a limit by this method")
    return low, high
