"""What several test files share: where things are, and a browser that reports what a page does."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ConsoleMessage, Page, Route

# Scripts to be run by hand, not tests.
collect_ignore = ["benchmarks"]

BROWSER_NAMES = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "microsoft-edge",
    "microsoft-edge-stable",
    "msedge",
    "chrome",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
    r"C:\Program Files\Microsoft\Edge\Application\msedge.exe",
)
BROWSER_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--font-render-hinting=none",
)
# A page on a USB stick may read itself and what it carries inside, and nothing else.
OFFLINE_SCHEMES = ("file:", "data:", "blob:", "about:")


def find_browser() -> str | None:
    """Path of a Chromium-like browser, SIDEGEAR_BROWSER first; None where there is none."""
    for name in (os.environ.get("SIDEGEAR_BROWSER"), *BROWSER_NAMES):
        path = shutil.which(name) if name else None
        if path is None:
            continue
        if os.name == "nt":  # there the browser opens a window when asked for its version
            return path
        # A placeholder may sit there that only tells how to install the real one.
        with contextlib.suppress(OSError, subprocess.TimeoutExpired):
            asked = subprocess.run(
                [path, "--version"], capture_output=True, timeout=30, check=False
            )
            if asked.returncode == 0:
                return path
    return None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test that asks for a browser, so that `-m browser` and `-m "not browser"` hold."""
    for item in items:
        if {"browser", "browser_page", "shared_page"} & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def repository() -> Path:
    """The folder that holds pyproject.toml."""
    return Path(__file__).resolve().parent.parent


class Outcome(NamedTuple):
    """What a call of the command line came to."""

    code: int
    out: str
    err: str


Sidegear = Callable[..., Outcome]


@pytest.fixture
def sidegear(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Sidegear:
    """Call the command line as the shell would, in this process."""

    import pipeline.cli

    def call(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["sidegear", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            pipeline.cli.main()
        said = capsys.readouterr()
        return Outcome(int(ended.value.code or 0), said.out, said.err)

    return call


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One headless browser for all page tests of this worker."""
    executable = find_browser()
    if executable is None:
        text = "no Chromium, Chrome or Edge found; install one or set SIDEGEAR_BROWSER to its path"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(text, pytrace=False)
        pytest.skip(text)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=executable, headless=True, args=list(BROWSER_FLAGS)
        )
        yield browser
        browser.close()


@dataclass
class WatchedPage:
    """A page of the browser together with everything that must not happen on it."""

    page: Page
    console_errors: list[str] = field(default_factory=list)
    page_errors: list[str] = field(default_factory=list)
    outside_requests: list[str] = field(default_factory=list)

    def open(self, path: Path) -> Page:
        """Open a file as a double click would, and hand back the page once it has loaded."""
        self.page.goto(path.resolve().as_uri(), wait_until="load")
        return self.page

    def complaints(self) -> list[str]:
        """All that went wrong so far, in words."""
        return [
            *(f"console: {text}" for text in self.console_errors),
            *(f"uncaught: {text}" for text in self.page_errors),
            *(f"asked the network for: {url}" for url in self.outside_requests),
        ]

    def forgive(self) -> None:
        """Forget what was recorded, for a test that provokes it on purpose."""
        self.console_errors.clear()
        self.page_errors.clear()
        self.outside_requests.clear()


@contextlib.contextmanager
def watched_page(browser: Browser) -> Iterator[WatchedPage]:
    """A fresh 1280 px page without network that notes whatever it complains of."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, locale="en-GB")
    page = context.new_page()
    watched = WatchedPage(page)

    def gate(route: Route) -> None:
        if route.request.url.startswith(OFFLINE_SCHEMES):
            route.continue_()
        else:
            watched.outside_requests.append(route.request.url)
            route.abort()

    def hear(message: ConsoleMessage) -> None:
        if message.type == "error":
            watched.console_errors.append(message.text)

    context.route("**/*", gate)
    page.on("console", hear)
    page.on("pageerror", lambda error: watched.page_errors.append(str(error)))
    yield watched
    context.close()


@pytest.fixture
def browser_page(browser: Browser) -> Iterator[WatchedPage]:
    """A watched page of its own; the test fails if the page complains."""
    with watched_page(browser) as watched:
        yield watched
    assert watched.complaints() == []


@pytest.fixture(scope="module")
def shared_page(browser: Browser) -> Iterator[WatchedPage]:
    """One watched page for all tests of a module, for those that only look."""
    with watched_page(browser) as watched:
        yield watched
    assert watched.complaints() == []
