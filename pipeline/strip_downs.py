"""What strip-downs say against heat model and log, and how fast the pack wears by all of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from pipeline.build_sheet import BuildSheet
from pipeline.courses import FORCE
from pipeline.disc_spring import stack_force
from pipeline.estimate import Estimate, Missing
from pipeline.season import PackLife, Season
from pipeline.season_session import SeasonSession
from pipeline.service_record import ServiceEntry
from pipeline.springs import as_built
from pipeline.teardown import HEIGHT, OIL_HOT, PLATES_HOT, Seen, SeenRange, seen_range
from pipeline.temper import held_against
from pipeline.wear import WearRate, assumed_rate, found_rate, together

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class StripDown:
    """One observation of a teardown and what it was held against, in words."""

    entry: ServiceEntry
    build: str
    seen: str
    """What the observation stands for; or why it stands for nothing."""
    against: str
    """What model or log say of the same; empty where they say nothing."""
    agrees: bool | None
    """None where there is nothing to hold it against."""
    consequence: str = ""
    assumed: bool = False
    """Whether it was held against ranges of the build sheet alone."""
    rebuilt: bool = False
    """Whether the pack has been built anew since."""


@dataclass(frozen=True, slots=True)
class Wear:
    """How fast the stack loses height, and what that makes of the pack that ran last."""

    rate: WearRate
    basis: str
    build: str
    exposure_mj: float
    lost_m: tuple[float, float, float]
    """Value, least and most, by rate and energy."""
    limit_m: float | None
    left_mj: Range | None
    """Energy until the limit, least and most; None without a limit."""
    left_laps: Range | None


@dataclass(frozen=True, slots=True)
class Worn:
    """What strip-downs and logs say together of the packs' insides."""

    strip_downs: tuple[StripDown, ...]
    """Oldest first."""
    wear: Wear | Missing


def worn(season: Season, sheet: BuildSheet) -> Worn:
    """Every observation of the teardowns held against what ran before it, and the wear."""
    held = [
        replace(_held(life, each, season, sheet), rebuilt=life.ended is not None)
        for life, each in _observations(season)
    ]
    return Worn(tuple(sorted(held, key=lambda each: each.entry.on)), _wear(season, sheet))


def _observations(season: Season) -> Iterator[tuple[PackLife, ServiceEntry]]:
    """Teardowns with the pack that they ended or opened: one of a build's own day is of the last.

    An entry that several packs could be meant by counts for the one that ran last before it.
    """
    latest: dict[ServiceEntry, PackLife] = {}
    for life in season.lives:
        for each in season.teardowns:
            if life.since < each.on and (life.ended is None or each.on <= life.ended):
                known = latest.get(each)
                last = max((s.on for s in life.sessions if s.on <= each.on), default=None)
                if last is None:
                    continue
                if known is None or last > max(s.on for s in known.sessions if s.on <= each.on):
                    latest[each] = life
    for entry, life in latest.items():
        yield life, entry


def _before(life: PackLife, entry: ServiceEntry) -> list[SeasonSession]:
    return [session for session in life.sessions if session.on <= entry.on]


def _exposure_j(life: PackLife, entry: ServiceEntry) -> float:
    """Energy that the pack had turned into heat when it was taken apart. [J]"""
    total = sum(session.laps for session in life.sessions)
    done = sum(session.laps for session in _before(life, entry))
    known = [session.energy_j for session in _before(life, entry)]
    if all(each is not None for each in known):
        return float(sum(each for each in known if each is not None))
    return 1e6 * life.exposure_mj * done / max(total, 1)


def _held(life: PackLife, entry: ServiceEntry, season: Season, sheet: BuildSheet) -> StripDown:
    seen = Seen(entry.method)
    found = seen_range(seen, entry.value, entry.note, sheet)
    if isinstance(found, Missing):
        return StripDown(entry, life.build, f"{seen}: {found.reason}", "", None)
    if seen in PLATES_HOT:
        return _heat(life, entry, found, "plates_peak_c", "plates")
    if seen in OIL_HOT:
        return _heat(life, entry, found, "oil_peak_c", "oil and housing")
    if seen in HEIGHT:
        return _height(life, entry, found, season, sheet)
    return _notch(life, entry, found)


