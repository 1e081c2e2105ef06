"""The page fixture itself: a quiet page passes, and each thing that must not happen is seen."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import WatchedPage


def write_page(folder: Path, body: str) -> Path:
    path = folder / "page.html"
    path.write_text(f"<!doctype html><meta charset=utf-8><title>t</title>{body}", encoding="utf-8")
    return path


def test_a_quiet_page_runs_its_script_and_leaves_no_complaint(
    browser_page: WatchedPage, tmp_path: Path
) -> None:
    page = browser_page.open(
        write_page(tmp_path, "<p id=p></p><script>p.textContent='drawn'</script>")
    )
    assert page.inner_text("#p") == "drawn"
    assert browser_page.complaints() == []


@pytest.mark.parametrize(
    ("body", "complaint"),
    [
        ("<script>console.error('torn')</script>", "console: torn"),
        ("<script>throw new Error('broken')</script>", "uncaught: broken"),
        (
            "<script src='http://sidegear.invalid/x.js'></script>",
            "asked the network for: http://sidegear.invalid/x.js",
        ),
    ],
    ids=["console error", "uncaught error", "network"],
)
def test_a_page_that_misbehaves_is_reported(
    browser_page: WatchedPage, tmp_path: Path, body: str, complaint: str
) -> None:
    browser_page.open(write_page(tmp_path, body))
    assert complaint in browser_page.complaints()
    browser_page.forgive()
