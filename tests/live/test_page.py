"""The live page in a real browser: its sound is the log's, keys do everything, names are text, axe finds nothing."""

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import expect

from fetsim.live import server
from fetsim.live.log import read_log
from fetsim.live.replay import replay
from fetsim.schematic.load import load_unit
from tests.live.tapped import WITH_TAP, listen, tapped
from tests.live.test_session import bursts
from tests.measurements.needle.test_meter import METERED
from tests.report.conftest import findings
from tests.report.pages.test_compare_page import HOSTILE


def until(page, words, patience_s=60.0):
    """Until an expression of the page is true; its policy lets nothing else wait in it."""
    end_s = time.monotonic() + patience_s
    while not page.evaluate(words):
        assert time.monotonic() < end_s, words
        page.wait_for_timeout(50)


@pytest.fixture
def opened(serve, browser):
    """A page on a unit, and what went wrong on it; nothing may be asked of another machine."""
    contexts = []

    def open_page(served, before=lambda page: None, **options):
        context = browser.new_context(**options)
        contexts.append(context)
        page = context.new_page()
        wrong = []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
        page.on("dialog", lambda dialog: (wrong.append(dialog.message), dialog.dismiss()))
        own = (served.url, "data:", f"blob:http://{served.host}")
        page.on("request", lambda one: None if one.url.startswith(own) else wrong.append(one.url))
        page.wrong = wrong
        before(page)
        page.goto(served.url)
        page.wait_for_selector("#stages table")
        return page

    yield open_page
    for context in contexts:
        for page in context.pages:
            assert not page.wrong, page.wrong
        context.close()


def test_what_is_heard_is_what_the_log_replays(serve, opened, monkeypatch):
    """Sample by sample, in 32 bit floats, with values and a snapshot turned on the page."""
    programme = bursts()
    monkeypatch.setattr(server, "FILES", WITH_TAP)
    served = serve(programme.samples)
    page = opened(served, listen)
    page.click("#play")
    until(page, "window.tapped.length > 2")
    page.click("#keep-A")
    for button in ('[aria-label="C2 up"]', '[aria-label="R3 down"]', "#hear-A"):
        page.evaluate("document.getElementById('read-latency').textContent = ''")
        page.click(button)
        until(page, "document.getElementById('read-latency').textContent.endsWith(' ms')")
    page.wait_for_timeout(200)
    page.click("#play")
    heard = tapped(page)
    with page.expect_download() as download:
        page.click("#export-log")
    frames, log = read_log(Path(download.value.path()).read_text())
    assert {one.name for one in log if one.kind == "change"} == {"C2", "R3"} and len(log) == 4
    made = replay(load_unit("teaching"), programme, log, frames, "draft")
    assert len(heard) > 0.5 * 48000
    # to the last bit of 32 bit floats: -140 dB of full scale is far above it, -100 dB what was asked for
    assert np.abs(heard - made[: len(heard)]).max() < 1e-7 * np.abs(made).max()


