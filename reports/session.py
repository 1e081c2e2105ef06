"""What one session says, in the order a mechanic needs it: findings, laps, evidence, limits."""

from __future__ import annotations

from pipeline.estimate import Missing
from pipeline.result import (
    SLIP_STATES,
    STATES,
    AxleState,
    Finding,
    SessionResult,
)
from reports import figures
from reports.circuit_map import (
    bounds_m,
    corner_places,
    largest_corner_energy_j,
    map_figure,
    reference_span,
)
from reports.document import (
    Along,
    FigureSpec,
    JsonDict,
    LegendKey,
    Link,
    Note,
    Option,
    Report,
    Section,
    Statement,
    Statements,
    Terms,
)
from reports.figure_words import heat_words, lock_words, map_words, slip_words, torque_words
from reports.figures import side
from reports.heat_table import heat_table
from reports.lap_columns import drawn_length_m, lap_columns, no_state_share
from reports.number_tables import choice_table, further_tables, key_number_table
from reports.numbers import count, lap_time, number
from reports.palette import LIGHT, dark_by_light
from reports.session_budget import budget_section
from reports.session_limits import exclusion_table, quality_table, threshold_table
from reports.session_tables import corner_table, lap_table
from reports.wording import (
    CAUTIONS,
    GLOSSARY,
    GRADE_SENTENCES,
    LAW_SHAPE,
    STATE_LETTER,
    STATE_MEANING,
    quantity,
)

SEEN_OFF = 0.015
"""Share of a figure's height from which on thinning is said. Chosen here: a line's own width."""
FIGURE_ORDER = ("lock", "slip", "heat", "torque", "map")


def session_report(result: SessionResult) -> Report:
    """The page of one session as data, ready for `reports.render.render`."""
    session = result.session
    columns, off = lap_columns(result)
    reference = reference_span(result)
    first = reference.number if reference is not None else None
    if first is None and columns:
        first = int(next(iter(columns)))
    facts = (session.circuit, session.name, session.date, session.driver, session.build)
    return Report(
        title=f"{session.car}, {session.circuit}, {session.name}",
        heading=session.car or "Car without a name",
        facts=tuple(fact for fact in facts if fact.strip()),
        evidence=GRADE_SENTENCES[session.grade],
        sections=(
            _findings_section(result),
            _laps_section(result),
            _lock_section(result),
            _heat_section(result),
            _axle_section(result, off),
            _corners_section(result),
            _numbers_section(result),
            budget_section(result),
            _left_out_section(result),
            _about_section(result),
        ),
        laps=_lap_options(result, columns),
        corners=tuple(
            Option(corner.number, f"corner {corner.number}, {side(corner)}")
            for corner in result.corners
        ),
        first_lap=first,
        data=_page_data(result, columns, off),
    )


def _lap_options(result: SessionResult, columns: dict[str, JsonDict]) -> tuple[Option, ...]:
    return tuple(
        Option(
            lap.number,
            f"lap {lap.number} · {lap_time(lap.lap_time_s)}{'' if lap.valid else ', not counted'}",
        )
        for lap in result.laps
        if str(lap.number) in columns
    )


def _page_data(result: SessionResult, columns: dict[str, JsonDict], off: float) -> JsonDict:
    places = corner_places(result)
    return {
        "length": drawn_length_m(result),
        "laps": columns,
        "off": round(off, 4),
        "notCounted": {str(lap.number): lap.reason for lap in result.laps if not lap.valid},
        "corners": [
            {
                "number": corner.number,
                "start": round(corner.start_m, 1),
                "apex": round(corner.apex_m, 1),
                "end": round(corner.end_m, 1),
                "place": places.get(corner.number),
            }
            for corner in result.corners
        ],
        "bounds": bounds_m(result),
        "states": [str(state) for state in STATES],
        "second": LIGHT["second"],
        "behind": LIGHT["muted"],
        "darkByLight": dark_by_light(),
    }


def _links(finding: Finding, result: SessionResult) -> tuple[Link, ...]:
    """Each number a finding rests on, then each figure that shows it, once."""
    links: list[Link] = []
    for name in finding.rests_on:
        if name in result.estimates:
            links.append(Link(f"n-{name}", quantity(name, "").label.lower()))
    for name in finding.rests_on:
        figure = quantity(name, "").figure
        if figure:
            link = Link(f"figure-{figure}", f"figure {FIGURE_ORDER.index(figure) + 1}")
            links += [] if link in links else [link]
    return tuple(links)


