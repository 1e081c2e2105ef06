"""The page that holds other parts against today's on a recorded session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Estimate, Missing, Predicted
from pipeline.predict import BENCH
from pipeline.result import FloatArray, SessionInfo
from pipeline.stated_parts import differing
from pipeline.what_if import LawCurve, WhatIf
from pipeline.what_if_findings import outlook
from reports.document import (
    Align,
    Cell,
    Column,
    FigureSpec,
    JsonDict,
    LegendKey,
    Note,
    Report,
    Row,
    Section,
    Statement,
    Statements,
    Table,
    Terms,
    Whisker,
    no_laps,
)
from reports.lap_columns import typed
from reports.numbers import written
from reports.palette import LIGHT, dark_by_light
from reports.part_words import changes_table
from reports.plain_figures import axis, layout, ribbon
from reports.temperature_figure import TemperatureLimits, temperature_spec
from reports.wording import CAUTIONS, GLOSSARY, quantity

Answer = Estimate | Predicted | Missing

_GROUPS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        "what-if-law",
        "The law of the packs",
        (
            "breakaway_torque_nm",
            "breakaway_new_plates_nm",
            "lock_drive",
            "lock_overrun",
            "lock_overrun_to_drive",
            "spring_force_n",
        ),
    ),
    ("what-if-bench", "A wrench on one wheel", tuple(BENCH.values())),
    ("what-if-energy", "On this circuit", ("energy_per_lap_j",)),
)
_HEAT_ROWS = (
    "plates_peak_c",
    "oil_peak_c",
    "oil_race_end_c",
    "plates_race_end_c",
    "oil_margin_k",
    "plates_margin_k",
)


def what_if_report(
    info: SessionInfo, found: WhatIf, today: BuildSheet, then: BuildSheet, changed_by: str
) -> Report:
    """The page of a what-if as data, ready for `reports.render.render`.

    Parameters
    ----------
    info : SessionInfo
        The recorded session.
    found : WhatIf
    today, then : BuildSheet
    changed_by : str
        How the other parts were named, in the user's own words.
    """
    facts = (info.circuit, info.name, info.date, f"today {info.build}", f"on paper {changed_by}")
    return Report(
        title=f"{info.car}, other parts on {info.name}",
        heading=info.car or "Car without a name",
        facts=tuple(fact for fact in facts if fact.strip()),
        evidence=f"predicted, from a law that is {info.grade} in this session",
        sections=(
            _findings(info, found, today, then),
            Section("side-by-side", "Today and on paper", _LEAD, _tables(found)),
            Section("packs", "The packs", "", (_law_spec(found),)),
            Section("temperatures", "Temperatures", "", (_temperatures(found, then),)),
            Section("limits", "Where this ends", "", (Note(_FROZEN, found.limits),)),
            Section(
                "about", "About this page", "",
                (
                    Note("Cautions", (*CAUTIONS, _GENTLY), strong=True),
                    Terms("Words", GLOSSARY, fold=f"{len(GLOSSARY)} words"),
                    Terms("Provenance", (("session", info.id),), code=True),
                ),
            ),
        ),
        data=no_laps(dark_by_light()),
    )  # fmt: skip


_LEAD = (
    "The dot and its stroke are on paper, the diamond and its dashes today; each row has a scale "
    "of its own that begins at zero."
)
_FROZEN = "What stays as recorded, and what nobody can tell from it"
_GENTLY = (
    "After a change inside the differential go out gently: the car turns in and puts its power "
    "down differently."
)


def _findings(info: SessionInfo, found: WhatIf, today: BuildSheet, then: BuildSheet) -> Section:
    items = tuple(
        Statement(
            each.sentence,
            each.consequence,
            each.needs_attention,
            "assumed" if each.assumed else f"predicted, {info.grade} today",
        )
        for each in outlook(found, then)
    )
    statements = Statements("finding-list", items, "Nothing changes.")
    return Section("findings", "Findings", "", (statements, changes_table(differing(today, then))))


def _tables(found: WhatIf) -> tuple[Table, ...]:
    tables = [
        _table(anchor, title, [(each, found.today[each], found.then[each]) for each in names])
        for anchor, title, names in _GROUPS
    ]
    today, then = found.heat_today, found.heat_then
    rows: list[tuple[str, Answer, Answer]] = []
    why = ""
    if isinstance(today, Missing) or isinstance(then, Missing):
        why = next(each.reason for each in (today, then) if isinstance(each, Missing))
    else:
        rows = [(name, today.answers[name], then.answers[name]) for name in _HEAT_ROWS]
    warm = _table("what-if-heat", "Temperatures", rows)
    # All rest on the same; it is said once.
    basis = "" if isinstance(then, Missing) else f"{then.basis[:1].upper()}{then.basis[1:]}."
    bare = tuple(replace(row, cells=(*row.cells[:-1], Cell(""))) for row in warm.rows)
    return (*tables, replace(warm, rows=bare, caption=basis, empty=f"Not observable: {why}."))


def _table(anchor: str, title: str, rows: Sequence[tuple[str, Answer, Answer]]) -> Table:
    return Table(
        anchor,
        title,
        tuple(
            Column(label, align=Align.TEXT, sortable=False)
            for label in ("Number", "Today", "On paper", "Both", "What it rests on")
        ),
        tuple(_row(*row) for row in rows),
        stacks=True,
    )


def _row(name: str, today: Answer, then: Answer) -> Row:
    unit = "" if isinstance(then, Missing) else then.unit
    shown = quantity(name, unit)
    label = Cell(shown.label, small=shown.meaning)
    if isinstance(today, Missing) and isinstance(then, Missing):
        return Row((label, Cell(f"not observable: {then.reason}", span=4)))
    return Row((
        label,
        _answer(today, shown.unit, shown.factor),
        _answer(then, shown.unit, shown.factor),
        Cell("", whisker=_both(today, then)),
        Cell("" if isinstance(then, Missing) else then.method),
    ))  # fmt: skip


def _answer(answer: Answer, unit: str, factor: float) -> Cell:
    if isinstance(answer, Missing):
        return Cell("not known", small=answer.reason)
    text = f"{written(answer, unit, factor).with_interval} {unit}".rstrip()
    if isinstance(answer, Estimate):
        return Cell(text, small=f"{answer.grade}, n {answer.n}")
    return Cell(text, small="assumed" if answer.method.startswith("assumed") else "predicted")


def _both(today: Answer, then: Answer) -> Whisker | None:
    """Today dashed and on paper whole, on a scale from zero or the lower end to the upper."""
    if isinstance(today, Missing) or isinstance(then, Missing):
        return None
    ends = (today.low, today.high, then.low, then.high)
    start, stop = min(0.0, *ends), max(0.0, *ends)
    span = (stop - start) or 1.0

    def at(value: float) -> float:
        return min(max((value - start) / span, 0.0), 1.0)

    return Whisker(
        at(then.value), at(then.low), at(then.high),
        at(today.value), at(today.low), at(today.high), zero=at(0.0),
    )  # fmt: skip


def _law_spec(found: WhatIf) -> FigureSpec:
    laws = found.laws
    title = "How much would the packs hold back?"
    if laws is None:
        return FigureSpec(
            "law", 1, title, "", title, None, absent="the session's law is not drawn."
        )
    legend = [LegendKey("today, as the log shows it, 95 % band", "sheet")]
    if laws.then is not None:
        legend.append(LegendKey("on paper, with its range", "law"))
    return FigureSpec(
        id="law",
        number=1,
        title=title,
        caption="Torque difference between the half-shafts while the packs slide. Where a law "
        "meets the zero line is the breakaway torque; its slopes are the lock on drive, to the "
        "right, and on overrun, to the left.",
        description="Two laws with bands over the input torque; the table holds their numbers.",
        figure={
            "data": [
                *_law(laws.input_nm, laws.today, "sheet", "9px,5px", hatched=True),
                *([] if laws.then is None else _law(laws.input_nm, laws.then, "law", "solid")),
            ],
            "layout": layout(
                380,
                xaxis=axis("input torque [N·m]", zerolinecolor=LIGHT["muted"]),
                yaxis=axis("torque difference [N·m]", rangemode="tozero"),
            ),
        },
        legend=tuple(legend),
    )


def _law(
    input_nm: FloatArray, law: LawCurve, colour: str, dash: str, *, hatched: bool = False
) -> list[JsonDict]:
    name = "today" if hatched else "on paper"
    band = ribbon(input_nm, law.low_nm, law.high_nm, LIGHT[f"{colour}_band"], name)
    if hatched:
        band["fillpattern"] = {
            "shape": "/", "fgcolor": LIGHT[colour], "fgopacity": 0.55, "solidity": 0.08, "size": 7,
            "fillmode": "overlay",
        }  # fmt: skip
    line: JsonDict = {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": typed(input_nm),
        "y": typed(law.middle_nm),
        "line": {"color": LIGHT[colour], "width": 2.4, "dash": dash},
        "hoverinfo": "skip",
    }
    return [band, line]


def _temperatures(found: WhatIf, then: BuildSheet) -> FigureSpec:
    limits = TemperatureLimits(then.limits.plate_temperature_c, then.oil.limit_c)
    today = None if isinstance(found.heat_today, Missing) else found.heat_today
    return temperature_spec(found.heat_then, limits, 2, today=today)
