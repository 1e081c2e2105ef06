"""How long a season of 1,000 sessions of 25 laps takes to be read, judged and drawn.

Run with ``make bench``. Baselines: a bare Parquet file of the same rows and columns, and a page
that only carries the same drawing library.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests"), str(Path(__file__).parent)]

import numpy as np  # noqa: E402
import pyarrow as pa  # noqa: E402
from conftest import BROWSER_FLAGS, find_browser  # noqa: E402
from page import first_figure_ms, ready_ms, write_bare_page  # noqa: E402
from playwright.sync_api import sync_playwright  # noqa: E402
from pyarrow import parquet  # noqa: E402
from seasons import published_sessions  # noqa: E402
from stopwatch import RUNS, timed  # noqa: E402

from loaders.logbook import Logbook  # noqa: E402
from loaders.result_index import session_summaries  # noqa: E402
from pipeline.courses import READ  # noqa: E402
from pipeline.season import season  # noqa: E402
from reports.index import index_report  # noqa: E402
from reports.render import render  # noqa: E402
from reports.season import season_report  # noqa: E402

SESSIONS, LAPS = 1000, 25


def write_results(folder: Path) -> None:
    """A logbook's results: as many sessions with as many laps, and all numbers of the season."""
    rng = np.random.default_rng(1)
    (folder / "results").mkdir()
    for result in published_sessions(
        SESSIONS, rng, lambda share: {"breakaway_torque_nm": 1 - 0.3 * share}
    ):
        known = result["estimates"]["lock_drive"]
        for name in READ:
            result["estimates"].setdefault(name, known)
        lap = result["laps"][0]
        result["laps"] = [{**lap, "energy_j": 42e3 + 500 * rng.normal()} for _ in range(LAPS)]
        path = folder / "results" / f"{result['session']['id']}.json"
        path.write_text(json.dumps(result), encoding="utf-8")


def write_bare(folder: Path, path: Path) -> None:
    """The same rows and columns as Parquet: one row a session, energies of its laps beside."""
    rows = [
        {
            **each["session"],
            **{f"{name}_{end}": number[end] for name, number in each["estimates"].items()
               for end in ("value", "low", "high")},
            **{f"lap_{i}_j": lap["energy_j"] for i, lap in enumerate(each["laps"])},
        }
        for each in session_summaries(Logbook(folder), READ)
    ]  # fmt: skip
    parquet.write_table(pa.Table.from_pylist(rows), path)


def main() -> None:
    """Print one row a stage: seconds, and how many times the bare reading."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_results(folder)
        start = time.perf_counter()
        session_summaries(Logbook(folder), READ)
        first_s = time.perf_counter() - start
        write_bare(folder, folder / "bare.parquet")
        bare_s, _ = timed(lambda: parquet.read_table(folder / "bare.parquet").to_pylist())
        read_s, summaries = timed(lambda: session_summaries(Logbook(folder), READ))
        judge_s, found = timed(lambda: season(summaries, (), {"breakaway_torque_nm": 45.0}))
        page_s, page = timed(lambda: render(season_report(found, "Ostrel C3")))
        index_s, _ = timed(lambda: render(index_report(found, summaries, "Ostrel C3")))
        rows = [
            ("bare Parquet reading of the same rows (baseline)", bare_s),
            ("table of results made anew from every result", first_s),
            ("table of results read, checked for freshness", read_s),
            ("season judged", judge_s),
            ("season's page", page_s),
            ("logbook's first page", index_s),
        ]
        print(f"a season of {SESSIONS} sessions of {LAPS} laps")
        for what, seconds in rows:
            print(f"{what:<50} {seconds:7.3f} s {seconds / bare_s:7.2f} x")
        print(f"season's page {len(page.encode()) / 1e6:.2f} MB")
        draw(folder, page)


def draw(folder: Path, page: str) -> None:
    """Print how long the season's page takes to its first figure, beside a page of the library."""
    executable = find_browser()
    if executable is None:
        print("no browser found; the page was not timed")
        return
    (folder / "season.html").write_text(page, encoding="utf-8")
    bare = write_bare_page(folder)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=list(BROWSER_FLAGS))
        pairs = [
            (
                ready_ms(browser, bare),
                first_figure_ms(browser, folder / "season.html"),
            )
            for _ in range(RUNS)
        ]
        browser.close()
    bare_ms, season_ms = (statistics.median(each) for each in zip(*pairs, strict=True))
    print(
        f"season's page to its first figure {season_ms:.0f} ms, a page that only carries the "
        f"library {bare_ms:.0f} ms"
    )


if __name__ == "__main__":
    main()
