"""Texts that try to break out of a page, and a report that carries them wherever text can stand."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from enum import Enum
from itertools import cycle
from typing import Any

from reports.document import Report

RUN = "window.ran=(window.ran||0)+1"

TEXTS: tuple[str, ...] = (
    # Out of the element, the script or the comment that the text stands in.
    f"<script>{RUN}</script>",
    f"</script><script>{RUN}</script>",
    f"</SCRIPT\t><ScRiPt>{RUN}</sCrIpT>",
    f"</title><script>{RUN}</script>",
    f"</style><script>{RUN}</script>",
    f"</textarea><script>{RUN}</script>",
    f"</noscript><img src=x onerror={RUN}>",
    f"--><script>{RUN}</script><!--",
    f"<!--<script>{RUN}//-->",
    f"]]><script>{RUN}</script>",
    f"</option></select><img src=x onerror={RUN}>",
    f"</td></tr></table><img src=x onerror={RUN}>",
    # Elements that run or load something by themselves.
    f"<img src=x onerror={RUN}>",
    f"<svg onload={RUN}>",
    f"<svg><script>{RUN}</script></svg>",
    f"<svg><animate onbegin={RUN} attributeName=x dur=1s>",
    f"<math><mtext><style><img src=x onerror={RUN}></style></mtext></math>",
    f"<details open ontoggle={RUN}>",
    f"<input autofocus onfocus={RUN}>",
    f"<video><source onerror={RUN}></video>",
    f'<iframe srcdoc="<script>parent.{RUN}</script>"></iframe>',
    f"<object data='data:text/html,<script>{RUN}</script>'></object>",
    "<link rel=stylesheet href=https://example.invalid/a.css>",
    "<base href=https://example.invalid/>",
    "<meta http-equiv=refresh content='0;url=https://example.invalid/'>",
    "<style>@import url(https://example.invalid/a.css);body{display:none}</style>",
    "<form action=https://example.invalid/><button>go</button></form>",
    f'<a href="javascript:{RUN}">here</a>',
    # Out of an attribute.
    f'" onmouseover="{RUN}" x="',
    f"' onfocus='{RUN}' autofocus x='",
    f"` onclick={RUN} `",
    f'"><img src=x onerror={RUN}>',
    f'" style="background:url(https://example.invalid/)" onclick="{RUN}',
    f"javascript:{RUN}",
    f"data:text/html,<script>{RUN}</script>",
    # Out of JSON or of a string in a script; templates; names that objects already have.
    f'"}};{RUN};//',
    f"\\u003c/script\\u003e\\u003cscript\\u003e{RUN}",
    f"${{{RUN}}}",
    "{{ 7 * 7 }}{% for x in range(9) %}!{% endfor %}",
    "__proto__",
    "constructor",
    # Entities and encodings that somebody might undo once too often.
    f"&lt;img src=x onerror={RUN}&gt;",
    f"&#60;script&#62;{RUN}&#60;/script&#62;",
    f"%3Cscript%3E{RUN}%3C/script%3E",
    f"+ADw-script+AD4-{RUN}+ADw-/script+AD4-",
    # Characters that end lines, turn the reading order, or that a file cannot hold.
    f"line\u2028separator\u2029{RUN}",
    "right to left \u202egnihtyna\u202c, isolate \u2067x\u2069",
    "control \x01\x1b[31m and half a pair \udc80",
    # Cells that a spreadsheet takes for a formula.
    "=cmd|'/C calc'!A0",
    '=HYPERLINK("https://example.invalid/","here")',
    "+1+cmd()",
    "-2+3+cmd()",
    "@SUM(1+1)*cmd()",
    "\t=1+1",
    "a,b;c\n=1+1",
)

# Fields that hold names of ours, never text from a log or a settings file.
_OWN = {"id", "anchor", "target", "bind", "swatch", "page", "figure", "data"}


def poisoned(report: Report) -> Report:
    """The same report with the next of the texts in every place that holds text."""
    return _poisoned(report, cycle(TEXTS))


def _poisoned(value: Any, texts: Iterator[str]) -> Any:
    if isinstance(value, Enum):
        return value
    if isinstance(value, str):
        return next(texts) if value else value
    if isinstance(value, tuple):
        return tuple(_poisoned(one, texts) for one in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.replace(
            value,
            **{
                part.name: _poisoned(getattr(value, part.name), texts)
                for part in dataclasses.fields(value)
                if part.name not in _OWN
            },
        )
    return value
