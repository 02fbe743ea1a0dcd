"""A real browser for the tests of pages: one in a process, since a second one beside it is refused.

Set FETSIM_CHROMIUM to its path where it is not called ``chromium``. Without one the tests are skipped, unless
FETSIM_NEEDS_BROWSER is set, which the script for continuous integration does.
"""

import os
import shutil

import pytest

LAUNCH = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
PATIENCE_MS = 30_000  # a busy machine is slow, not wrong


@pytest.fixture(scope="session")
def browser():
    """One headless Chromium for all tests of a process."""
    from playwright.sync_api import expect, sync_playwright

    path = os.environ.get("FETSIM_CHROMIUM") or shutil.which("chromium")
    if path is None:
        say = pytest.fail if os.environ.get("FETSIM_NEEDS_BROWSER") else pytest.skip
        say("needs Chromium (apt-get install chromium, or its path in FETSIM_CHROMIUM)")
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=LAUNCH)
        yield chromium
        chromium.close()
