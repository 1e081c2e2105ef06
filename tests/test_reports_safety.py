"""Whatever a log, a map or a sheet holds: on a page it is text, and it neither runs nor asks."""

from __future__ import annotations

import csv
import gzip
import os
import re
from pathlib import Path

import pytest
from conftest import Sidegear, WatchedPage
from hostile_texts import RUN, TEXTS, poisoned
from page_kinds import PAGES

from reports.printable import printable
from reports.render import render

SHAPE = """() => {
  const own = document.querySelectorAll("body *:not(.plot *, .term, th small)");
  const names = (one) => one.getAttributeNames().filter((name) => name !== "title");
  return Array.from(own, (one) => [one.localName, ...names(one)].join()).join("\\n");
}"""


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


def test_a_script_that_gets_in_all_the_same_is_not_run(
    shared_page: WatchedPage, tmp_path: Path
) -> None:
    path = tmp_path / "page.html"
    path.write_text(render(PAGES["session without laps"]()), encoding="utf-8")
    page = shared_page.open(path)
    page.evaluate(
        """() => {
          const script = document.createElement("script");
          script.textContent = "window.ran = 1";
          document.body.append(script);
          document.body.insertAdjacentHTML("beforeend", "<img src=x onerror='window.ran = 2'>");
          document.body.insertAdjacentHTML("beforeend", "<p id=styled style='color: red'>x</p>");
        }"""
    )
    page.wait_for_timeout(50)
    assert page.evaluate("window.ran") is None
    assert (
        page.evaluate("getComputedStyle(document.getElementById('styled')).color")
        != "rgb(255, 0, 0)"
    )
    # The script, the picture from beside the page, its handler, and the style.
    assert len(shared_page.console_errors) == 4
    assert all("Content Security Policy" in text for text in shared_page.console_errors)
    shared_page.forgive()


# Cells that spreadsheets take for formulas, by what the OWASP page "CSV Injection" lists:
# those that begin with =, +, -, @, tab or carriage return.


@pytest.mark.parametrize("kind", ["setups", "index"])
def test_no_saved_cell_is_a_formula(shared_page: WatchedPage, tmp_path: Path, kind: str) -> None:
    path = tmp_path / "hostile.html"
    path.write_text(render(poisoned(PAGES[kind]())), encoding="utf-8")
    page = shared_page.open(path)
    page.evaluate("for (const fold of document.querySelectorAll('details')) fold.open = true")
    cells = []
    for button in page.locator(".csv").all():
        with page.expect_download() as download:
            button.click()
        target = tmp_path / "saved.csv"
        download.value.save_as(target)
        assert re.fullmatch(r"[\w.-]+\.csv", download.value.suggested_filename)
        with target.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
        assert len({len(row) for row in rows}) == 1
        cells += [cell for row in rows for cell in row]
    assert any(cell.startswith("'=") for cell in cells)
    numbers = re.compile(r"[+-]?\d+(\.\d+)?")
    assert [
        one for one in cells if one[:1] in "=+-@\t\r" and one and not numbers.fullmatch(one)
    ] == []


# A file's name may not hold a slash; a log's column may be called anything.
HOSTILE_NAME = f"<img src=x onerror={RUN}>"


@pytest.mark.skipif(os.name == "nt", reason="such a file cannot have its name there")
def test_a_log_with_hostile_names_goes_from_file_to_page_as_text(
    sidegear: Sidegear, shared_page: WatchedPage, tmp_path: Path, repository: Path
) -> None:
    samples, folder = repository / "sample_logs" / "season", tmp_path / "logbook"
    folder.mkdir()
    column = f"Gear {HOSTILE_NAME}"
    for name, theirs, hostile in (
        ("build_sheet.toml", "Ostrel C3", HOSTILE_NAME),
        ("circuit.toml", "Little Fell", f"</script><script>{RUN}</script>"),
        ("channels.toml", "Gear [-]", f"{column} [-]"),
    ):
        text = (samples / name).read_text(encoding="utf-8")
        assert theirs in text
        (folder / name).write_text(text.replace(theirs, hostile), encoding="utf-8")
    log = tmp_path / f"{HOSTILE_NAME}\u202e.csv"
    rows = gzip.decompress((samples / "wear1.csv.gz").read_bytes()).decode()
    log.write_text(rows.replace("Gear [-]", f"{column} [-]"), encoding="utf-8")
    assert sidegear("add", log, "--logbook", folder).code == 0
    assert sidegear("trend", "--logbook", folder).code == 0
    (session,) = (folder / "pages").glob("*.html")
    for path in (session, folder / "index.html", folder / "season.html"):
        page = shared_page.open(path)
        assert page.locator("h1").inner_text() == HOSTILE_NAME
        assert page.evaluate("window.ran") is None
        assert page.locator("img").count() == 0
    page.goto((folder / "index.html").as_uri())
    page.get_by_role("link", name=HOSTILE_NAME).click()
    page.locator("#lap-table").wait_for()
    assert shared_page.complaints() == []
