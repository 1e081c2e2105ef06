"""Whatever a log, a map or a sheet holds: on a page it is text, and it neither runs nor asks."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import WatchedPage
from hostile_texts import TEXTS, poisoned
from page_kinds import PAGES

from reports.render import printable, render

SHAPE = """() => Array.from(document.querySelectorAll("body *:not(.plot *)"), (element) => [
  element.localName, element.getAttributeNames().filter((name) => name !== "title").join(),
].join()).join("\\n")"""


@pytest.mark.parametrize("kind", PAGES)
def test_hostile_text_stands_on_the_page_and_changes_nothing_else(
    shared_page: WatchedPage, tmp_path: Path, kind: str
) -> None:
    report = PAGES[kind]()
    shapes = []
    for name, each in (("calm", report), ("hostile", poisoned(report))):
        path = tmp_path / f"{name}.html"
        path.write_text(render(each), encoding="utf-8")
        page = shared_page.open(path)
        for plot in page.locator(".plot").all():
            plot.scroll_into_view_if_needed()
            plot.locator(".main-svg").first.wait_for()
        shapes.append(page.evaluate(SHAPE))
    assert shapes[0] == shapes[1]
    assert page.evaluate("window.ran") is None
    text = page.evaluate("document.body.textContent + document.title")
    assert [one for one in TEXTS if str(printable(one)) not in text] == []
    assert shared_page.complaints() == []


def test_characters_that_turn_the_reading_order_or_fit_no_file_are_shown_as_replaced() -> None:
    assert printable("a\u202eb\u2067c\udc80\x1b") == "a\ufffdb\ufffdc\ufffd\ufffd"
    assert printable("Šťastný ×\u202f10\n") == "Šťastný ×\u202f10\n"