def test_keys_do_everything(serve, opened):
    served = serve(bursts().samples)
    page = opened(served)
    page.keyboard.press("Space")
    expect(page.locator("#play")).to_have_text("Pause")
    page.keyboard.press("/")
    page.keyboard.type("holds the control")
    expect(page.locator("#found")).to_have_text("1 part")
    page.get_by_label("C2 value").focus()
    page.keyboard.press("ArrowUp")
    expect(page.get_by_label("C2 value")).to_have_value("160 nF")
    page.keyboard.press("Control+a")
    page.keyboard.type("330n")
    page.keyboard.press("Enter")
    expect(page.locator("#differences")).to_contain_text("330 nF")
    page.locator("#play").focus()
    seen = (("a", "C2"), ("u", "160 nF"), ("u", "Nothing"), ("1", "330 nF"), ("0", "Nothing"), ("u", "330 nF"))
    for key, state in seen:
        page.keyboard.press(key)
        expect(page.locator("section[aria-labelledby=changes-title]")).to_contain_text(state)
    page.keyboard.press("r")
    expect(page.locator("#nothing")).to_be_visible()
    page.keyboard.press("b")
    expect(page.locator("#held-B")).not_to_have_text("empty")  # the program keeps it, and has told the page
    for name in ("blind-kind", "blind-count"):
        assert page.evaluate(f"document.getElementById('{name}').tabIndex") == 0
    page.fill("#blind-count", "1")
    page.locator("#blind-form button").press("Enter")
    expect(page.locator("#trial")).to_be_visible()
    expect(page.locator("#stages")).to_be_hidden()
    for key in "12f":
        page.keyboard.press(key)
    expect(page.locator("#result-words")).to_contain_text("of 1 right")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#stages")).to_be_visible()
    page.locator("#any").fill("C99=1")
    page.keyboard.press("Enter")
    expect(page.locator("#status")).to_contain_text("C99")
    page.reload()
    expect(page.locator("#held-A")).to_contain_text("330 nF")  # what was kept stands with the program


def test_it_comes_back_when_the_line_was_cut(serve, opened):
    served = serve(bursts().samples)
    page = opened(served)
    page.click("#play")
    expect(page.locator("#read-reduction")).to_contain_text("dB")
    page.click('[aria-label="C2 up"]')
    expect(page.get_by_label("C2 value")).to_have_value("160 nF")
    served.cut()
    expect(page.locator("#status")).to_contain_text("The line to the program was cut for")
    expect(page.locator("#play")).to_have_text("Pause")
    before = page.evaluate("document.getElementById('clock').textContent")
    until(page, f"document.getElementById('clock').textContent !== '{before}'")
    expect(page.get_by_label("C2 value")).to_have_value("160 nF")


def test_the_needle_is_that_of_the_unit_s_own_meter(serve, opened):
    """Its scale was engraved from held gain reductions; the mean of a steady tone's lies a little off."""
    tone = 0.05 * np.sin(2 * np.pi * 440 * np.arange(48000) / 48000)
    page = opened(serve(tone[:, None], unit=load_unit(METERED)))
    expect(page.locator("#needle-name")).to_have_text("Needle of M1")
    page.click("#play")
    until(page, "document.getElementById('read-needle').textContent.includes('pointer at')")
    page.wait_for_timeout(1500)
    reduction, needle = (page.inner_text(f"#read-{name}") for name in ("reduction", "needle"))
    assert float(needle.split(" dB")[0]) == pytest.approx(float(reduction.split(" dB")[0]), abs=1.0)
    assert 3.0 < float(reduction.split(" dB")[0]) < 14.0
    assert page.evaluate("document.querySelector('.bar > div').offsetWidth > 5")


def test_axe_finds_nothing_and_nothing_sticks_out(serve, opened):
    """In two columns and in one, light and dark."""
    served = serve(bursts().samples, unit="greenshank")
    page = opened(served, bypass_csp=True)
    page.fill("#probe-name", served.hub.session.unit.nodes[0])
    page.press("#probe-name", "Enter")
    page.click("#keep-A")
    expect(page.locator("#scope-shown")).to_be_visible()
    for width in (1280, 360):  # with all parts
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.fill("#search", "divider")  # the rows of all stages are made alike
    for scheme, width in (("light", 1280), ("dark", 360)):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": 800})
        assert not findings(page), (scheme, width)


def test_hostile_names_are_text(serve, opened):
    unit = load_unit("teaching")
    stages = tuple(replace(one, about=HOSTILE[k % len(HOSTILE)]) for k, one in enumerate(unit.stages))
    served = serve(bursts().samples, unit=replace(unit, name=HOSTILE[1], about=HOSTILE[5], stages=stages))
    page = opened(served)
    assert page.locator("main img, main script").count() == 0 and page.evaluate("window.hacked === undefined")
    assert HOSTILE[1] in page.inner_text("#title")
