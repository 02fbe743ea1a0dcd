"""A page file as a reader opens it, and what is wrong with it."""

from contextlib import contextmanager
from pathlib import Path

import axe_playwright_python
import pytest

AXE = Path(axe_playwright_python.__file__).with_name("axe.min.js")


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
