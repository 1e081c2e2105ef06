"""A pack's course as a figure: a mark a session, the line and its band, what was done to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.courses import FRICTION, JUDDER, TEMPERATURES, Course
from pipeline.estimate import Missing
from pipeline.season import PackLife
from pipeline.service_record import Entry
from reports.document import FigureSpec, JsonDict, LegendKey
from reports.lap_columns import typed
from reports.numbers import written
from reports.palette import LIGHT
from reports.plain_figures import axis, layout, ribbon
from reports.wording import quantity

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


def course_figure(
    place: int, name: str, title: str, quantities: tuple[str, ...], life: PackLife
) -> FigureSpec:
    """The figure of one or two quantities against the energy through the plates."""
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
