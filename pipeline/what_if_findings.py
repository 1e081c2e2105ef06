"""What other parts would change, in sentences: the law, the bench, energy, heat, what is unsaid."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.build_sheet import BuildSheet
from pipeline.choices import ways_between
from pipeline.estimate import Estimate, Missing, Predicted
from pipeline.result import HeatSummary
from pipeline.what_if import WhatIf

Answer = Estimate | Predicted | Missing


@dataclass(frozen=True, slots=True)
class Outlook:
    """One sentence on the other parts and what follows from it."""

    sentence: str
    consequence: str = ""
    needs_attention: bool = False
    assumed: bool = False
    """Whether it rests on ranges of the build sheet that no log has narrowed."""


@dataclass(frozen=True, slots=True)
class _Number:
    """One number of the law: its name, how it is written, and what more and less of it does."""

    name: str
    words: str
    unit: str
    factor: float
    decimals: int
    more: str = ""
    less: str = ""

    def span(self, answer: Estimate | Predicted) -> str:
        return _span(answer, self.unit, self.factor, self.decimals)


_BREAKAWAY = _Number("breakaway_torque_nm", "breakaway torque", "N·m", 1.0, 0)
# What a lock does to the car is common practice, no source.
_LOCKS = (
    _Number(
        "lock_drive", "lock on drive", "%", 100.0, 1,
        more="The inside wheel runs away less; the axle pushes the nose out more under power.",
        less="The car turns more freely under power; the inside wheel may run away sooner.",
    ),
    _Number(
        "lock_overrun", "lock on overrun", "%", 100.0, 1,
        more="Steadier into the corner; the nose is held out more off the throttle.",
        less="Turns in more freely off the throttle; less steady into the corner.",
    ),
)  # fmt: skip
_NO_WRENCH = "The wrench's reading cannot be told: {}."
_SPOOL = "A lock of 100 % or more holds the axle as a spool does: the inside wheel drags or scrubs."


def outlook(found: WhatIf, then: BuildSheet) -> tuple[Outlook, ...]:
    """What the other parts change, the sentences that need a hand first."""
    said = [
        *_law(found),
        *_service_limits(found, then),
        *_way(found),
        *_energy(found),
        *([Outlook(found.too_far, needs_attention=True)] if found.too_far else []),
        *_warmth(found),
    ]
    return tuple(sorted(said, key=lambda each: not each.needs_attention))


def _law(found: WhatIf) -> list[Outlook]:
    said, stays = [], []
    for each in (_BREAKAWAY, *_LOCKS):
        today, new = found.today[each.name], found.then[each.name]
        if isinstance(new, Missing):
            said.append(
                Outlook(
                    f"The {each.words} with these parts cannot be said: {new.reason}.",
                    "State it in the sheet, or measure it after assembly.",
                    needs_attention=True,
                )
            )
            continue
        assert not isinstance(today, Missing)
        if abs(new.value - today.value) <= 1e-6 * abs(today.value):
            stays.append(f"{each.words} {each.span(today)}")
        elif each is _BREAKAWAY:
            said.append(Outlook(_moves(each, today, new), _bench(found)))
        else:
            said.append(_lock_moves(each, today, new))
    if stays:
        said.append(Outlook(f"It stays as it is: {', '.join(stays)}."))
    return said


def _moves(number: _Number, today: Estimate | Predicted, new: Predicted) -> str:
    spans = f"from {number.span(today)} to {number.span(new)}"
    if new.low > today.high:
        return f"The {number.words} rises {spans}."
    if new.high < today.low:
        return f"The {number.words} falls {spans}."
    return f"The {number.words} may change {spans}: both ranges leave it open."


def _lock_moves(number: _Number, today: Estimate | Predicted, new: Predicted) -> Outlook:
    if new.high >= 1:
        return Outlook(_moves(number, today, new), _SPOOL, needs_attention=True)
    does = number.more if new.low > today.high else number.less if new.high < today.low else ""
    return Outlook(_moves(number, today, new), does)


def _bench(found: WhatIf) -> str:
    held = found.then["bench_other_wheel_held_nm"]
    if isinstance(held, Missing):
        return _NO_WRENCH.format(held.reason)
    return (
        f"On the bench, other wheel held and gearbox in neutral, the wrench should read "
        f"{held.low:.0f} to {held.high:.0f} N·m while it turns steadily."
    )


def _service_limits(found: WhatIf, then: BuildSheet) -> list[Outlook]:
    allowed, new = then.limits.breakaway_nm, found.then["breakaway_torque_nm"]
    if allowed is None or isinstance(new, Missing) or _within(new, allowed):
        return []
    return [
        Outlook(
            f"The breakaway torque may leave its service limits of {allowed[0]:.0f} to "
            f"{allowed[1]:.0f} N·m: {new.low:.0f} to {new.high:.0f} is expected.",
            "Choose another shim or washer, or ask the unit's maker.",
            needs_attention=True,
        )
    ]


def _within(answer: Predicted, span: tuple[float, float]) -> bool:
    return span[0] <= answer.low and answer.high <= span[1]


def _way(found: WhatIf) -> list[Outlook]:
    today, new = (side["lock_overrun_to_drive"] for side in (found.today, found.then))
    if isinstance(today, Missing) or isinstance(new, Missing):
        return []
    was, will_be = (" or ".join(ways_between(each.low, each.high)) for each in (today, new))
    if was == will_be:
        return [Outlook(f"The unit goes on working as {was}.")]
    return [Outlook(f"The unit works as {will_be}; today as {was}.")]


def _energy(found: WhatIf) -> list[Outlook]:
    today, new = found.today["energy_per_lap_j"], found.then["energy_per_lap_j"]
    if isinstance(new, Missing) or isinstance(today, Missing):
        why = next(each.reason for each in (new, today) if isinstance(each, Missing))
        return [Outlook(f"Energy per lap with these parts cannot be said: {why}.")]
    spans = f"{_span(today, 'kJ', 1e-3, 1)} today, {_span(new, 'kJ', 1e-3, 1)} with these parts"
    if new.low > today.high:
        return [Outlook(f"The packs turn more into heat each lap: {spans}.", _HOTTER)]
    if new.high < today.low:
        return [Outlook(f"The packs turn less into heat each lap: {spans}.")]
    return [Outlook(f"A change in energy per lap is not shown: {spans}.")]


_HOTTER = "Watch the oil temperature on the first run, and come in early."


def _warmth(found: WhatIf) -> list[Outlook]:
    if isinstance(found.heat_today, Missing) or isinstance(found.heat_then, Missing):
        why = next(
            each.reason for each in (found.heat_today, found.heat_then) if isinstance(each, Missing)
        )
        return [Outlook(f"Temperatures with these parts cannot be said: {why}.")]
    heat = found.heat_then
    how = "" if heat.fitted else " (assumed)"
    said = [
        f"{words} {_degrees(peak)}"
        for name, words in (
            ("plates_peak_c", "the plates"),
            ("oil_peak_c", "the oil"),
            ("oil_race_end_c", "at the end of a race the oil"),
        )
        if not isinstance(peak := heat.answers[name], Missing)
    ]
    race_end = found.warmer.get("oil_race_end_c")
    more = race_end or found.warmer.get("oil_peak_c")
    if not said or more is None:
        return []
    where = "the oil at the end of a race" if race_end else "the oil"
    first = Outlook(
        f"Hottest{how}: {', '.join(said)}. Against today {where}: {_warmer(more)}.",
        assumed=not heat.fitted,
    )
    return [first, *_margins(heat)]


def _warmer(more: Predicted) -> str:
    """A difference in temperature in words; without a sign of its own where it may have either."""
    if more.low <= 0 <= more.high:
        return f"no change shown ({more.low:+.0f} to {more.high:+.0f} K)"
    word = "warmer" if more.value > 0 else "cooler"
    ends = sorted((abs(more.low), abs(more.high)))
    return f"{abs(more.value):.0f} K {word} ({ends[0]:.0f} to {ends[1]:.0f})"


def _margins(heat: HeatSummary) -> list[Outlook]:
    said = []
    for part in ("oil", "plates"):
        margin = heat.answers[f"{part}_margin_k"]
        if isinstance(margin, Missing) or margin.low >= 0:
            continue
        sure = margin.high < 0
        said.append(
            Outlook(
                f"Over the stated race length the {part} {'pass' if sure else 'may pass'} "
                f"{'its' if part == 'oil' else 'their'} limit: margin {margin.value:.0f} K "
                f"({margin.low:.0f} to {margin.high:.0f}){'' if heat.fitted else ', assumed'}.",
                "Cool the unit, shorten the run or change in a smaller step. The limits of the "
                "oil's and the unit's makers come first.",
                needs_attention=sure or heat.fitted,
                assumed=not heat.fitted,
            )
        )
    return said


def _degrees(answer: Estimate | Predicted) -> str:
    return f"{answer.value:.0f} °C ({answer.low:.0f} to {answer.high:.0f})"


def _span(answer: Estimate | Predicted, unit: str, factor: float, decimals: int) -> str:
    value, low, high = (factor * each for each in (answer.value, answer.low, answer.high))
    return f"{value:.{decimals}f} {unit} ({low:.{decimals}f} to {high:.{decimals}f})"
