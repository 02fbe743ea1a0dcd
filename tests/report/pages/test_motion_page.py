"""The page in slow motion: its numbers are those of the measurement, and everything on it works in a real browser."""

import base64
import hashlib
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from playwright.sync_api import expect

from fetsim.errors import InputError
from fetsim.measurements.explain.moments import moments
from fetsim.measurements.explain.procedure import measure_explain
from fetsim.report.explain.loop import drawn_loop
from fetsim.report.explain.record import recorded
from fetsim.report.pages.motion import KEYS, motion_html, write_motion_page
from fetsim.schematic.load import load_unit
from tests.report.conftest import findings
from tests.report.pages.test_compare_page import HOSTILE, Reader

HALF_STEP_32 = 2.0**-24  # of a number of 32 bits


@pytest.fixture(scope="module")
def unit():
    return load_unit("dunlin")


@pytest.fixture(scope="module")
def burst(unit):
    return measure_explain(unit, moving=True, quality="draft", burst_s=0.05, tail_s=0.6)


@pytest.fixture(scope="module")
def page(unit, burst, tmp_path_factory):
    return write_motion_page(tmp_path_factory.mktemp("motion") / "slow.html", unit, burst)


def told_to_script(path):
    return json.loads(Reader(path.read_text("utf-8")).scripts["plan"])


def unpacked(text):
    return np.frombuffer(base64.b64decode(text), "<f4").astype(float)


def test_voltages_are_those_of_the_measurement_and_no_peak_is_lost(burst, page):
    plan, traces = told_to_script(page), burst.traces
    steps, columns, cycles = plan["stretches"]
    first = round((steps["start_s"] - traces.time_s[0]) * traces.rate_hz) + 1
    kept = slice(first, first + steps["count"])
    assert steps["start_s"] + steps["entry_s"] == pytest.approx(traces.time_s[first], abs=1e-12)
    assert columns["start_s"] == traces.time_s[kept.stop - 1] and cycles["start_s"] == burst.burst.duration_s
    wanted = {
        "source": traces.source, "tap": traces.tap, "control": traces.control, "gain": traces.reduction,
        "output": traces.output, "rectifier an1": traces.rectifier["an1"], "rectifier an2": traces.rectifier["an2"],
        "node t1s": traces.nodes["t1s"], "node rc": traces.nodes["rc"],
    }  # fmt: skip
    for key, trace in wanted.items():
        low, high = (unpacked(plan["traces"][key][end]) for end in ("low", "high"))
        exact = {"rtol": 2.0 * HALF_STEP_32, "atol": 1e-30}
        np.testing.assert_allclose(low[: steps["count"]], trace.now[kept], **exact)
        rest, size = trace.now[kept.stop :], columns["samples"]
        pieces = [rest[k : k + size] for k in range(0, rest.size, size)]
        after = slice(len(pieces), None)
        low = low[steps["count"] :]
        np.testing.assert_allclose(low[: len(pieces)], [piece.min() for piece in pieces], **exact)
        np.testing.assert_allclose(high[: len(pieces)], [piece.max() for piece in pieces], **exact)
        assert cycles["samples"] == 1
        np.testing.assert_allclose(low[after], trace.low, **exact)
        np.testing.assert_allclose(high[after], trace.high, **exact)
    ohm = unpacked(plan["traces"]["channel"]["low"])[: steps["count"]]
    np.testing.assert_allclose(ohm, 1.0 / traces.conductance.now[kept], rtol=2.0 * HALF_STEP_32)


def test_instants_are_those_of_the_measurement_to_the_last_bit(burst, page):
    plan = told_to_script(page)
    assert [(one["at_s"], one["event"]) for one in plan["moments"]] == [
        (one.at_s, one.event) for one in moments(burst)
    ]
    words = Reader(page.read_text("utf-8"))
    assert words.scripts.keys() == {"plan", "code"}


def test_an_entry_holds_what_came_in_it(burst):
    record, traces = recorded(burst), burst.traces
    for number in (traces.lead - 1, traces.lead, traces.lead + 200):  # the burst's beginning is a sample
        at_s = traces.time_s[number]
        assert record.at("tap", at_s) == (traces.tap.now[number],) * 2
        assert record.at("tap", at_s - 0.4 / traces.rate_hz) == (traces.tap.now[number],) * 2
    assert record.at("control", burst.burst.duration_s + 1e-9)[0] == traces.control.low[0]
    assert record.index(1e9) == record.count - 1 and record.index(-1.0) == 0
    current = record.entries["current J1"]
    assert np.all(current.low >= 0.0) and np.all(current.high >= current.low)


