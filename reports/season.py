"""The season's page: which pack needs a hand, what it drifts by, and when service is due."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from pipeline.courses import FRICTION, JUDDER, OIL, TEMPERATURES, Course
from pipeline.estimate import Answer, Estimate, Grade, Missing, Predicted
from pipeline.printed import odds_words
from pipeline.published_season import sentences
from pipeline.season import Condition, PackLife, Season
from pipeline.season_session import SeasonSession, Undated
from pipeline.service_record import Entry
from pipeline.signature import EXPLANATIONS, QUANTITIES
from pipeline.strip_downs import Worn
from reports.document import (
    Align,
    Cell,
    Column,
    FigureSpec,
    JsonDict,
    LegendKey,
    Link,
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
from reports.lap_columns import typed
from reports.numbers import MINUS, count, number, written
from reports.palette import LIGHT, dark_by_light
from reports.plain_figures import axis, layout, ribbon
from reports.strip_downs import strip_down_section, strip_down_statements
from reports.wording import CAUTIONS, GLOSSARY, GRADE_SENTENCES, quantity

NEEDS_A_HAND = (Condition.SERVICE_DUE, Condition.WATCH)

_FIGURES = (
    ("breakaway", "Is the preload going?", ("breakaway_torque_nm",)),
    ("locks", "Is the lock going?", ("lock_drive", "lock_overrun")),
    ("friction", "Are the plates losing friction?", (FRICTION,)),
    ("energy", "How hard is the pack worked?", ("energy_per_lap_j",)),
    ("temperatures", "How warm do plates and oil get?", TEMPERATURES),
    ("judder", "Do the packs judder?", (JUDDER,)),
)
# More rows make the page slow to open: a browser lays out every cell. Chosen by us.
_MOST_ROWS = 200
_ALWAYS = ("breakaway", "locks", "energy")
# Course, mark and line of each quantity: told apart by shape and dash, not by colour alone.
_SWATCH = {
    "breakaway_torque_nm": "law",
    "lock_drive": "law",
    "lock_overrun": "sheet",
    FRICTION: "law",
    "energy_per_lap_j": "heat",
    "plates_peak_c": "heat",
    "oil_peak_c": "sheet",
    JUDDER: "heat",
}
_STYLE = {
    "breakaway_torque_nm": ("law", "circle", "solid"),
    "lock_drive": ("law", "circle", "solid"),
    "lock_overrun": ("sheet", "square-open", "9px,5px"),
    FRICTION: ("law", "circle", "solid"),
    "energy_per_lap_j": ("heat", "circle", "solid"),
    "plates_peak_c": ("heat", "circle", "solid"),
    "oil_peak_c": ("sheet", "square-open", "9px,5px"),
    JUDDER: ("heat", "circle", "solid"),
}


SESSION_COLUMNS = (
    Column("Date", align=Align.TEXT),
    Column("Session", align=Align.TEXT),
    Column("Build", align=Align.TEXT),
    Column("Circuit", align=Align.TEXT),
    Column("Laps"),
)
"""How every list of sessions begins."""


def season_report(season: Season, car: str, worn: Worn | None = None) -> Report:
    """The page of a season as data, ready for `reports.render.render`.

    ``worn`` is what strip-downs say; None without a build sheet to hold them against.
    """
    lives = tuple(reversed(season.lives))
    latest = lives[0] if lives else None
    return Report(
        title=f"{car}, season",
        heading=car or "Car without a name",
        facts=("season", *(_facts(latest) if latest else ("no dated session yet",))),
        evidence=_evidence(lives),
        sections=(
            _findings(lives, season.undated, worn),
            *_course_sections(_told(lives)),
            _lives_section(lives),
            *(() if worn is None else (strip_down_section(worn),)),
            *(() if latest is None else (_sessions_section(lives, season),)),
            _about(),
        ),
        data=no_laps(dark_by_light()),
    )


def _told(lives: Sequence[PackLife]) -> list[PackLife]:
    """The lives that have a course to show; the latest in any case."""
    return [
        life
        for i, life in enumerate(lives)
        if i == 0 or any(course.line is not None for course in life.courses.values())
    ]


def _facts(life: PackLife) -> tuple[str, ...]:
    return (
        f"build {life.build} since {life.since.isoformat()}",
        count(len(life.sessions), "session"),
        count(life.laps, "lap"),
        f"{number(life.exposure_mj, 2)} MJ through the plates",
    )


def _evidence(lives: Sequence[PackLife]) -> str:
    grades = {
        point.value.grade
        for life in lives
        for course in life.courses.values()
        for point in course.points
    }
    if not grades:
        return "none: no session says anything of a pack yet"
    weakest = max(grades, key=list(Grade).index)
    mixed = " at the weakest" if len(grades) > 1 else ""
    return GRADE_SENTENCES[weakest] + mixed


def _findings(lives: Sequence[PackLife], undated: Sequence[Undated], worn: Worn | None) -> Section:
    items = [
        statement for i, life in enumerate(_told(lives)) for statement in _said(life, _suffix(i))
    ]
    items += [
        Statement(
            f"Session {each.id} has no place in time: {each.reason}.",
            'It enters no course. Note its date with \'sidegear service add "session date" '
            f"--on DATE --note {each.id}'.",
            needs_attention=True,
            grade="",
        )
        for each in undated
    ]
    items += () if worn is None else strip_down_statements(worn)
    items.sort(key=lambda item: not item.needs_attention)
    return Section(
        "findings", "Findings", "",
        (Statements("finding-list", tuple(items), "The logbook holds no dated session yet."),),
    )  # fmt: skip


ADVICE = {
    Condition.SERVICE_DUE: "Strip, measure and re-shim before the next event; the makers' limits "
    "decide.",
    Condition.WATCH: "Check the breakaway torque on the bench at the next chance and note it in "
    "the service record.",
    Condition.SOUND: "Nothing to do; go on logging.",
    Condition.CANNOT_TELL: "Add the sessions to come; four of them make a course.",
}


def _suffix(place: int) -> str:
    """What tells the figures and tables of one life from those of the others."""
    return f"-{place}" if place else ""


def _said(life: PackLife, suffix: str) -> list[Statement]:
    first, *rest = map(_true_minus, sentences(life))
    grade = str(_grade(life) or "")
    links = (Link(f"figure-breakaway{suffix}", "its figures"),)
    statements = [
        Statement(
            f"Build {life.build} since {life.since.isoformat()}: {first[:1].lower()}{first[1:]}",
            ADVICE[life.condition] if life.ended is None else f"Built anew on {life.ended}.",
            life.ended is None and life.condition in NEEDS_A_HAND,
            grade,
            links,
        )
    ]
    return statements + [Statement(sentence, "", False, grade) for sentence in rest]


def _true_minus(sentence: str) -> str:
    """The sentence with minus signs that are none of a date's hyphens."""
    return re.sub(r"(?<!\w)-(?=\d)", MINUS, sentence)


