"""The setup sheet: one A4 page that goes to the bench with the parts and comes back filled in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pipeline.bench_targets import WRENCH_TOLERANCE, BenchTarget, bench_targets
from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Estimate, Missing, SessionAnswer
from pipeline.predict import predictions
from pipeline.stated_parts import stated_parts
from reports.document import Align, Cell, Column, Note, Report, Row, Section, Table, no_laps
from reports.numbers import written
from reports.palette import dark_by_light
from reports.part_words import part_name, part_value

# Longer names would push the sheet over its page.
_LONGEST = 60

_MEASURED = {"drive_ramp_deg", "overrun_ramp_deg", "friction_faces_per_pack", "housing_depth_m",
             "parts_height_m", "shim_m", "force_share", "cone_height_m", "volume_l"}  # fmt: skip
_TABLES: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("differential", "Packs and ramps", (
        "drive_ramp_deg", "overrun_ramp_deg", "ramp_angle_from", "ramp_radius_m",
        "friction_faces_per_pack", "plate_outer_radius_m", "plate_inner_radius_m",
        "plate_material", "friction_coefficient",
    )),
    ("washers", "Spring washers", (
        "outer_diameter_m", "inner_diameter_m", "thickness_m", "cone_height_m", "in_parallel",
        "in_series", "force_share",
    )),
    ("stack", "Stack and shims", ("housing_depth_m", "parts_height_m", "shim_m")),
    ("oil", "Oil", ("name", "volume_l", "limit_c", "peak_limit_c")),
    ("limits", "Limits in service", ("breakaway_nm", "stack_loss_m", "plate_temperature_c")),
)  # fmt: skip

_ORDER = {
    "between the rings": (
        "housing wall, pack, pressure ring, washers between the rings with the cross-pins, "
        "pressure ring, pack, housing wall"
    ),
    "at the ends of the packs": (
        "housing wall, washers, pack, pressure ring, cross-pins, pressure ring, pack, washers, "
        "housing wall"
    ),
}
_SIGNED = ("Built by", "Date", "Checked by", "Date")
_NOTES = ("Plates, splines, colours, washers",)
CAUTIONS = (
    "Hot oil and parts burn: let the unit cool, wear gloves and eye protection, catch the oil.",
    "Washers under load jump: press and release them in a press or with the maker's tool.",
    (
        "A wrench on a wheel makes a lever of a lifted car: stands on level ground, wheels that "
        "stay down chocked, nobody under the car, hands clear of wheels and shafts."
    ),
    (
        "Use the oil that the unit's maker names. On another, plates can weld and the unit can "
        "seize within minutes."
    ),
    (
        "First run gently, on closed ground, by a qualified driver; stop at grinding, banging or "
        "sudden tightness."
    ),
    "The makers' limits and the rules of the series come before this sheet.",
)


def setup_sheet(sheet: BuildSheet, estimates: Mapping[str, SessionAnswer] | None = None) -> Report:
    """The sheet as data, ready for `reports.render.render`.

    Parameters
    ----------
    sheet : BuildSheet
    estimates : mapping, optional
        Of a session driven with the same ramps and plates: its lock ratios and its shim.
    """
    name = _short(sheet.differential.build)
    return Report(
        title=f"{_short(sheet.car.name)}, setup sheet {name}",
        heading=f"{_short(sheet.car.name) or 'Car without a name'}: setup sheet",
        facts=tuple(filter(None, (f"build {name}", sheet.differential.built_on or ""))),
        evidence="",
        sections=(
            *(Section(f"{table}-part", title, "", (_parts(sheet, table, keys, estimates),))
              for table, title, keys in _TABLES),
            Section("bench", "Breakaway on the bench", "", (_bench(sheet, estimates),)),
            Section("signed", "Done by", "", (_boxes("signature", _SIGNED),)),
            Section("notes", "Seen and done", "", (_boxes("notes", _NOTES),)),
            Section("about", "Cautions", "", (Note("Before and after", CAUTIONS, strong=True),)),
        ),
        data=no_laps(dark_by_light()),
        one_sheet=True,
    )  # fmt: skip


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def _parts(
    sheet: BuildSheet,
    table: str,
    keys: tuple[str, ...],
    estimates: Mapping[str, SessionAnswer] | None,
) -> Table:
    stated = {part.key: part.value for part in stated_parts(sheet, (table,))}
    rows = [
        (part_name(key), _short(part_value(key, stated[key])) or "not stated", key in _MEASURED)
        for key in keys
    ]
    order = ""
    if table == "stack":
        rows += [(words, said, False) for words, said in _heights(sheet, estimates)]
        order = _ORDER.get(sheet.washers.sit or "", "")
    measured = any(blank for _, _, blank in rows)
    return Table(
        f"{table}-table",
        "",
        tuple(
            Column(label, align=Align.TEXT, sortable=False)
            for label in ("Part", "Stated", *(("Measured",) if measured else ()))
        ),
        tuple(
            Row((Cell(words), Cell(said), *((Cell("", blank=blank),) if measured else ())))
            for words, said, blank in rows
        ),
        caption=f"Order: {order}. Shims where the unit's maker puts them." if order else "",
    )


def _heights(
    sheet: BuildSheet, estimates: Mapping[str, SessionAnswer] | None
) -> Iterator[tuple[str, str]]:
    stack, predicted = sheet.washers.stack, predictions(sheet)
    if stack is not None:
        yield "Washers, free height", part_value("free_height_m", stack.free_height_m)
    for name, words in (
        ("washer_compression_m", "Washers pressed by"),
        ("washer_travel_left_m", "Left until they are flat"),
    ):
        answer = predicted[name]
        said = "not known" if isinstance(answer, Missing) else _millimetres(answer.low, answer.high)
        yield words, said
    force = predicted["spring_force_n"]
    if not isinstance(force, Missing):
        yield "Washer force", f"{written(force, 'N', 1.0).interval} N"
    shim = None if estimates is None else estimates.get("shim_to_wanted_m")
    if isinstance(shim, Estimate):
        yield "Shim to add, by the log", _millimetres(shim.low, shim.high)


def _millimetres(low_m: float, high_m: float) -> str:
    return f"{1000 * low_m:.2f} to {1000 * high_m:.2f} mm".replace("-", "\N{MINUS SIGN}")


def _bench(sheet: BuildSheet, estimates: Mapping[str, SessionAnswer] | None) -> Table:
    wanted = sheet.limits.wanted_breakaway_nm
    goal = (
        "for what the parts should give"
        if wanted is None
        else f"for the wanted breakaway torque of {wanted:.0f} N·m"
    )
    return Table(
        "bench-table",
        "",
        tuple(
            Column(label, unit, align=Align.TEXT, sortable=False)
            for label, unit in (("Method", ""), ("Aim", "N·m"), ("Accept", "N·m"),
                                ("Breaks loose", "N·m"), ("Turning", "N·m"))
        ),
        tuple(_target(each) for each in bench_targets(sheet, predictions(sheet), estimates)),
        caption=f"Aim: {goal}. Accept: what the service limits allow, less "
        f"{100 * WRENCH_TOLERANCE:.0f} % for the wrench; both of the wheel turning steadily. In "
        "gear with the other wheel held nothing is measured.",
    )  # fmt: skip


def _target(target: BenchTarget) -> Row:
    def said(span: tuple[float, float] | Missing) -> Cell:
        if isinstance(span, Missing):
            return Cell("not known")
        low, high = (f"{end:.0f}" for end in span)
        return Cell(low if low == high else f"{low} to {high}")

    method = str(target.method)
    return Row((
        Cell(method[:1].upper() + method[1:]), said(target.aim), said(target.accept),
        Cell("", blank=True), Cell("", blank=True),
    ))  # fmt: skip


def _boxes(name: str, labels: tuple[str, ...]) -> Table:
    """A row of empty boxes under their labels."""
    return Table(
        f"{name}-table",
        "",
        tuple(Column(label, align=Align.TEXT, sortable=False) for label in labels),
        (Row(tuple(Cell("", blank=True) for _ in labels)),),
    )
