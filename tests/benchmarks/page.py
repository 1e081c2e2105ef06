"""What the page of a session weighs, and how long it takes to write, to open and to change its lap.

Run with ``make bench``. Times are told as ratios to a page that only carries the same drawing
library, opened in turns with ours, for the machine has other work too.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests")]

from conftest import BROWSER_FLAGS, find_browser  # noqa: E402
from playwright.sync_api import Browser, Page, sync_playwright  # noqa: E402
from session_results import invented_session  # noqa: E402

from reports.render import plotly_bundle, render  # noqa: E402
from reports.session import session_report  # noqa: E402

RUNS = 5
LAP_CHANGE_MS = """async () => {
  const took = [];
  for (let i = 0; i < 7; i += 1) {
    const start = performance.now();
    document.getElementById(i % 2 ? "lap-before" : "lap-after").click();
    took.push(performance.now() - start);
    await new Promise((done) => setTimeout(done, 200));
  }
  return took.slice(1); // the first also unpacks a lap
}"""


def opened(browser: Browser, path: Path) -> Page:
    """The page once it has loaded."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(path.as_uri(), wait_until="load")
    return page


def ready_ms(browser: Browser, path: Path) -> float:
    """Time until an empty page has loaded its library. [ms]"""
    page = opened(browser, path)
    took = page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
    page.close()
    return float(took)


def first_figure_ms(browser: Browser, path: Path) -> float:
    """Time until the figures in view, and one in any case, are drawn. [ms]"""
    page = opened(browser, path)
    page.wait_for_function("() => performance.getEntriesByName('first-figure').length > 0")
    took = page.evaluate("performance.getEntriesByName('first-figure')[0].startTime")
    page.close()
    return float(took)


def write_bare_page(folder: Path) -> Path:
    """A page that only carries the drawing library."""
    path = folder / "empty.html"
    text = f"<!doctype html><p>empty<script>{plotly_bundle()}</script>"
    path.write_text(text, encoding="utf-8")
    return path


def lap_change_ms(browser: Browser, path: Path, figure: str) -> float:
    """Median time in which a change of lap comes back with one figure in view. [ms]"""
    page = opened(browser, path)
    page.locator(f"#figure-{figure} .plot").evaluate("one => one.scrollIntoView({block: 'center'})")
    page.locator(f"#figure-{figure} .main-svg").first.wait_for()
    page.wait_for_timeout(600)
    took = page.evaluate(LAP_CHANGE_MS)
    page.close()
    return statistics.median(took)


def write(laps: int, path: Path) -> float:
    """Write the page of an invented session; the least processor time of three. [ms]"""
    result = invented_session(laps=laps)
    took = []
    for _ in range(3):
        start = time.process_time()
        path.write_text(render(session_report(result)), encoding="utf-8")
        took.append(1e3 * (time.process_time() - start))
    samples = result.traces.time_s.size
    print(f"page of {laps} laps, {samples:,} samples: {path.stat().st_size / 1e6:.2f} MB")
    return min(took)


def told(what: str, took_ms: float, bare_ms: float) -> None:
    """One line of the table."""
    print(f"{what:<44} {took_ms:7.0f} ms {took_ms / bare_ms:7.2f} x")


def main() -> None:
    """Print sizes and times of pages of 20 and of 400 laps beside the empty page."""
    executable = find_browser()
    if executable is None:
        print("no browser found; the page was not timed")
        return
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        page, long = (Path(name) / f"{one}.html" for one in ("session", "long"))
        written_ms = {"20": write(20, page), "400": write(400, long)}
        empty = write_bare_page(Path(name))
        browser = playwright.chromium.launch(executable_path=executable, args=list(BROWSER_FLAGS))
        turns = [
            (
                ready_ms(browser, empty),
                first_figure_ms(browser, page),
                first_figure_ms(browser, long),
            )
            for _ in range(RUNS)
        ]
        bare, first, first_long = (statistics.median(each) for each in zip(*turns, strict=True))
        told("empty page with the same library (baseline)", bare, bare)
        for laps, took in written_ms.items():
            told(f"page of {laps} laps written", took, bare)
        told("figures in view drawn, 20 laps", first, bare)
        told("figures in view drawn, 400 laps", first_long, bare)
        for figure in ("lock", "slip", "heat"):
            told(f"change of lap, {figure} in view", lap_change_ms(browser, page, figure), bare)
        told("change of lap, 400 laps, slip in view", lap_change_ms(browser, long, "slip"), bare)
        browser.close()


if __name__ == "__main__":
    main()
