"""Every kind of page can be read and worked by everybody: an automatic check and a walk by keys."""

from __future__ import annotations

import hashlib
import tomllib
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from conftest import WatchedPage
from page_kinds import PAGES

from reports.render import render

if TYPE_CHECKING:
    from playwright.sync_api import Page

VENDOR = Path(__file__).parent / "vendor"
# WCAG 2.2 at levels A and AA, as axe-core names its rules' tags.
STANDARD = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
FOUND = """async (tags) => {
  const { violations } = await axe.run(document, { runOnly: tags, resultTypes: ["violations"] });
  const grave = violations.filter(({ impact }) => impact === "serious" || impact === "critical");
  return grave.flatMap(({ id, nodes }) => nodes.slice(0, 4).map(
    ({ html, failureSummary }) => `${id}: ${html.slice(0, 160)} ${failureSummary}`,
  ));
}"""


@cache
def checker() -> str:
    return (VENDOR / "axe.min.js").read_text(encoding="utf-8")


def test_the_vendored_checker_is_the_recorded_one() -> None:
    (record,) = tomllib.loads((VENDOR / "manifest.toml").read_text(encoding="utf-8")).values()
    data = (VENDOR / record["file"]).read_bytes()
    assert hashlib.sha256(data).hexdigest() == record["sha256"]
    assert f"axe v{record['version']}".encode() in data[:100]
    assert "Mozilla Public License" in (VENDOR / record["licence_file"]).read_text("utf-8")


@pytest.fixture(scope="module", params=PAGES)
def opened(
    request: pytest.FixtureRequest,
    shared_page: WatchedPage,
    tmp_path_factory: pytest.TempPathFactory,
) -> Page:
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(render(PAGES[request.param]()), encoding="utf-8")
    page = shared_page.open(path)
    for plot in page.locator(".plot").all():
        plot.scroll_into_view_if_needed()
        plot.locator(".main-svg").first.wait_for()
    page.evaluate("for (const fold of document.querySelectorAll('details')) fold.open = true")
    page.evaluate(checker())
    return page


@pytest.mark.parametrize("paper", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_the_automatic_check_has_no_serious_finding(opened: Page, paper: str, width: int) -> None:
    opened.set_viewport_size({"width": width, "height": 900})
    opened.emulate_media(color_scheme="dark" if paper == "dark" else "light")
    opened.wait_for_timeout(100)
    assert opened.evaluate(FOUND, STANDARD) == []


WALK = """() => {
  const wanted = "a[href], button, select, input, summary, [tabindex='0']";
  const reachable = (one) => one.checkVisibility({ visibilityProperty: true }) && one.tabIndex >= 0;
  return Array.from(document.querySelectorAll(wanted)).filter(reachable).length;
}"""
HERE = """() => {
  const here = document.activeElement;
  if (here === document.body) return null;
  const style = getComputedStyle(here);
  const box = here.getBoundingClientRect();
  const outlined = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
  const seen = outlined && box.width > 0;
  here.dataset.walked ??= String(document.querySelectorAll("[data-walked]").length);
  return [here.dataset.walked, seen, here.outerHTML.slice(0, 120)];
}"""


def test_the_tab_key_reaches_every_control_and_each_shows_that_it_has_the_focus(
    opened: Page,
) -> None:
    opened.set_viewport_size({"width": 1280, "height": 900})
    opened.evaluate("document.activeElement.blur(); scrollTo(0, 0)")
    count = opened.evaluate(WALK)
    walked = []
    for _ in range(count + 1):
        opened.keyboard.press("Tab")
        here = opened.evaluate(HERE)
        if here is None or (walked and here[0] == walked[0][0]):
            break
        walked.append(here)
    assert [html for _, seen, html in walked if not seen] == []
    assert len({key for key, _, _ in walked}) == count
    assert "skip" in walked[0][2]


def test_headings_go_down_one_level_at_a_time_and_tables_say_what_they_head(opened: Page) -> None:
    levels = opened.evaluate(
        "Array.from(document.querySelectorAll('h1,h2,h3,h4'), (one) => Number(one.localName[1]))"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert opened.locator("th:not([scope])").count() == 0
    unnamed = opened.evaluate(
        "Array.from(document.querySelectorAll('table'))"
        ".filter((table) => !table.caption && !table.getAttribute('aria-label')).length"
    )
    assert unnamed == 0
