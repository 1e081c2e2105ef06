"""From a report to one HTML file that opens anywhere, offline, under a strict policy."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from functools import cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reports.document import FigureSpec, Note, Report, Statements, Table, Terms
from reports.glossary import Glossary, term
from reports.palette import DARK, LIGHT, style_sheet_block
from reports.printable import UNPRINTABLE, printable

SCRIPTS = ("data", "state", "laps", "readout", "figures", "map", "tables",
           "numbers", "words", "page")  # fmt: skip
"""Parts of the page's script in the order they build on each other."""

_JSON_ESCAPES = UNPRINTABLE | str.maketrans(
    {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}
)


def render(report: Report) -> str:
    """The whole page as one string of HTML; every text from the log is escaped."""
    style, script = style_sheet(), page_script()
    # A page without figures has no use for the library that draws them.
    bundle = plotly_bundle() if report.figures() else ""
    return _environment().get_template("page.html").render(
        report=report,
        glossary=Glossary(_terms(report)),
        policy=content_policy(style, tuple(filter(None, (bundle, script)))),
        style=Markup(style),
        bundle=Markup(bundle),
        script=Markup(script),
        figures_json=json_for_script(report.figures()),
        data_json=json_for_script(report.data or {}),
    )  # fmt: skip


def _terms(report: Report) -> list[tuple[str, str]]:
    """The words that the page explains somewhere."""
    return [
        item
        for section in report.sections
        for block in section.blocks
        if isinstance(block, Terms) and not block.code
        for item in block.items
    ]


def json_for_script(value: Mapping[str, object]) -> Markup:
    """JSON that cannot end the script element it stands in.

    >>> print(json_for_script({"name": "</script>"}))
    {"name":"\\u003c/script\\u003e"}
    """
    text = json.dumps(value, allow_nan=False, separators=(",", ":"), ensure_ascii=False)
    return Markup(text.translate(_JSON_ESCAPES))


def content_policy(style: str, scripts: tuple[str, ...]) -> str:
    """The page's policy: nothing from outside, and inside only these scripts and this style.

    Notes
    -----
    The hash of the empty string allows the empty style element that plotly adds and fills
    through the style sheet interface.
    """
    script_hashes = " ".join(_hash(script) for script in scripts)
    return (
        f"default-src 'none'; script-src {script_hashes}; style-src {_hash(style)} {_hash('')}; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


@cache
def plotly_bundle() -> str:
    """The vendored plotly.js bundle, unchanged."""
    return _text("vendor/plotly-basic.min.js")


@cache
def page_script() -> str:
    """The parts of the page's script in one closed scope."""
    parts = "\n".join(_text(f"templates/js/{name}.js") for name in SCRIPTS)
    return f'(() => {{\n"use strict";\n{parts}\n}})();\n'


@cache
def style_sheet() -> str:
    """The page's style: the colours for light and dark paper, then the rules."""
    light, dark = style_sheet_block(LIGHT), style_sheet_block(DARK)
    colours = (
        f":root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
    )
    return colours + _text("templates/page.css")


def _text(path: str) -> str:
    return resources.files("reports").joinpath(path).read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=printable,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    kinds = {Statements: "statements", Table: "table", FigureSpec: "figure", Note: "note",
             Terms: "terms"}  # fmt: skip
    environment.globals["term"] = term
    environment.filters["kind"] = lambda block: kinds[type(block)]
    return environment
