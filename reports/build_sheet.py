"""The page of a build sheet: what its parts should give, and what a log says of them."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Estimate, Missing, Prediction
from pipeline.findings import why_no_advice
from pipeline.findings_heat import temperatures
from pipeline.predict import BENCH, predictions
from pipeline.result import Finding, SessionResult
from pipeline.stated_parts import INSIDE, stated_parts
from pipeline.strip_downs import Worn
from reports.document import (
    Align,
    Cell,
    Column,
    Note,
    Report,
    Row,
    Section,
    Statement,
    Statements,
    Table,
    Terms,
    no_laps,
)
from reports.heat_table import heat_table
from reports.number_tables import against_sheet, number_rows, whisker
from reports.numbers import count, written
from reports.palette import dark_by_light
from reports.part_words import TABLE_WORDS, part_name, part_value
from reports.strip_downs import strip_down_section, strip_down_statements
from reports.temperature_figure import TemperatureLimits, temperature_spec
from reports.wording import CAUTIONS, GLOSSARY, GRADE_SENTENCES, quantity

_FORWARD = (
    "breakaway_torque_nm",
    "breakaway_new_plates_nm",
    "lock_drive",
    "lock_overrun",
    "spring_force_n",
    "washer_compression_m",
    "washer_travel_left_m",
    *BENCH.values(),
)
_BACKWARD = (
    "friction_by_drive_ramps",
    "friction_by_overrun_ramps",
    "friction_overrun_to_drive",
    "friction_by_breakaway",
    "spring_force_n",
    "washer_compression_m",
    "stack_loss_m",
    "shim_to_wanted_m",
)
_LAW = {"breakaway_torque_nm", "lock_drive", "lock_overrun"}

ASSUMED = (
    (
        "Two equal packs, faces and radii as in the build sheet, plates run in, ramp angles within "
        "half a degree."
    ),
    (
        "The washers have kept their strength: what is lost in force is taken as lost height. A "
        "tired washer looks the same in a log; a press tells them apart."
    ),
    (
        "Friction of the plates is one number for drive and overrun, so the two ramp sides check "
        "each other."
    ),
)


def build_sheet_report(
    sheet: BuildSheet, result: SessionResult | None, worn: Worn | None = None
) -> Report:
    """The page of a build sheet as data, ready for `reports.render.render`.

    Parameters
    ----------
    sheet : BuildSheet
    result : SessionResult or None
        A session driven with these parts, where there is one.
    worn : Worn or None
        What strip-downs say of the packs, where there is a season.
    """
    predicted = predictions(sheet)
    lies: tuple[Finding, ...] = ()
    if result is not None:
        lies = why_no_advice(result.session, result.estimates, result.quality)
        # What the log would say of the parts rests on columns that are not what they are called.
        result = None if lies else result
    facts = ["build sheet", sheet.differential.build]
    if result is not None:
        facts += [result.session.circuit, result.session.name, result.session.date]
    return Report(
        title=f"{sheet.car.name}, build sheet {sheet.differential.build}",
        heading=sheet.car.name or "Car without a name",
        facts=tuple(fact for fact in facts if fact.strip()),
        evidence=_evidence(result),
        sections=(
            _findings(sheet, result, predicted, worn, lies),
            Section(
                "forward", "What the parts should give", _FORWARD_LEAD,
                (_forward(result, predicted),),
            ),
            *(() if result is None else _from_the_log(sheet, result)),
            *(() if worn is None else (strip_down_section(worn),)),
            Section(
                "unsaid", "What cannot be said", _UNSAID_LEAD, (_unsaid(result, predicted),)
            ),
            Section("sheet", "The sheet", "", tuple(_stated(sheet))),
            _about(result),
        ),
        data=no_laps(dark_by_light()),
    )  # fmt: skip


_FORWARD_LEAD = (
    "Ranges come from friction, heights and tolerances that the sheet states; the log stands "
    "beside them where it tells the same number."
)
_UNSAID_LEAD = "Each line names what is missing and so what would settle it."


def _evidence(result: SessionResult | None) -> str:
    if result is None:
        return "none: predicted from the parts alone, no log was held against them"
    return f"{GRADE_SENTENCES[result.session.grade]}; what the parts should give is predicted"


def _findings(
    sheet: BuildSheet,
    result: SessionResult | None,
    predicted: dict[str, Prediction],
    worn: Worn | None,
    lies: tuple[Finding, ...],
) -> Section:
    items = [*map(_statement, lies), *_foretold(predicted), *_from_session(sheet, result)]
    items += () if worn is None else strip_down_statements(worn)
    unsaid = len(list(_missing(result, predicted)))
    if unsaid:
        items.append(
            Statement(
                f"{count(unsaid, 'number')} cannot be said with this sheet"
                f"{'' if result is None else ' and this log'}.",
                "The table below names for each what would settle it.",
                needs_attention=False,
                grade="",
            )
        )
    items.sort(key=lambda item: not item.needs_attention)
    return Section("findings", "Findings", "", (Statements("finding-list", tuple(items), ""),))


def _foretold(predicted: dict[str, Prediction]) -> Iterator[Statement]:
    said = [
        f"{words} {written(answer, unit, factor).interval} {unit}"
        for name, words, unit, factor in (
            ("breakaway_torque_nm", "a breakaway torque of", "N·m", 1.0),
            ("lock_drive", "a lock on drive of", "%", 100.0),
            ("lock_overrun", "a lock on overrun of", "%", 100.0),
        )
        if not isinstance(answer := predicted[name], Missing)
    ]
    if said:
        yield Statement(
            f"These parts should give {', '.join(said)}.",
            "Shims and washers set the breakaway torque, ramps and faces the lock.",
            needs_attention=False,
            grade="predicted",
        )
    travel = predicted["washer_travel_left_m"]
    if not isinstance(travel, Missing) and travel.low <= 0:
        yield Statement(
            f"The washers may be pressed flat: {1000 * travel.low:.2f} to "
            f"{1000 * travel.high:.2f} mm of travel are left.",
            "Measure the stack again before it is assembled; flat washers do not spring.",
            needs_attention=True,
            grade="predicted",
        )


def _from_session(sheet: BuildSheet, result: SessionResult | None) -> Iterator[Statement]:
    """The session's own findings on law, parts and heat; none where its signals lie."""
    if result is None:
        return
    names = _LAW | set(_BACKWARD)
    warm = temperatures(result.session, result.heat, sheet.oil, sheet.limits)
    for found in result.findings:
        if found in warm or (found.rests_on and set(found.rests_on) <= names):
            yield _statement(found)


