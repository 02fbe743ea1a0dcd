"""A real browser for the tests of pages.

Set FETSIM_CHROMIUM to its path where it is not called ``chromium``. Without one the tests are skipped, unless
FETSIM_NEEDS_BROWSER is set, which the script for continuous integration does.
"""

import os
import shutil
from contextlib import contextmanager
from pathlib import Path

import axe_playwright_python
import pytest
from playwright.sync_api import expect, sync_playwright

LAUNCH = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
AXE = Path(axe_playwright_python.__file__).with_name("axe.min.js")
PATIENCE_MS = 30_000  # a busy machine is slow, not wrong


@pytest.fixture(scope="session")
def browser():
    """One headless Chromium for all tests of a process."""
    path = os.environ.get("FETSIM_CHROMIUM") or shutil.which("chromium")
    if path is None:
        say = pytest.fail if os.environ.get("FETSIM_NEEDS_BROWSER") else pytest.skip
        say("needs Chromium (apt-get install chromium, or its path in FETSIM_CHROMIUM)")
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=LAUNCH)
        yield chromium
        chromium.close()


class Visit:
    """A page that is open, and all that it did besides looking right."""

    def __init__(self, page):
        self.page = page
        self.requests, self.errors, self.dialogs = [], [], []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", lambda message: self.errors.append(message.text) if message.type == "error" else None)
        page.on("dialog", lambda dialog: (self.dialogs.append(dialog.message), dialog.dismiss()))

    def press(self, *keys):
        for key in keys:
            self.page.keyboard.press(key)

    def status(self):
        return self.page.inner_text("#status").replace("\u2068", "").replace("\u2069", "")


@pytest.fixture
def visit(browser):
    """Opens a page file in a fresh browser profile; at the end nothing may have gone wrong or left the disk."""

    @contextmanager
    def opened(path: Path, *, before: str = "", errors: bool = False, foreign: bool = False, **options):
        context = browser.new_context(**options)
        if before:
            context.add_init_script(before)
        one = Visit(context.new_page())
        one.page.goto(path.as_uri())
        yield one
        asked = [url for url in one.requests if not url.startswith((path.parent.as_uri(), "blob:null"))]
        assert foreign or not asked, asked
        assert errors or not one.errors, one.errors
        assert not one.dialogs
        context.close()

    return opened


def findings(page):
    """What axe finds on an open page, rule by rule; the page's policy must be bypassed (``bypass_csp=True``)."""
    page.evaluate(AXE.read_text("utf-8"))
    return [
        (one["id"], [node["html"] for node in one["nodes"]]) for one in page.evaluate("axe.run()")["violations"]
    ]