def _grade(life: PackLife) -> Grade | None:
    grades = {p.value.grade for course in life.courses.values() for p in course.points}
    return max(grades, key=list(Grade).index) if grades else None


def _course_sections(lives: Sequence[PackLife]) -> list[Section]:
    sections, number_of_figure = [], 1
    for place, life in enumerate(lives):
        shown = [each for each in _FIGURES if each[0] in _ALWAYS or _has_points(life, each[2])]
        suffix = _suffix(place)
        specs = tuple(
            _figure(number_of_figure + i, f"{name}{suffix}", title, quantities, life)
            for i, (name, title, quantities) in enumerate(shown)
        )
        number_of_figure += len(specs)
        sections.append(
            Section(
                f"courses{suffix}",
                f"Build {life.build} since {life.since.isoformat()}",
                "One mark a session with its 95 % interval; the line and its band are what the "
                "sessions together say. Dotted lines are entries of the service record.",
                (*specs, _explanations(life, suffix)),
            )
        )
    return sections


def _has_points(life: PackLife, quantities: Sequence[str]) -> bool:
    return any(life.courses[each].points for each in quantities)


def _figure(
    place: int, name: str, title: str, quantities: tuple[str, ...], life: PackLife
) -> FigureSpec:
    courses = [life.courses[each] for each in quantities if life.courses[each].points]
    labels = [quantity(course.quantity, "").label for course in courses]
    legend = tuple(
        LegendKey(label.lower(), _SWATCH[course.quantity])
        for course, label in zip(courses, labels, strict=True)
    )
    if quantities[0] == "breakaway_torque_nm" and life.bench_checks:
        legend = (*legend, LegendKey("bench check, as breakaway torque", "bench"))
    said = "; ".join(_in_words(course) for course in courses)
    return FigureSpec(
        id=name,
        number=place,
        title=title,
        caption=f"{said[:1].upper()}{said[1:]}." if said else "",
        description=f"{title} {said}. The table of sessions holds the same numbers.",
        figure=_drawn(courses, life) if courses else None,
        absent="" if courses else "no session of this build tells it.",
        legend=legend,
    )


