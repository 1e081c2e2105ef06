"""The season's page: which pack needs a hand, what it drifts by, and when service is due."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.courses import FRICTION, JUDDER, TEMPERATURES
from pipeline.estimate import Grade
from pipeline.published_season import sentences
from pipeline.season import Condition, PackLife, Season
from pipeline.season_session import Undated
from pipeline.strip_downs import Worn
from reports.course_figure import course_figure
from reports.document import (
    Link,
    Note,
    Report,
    Section,
    Statement,
    Statements,
    Terms,
    no_laps,
)
from reports.numbers import MINUS, count, number
from reports.palette import dark_by_light
from reports.season_tables import explanations, lives_section, sessions_section
from reports.strip_downs import strip_down_section, strip_down_statements
from reports.wording import CAUTIONS, GLOSSARY, GRADE_SENTENCES

NEEDS_A_HAND = (Condition.SERVICE_DUE, Condition.WATCH)

_FIGURES = (
    ("breakaway", "Is the preload going?", ("breakaway_torque_nm",)),
    ("locks", "Is the lock going?", ("lock_drive", "lock_overrun")),
    ("friction", "Are the plates losing friction?", (FRICTION,)),
    ("energy", "How hard is the pack worked?", ("energy_per_lap_j",)),
    ("temperatures", "How warm do plates and oil get?", TEMPERATURES),
    ("judder", "Do the packs judder?", (JUDDER,)),
)
_ALWAYS = ("breakaway", "locks", "energy")


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
            lives_section(lives),
            *(() if worn is None else (strip_down_section(worn),)),
            *(() if latest is None else (sessions_section(lives, season),)),
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
            course_figure(number_of_figure + i, f"{name}{suffix}", title, quantities, life)
            for i, (name, title, quantities) in enumerate(shown)
        )
        number_of_figure += len(specs)
        sections.append(
            Section(
                f"courses{suffix}",
                f"Build {life.build} since {life.since.isoformat()}",
                "One mark a session with its 95 % interval; the line and its band are what the "
                "sessions together say. Dotted lines are entries of the service record.",
                (*specs, explanations(life, suffix)),
            )
        )
    return sections


def _has_points(life: PackLife, quantities: Sequence[str]) -> bool:
    return any(life.courses[each].points for each in quantities)


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