def _heat(life: PackLife, entry: ServiceEntry, found: SeenRange, name: str, what: str) -> StripDown:
    said = f"{found.seen}: {_degrees(found.low, found.high)}"
    peaks = [
        peak
        for session in _before(life, entry)
        if (peak := session.estimates.get(name) or session.assumed.get(name)) is not None
    ]
    if not peaks:
        return StripDown(entry, life.build, said, "", None)
    hottest = max(peaks, key=lambda each: each.value)
    model = max(each.low for each in peaks), max(each.high for each in peaks)
    assumed = not isinstance(hottest, Estimate)
    against = (
        f"the heat model has the {what} at {hottest.value:.0f} °C at most "
        f"({model[0]:.0f} to {model[1]:.0f}{', assumed' if assumed else ''})"
    )
    verdict = held_against((found.low, found.high), model)
    then = {
        "agrees": "",
        "hotter than the model": "It got hotter than the model says: look for sessions that were "
        "not logged, for a pack that dragged or ran short of oil, and at the sheet's [heat].",
        "cooler than the model": "It stayed cooler than the model says, or an oil film kept the "
        "steel bright: log the oil temperature and narrow the sheet's [heat].",
    }[verdict]
    return StripDown(entry, life.build, said, against, verdict == "agrees", then, assumed)


def _degrees(low: float, high: float) -> str:
    if math.isinf(high):
        return f"at least {low:.0f} °C"
    if math.isinf(low):
        return f"at most {high:.0f} °C"
    return f"{low:.0f} to {high:.0f} °C"


def _height(
    life: PackLife, entry: ServiceEntry, found: SeenRange, season: Season, sheet: BuildSheet
) -> StripDown:
    said = f"{found.seen}: {_millimetres(found.low, found.high)} lost"
    by_log = [
        loss
        for session in _before(life, entry)
        if (loss := session.estimates.get("stack_loss_m")) is not None
    ]
    others = [each for each in _measured(season, sheet) if each.entry is not entry]
    elsewhere = replace(season, lives=tuple(each for each in season.lives if each is not life))
    rate = _rate(elsewhere, sheet, others)
    known: list[tuple[str, Range]] = []
    order: list[tuple[str, Range]] = []
    if by_log:
        known.append(("the log's washer force", (by_log[-1].low, by_log[-1].high)))
    if not isinstance(rate, Missing):
        done = _exposure_j(life, entry)
        span = max(rate.low, 0.0) * done, rate.high * done
        if rate.assumed:
            order.append(("energy and an assumed wear", span))
        else:
            known.append(("energy and the wear found elsewhere", span))
    if not known and not order:
        return StripDown(entry, life.build, said, "", None)
    against = "; ".join(f"{words}: {_millimetres(*span)}" for words, span in known + order)
    # An order of size contradicts nothing as long as anything better is known.
    agrees = all(span[0] <= found.high and found.low <= span[1] for _, span in known or order)
    then = ""
    if by_log and by_log[-1].low > found.high:
        then = "The log lost more force than this height explains: measure the washers in a press."
    elif by_log and by_log[-1].high < found.low:
        then = (
            "The washers push harder than this loss leaves them: check heights, shims and washers "
            "against the sheet."
        )
    elif not agrees:
        then = "Wear does not follow the energy: look at plates, oil and unlogged running."
    return StripDown(entry, life.build, said, against, agrees, then, not known)


def _millimetres(low_m: float, high_m: float) -> str:
    if high_m < 5e-5:
        return f"{1e6 * low_m:.2g} to {1e6 * high_m:.2g} µm"
    return f"{1000 * low_m:.2f} to {1000 * high_m:.2f} mm"


def _notch(life: PackLife, entry: ServiceEntry, found: SeenRange) -> StripDown:
    """Notches hold plates back, which the log would show as lock that differs by direction."""
    said = f"{found.seen}: {_millimetres(max(found.low, 0.0), found.high)} deep"
    shown = [
        lag
        for session in _before(life, entry)
        if (lag := session.estimates.get("lock_hysteresis_drive")) is not None
    ]
    then = "Dress or replace notched splines: plates that hang neither press nor let go evenly."
    if not shown:
        return StripDown(entry, life.build, said, "", None, then)
    last = shown[-1]
    clear = last.low > 0
    against = (
        f"the log's lock on drive {'is' if clear else 'is not clearly'} higher with the torque "
        f"falling: {100 * last.value:.1f} % ({100 * last.low:.1f} to {100 * last.high:.1f})"
    )
    return StripDown(entry, life.build, said, against, True if clear else None, then)