def _in_words(course: Course) -> str:
    shown = quantity(course.quantity, "")
    now, change = course.now, course.change_per_mj
    if isinstance(now, Missing) or isinstance(change, Missing):
        return f"{shown.label.lower()}: no line, {course.why_no_line}"
    text = written(now, shown.unit, shown.factor)
    per = written(change, shown.unit, shown.factor)
    unit = f" {shown.unit}" if shown.unit else ""
    words = (
        f"{shown.label.lower()} {text.with_interval}{unit} now, {per.with_interval}{unit} per MJ "
        f"({course.movement})"
    )
    return words if course.step is None else f"since a change at once {words}"


def _drawn(courses: Sequence[Course], life: PackLife) -> JsonDict:
    data: list[JsonDict] = []
    shown = quantity(courses[0].quantity, "")
    limit = None
    for course in courses:
        colour, mark, dash = _STYLE[course.quantity]
        if course.line is not None:
            data += _line_traces(course, life, LIGHT[colour], dash, shown.factor)
        data.append(_points(course, LIGHT[colour], mark, shown.factor, shown.unit))
        if course.quantity == "breakaway_torque_nm" and life.forecast is not None:
            limit = life.forecast.limit_nm
    if courses[0].quantity == "breakaway_torque_nm" and life.bench_checks:
        data.append(_bench_checks(life))
    unit = f" [{shown.unit}]" if shown.unit else ""
    together = "temperature" if courses[0].quantity in TEMPERATURES else "lock"
    word = together if len(courses) > 1 else shown.label.lower()
    drawn = layout(
        360,
        hovermode="closest",
        xaxis=axis("energy through the plates since the build [MJ]", rangemode="tozero"),
        yaxis=axis(f"{word}{unit}"),
        **_entry_marks(life),
    )
    if limit is not None:
        _mark_limit(drawn, limit)
    return {"data": data, "layout": drawn}


def _points(course: Course, colour: str, mark: str, factor: float, unit: str) -> JsonDict:
    values = [factor * point.value.value for point in course.points]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": quantity(course.quantity, "").label.lower(),
        "x": [round(point.exposure_mj, 4) for point in course.points],
        "y": values,
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [factor * (p.value.high - p.value.value) for p in course.points],
            "arrayminus": [factor * (p.value.value - p.value.low) for p in course.points],
            "color": colour,
            "thickness": 1.3,
            "width": 3,
        },
        "marker": {"color": colour, "symbol": mark, "size": 8, "line": {"width": 1.5}},
        "text": [f"{point.session}, {point.on.isoformat()}" for point in course.points],
        "hovertemplate": f"%{{text}}<br>%{{y:,.4g}} {unit}<extra></extra>",
    }


def _bench_checks(life: PackLife) -> JsonDict:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": "bench check",
        "x": [round(point.exposure_mj, 4) for point in life.bench_checks],
        "y": [point.breakaway_nm for point in life.bench_checks],
        "marker": {
            "color": LIGHT["sheet"], "symbol": "diamond-open", "size": 11, "line": {"width": 2},
        },
        "text": [f"bench check, {point.on.isoformat()}" for point in life.bench_checks],
        "hovertemplate": "%{text}<br>%{y:,.4g} N·m<extra></extra>",
    }  # fmt: skip


def _line_traces(
    course: Course, life: PackLife, colour: str, dash: str, factor: float
) -> list[JsonDict]:
    assert course.line is not None
    first = 0.0 if course.step is None else course.step.first_mj
    grid = np.linspace(first, life.exposure_mj, 41)
    ends = [course.line.at(float(x)) for x in grid]
    middle = factor * np.array([value for value, _ in ends])
    half = factor * np.array([half for _, half in ends])
    band = LIGHT["law_band"] if colour == LIGHT["law"] else LIGHT["range"]
    return [
        ribbon(grid, middle - half, middle + half, band),
        {
            "type": "scatter",
            "mode": "lines",
            "x": typed(grid),
            "y": typed(middle),
            "line": {"color": colour, "width": 2.2, "dash": dash},
            "hoverinfo": "skip",
        },
    ]