def test_only_its_own_script_runs_and_nothing_is_fetched(page):
    read, text = Reader(page.read_text("utf-8")), page.read_text("utf-8")
    policy = next(a["content"] for tag, a in read.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'; script-src 'sha256-") and "unsafe" not in policy
    digest = base64.b64encode(hashlib.sha256(read.scripts["code"].encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}';" in policy
    assert not [a for _, a in read.tags if "src" in a or "style" in a or a.get("href", "data:,") != "data:,"]
    assert "http" not in text.replace("http-equiv", "") and len(text) < 2_500_000


def test_hostile_names_are_text(unit, burst, visit, tmp_path):
    named = replace(unit, name=HOSTILE[1], about=HOSTILE[2])
    path = write_motion_page(tmp_path / "slow.html", named, burst)
    with visit(path) as one:
        assert one.page.inner_text("h1") == HOSTILE[1]
        assert one.page.evaluate("window.hacked") is None


@pytest.mark.parametrize(
    ("name", "way", "back", "holder"),
    [
        ("greenshank", ["input", "divider", "preamp", "line"], ["sidechain", "rectifier", "timing"], "C16"),
        ("teaching", ["divider", "amplifier"], ["rectifier", "timing", "bias"], "C2"),
        ("dunlin-pair", ["right_input", "right_divider", "right_preamp", "right_line", "right_output"],
         ["right_curve", "right_sidechain", "right_timing"], "C16"),
    ],
)  # fmt: skip
def test_the_loop_is_drawn_from_the_unit_s_file(name, way, back, holder):
    """As the files say it: where the sidechain is fed from, through which stages it comes back, and what is closed."""
    unit = load_unit(name)
    unit = unit.each_channel[1] if unit.channels else unit
    one = measure_explain(unit, moving=True, quality="draft", burst_s=0.005, tail_s=0.01)
    loop = drawn_loop(unit, one)
    places = {box.stage: (box.column, box.row) for box in loop.boxes}
    assert [places[stage] for stage in way] == [(0, row) for row in range(len(way))]
    cell = next(box for box in loop.boxes if box.fet)
    assert (cell.stage, places[back[-1]]) == (unit.parts[unit.gain_cell.fet].stage, (1, cell.row))
    rows = [places[stage][1] for stage in back]
    assert rows == sorted(rows, reverse=True) and loop.holder == holder
    tap_stage = next(link.start for link in loop.arrows if link.end == back[0])
    assert tap_stage in way and any(a.start == back[-1] and a.end == cell.stage for a in loop.arrows)
    facts = [fact for box in loop.boxes for fact in box.facts]
    assert {"greenshank": "SW1: middle", "dunlin-pair": "link: S9 closed", "teaching": "makes an"}[name] in facts
    html = motion_html(unit, one)
    assert ("of the pair the right channel" in html) == (name == "dunlin-pair")


def test_without_what_moves_there_is_no_page(unit, tmp_path):
    plain = measure_explain(load_unit("teaching"), quality="draft", burst_s=0.005, tail_s=0.01)
    with pytest.raises(InputError, match="measure with moving=True"):
        write_motion_page(tmp_path / "slow.html", load_unit("teaching"), plain)
    with pytest.raises(InputError, match=r"is an \.html file"):
        write_motion_page(tmp_path / "slow.txt", load_unit("teaching"), plain)
    assert not list(tmp_path.iterdir())


def clock(page):
    return page.inner_text("#clock").replace("\u2212", "-")


def test_sentences_appear_at_their_instant_and_stay(burst, page, visit):
    with visit(page) as one:
        at, sentences = one.page, one.page.locator(".sentence:visible")
        assert sentences.count() == 0
        at.locator(".go", has_text="J1 conducts").click()
        assert clock(at) == f"{1e6 * burst.figures.channel.opens_s:.4g} us"
        before = [moment for moment in moments(burst) if moment.at_s <= burst.figures.channel.opens_s]
        assert sentences.count() == sum(bool(moment.sentence) for moment in before)
        assert at.locator("[aria-current]").inner_text().startswith("101\xa0us: J1 conducts")
        # the volts beside it are those of the first step at which it has come true
        place = int(np.searchsorted(burst.traces.time_s, burst.figures.channel.opens_s - 1e-12))
        shown = at.locator(".traces [data-value='control']").inner_text().replace("\u2212", "-")
        assert float(shown.split()[0]) == float(f"{burst.traces.control.now[place]:.4g}") and shown.endswith(" V")
        one.press("Home")
        assert sentences.count() == sum(bool(moment.sentence) for moment in before)


def test_it_plays_at_the_speed_that_is_told(page, visit):
    with visit(page, bypass_csp=True) as one:
        at = one.page
        at.evaluate("""() => {
            const clock = document.querySelector("#clock");
            window.told = [];
            const note = () => told.push([performance.now(), clock.textContent]);
            new MutationObserver(note).observe(clock, {childList: true});
        }""")
        at.select_option("#slower", "5000")
        one.press(" ")
        expect(at.locator("#play")).to_have_text("Pause")
        at.wait_for_function("window.told.length > 12")
        one.press(" ")
        expect(at.locator("#play")).to_have_text("Play")
        told = at.evaluate("window.told")
        (t0, first), *_, (t1, last) = told
        seconds = [float(text.replace("\u2212", "-").split()[0]) * 1e-6 for text in (first, last)]
        assert all(text.endswith(" us") for text in (first, last))
        # pictures are told up to two frames late on a busy machine
        assert (seconds[1] - seconds[0]) * 5000 == pytest.approx((t1 - t0) / 1e3, abs=0.25)


def test_stopping_at_every_sentence(burst, page, visit):
    with visit(page) as one:
        one.press("s", ".", ".", ".")
        assert one.page.input_value("#slower") == "100"
        for number in (1, 2):
            one.press(" ")
            expect(one.page.locator("#status")).to_have_text(re.compile(rf"^{number}\. "))
            expect(one.page.locator("#play")).to_have_text("Play")
        assert clock(one.page) == f"{1e6 * moments(burst)[1].at_s:.4g} us"


def test_the_keyboard_alone_does_everything(burst, page, visit):
    with visit(page) as one:
        at, tried = one.page, set()

        def press(*keys):
            tried.update(keys)
            one.press(*keys)

        step_us = 1e6 / burst.traces.rate_hz
        start = float(clock(at).split()[0])
        press("ArrowRight", "ArrowRight", "ArrowRight", "ArrowLeft")
        assert float(clock(at).split()[0]) - start == pytest.approx(2.0 * step_us, abs=0.2)
        press("Shift+ArrowRight")
        assert float(clock(at).split()[0]) - start == pytest.approx(2.0 * step_us + 125.0, abs=0.2)
        press("n", "n", "b")
        assert clock(at) == "0 s" and one.status().startswith("1. 0 s: The burst begins")
        press("End")
        assert at.input_value("#instant") == at.get_attribute("#instant", "max")
        press("Home")
        assert at.input_value("#instant") == "0"
        press(",")
        assert at.input_value("#slower") == "2000" and one.status() == "Slowed 1/2000"
        press(".", "+")
        assert (at.input_value("#slower"), at.input_value("#window")) == ("1000", "0.001")
        press("-", "s", "Space")
        assert at.is_checked("#stops") and at.inner_text("#play") == "Pause"
        press("Space")
        listed = {key for keys, _ in KEYS for key in keys}
        names = {"ArrowLeft": "\u2190", "ArrowRight": "\u2192", "Shift+ArrowRight": "\u2192"}
        assert {names.get(key, key if len(key) > 1 else key.upper()) for key in tried} == listed
        at.focus("#instant")
        before = int(at.input_value("#instant"))
        one.press("ArrowRight")  # the slider's own key, once
        assert at.input_value("#instant") == str(before + 1)
        assert at.get_attribute("#instant", "aria-valuetext") == at.inner_text("#clock")
        at.uncheck("#keys-on")
        at.locator("h1").click()
        one.press("End")
        assert at.input_value("#instant") == str(before + 1)


def test_dragging_and_clicking_a_drawing(page, visit):
    with visit(page, viewport={"width": 1280, "height": 900}) as one:
        at = one.page
        one.press("n")
        box = at.locator("canvas").first.bounding_box()
        y = box["y"] + box["height"] / 2
        at.mouse.move(box["x"] + 0.75 * box["width"], y)
        at.mouse.down()
        at.mouse.move(box["x"] + 0.5 * box["width"], y, steps=3)
        at.mouse.up()
        # a quarter of 2 ms, in pixels of 3 us
        assert float(clock(at).split()[0]) == pytest.approx(500.0, abs=4.0) and clock(at).endswith(" us")
        at.mouse.click(box["x"] + 0.25 * box["width"], y)
        assert abs(float(clock(at).split()[0])) < 8.0


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_axe_finds_nothing(page, visit, scheme, width):
    with visit(page, bypass_csp=True, color_scheme=scheme, viewport={"width": width, "height": 844}) as one:
        one.press("n", "n", "n", "n", "End")
        assert findings(one.page) == []
        assert one.page.evaluate("document.documentElement.scrollWidth") <= width


def test_with_less_motion_the_drawing_stands_and_time_steps(page, visit):
    with visit(page, reduced_motion="reduce") as one:
        at = one.page
        first = at.evaluate("document.querySelector('canvas').toDataURL()")
        at.evaluate("window.seen = new Set()")
        at.evaluate("new MutationObserver(() => seen.add(document.querySelector('#clock').textContent))"
                    ".observe(document.querySelector('#clock'), {childList: true, subtree: true})")  # fmt: skip
        one.press(" ")
        at.wait_for_timeout(1700)
        one.press(" ")
        assert 1 <= at.evaluate("seen.size") <= 4  # two pictures a second
        assert at.evaluate("document.querySelector('canvas').toDataURL()") != first


def test_paper_and_a_page_without_script_have_stills(page, visit):
    with visit(page) as one:
        one.page.emulate_media(media="print")
        assert one.page.locator(".stills figure svg.loop:visible").count() == 6
        assert one.page.locator(".transport").is_hidden() and one.page.locator("canvas:visible").count() == 0
        assert one.page.locator(".sentence:visible").count() == 7
    with visit(page, java_script_enabled=False) as one:
        assert one.page.locator(".stills figure svg.loop:visible").count() == 6
        assert one.page.locator("button:visible").count() == 0