def _wear(season: Season, sheet: BuildSheet) -> Wear | Missing:
    """How fast the stack wears, and what of it is left in the pack that ran last."""
    measured = _measured(season, sheet)
    rate = _rate(season, sheet, measured)
    if isinstance(rate, Missing):
        return rate
    life = next((each for each in reversed(season.lives) if each.ended is None), None)
    if life is None:
        return Missing("no session is of a pack that has not been built anew since")
    done = 1e6 * life.exposure_mj
    lost = rate.value * done, max(rate.low, 0.0) * done, rate.high * done
    limit = sheet.limits.stack_loss_m
    left = None if limit is None else rate.energy_left_j(lost[0], limit)
    pace = life.sessions[-1].estimates.get("energy_per_lap_j")
    laps = None
    if left is not None and pace is not None and pace.value > 0:
        laps = left[0] / pace.value, left[1] / pace.value
    return Wear(
        rate, _basis(rate), life.build, life.exposure_mj, lost, limit,
        None if left is None else (left[0] / 1e6, left[1] / 1e6), laps,
    )  # fmt: skip


def _basis(rate: WearRate) -> str:
    if rate.assumed:
        return "assumed: an order of size, until a strip-down or a course of the washers' force"
    said = [
        f"{number} {words if number == 1 else words + 's'}"
        for number, words in ((rate.strips, "strip-down"), (rate.trends, "course of washer force"))
        if number
    ]
    return " and ".join(said).replace("course of washer forces", "courses of washer force")


@dataclass(frozen=True, slots=True)
class Measured:
    """A height that a strip-down measured."""

    entry: ServiceEntry
    build_since: tuple[str, date]
    """Which pack."""
    energy_j: float
    lost: SeenRange


def _measured(season: Season, sheet: BuildSheet) -> list[Measured]:
    """Strip-downs that measured a height, of packs that had run."""
    found = []
    for life, entry in _observations(season):
        seen = Seen(entry.method)
        span = seen_range(seen, entry.value, entry.note, sheet) if seen in HEIGHT else None
        done = _exposure_j(life, entry)
        if isinstance(span, SeenRange) and done > 0:
            found.append(Measured(entry, (life.build, life.since), done, span))
    return found


def _rate(season: Season, sheet: BuildSheet, measured: Sequence[Measured]) -> WearRate | Missing:
    """Wear by strip-downs, by the washers' force of packs nobody measured, else assumed. [m/J]

    A height is measured directly; the force falls with tired washers as well, so a pack that was
    measured is not asked twice.
    """
    known = {each.build_since for each in measured}
    rates = [
        rate
        for life in season.lives
        if (life.build, life.since) not in known and (rate := _trend(life, sheet)) is not None
    ]
    if measured:
        middles = [0.5 * (each.lost.low + each.lost.high) for each in measured]
        half = max(0.5 * (each.lost.high - each.lost.low) for each in measured)
        rates.append(found_rate([each.energy_j for each in measured], middles, half / 1.96))
    if rates:
        return together(rates)
    parts = sheet.differential
    friction, outer, inner = (
        parts.plate_friction, parts.plate_outer_radius_m, parts.plate_inner_radius_m,
    )  # fmt: skip
    if friction is None or outer is None or inner is None:
        return Missing(
            "the build sheet leaves out the plates' friction or radii, and nothing was stripped"
        )
    return assumed_rate(friction, math.pi * (outer**2 - inner**2))


def _trend(life: PackLife, sheet: BuildSheet) -> WearRate | None:
    """Height lost for each joule by the course of the washers' force; None where none is told.

    Assumes that the washers keep their strength. Their own scatter is in the stiffness only.
    """
    change, stack = life.courses[FORCE].change_per_mj, sheet.washers.stack
    pressed = as_built(sheet)
    if isinstance(change, Missing) or stack is None or isinstance(pressed, Missing):
        return None
    step = 0.05 * pressed.value
    ends = np.array([pressed.value - step, pressed.value + step])
    stiffness = float(np.diff(stack_force(stack, ends))[0]) / (2 * step)
    if stiffness <= 0:
        return None  # a tall washer near its top says nothing of height
    share = 0.5 * (sheet.washers.shares[1] - sheet.washers.shares[0])
    value = -change.value / stiffness / 1e6
    half = math.hypot(change.half_width / stiffness / 1e6, share * abs(value))
    return WearRate(value, value - half, value + half, 0, 1)