def _entry_marks(life: PackLife) -> JsonDict:
    """A tick and the words of every entry that stands between the life's sessions."""
    shown = [e for e in life.entries if e.entry not in (Entry.SESSION_DATE, Entry.BUILD)]
    days = [session.on for session in life.sessions]
    ends = np.cumsum([session.energy_j or 0.0 for session in life.sessions]) / 1e6
    places: dict[float, list[str]] = {}
    for entry in shown:
        done = sum(day < entry.on for day in days)
        places.setdefault(float(ends[done - 1]) if done else 0.0, []).append(str(entry.entry))
    marks: list[JsonDict] = [
        {
            "type": "line", "xref": "x", "yref": "paper", "x0": at, "x1": at, "y0": 0, "y1": 1,
            "line": {"color": LIGHT["muted"], "width": 1, "dash": "2px,3px"}, "layer": "below",
        }
        for at in places
    ]  # fmt: skip
    words: list[JsonDict] = [
        {
            "xref": "x", "yref": "paper", "x": at, "y": 1, "yanchor": "bottom",
            "xanchor": "left" if at < 0.5 * ends[-1] else "right",
            "text": ", ".join(dict.fromkeys(said)), "showarrow": False,
            "font": {"size": 11, "color": LIGHT["muted"]},
        }
        for at, said in places.items()
    ]  # fmt: skip
    return {"shapes": marks, "annotations": words}


def _mark_limit(drawn: JsonDict, limit_nm: float) -> None:
    shapes, annotations = drawn["shapes"], drawn["annotations"]
    assert isinstance(shapes, list)
    assert isinstance(annotations, list)
    shapes.append(
        {
            "type": "line", "xref": "paper", "yref": "y", "x0": 0, "x1": 1,
            "y0": limit_nm, "y1": limit_nm,
            "line": {"color": LIGHT["sheet"], "width": 1.6, "dash": "9px,5px"},
        }
    )  # fmt: skip
    annotations.append(
        {
            "xref": "paper", "yref": "y", "x": 1, "y": limit_nm, "xanchor": "right",
            "yanchor": "bottom", "text": "limit for service", "showarrow": False,
            "font": {"size": 11, "color": LIGHT["muted"]},
        }
    )  # fmt: skip


def _explanations(life: PackLife, suffix: str) -> Table | Note:
    if life.odds is None:
        return Note("What is wearing", (f"Cannot be told: {life.why_no_odds}.",))
    rows = tuple(
        Row((
            Cell(each.name.capitalize()),
            Cell(odds_words(life.odds[each.name]), sort=life.odds[each.name]),
            Cell(f"{each.said[:1].upper()}{each.said[1:]}"),
        ))
        for each in sorted(EXPLANATIONS, key=lambda e: -(life.odds or {})[e.name])
    )  # fmt: skip
    return Table(
        f"explanations{suffix}",
        "What is wearing, by what changes together",
        (
            Column("Explanation", align=Align.TEXT),
            Column("Odds"),
            Column("What it means", align=Align.TEXT, sortable=False),
        ),
        rows,
        caption="All explanations count as equally likely before the sessions are looked at.",
        stacks=True,
    )


def _lives_section(lives: Sequence[PackLife]) -> Section:
    rows = tuple(
        Row((
            Cell(life.build),
            Cell(life.since.isoformat(), sort=life.since.isoformat()),
            Cell(str(life.condition), small=life.reason),
            Cell("" if life.ended is None else life.ended.isoformat()),
            Cell(str(len(life.sessions)), sort=len(life.sessions)),
            Cell(str(life.laps), sort=life.laps),
            Cell(number(life.hours, 1), sort=life.hours),
            Cell(number(life.exposure_mj, 2), sort=life.exposure_mj),
            _now_cell(life, "breakaway_torque_nm"),
        ))
        for life in lives
    )  # fmt: skip
    table = Table(
        "lives",
        "Packs, the latest first",
        (
            Column("Build", align=Align.TEXT),
            Column("Since", align=Align.TEXT),
            Column("Condition", align=Align.TEXT),
            Column("Built anew", align=Align.TEXT),
            Column("Sessions"),
            Column("Laps"),
            Column("Running", "h"),
            Column("Energy", "MJ"),
            Column("Breakaway torque", "N·m"),
        ),
        rows,
        empty="No pack has a dated session yet.",
    )
    return Section("packs", "Packs", "", (table,))


def _now_cell(life: PackLife, name: str) -> Cell:
    now = life.courses[name].now
    if isinstance(now, Missing):
        points = life.courses[name].points
        if not points:
            return Cell("not observable", hint=now.reason)
        now = points[-1].value
    shown = quantity(name, "")
    return Cell(written(now, shown.unit, shown.factor).with_interval, sort=now.value)