def _findings_section(result: SessionResult) -> Section:
    ordered = sorted(result.findings, key=lambda finding: not finding.needs_attention)
    items = tuple(
        Statement(
            sentence=finding.sentence,
            consequence=finding.consequence,
            needs_attention=finding.needs_attention,
            grade="assumed" if finding.assumed else str(finding.grade),
            links=_links(finding, result),
        )
        for finding in ordered
    )
    statements = Statements("finding-list", items, "This log supports no finding.")
    return Section("findings", "Findings", "", (statements, key_number_table(result)))


def _laps_section(result: SessionResult) -> Section:
    counted = sum(lap.valid for lap in result.laps)
    lead = f"{count(counted, 'lap')} of {len(result.laps)} counted."
    hint = "Choose a row to see that lap in every figure, a heading to sort by it."
    return Section("laps", "Laps", lead, (lap_table(result),), hint if result.laps else "")


def _figure(
    name: str, title: str, caption: str, description: str, drawn: JsonDict | None, absent: str,
    along: Along = Along.OTHER, legend: tuple[LegendKey, ...] = (),
) -> FigureSpec:  # fmt: skip
    return FigureSpec(
        id=name,
        number=FIGURE_ORDER.index(name) + 1,
        title=title,
        caption=caption,
        description=description,
        figure=drawn,
        absent="" if drawn is not None else absent,
        along=along,
        legend=legend,
    )


def _why_missing(result: SessionResult, name: str, otherwise: str) -> str:
    """The analysis's own reason where it gives one, as a sentence's end."""
    answer = result.estimates.get(name)
    return f"{(answer.reason if isinstance(answer, Missing) else otherwise).rstrip('.')}."


def _lock_section(result: SessionResult) -> Section:
    fit = result.lock_fit
    legend = [
        LegendKey("sliding samples, all laps", "cloud"),
        LegendKey("of the chosen lap", "ring"),
        LegendKey("fitted law and its 95 % band", "law"),
    ]
    caption = "The law needs a torque difference, so nothing is drawn."
    if fit is not None:
        caption = (
            f"Only samples in which the plates slide say how much they hold: "
            f"{number(fit.samples_used, 0)} samples, {number(fit.seconds_used, 0)} s. "
            f"{LAW_SHAPE[fit.preload_law]}"
        )
        if fit.predicted_nm is not None:
            legend.append(LegendKey("build sheet's law and band", "sheet"))
    spec = _figure(
        "lock",
        "How much torque does the pack hold back?",
        caption,
        f"Locking torque against input torque. {lock_words(result)}",
        None if fit is None else figures.lock_figure(result, fit),
        _why_missing(result, "breakaway_torque_nm", "no law could be fitted"),
        legend=tuple(legend),
    )
    return Section("lock-section", "The pack", "", (spec, choice_table(result)))


def _state_keys() -> tuple[LegendKey, ...]:
    return tuple(
        LegendKey(str(state), f"state-{state.name.lower().replace('_', '-')}",
                  letter=STATE_LETTER[state])
        for state in STATES
    )  # fmt: skip


