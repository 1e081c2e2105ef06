"""How long a page of a long session takes to open and to change its lap, in a real browser.

Run with ``make bench``. The baseline is a page that only carries the same drawing library.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests")]

from conftest import BROWSER_FLAGS, find_browser  # noqa: E402
from playwright.sync_api import Browser, sync_playwright  # noqa: E402
from session_results import invented_session  # noqa: E402

from reports.render import render  # noqa: E402
from reports.session import session_report  # noqa: E402

RUNS = 5
BUNDLE = next((REPOSITORY / "reports/vendor").glob("plotly*.js"))
LAP_CHANGE_MS = """async () => {
  const took = [];
  for (let i = 0; i < 6; i += 1) {
    const start = performance.now();
    document.getElementById(i % 2 ? "lap-before" : "lap-after").click();
    took.push(performance.now() - start);
    await new Promise((done) => setTimeout(done, 150));
  }
  return took;
}"""


def first_figure_ms(browser: Browser, path: Path, drawn: str | None) -> float:
    """Time from opening a page to its first drawn figure, or to its end of loading. [ms]"""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(path.as_uri(), wait_until="load")
    if drawn is not None:
        page.locator(drawn).first.scroll_into_view_if_needed()
        page.locator(f"{drawn} .main-svg").first.wait_for()
    took = page.evaluate("performance.now()")
    page.close()
    return float(took)


def lap_change_ms(browser: Browser, path: Path, figure: str) -> float:
    """Median time in which a change of lap comes back with one figure in view. [ms]"""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(path.as_uri(), wait_until="load")
    page.locator(f"#figure-{figure} .plot").scroll_into_view_if_needed()
    page.locator(f"#figure-{figure} .main-svg").first.wait_for()
    took = page.evaluate(LAP_CHANGE_MS)
    page.close()
    return statistics.median(took)


def main() -> None:
    """Print sizes and times of a 20-lap page beside the empty page."""
    executable = find_browser()
    if executable is None:
        print("no browser found; the page was not timed")
        return
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        page, empty = Path(name) / "session.html", Path(name) / "empty.html"
        page.write_text(render(session_report(invented_session(laps=20))), encoding="utf-8")
        library = BUNDLE.read_text(encoding="utf-8")
        empty.write_text(f"<!doctype html><p>empty<script>{library}</script>", encoding="utf-8")
        browser = playwright.chromium.launch(executable_path=executable, args=list(BROWSER_FLAGS))
        bare = statistics.median(first_figure_ms(browser, empty, None) for _ in range(RUNS))
        first = statistics.median(
            first_figure_ms(browser, page, "#figure-lock .plot") for _ in range(RUNS)
        )
        print(f"page of 20 laps {page.stat().st_size / 1e6:.2f} MB")
        print(f"{'empty page with the same library (baseline)':<44} {bare:7.0f} ms    1.00 x")
        print(f"{'first figure drawn':<44} {first:7.0f} ms {first / bare:7.2f} x")
        for figure in ("lock", "slip", "heat"):
            took = lap_change_ms(browser, page, figure)
            print(
                f"{'change of lap, ' + figure + ' in view':<44} {took:7.0f} ms {took / bare:7.2f} x"
            )
        browser.close()


if __name__ == "__main__":
    main()