def _statement(found: Finding) -> Statement:
    grade = "assumed" if found.assumed else str(found.grade)
    return Statement(found.sentence, found.consequence, found.needs_attention, grade)


def _forward(result: SessionResult | None, predicted: dict[str, Prediction]) -> Table:
    return Table(
        "forward-table",
        "",
        tuple(
            Column(label, align=Align.TEXT, sortable=False)
            for label in ("Number", "From the parts", "This log", "Both", "Rests on")
        ),
        tuple(_forward_row(name, predicted[name], result) for name in _FORWARD),
        caption="Filled dot and solid bar: this log. Open diamond and dashed bar: the range that "
        "the parts allow." if result is not None else "",
        stacks=True,
    )  # fmt: skip


def _forward_row(name: str, answer: Prediction, result: SessionResult | None) -> Row:
    shown = quantity(name, "" if isinstance(answer, Missing) else answer.unit)
    label = Cell(shown.label, small=shown.meaning)
    found = None if result is None else result.estimates.get(name)
    log, both = Cell(""), Cell("")
    if isinstance(found, Estimate):
        text = written(found, shown.unit, shown.factor).with_interval
        log = Cell(f"{text} {shown.unit}".rstrip(), small=f"{found.grade}, n {found.n}")
        verdict = against_sheet(found, answer)
        both = Cell("", small=verdict, whisker=whisker(found, answer))
    if isinstance(answer, Missing):
        return Row((label, Cell("not known", hint=answer.reason), log, both, Cell("")))
    text = written(answer, shown.unit, shown.factor).interval
    return Row((label, Cell(f"{text} {shown.unit}".rstrip()), log, both, Cell(answer.method)))