def _axle_section(result: SessionResult, off: float) -> Section:
    traces = result.traces
    no_lap = "" if any(lap.valid for lap in result.laps) else "no lap counts."
    slip = _figure(
        "slip",
        "Where does the axle slip?",
        "Left minus right wheel speed of the chosen lap against what the path alone asks for. "
        "The rows below name the axle's state; where a row is blank, the car was slow or "
        "straight or a sample is missing.",
        f"Speed difference and axle state along the lap. {slip_words(result)}",
        None if no_lap else figures.slip_figure(result),
        no_lap,
        Along.DISTANCE,
        (
            LegendKey("speed difference", "measured", "difference", "rad/s", 1),
            LegendKey("expected from the path", "expected", "expected", "rad/s", 1),
            *_state_keys(),
        ),
    )
    heat = _figure(
        "heat",
        "Where does the heat come from?",
        "Friction power of the plate packs, and the energy since the start of the lap, or of the "
        "stretch that is shown. The grey band is the range over all counted laps.",
        f"Friction power and energy so far along the lap. {heat_words(result)}",
        None if no_lap or traces.friction_power_w is None else figures.heat_figure(result),
        no_lap or _why_missing(result, "energy_per_lap_j", "no torque difference is known"),
        Along.DISTANCE,
        (
            LegendKey("friction power", "heat", "power", "kW", 2),
            LegendKey("energy so far", "measured", "energy", "kJ", 2),
            LegendKey("range of the counted laps", "range"),
        ),
    )
    torque_keys = [LegendKey("input torque", "thick", "input_torque", "N·m", 0)]
    if traces.torque is not None:
        torque_keys.append(
            LegendKey("left minus right half-shaft", "thin", "torque_difference", "N·m", 0)
        )
    torque = _figure(
        "torque",
        "Which way does the torque point?",
        "Above zero the engine drives the car, below zero the car turns the engine.",
        f"Input torque along the lap. {torque_words(result)}",
        None if no_lap or traces.torque is None else figures.torque_figure(result),
        no_lap or "this log does not give the input torque.",
        Along.DISTANCE,
        tuple(torque_keys),
    )
    hint = (
        "Point at a place to mark it in every figure; drag across to look closer, click twice to "
        "come back. Click a corner's number to see it alone, then lay all laps into it. A second "
        "lap is chosen in the bar above, where the keys are listed too."
    )
    thinned = (
        "This long log is drawn thinned: a sample may lie "
        f"{number(100.0 * off, 0)} % of a figure's height off its line; highest and lowest of each "
        "lap are kept."
        if off > SEEN_OFF
        else ""
    )
    return Section("axle", "Along the lap", thinned, (slip, heat, torque), hint)


def _heat_section(result: SessionResult) -> Section:
    lead = "'sidegear sheet' draws their course over the session against the limits."
    return Section("temperatures", "Temperatures", lead, (heat_table(result),))


def _corners_section(result: SessionResult) -> Section:
    largest = largest_corner_energy_j(result)
    spec = _figure(
        "map",
        "Which corners heat the plates?",
        "The area of a disc is the energy of the chosen lap in that corner; the largest disc of "
        f"any lap stands for {number(1e-3 * largest, 2)} kJ. Small signs are the lap's slip "
        "events.",
        f"The circuit with the heat of each corner. {map_words(result)}",
        map_figure(result),
        "the log holds no position for a counted lap.",
        Along.MAP,
        (
            LegendKey("energy in the corner", "disc"),
            *(key for key in _state_keys() if key.label in {str(s) for s in SLIP_STATES}),
        ),
    )
    hint = "Choose a corner on the map or in the table to see it closely in the figures above."
    return Section(
        "corners", "Corner by corner", "", (spec, corner_table(result)),
        hint if result.corners else "",
    )  # fmt: skip


def _numbers_section(result: SessionResult) -> Section:
    return Section("further-numbers", "All other numbers", "", further_tables(result))


def _left_out_section(result: SessionResult) -> Section:
    share = 100.0 * no_state_share(result)
    lead = (
        f"{number(share, 0)} % of the samples in laps carry no axle state: slow, straight or "
        "with a sample missing."
    )
    return Section(
        "left-out",
        "What was left out, and why",
        lead,
        (
            exclusion_table(result.exclusions),
            quality_table(result.quality),
            threshold_table(result.thresholds),
        ),
    )


def _about_section(result: SessionResult) -> Section:
    session = result.session
    source = (
        ("session", session.id),
        ("log", (f"{count(session.samples, 'sample')} at {number(session.rate_hz, 0)} Hz, "
                f"{lap_time(session.duration_s)} min")),
        ("circuit length", f"{number(drawn_length_m(result), 0)} m"),
        *result.provenance.items(),
    )  # fmt: skip
    states = tuple(
        (f"{state.value.capitalize()} ({STATE_LETTER[state]})", f"{STATE_MEANING[state]}.")
        for state in AxleState
    )
    return Section(
        "about",
        "About this page",
        "",
        (
            Note("Cautions", CAUTIONS, strong=True),
            Terms("Words", GLOSSARY + states, fold=f"{len(GLOSSARY + states)} words"),
            Terms("Provenance", tuple(source), code=True, fold="log, settings, versions"),
        ),
    )