def _sessions_section(lives: Sequence[PackLife], season: Season) -> Section:
    wanted = (*QUANTITIES, FRICTION, "energy_per_lap_j", OIL, *TEMPERATURES)
    tracked = [name for name in wanted if _is_told(lives, name)]
    shown = [quantity(name, "") for name in tracked]
    every = [session for life in lives for session in reversed(life.sessions)]
    listed = every[:_MOST_ROWS]
    left = len(every) - len(listed)
    rows = tuple(
        Row((
            Cell(session.on.isoformat(), sort=session.on.isoformat()),
            Cell(session.name),
            Cell(session.build),
            Cell(session.circuit),
            Cell(str(session.laps), sort=session.laps),
            Cell("unknown" if session.energy_j is None else number(session.energy_j / 1e6, 3),
                 sort=session.energy_j),
            *(_value_cell(session, name, each.unit, each.factor)
              for name, each in zip(tracked, shown, strict=True)),
        ))
        for session in listed
    )  # fmt: skip
    table = Table(
        "sessions",
        "Sessions, the latest first",
        (
            *SESSION_COLUMNS,
            Column("Energy", "MJ"),
            *(Column(each.label, each.unit, meaning=each.meaning) for each in shown),
        ),
        rows,
        caption=f"{count(left, 'earlier session')} left out here; 'sidegear export estimates' "
        "writes all." if left else "",
    )  # fmt: skip
    return Section("history", "History", "", (table, _record_table(lives), _bench_table(season)))


def _bench_table(season: Season) -> Table:
    return Table(
        "bench",
        "Bench against log",
        (
            Column("Method", align=Align.TEXT),
            Column("Checks"),
            Column("Bench less log", "N·m"),
            Column("Repeats within a day to", "N·m"),
        ),
        tuple(
            Row((
                Cell(each.method),
                Cell(str(each.checks), sort=each.checks),
                *(_bench_cell(answer) for answer in (each.bias_nm, each.repeatability_nm)),
            ))
            for each in season.bench
        ),
        caption="As breakaway torques. What the bench reads beside the log is the method's own: "
        "take it off the next reading. Repeatability is one standard deviation.",
        empty="No bench check noted yet.",
        stacks=True,
    )  # fmt: skip


def _bench_cell(answer: Answer) -> Cell:
    if isinstance(answer, Missing):
        return Cell("not known", small=answer.reason)
    return Cell(written(answer, "N·m", 1.0).with_interval, sort=answer.value)


def _record_table(lives: Sequence[PackLife]) -> Table:
    entries = sorted({entry for life in lives for entry in life.entries}, key=lambda e: e.on)
    return Table(
        "service-record",
        "Service record",
        (
            Column("Date", align=Align.TEXT),
            Column("Entry", align=Align.TEXT),
            Column("Reading"),
            Column("Method", align=Align.TEXT, sortable=False),
            Column("Note", align=Align.TEXT, sortable=False),
        ),
        tuple(
            Row((
                Cell(entry.on.isoformat(), sort=entry.on.isoformat()),
                Cell(str(entry.entry)),
                Cell("" if entry.value is None else f"{number(entry.value, 1)} {entry.unit}",
                     sort=entry.value),
                Cell(entry.method),
                Cell(entry.note),
            ))
            for entry in entries
        ),
        empty="Nothing noted yet. Add to it with 'sidegear service add'.",
        stacks=True,
    )  # fmt: skip


def _is_told(lives: Sequence[PackLife], name: str) -> bool:
    """Whether a column has anything to show; those that the season rests on stand in any case."""
    return name in (*QUANTITIES, "energy_per_lap_j") or any(
        name in session.estimates for life in lives for session in life.sessions
    )


def _value_cell(session: SeasonSession, name: str, unit: str, factor: float) -> Cell:
    value: Estimate | Predicted | None = session.estimates.get(name, session.assumed.get(name))
    if value is None:
        return Cell("not observable")
    small = "assumed" if isinstance(value, Predicted) else ""
    return Cell(written(value, unit, factor).with_interval, sort=value.value, small=small)


def _about() -> Section:
    judged = (
        "Each session enters once, weighted by its own interval and by the scatter between "
        "sessions beyond it; where a day holds several sessions the day is the unit. A drift is "
        "claimed only when chance hardly explains it, so that a steady season of 24 sessions, "
        "looked at after each, raises a false alarm in at most one of a hundred seasons."
    )
    energy = (
        "Energy, not time, wears plates. Sessions before a build or a re-shim say nothing of the "
        "pack after it."
    )
    beside = (
        "What warm oil and circuits do is fitted along with the line where the sessions allow it; "
        "where each circuit had its own age of the pack, the circuit is the unit. A step is "
        "claimed as a drift is, where it explains the sessions better than a line."
    )
    return Section(
        "about",
        "About this page",
        "",
        (
            Note("Cautions", CAUTIONS, strong=True),
            Note("How it is judged", (judged, beside, energy)),
            Terms("Words", GLOSSARY, fold=f"{len(GLOSSARY)} words"),
        ),
    )