def _from_the_log(sheet: BuildSheet, result: SessionResult) -> tuple[Section, ...]:
    limits = TemperatureLimits(sheet.limits.plate_temperature_c, sheet.oil.limit_c)
    unknown = {name for name, each in result.estimates.items() if isinstance(each, Missing)}
    columns = ("Number", "Value", "95 % interval", "Evidence and what it assumes")
    backward = Table(
        "backward-table",
        "",
        tuple(Column(label, align=Align.TEXT, sortable=False) for label in columns),
        number_rows(result, [name for name in _BACKWARD if name not in unknown]),
        empty="Nothing with this sheet; what is missing stands below.",
        stacks=True,
    )
    return (
        Section(
            "backward",
            "What the log says of the parts",
            "Breakaway torque and both lock ratios, turned back into friction, force and height.",
            (backward, Note("Assumed throughout", ASSUMED)),
        ),
        Section(
            "temperatures",
            "Temperatures",
            "",
            (temperature_spec(result.heat, limits, 1), heat_table(result)),
        ),
    )


def _missing(
    result: SessionResult | None, predicted: dict[str, Prediction]
) -> Iterator[tuple[str, str]]:
    """Numbers that cannot be said, and why; those of the log are called so."""
    for name in _FORWARD:
        answer = predicted[name]
        if isinstance(answer, Missing):
            yield quantity(name, "").label, answer.reason
    if result is None:
        return
    for name in _BACKWARD:
        found = result.estimates.get(name)
        if isinstance(found, Missing):
            yield f"{quantity(name, '').label} (from the log)", found.reason
    if isinstance(result.heat, Missing):
        yield "Temperatures", result.heat.reason
        return
    for name, warm in result.heat.answers.items():
        if isinstance(warm, Missing):
            yield quantity(name, "").label, warm.reason


def _unsaid(result: SessionResult | None, predicted: dict[str, Prediction]) -> Table:
    """What is missing, each with all the numbers that wait for it."""
    waiting: dict[str, list[str]] = {}
    for label, reason in _missing(result, predicted):
        waiting.setdefault(reason, []).append(label)
    return Table(
        "unsaid-table",
        "",
        (
            Column("What is missing", align=Align.TEXT, sortable=False),
            Column("Numbers that wait for it", align=Align.TEXT, sortable=False),
        ),
        tuple(
            Row((Cell(f"{reason[:1].upper()}{reason[1:]}"), Cell(", ".join(labels))))
            for reason, labels in waiting.items()
        ),
        empty="Nothing: the sheet states all that its numbers need.",
        stacks=True,
    )


def _stated(sheet: BuildSheet) -> Iterator[Terms]:
    for table in INSIDE:
        parts = stated_parts(sheet, (table,))
        known = [part for part in parts if part.value is not None]
        items = tuple(
            (part_name(part.key), (f"{part_value(part.key, part.value) or 'not stated'}: "
                                  f"{part.meaning}."))
            for part in parts
        )  # fmt: skip
        yield Terms(TABLE_WORDS[table], items, fold=f"{len(known)} of {len(parts)} stated")


def _about(result: SessionResult | None) -> Section:
    blocks: tuple[Note | Terms, ...] = (
        Note("Cautions", CAUTIONS, strong=True),
        Terms("Words", GLOSSARY, fold=f"{len(GLOSSARY)} words"),
    )
    if result is not None:
        source = (("session", result.session.id), *result.provenance.items())
        blocks = (
            *blocks, Terms("Provenance", source, code=True, fold="log, settings, versions")
        )  # fmt: skip
    return Section("about", "About this page", "", blocks)
