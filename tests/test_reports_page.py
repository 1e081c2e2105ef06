"""The page in a browser, by real pointer and keys: it draws, sorts, chooses, marks and prints."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from conftest import WatchedPage
from session_results import invented_session
from session_variants import HOSTILE, hostile, without_laps, without_torque

from pipeline.result import AxleState
from reports.render import render
from reports.session import session_report

if TYPE_CHECKING:
    from playwright.sync_api import Page

FIGURES = ("lock", "slip", "heat", "torque", "map")


@pytest.fixture(scope="module")
def calm_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "session.html"
    path.write_text(render(session_report(invented_session())), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def opened(shared_page: WatchedPage, calm_page: Path) -> Page:
    return shared_page.open(calm_page)


@pytest.fixture
def page(opened: Page) -> Page:
    """The page as it is after opening, without the time to open it again."""
    if opened.locator("th[aria-sort$=scending], details[open]").count():
        # Scrolled back to where it was, it would move under the first click.
        opened.evaluate("history.scrollRestoration = 'manual'")
        opened.reload()
        opened.evaluate("history.scrollRestoration = 'auto'")
    opened.evaluate(
        """() => new Promise((done) => {
          addEventListener("hashchange", () => setTimeout(done), { once: true });
          location.hash = `start${Math.random()}`;
        })"""
    )
    return opened


def bring(page: Page, figure: str) -> dict[str, float]:
    """Scroll a figure into the middle, wait until it is drawn, and say where it stands."""
    plot = page.locator(f"#figure-{figure} .plot")
    plot.evaluate("element => element.scrollIntoView({block: 'center'})")
    page.locator(f"#figure-{figure} .main-svg").first.wait_for()
    box = plot.bounding_box()
    assert box is not None
    return dict(box)


def drawn(page: Page, figure: str, trace: int, attribute: str = "y") -> list[float]:
    """The values of one drawn trace, as the drawing library holds them."""
    return page.evaluate(
        "([figure, trace, attribute]) => Array.from(document.querySelector("
        "`#figure-${figure} .plot`).data[trace][attribute])",
        [figure, trace, attribute],
    )


def point_at(page: Page, figure: str, share: float) -> None:
    box = bring(page, figure)
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 120)
    page.mouse.move(box["x"] + share * box["width"], box["y"] + 120, steps=4)
    page.wait_for_timeout(60)


def chosen_lap(page: Page) -> str:
    return page.locator("#lap-table tr.chosen").get_attribute("data-key") or ""


def column(page: Page, table: str, index: int) -> list[str]:
    return page.locator(f"#{table} tbody td:nth-child({index})").all_inner_texts()


def test_every_figure_draws_when_it_comes_into_view_and_nothing_complains(
    browser_page: WatchedPage, calm_page: Path
) -> None:
    page = browser_page.open(calm_page)
    assert page.locator("#figure-map .main-svg").count() == 0
    for figure in FIGURES:
        assert bring(page, figure)["height"] > 200
    assert page.locator(".main-svg").count() >= len(FIGURES)


def test_clicking_a_row_chooses_that_lap_in_table_picker_figures_and_address(page: Page) -> None:
    bring(page, "slip")
    before = drawn(page, "slip", 5)
    other = "2" if chosen_lap(page) != "2" else "3"
    page.locator(f"#lap-table tr[data-key='{other}']").click()
    assert chosen_lap(page) == other
    assert page.locator("#lap-pick").input_value() == other
    bring(page, "slip")
    page.wait_for_timeout(150)  # what is off the screen is drawn a little later
    assert drawn(page, "slip", 5) != before
    assert page.locator("#figure-slip .of-lap").inner_text() == f"lap {other}"
    page.wait_for_function(f"() => location.hash.includes('lap={other}')")


def test_the_pickers_buttons_step_through_the_laps(page: Page) -> None:
    page.locator("#lap-pick").select_option("2")
    assert chosen_lap(page) == "2"
    page.locator("#lap-after").click()
    assert chosen_lap(page) == "3"
    page.locator("#lap-before").click()
    assert chosen_lap(page) == "2"


def test_a_lap_that_does_not_count_can_be_looked_at_and_says_so(page: Page) -> None:
    page.locator("#lap-table tr[data-key='0']").click()
    assert page.locator("#uncounted").inner_text() == (
        "This lap does not count: out-lap: it starts in the pit lane"
    )


def test_a_heading_sorts_up_and_down_by_number_and_says_which(page: Page) -> None:
    heading = page.locator("#lap-table th").nth(2)
    heading.locator(".sort").click()
    assert heading.get_attribute("aria-sort") == "ascending"
    energies = [float(re.split("[ ±(]", text)[0]) for text in column(page, "lap-table", 3)]
    assert energies == sorted(energies)
    heading.locator(".sort").press("Enter")
    assert heading.get_attribute("aria-sort") == "descending"
    energies = [float(re.split("[ ±(]", text)[0]) for text in column(page, "lap-table", 3)]
    assert energies == sorted(energies, reverse=True)


def test_words_sort_by_letter(page: Page) -> None:
    page.locator("#corner-table th").nth(1).locator(".sort").click()
    sides = column(page, "corner-table", 2)
    assert sides == sorted(sides)
    assert set(sides) == {"left", "right"}


def test_missing_numbers_sort_last_either_way(page: Page) -> None:
    button = page.locator("#corner-table th").nth(10).locator(".sort")
    for _ in range(2):
        button.click()
        assert "not observable" in column(page, "corner-table", 11)[-1]


def test_arrow_keys_move_through_the_laps(page: Page) -> None:
    page.locator("#lap-table tr[data-key='2']").click()
    page.locator("#lap-table tr[data-key='2']").focus()
    page.keyboard.press("ArrowDown")
    assert chosen_lap(page) == "3"
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    assert chosen_lap(page) == "1"


def test_pointing_at_one_figure_marks_the_same_place_in_the_others_and_on_the_map(
    page: Page,
) -> None:
    for figure in FIGURES:
        bring(page, figure)
    point_at(page, "slip", 0.55)
    for figure in ("slip", "heat", "torque", "map"):
        cursor = page.locator(f"#figure-{figure} .cursor")
        assert cursor.evaluate("element => element.style.visibility") == "visible", figure
    moves = [
        page.locator(f"#figure-{figure} .cursor").evaluate("element => element.style.transform")
        for figure in ("slip", "heat", "torque")
    ]
    assert len(set(moves)) == 1
    place = re.search(r"at ([\d\u202f]+) m", page.locator("#mark").inner_text())
    assert place is not None
    assert 1_000 < float(place[1].replace("\u202f", "")) < 1_600
    readings = page.locator("#figure-slip dd").all_inner_texts()
    assert all(re.fullmatch(r"[−\d.\u202f]+ rad/s", text) for text in readings), readings


def test_pointing_at_the_map_marks_the_place_in_the_traces(page: Page) -> None:
    for figure in FIGURES:
        bring(page, figure)
    box = bring(page, "map")
    x, y = page.evaluate(
        """() => {
          const plot = document.querySelector("#figure-map .plot");
          const { xaxis, yaxis } = plot._fullLayout;
          const track = plot.data[1];
          return [xaxis.l2p(track.x[200]) + xaxis._offset, yaxis.l2p(track.y[200]) + yaxis._offset];
        }"""
    )
    page.mouse.move(box["x"] + x + 3, box["y"] + y + 2)
    page.mouse.move(box["x"] + x, box["y"] + y, steps=3)
    page.wait_for_timeout(60)
    expected = drawn(page, "map", 1, "customdata")[200]
    mark = page.locator("#mark").inner_text().replace("\u202f", "")
    assert abs(float(re.findall(r"\d+", mark)[0]) - expected) < 12
    cursor = page.locator("#figure-heat .cursor")
    assert cursor.evaluate("element => element.style.visibility") == "visible"


def test_choosing_a_corner_brings_the_traces_to_it_and_back(page: Page) -> None:
    bring(page, "slip")
    page.locator("#corner-table tr[data-key='3']").click()
    bring(page, "slip")
    page.wait_for_function(
        "() => (([low, high]) => 0 < low && low < high && high < 2412)"
        "(document.querySelector('#figure-slip .plot').layout.xaxis.range)"
    )
    assert page.locator("#corner-pick").input_value() == "3"
    page.locator("#corner-pick").select_option("")
    bring(page, "slip")
    page.wait_for_function(
        "() => (([low, high]) => low === 0 && high === 2412)"
        "(document.querySelector('#figure-slip .plot').layout.xaxis.range)"
    )


def test_clicking_a_corner_on_the_map_chooses_it(page: Page) -> None:
    box = bring(page, "map")
    x, y = page.evaluate(
        """() => {
          const plot = document.querySelector("#figure-map .plot");
          const { xaxis, yaxis } = plot._fullLayout;
          const { place } = JSON.parse(document.getElementById("page-data").textContent).corners[1];
          return [xaxis.l2p(place[0]) + xaxis._offset, yaxis.l2p(place[1]) + yaxis._offset];
        }"""
    )
    page.mouse.click(box["x"] + x, box["y"] + y)
    assert page.locator("#corner-table tr.chosen").get_attribute("data-key") == "2"


def test_dragging_across_one_trace_zooms_all_of_them(page: Page) -> None:
    bring(page, "heat")
    box = bring(page, "torque")
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 120)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 125, steps=6)
    page.mouse.up()
    page.wait_for_timeout(300)
    bring(page, "heat")
    page.wait_for_timeout(150)
    ranges = [
        page.evaluate(f"document.querySelector('#figure-{name} .plot').layout.xaxis.range")
        for name in ("heat", "torque")
    ]
    assert ranges[0] == ranges[1]
    assert ranges[0][0] > 300
    page.wait_for_function("() => /from=\\d+&to=\\d+/.test(location.hash)")
    page.reload()
    bring(page, "torque")
    again = page.evaluate("document.querySelector('#figure-torque .plot').layout.xaxis.range")
    assert again == [round(end) for end in ranges[0]]


def test_keys_move_the_mark_along_the_lap_and_escape_takes_it_away(page: Page) -> None:
    bring(page, "heat")
    page.locator("#figure-heat .plot").focus()
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("ArrowRight")
    assert page.locator("#mark").inner_text().startswith("at 133 m")
    page.keyboard.press("Escape")
    assert page.locator("#mark").inner_text() == ""


def test_the_address_brings_the_choice_back(page: Page, calm_page: Path) -> None:
    page.goto(f"{calm_page.resolve().as_uri()}#lap=4&with=2&corner=2&all=1&at=700")
    page.reload()
    assert chosen_lap(page) == "4"
    assert page.locator("#other-pick").input_value() == "2"
    assert page.locator("#corner-pick").input_value() == "2"
    assert page.get_by_label("all laps here").is_checked()
    assert page.locator("#mark").inner_text().startswith("at 700 m")


def test_back_and_forward_go_through_what_was_chosen(page: Page) -> None:
    usual = chosen_lap(page)
    other = "2" if usual != "2" else "3"
    page.locator("#lap-pick").select_option(other)
    page.wait_for_function("lap => location.hash === `#lap=${lap}`", arg=other)
    page.locator("#corner-pick").select_option("3")
    page.wait_for_function("() => location.hash.endsWith('&corner=3')")
    page.go_back()
    assert (chosen_lap(page), page.locator("#corner-pick").input_value()) == (other, "")
    page.go_back()
    assert chosen_lap(page) == usual
    page.go_forward()
    page.go_forward()
    assert page.locator("#corner-pick").input_value() == "3"


def test_back_returns_from_where_a_link_led(page: Page) -> None:
    page.evaluate("scrollTo(0, 0)")
    page.locator("#finding-list a[href='#figure-heat']").first.click()
    page.wait_for_function("() => scrollY > 300 && location.hash.includes('place=figure-heat')")
    page.go_back()
    page.wait_for_function("() => scrollY < 100")


def test_a_second_lap_lies_dotted_over_the_first_and_is_read_off_beside_it(page: Page) -> None:
    page.locator("#lap-pick").select_option("2")
    page.locator("#other-pick").select_option("5")
    bring(page, "slip")
    page.wait_for_function(
        "() => document.querySelector('#figure-slip .plot').data"
        ".some((one) => one.line?.dash === '2px,3px')"
    )
    words = page.locator("#figure-slip .of-lap").inner_text()
    assert words == "lap 2, with lap 5 dotted"
    point_at(page, "slip", 0.55)
    readings = page.locator("#figure-slip dd").all_inner_texts()
    assert all(re.fullmatch(r"[−\d.]+ : [−\d.]+ rad/s", text) for text in readings), readings
    page.locator("#lap-pick").select_option("5")  # a lap beside itself is no second lap
    assert page.locator("#other-pick").input_value() == ""


def test_all_counted_laps_are_offered_once_a_corner_is_chosen(page: Page) -> None:
    box = page.get_by_label("all laps here")
    assert not box.is_visible()
    page.locator("#corner-pick").select_option("4")
    box.check()
    bring(page, "heat")
    page.wait_for_function(
        "() => document.querySelector('#figure-heat .plot').data.some((one) => one.zorder === -1)"
    )
    thin = page.evaluate(
        "document.querySelector('#figure-heat .plot').data.find((one) => one.zorder === -1).x"
        ".filter((at) => Number.isNaN(at)).length"
    )
    assert thin == 5  # six laps count, one of them is the chosen one
    assert "all counted laps thin" in page.locator("#figure-heat .of-lap").inner_text()
    page.locator("#corner-pick").select_option("")
    assert not box.is_visible()


def test_in_a_corner_the_energy_counts_from_its_beginning_on_a_scale_of_its_own(page: Page) -> None:
    page.locator("#corner-pick").select_option("5")
    bring(page, "heat")
    page.wait_for_function(
        "() => document.querySelector('#figure-heat .plot').layout.xaxis.range[0] > 0"
    )
    places, energy = (drawn(page, "heat", 1, name) for name in "xy")
    (low, high), reach = (
        page.evaluate(f"document.querySelector('#figure-heat .plot').layout.{axis}.range")
        for axis in ("xaxis", "yaxis2")
    )
    here = [one for place, one in zip(places, energy, strict=True) if low <= place <= high]
    assert abs(here[0]) < 0.1 * max(here)
    assert reach[0] < min(here)
    assert max(here) < reach[1] < 3.0 * max(here)


def test_keys_in_a_figure_choose_lap_corner_second_lap_and_all_laps(page: Page) -> None:
    bring(page, "slip")
    usual = chosen_lap(page)
    page.locator("#figure-slip .plot").focus()
    page.keyboard.press("PageDown")
    assert chosen_lap(page) == str(int(usual) + 1)
    page.keyboard.press("w")
    assert page.locator("#other-pick").input_value() == usual
    page.keyboard.press("c")
    page.keyboard.press("c")
    page.keyboard.press("Shift+C")
    assert page.locator("#corner-pick").input_value() == "1"
    page.keyboard.press("a")
    assert page.get_by_label("all laps here").is_checked()
    page.keyboard.press("Escape")
    assert page.locator("#corner-pick").input_value() == ""
    assert page.locator("#other-pick").input_value() == ""


def test_the_help_on_keys_opens_in_place(page: Page) -> None:
    page.get_by_text("Keys", exact=True).press("Enter")
    assert page.get_by_text("in a figure: next corner, corner before").is_visible()
    page.get_by_text("Keys", exact=True).press("Enter")


def test_the_number_of_a_corner_above_a_figure_chooses_it(page: Page) -> None:
    box = bring(page, "torque")
    x = page.evaluate(
        """() => {
          const { xaxis } = document.querySelector("#figure-torque .plot")._fullLayout;
          const { corners } = JSON.parse(document.getElementById("page-data").textContent);
          const { start, end } = corners[2];
          return xaxis._offset + xaxis.l2p((start + end) / 2);
        }"""
    )
    page.mouse.click(box["x"] + x, box["y"] + 15)
    assert page.locator("#corner-pick").input_value() == "3"


def test_the_numbers_of_a_figure_open_in_place_and_follow_the_choice(page: Page) -> None:
    page.locator("#lap-pick").select_option("2")
    bring(page, "torque")
    fold = page.locator("#figure-torque .figure-numbers")
    fold.locator("summary").press("Enter")
    fold.locator("td").first.wait_for()
    assert fold.locator("caption").inner_text().startswith("lap 2: every 50 m, read off")
    rows = fold.locator("tbody tr").count()
    page.locator("#corner-pick").select_option("3")
    page.locator("#other-pick").select_option("4")
    assert fold.locator("caption").inner_text().startswith("lap 2, with lap 4 dotted, corner 3")
    assert fold.locator("tbody tr").count() <= 50 < 2 * rows
    heads = fold.locator("th").all_inner_texts()
    assert [head.split("\n")[0] for head in heads[:3]] == [
        "distance", "input torque, lap 2", "input torque, lap 4",
    ]  # fmt: skip
    fold.locator("summary").press("Enter")


def saved(page: Page, button: str, tmp_path: Path) -> tuple[str, list[list[str]]]:
    """Name and cells of the file that a button saves."""
    with page.expect_download() as download:
        page.locator(button).click()
    target = tmp_path / "saved.csv"
    download.value.save_as(target)
    with target.open(encoding="utf-8-sig", newline="") as file:
        return download.value.suggested_filename, list(csv.reader(file))


def test_a_figures_numbers_can_be_saved_for_a_spreadsheet(page: Page, tmp_path: Path) -> None:
    page.locator("#lap-pick").select_option("2")
    bring(page, "slip")
    page.locator("#figure-slip .figure-numbers summary").click()
    name, rows = saved(page, "#figure-slip .csv", tmp_path)
    assert name == "Ostrel-C3-Hollin-Fell-second-run-slip-lap-2.csv"
    assert rows[0] == [
        "distance [m]", "speed difference [rad/s]", "expected from the path [rad/s]", "axle state",
    ]  # fmt: skip
    assert len(rows) > 2_000
    assert all(re.fullmatch(r"-?\d+(\.\d+)?|–", cell) for row in rows[1:] for cell in row[:3])
    assert {row[3] for row in rows[1:]} <= {str(state) for state in AxleState} | {"–"}
    page.locator("#figure-slip .figure-numbers summary").click()


def test_a_word_of_the_glossary_tells_its_meaning_in_place(page: Page) -> None:
    word = page.locator("#finding-list .term").first
    meaning = page.locator(".meaning")
    word.click()
    assert meaning.inner_text().lower().startswith(word.inner_text().rstrip("s").lower())
    box, at = meaning.bounding_box(), word.bounding_box()
    assert box is not None
    assert at is not None
    assert abs(box["y"] - at["y"] - at["height"]) < 12
    page.keyboard.press("Escape")
    assert meaning.count() == 0
    heading = page.locator("#lap-table th .term").last
    heading.focus()
    page.keyboard.press("Enter")
    assert "inside drag" in meaning.inner_text()
    assert page.evaluate("document.querySelector('.meaning').matches(':popover-open')")
    page.locator("h1").click()
    assert meaning.count() == 0


def test_with_all_laps_in_a_corner_the_file_holds_each_of_them(page: Page, tmp_path: Path) -> None:
    page.locator("#lap-pick").select_option("2")
    page.locator("#corner-pick").select_option("3")
    page.get_by_label("all laps here").check()
    bring(page, "torque")
    page.locator("#figure-torque .figure-numbers summary").click()
    name, rows = saved(page, "#figure-torque .csv", tmp_path)
    assert name.endswith("-torque-lap-2-corner-3.csv")
    laps = [head for head in rows[0] if head.startswith("input torque, lap ")]
    assert len(laps) == 6
    assert laps[0] == "input torque, lap 2 [N·m]"


def test_the_law_can_be_saved_with_its_band(page: Page, tmp_path: Path) -> None:
    page.locator("#figure-lock .figure-numbers summary").click()
    _, rows = saved(page, "#figure-lock .csv", tmp_path)
    assert rows[0] == ["what", "input torque [N·m]", "locking torque [N·m]", "from", "to"]
    assert {row[0] for row in rows[1:]} == {"fitted law", "build sheet's law"}
    assert all(float(row[3]) <= float(row[2]) <= float(row[4]) for row in rows[1:])


def test_a_table_can_be_saved_with_values_and_intervals_apart(page: Page, tmp_path: Path) -> None:
    _, rows = saved(page, "#lap-table .csv", tmp_path)
    assert rows[0][:5] == [
        "Lap", "Time [min:s]", "Energy [kJ · measured · n 9]",
        "Energy [kJ · measured · n 9], interval", "Peak power [kW · measured · n 9]",
    ]  # fmt: skip
    assert len(rows) == 9
    assert all(float(row[2]) > 0.0 and row[3].startswith("± ") for row in rows[1:])


@pytest.mark.parametrize(
    "address",
    [
        "#lap=99&with=98&corner=-1&at=1e9",
        "#lap=__proto__",
        "#lap=constructor",
        "#%",
        "#from=9&to=3",
    ],
)
def test_a_wrong_address_is_ignored(page: Page, address: str) -> None:
    usual = chosen_lap(page)
    page.evaluate("address => { location.hash = address; }", address)
    page.wait_for_timeout(50)
    assert chosen_lap(page) == usual
    assert page.locator("#other-pick").input_value() == ""


def test_a_link_of_a_finding_leads_to_its_figure(page: Page) -> None:
    page.locator("#finding-list a[href='#figure-heat']").first.click()
    page.locator("#figure-heat .main-svg").first.wait_for()
    assert (
        page.locator("#figure-heat").evaluate("element => element.getBoundingClientRect().top")
        < 300
    )


def test_a_long_table_shows_the_rows_around_the_chosen_one(
    browser_page: WatchedPage, tmp_path: Path
) -> None:
    path = tmp_path / "long.html"
    path.write_text(render(session_report(invented_session(laps=80, rate_hz=10.0))), "utf-8")
    page = browser_page.open(path)
    shown = page.locator("#lap-table tbody tr:visible")
    assert shown.count() == 25
    page.locator("#lap-pick").select_option("70")
    assert page.locator("#lap-table tr[data-key='70']").is_visible()
    assert "Rows 58 to 82 of 82" in page.locator("#lap-table .shown-rows").inner_text()
    page.locator("#lap-table th .sort").nth(2).click()
    energies = [float(text.split(" ")[0]) for text in column(page, "lap-table", 3)]
    assert page.locator("#lap-table tbody tr").first.is_visible()
    assert energies == sorted(energies)
    page.locator("#lap-table .show-all").click()
    assert shown.count() == 82


def test_hostile_text_shows_as_text_and_does_not_run(
    browser_page: WatchedPage, tmp_path: Path
) -> None:
    path = tmp_path / "hostile.html"
    path.write_text(render(session_report(hostile(invented_session(laps=2)))), encoding="utf-8")
    page = browser_page.open(path)
    for figure in FIGURES:
        bring(page, figure)
    page.locator("#lap-table tr[data-key='0']").click()
    assert HOSTILE in page.locator("#uncounted").inner_text()
    assert page.locator("h1").inner_text() == HOSTILE
    assert page.title().startswith(HOSTILE)
    assert page.locator("img").count() == 0


@pytest.mark.parametrize("change", [without_torque, without_laps], ids=["no torque", "no laps"])
def test_a_poor_session_opens_and_says_what_is_not_observable(
    browser_page: WatchedPage, tmp_path: Path, change
) -> None:
    path = tmp_path / "poor.html"
    path.write_text(render(session_report(change(invented_session(laps=2)))), encoding="utf-8")
    page = browser_page.open(path)
    assert page.locator("#figure-lock .empty").is_visible()
    if change is without_torque:
        assert "not observable: the log holds no torque" in page.locator("#numbers").inner_text()
        assert bring(page, "slip")["height"] > 200


def test_before_printing_all_figures_are_drawn_on_paper_width(
    browser_page: WatchedPage, calm_page: Path
) -> None:
    page = browser_page.open(calm_page)
    page.emulate_media(color_scheme="dark")
    page.pdf(format="A4", print_background=True)
    assert page.locator(".plot .main-svg").count() >= len(FIGURES)


def test_a_session_of_twenty_laps_prints_on_four_pages_at_most(
    browser_page: WatchedPage, tmp_path: Path
) -> None:
    session = invented_session(laps=20)
    findings = (session.findings * 12)[:12]  # as many as a full log gives
    path = tmp_path / "long.html"
    path.write_text(render(session_report(replace(session, findings=findings))), encoding="utf-8")
    printed = browser_page.open(path).pdf(format="A4", prefer_css_page_size=True)
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 4


def test_a_link_opens_the_fold_that_holds_its_number(page: Page) -> None:
    row = page.locator("#further-numbers tr[id]").first
    assert not row.is_visible()
    page.evaluate(
        """id => { const link = document.createElement("a"); link.href = `#${id}`;
                   document.body.append(link); link.click(); }""",
        row.get_attribute("id"),
    )
    assert row.is_visible()


@pytest.mark.parametrize("width", [390, 820, 1280])
def test_nothing_sticks_out_of_the_page(
    browser_page: WatchedPage, calm_page: Path, width: int
) -> None:
    page = browser_page.open(calm_page)
    page.set_viewport_size({"width": width, "height": 844})
    for figure in FIGURES:
        box = bring(page, figure)
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_picture_can_be_saved_without_the_network(page: Page, tmp_path: Path) -> None:
    bring(page, "slip")
    with page.expect_download() as download:
        page.locator("#figure-slip .save").click()
    target = tmp_path / download.value.suggested_filename
    download.value.save_as(target)
    assert target.name.endswith(".png")
    assert target.read_bytes().startswith(b"\x89PNG")
