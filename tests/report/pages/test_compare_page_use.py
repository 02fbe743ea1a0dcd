"""The page of a comparison as it is used: keys, mouse, tests to their end, hostile names, small screens, no network."""

import json
import re
import shutil
from dataclasses import replace

import pytest
from playwright.sync_api import expect

from fetsim.report.pages.compare import segments, write_comparison_page
from fetsim.report.pages.compare.words import KEYS, clean
from tests.report.invented import failed_version, make_comparison
from tests.report.pages.test_compare_page import HOSTILE

ALWAYS_SECOND = "crypto.getRandomValues = (bytes) => bytes.fill(1);"
ALWAYS_FIRST = "crypto.getRandomValues = (bytes) => bytes.fill(0);"
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Three versions, 12 s, in the page."""
    folder = tmp_path_factory.mktemp("demo")
    return write_comparison_page(make_comparison(folder, rate_hz=8000, channels=1), folder)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hostile")
    words = {"names": HOSTILE, "title": HOSTILE[1] + HOSTILE[4], "input_name": HOSTILE[3]}
    return write_comparison_page(make_comparison(folder, seconds=2.0, rate_hz=8000, channels=1, **words), folder)


def playing(page, yes=True):
    expect(page.locator("#play")).to_have_text("Pause" if yes else "Play")


def clock(page):
    return float(page.inner_text("#clock"))


def drag(page, start, end, which=0):
    """From one share of a drawing's width to another."""
    canvas = page.locator("canvas.track").nth(which)
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    plot = box["width"] - 46
    y = box["y"] + box["height"] - 8
    page.mouse.move(box["x"] + 46 + start * plot, y)
    page.mouse.down()
    page.mouse.move(box["x"] + 46 + (start + end) / 2 * plot, y)
    page.mouse.move(box["x"] + 46 + end * plot, y)
    page.mouse.up()


def test_one_heading_one_caution_and_a_name_for_every_region(demo, visit):
    with visit(demo) as one:
        page = one.page
        assert page.locator("h1").count() == 1 and page.locator(".caution").count() == 1
        for landmark in ("header", "main", "aside"):
            assert page.locator(f"body > {landmark}").count() == 1
        outside = "[...document.body.children].map(e => e.localName).filter(n => n !== 'script')"
        assert set(page.evaluate(outside)) == {"header", "aside", "main"}
        names = page.evaluate("""[...document.querySelectorAll('section, [role=region], aside')].map(e =>
            e.ariaLabel ?? document.getElementById(e.getAttribute('aria-labelledby')).textContent)""")
        assert all(names) and len(set(names)) == len(names)


def test_a_listening_test_goes_round_by_itself(demo, visit):
    """Without a loop the programme would end in the middle of a trial; a loop that is set stays as it is."""
    with visit(demo) as one:
        page = one.page
        assert not page.is_checked("#loop-on")
        page.click("#blind-start")
        assert page.is_checked("#loop-on")
        assert (page.input_value("#loop-from"), page.input_value("#loop-to")) == ("0.00", "12.00")
    with visit(demo) as one:
        page = one.page
        drag(page, 0.25, 0.5)
        chosen = page.input_value("#loop-from"), page.input_value("#loop-to")
        page.click("#preference-start")
        assert page.is_checked("#loop-on")
        assert (page.input_value("#loop-from"), page.input_value("#loop-to")) == chosen != ("0.00", "12.00")


def test_every_key_does_what_the_page_says(demo, visit):
    with visit(demo) as one:
        page = one.page
        tried = set()

        def press(*keys):
            tried.update(keys)
            one.press(*keys)

        press("Space")
        playing(page)
        press("2")
        assert one.status() == "Heard: bigger timing capacitor" and page.is_checked("#version-1")
        assert page.locator(".version.heard").count() == 1
        press("d")
        assert one.status() == "Heard: what bigger timing capacitor adds or takes away"
        assert page.is_checked("#difference-1")
        press("r")
        found = json.loads(page.locator("#plan").text_content())["versions"][1]["difference"]
        # 10 dB under the programme, and no peak above the programme's
        raised_db = min(40.0, -found["level_db"] - 10.0, -found["peak_db"])
        assert page.is_checked("#raised") and one.status().endswith(f", raised by {raised_db:.1f} dB")
        press("d", "n")
        assert page.is_checked("#version-2")
        press("n")
        assert page.is_checked("#version-0")
        press("d")  # the first has none
        assert page.is_checked("#version-0")
        press("b")
        assert page.is_checked("#version-2")
        press("m")
        assert not page.is_checked("#matched") and one.status().startswith("Levels as the versions left them")
        press("Space")
        playing(page, False)
        press("Home")
        assert clock(page) == 0.0
        press("ArrowRight", "ArrowRight", "ArrowRight", "ArrowLeft")
        assert clock(page) == 2.0
        press("[", "Shift+ArrowRight")
        assert clock(page) == 12.0  # the end
        press("Shift+ArrowLeft", "ArrowRight", "ArrowRight", "]")
        assert one.status() == "Loop from 2.00 to 4.00 s" and page.is_checked("#loop-on")
        press("l")
        assert one.status() == "Loop off" and not page.is_checked("#loop-on")
        press("l", "z")
        assert one.status() == "Shown: 1.9 to 4.1 s" and page.inner_text("#zoom") == "Show all"
        press("z", "c")
        assert page.input_value("#loop-to") == "12.00" and not page.is_checked("#loop-on")
        press("+", "+", "-")
        assert page.inner_text("#level-text") == "\u221229 dB" and page.input_value("#level") == "-29"
        press("End")
        assert clock(page) == 12.0
        told = {key for keys, _ in KEYS for key in keys}
        named = {"ArrowLeft": "\u2190", "ArrowRight": "\u2192", "2": "1 to 9"}
        assert {named.get(key, key if len(key) > 1 else key.upper()) for key in tried if "Shift" not in key} == told - {
            "0", "1", "2", "F", "S",
        }  # fmt: skip
        page.uncheck("#keys-on")
        one.press("1")
        assert page.is_checked("#version-2")


def test_keys_stay_out_of_fields_that_need_them(demo, visit):
    with visit(demo) as one:
        page = one.page
        page.click("#loop-from", click_count=3)
        page.keyboard.type("2.5")
        assert page.input_value("#loop-from") == "2.5" and page.is_checked("#version-0")
        page.focus("#raised")
        one.press("Space")
        assert page.is_checked("#raised") and page.inner_text("#play") == "Play"
        page.focus("#level")
        one.press("ArrowRight")
        assert page.inner_text("#level-text") == "\u221229 dB" and clock(page) == 0.0
        page.focus("#version-0")
        one.press("ArrowDown")  # the browser's own way through a group of radio buttons
        assert page.is_checked("#version-1") and one.status().startswith("Heard: bigger timing")
        one.press("Control+2")
        assert page.is_checked("#version-1")


def test_mouse_goes_loops_and_chooses(demo, visit):
    with visit(demo) as one:
        page = one.page
        drag(page, 0.5, 0.5)
        assert clock(page) == pytest.approx(6.0, abs=0.1)
        page.click("#play")
        playing(page)
        drag(page, 0.75, 0.25, which=1)  # leftwards is the same loop
        loop = [float(page.input_value(name)) for name in ("#loop-from", "#loop-to")]
        assert loop == pytest.approx([3.0, 9.0], abs=0.05) and page.is_checked("#loop-on")
        shade = page.locator(".shade").nth(1).bounding_box()
        canvas = page.locator("canvas.track").first.bounding_box()
        plot = canvas["width"] - 46
        assert shade["x"] == pytest.approx(canvas["x"] + 46 + plot * 0.25, abs=2)
        assert shade["width"] == pytest.approx(plot / 2, abs=4)
        page.get_by_role("radio", name="slower attack").click()
        assert one.status() == "Heard: slower attack"
        one.press("Space")
        playing(page, False)
        marks = {round(page.locator(".mark").nth(k).bounding_box()["x"]) for k in range(page.locator(".mark").count())}
        assert max(marks) - min(marks) <= 1  # one playhead over all
        page.click("#loop-clear")
        assert not page.is_checked("#loop-on")


def test_playing_ends_at_the_end_and_goes_on_where_it_paused(demo, visit):
    with visit(demo) as one:
        page = one.page
        one.press("ArrowRight", "Space")
        playing(page)
        one.press("Space")
        playing(page, False)
        paused = clock(page)
        assert 1.0 <= paused < 12.0
        one.press("Space")
        playing(page)
        assert paused <= clock(page) < 12.0
        one.press("End")
        playing(page, False)
        assert one.status() == "End of the programme" and clock(page) == 0.0


def answer_all(one, count, choose):
    for k in range(count):
        one.press("1", "2", choose(k))


def test_a_blind_test_to_its_end(demo, visit, tmp_path):
    with visit(demo, before=ALWAYS_SECOND, accept_downloads=True) as one:
        page = one.page
        page.select_option("#blind-other", "2")
        assert page.inner_text("#blind-needed") == "12 of 16 right give p = 0.038; 11 right give p = 0.105."
        page.click("#blind-start")
        assert page.locator("#trial-title").evaluate("(title) => title === document.activeElement")
        assert page.is_hidden("#versions") and page.is_hidden("table") and page.is_hidden("#answer-none")
        one.press("s")
        assert one.status().startswith("Listen to the first and to the second")
        one.press("1", "2", "s")  # nothing plays yet, so nothing was heard
        assert page.inner_text("#trial-number") == "Trial 1 of 16"
        one.press("Space")
        playing(page)
        answer_all(one, 12, lambda k: "s")
        assert page.inner_text("#trial-number") == "Trial 13 of 16"
        assert not re.search("right|wrong|correct", one.status())
        answer_all(one, 4, lambda k: "f")
        words = page.inner_text("#result-words")
        assert words.startswith("12 of 16 right.") and "p = 0.038" in words and "a difference was heard" in words
        with page.expect_download() as download:
            page.click("#result-save")
        download.value.save_as(tmp_path / "result.json")
        assert re.fullmatch(r"listening-test-[0-9-]+\.json", download.value.suggested_filename)
        page.click("#result-close")
        assert page.is_visible("#versions") and page.is_hidden("#result")
    result = json.loads((tmp_path / "result.json").read_text("utf-8"))
    assert (result["right"], result["count"], result["p_exact"]) == (12, 16, "2517/65536")
    assert result["p_value"] == pytest.approx(0.0384063720703125, rel=1e-15)
    assert result["reference_and_other"] == [0, 2] and result["level_matched"] is True
    assert [t["right"] for t in result["trials"]] == [True] * 12 + [False] * 4
    assert {t["reference_was"] for t in result["trials"]} == {"second"}
    assert all(t["heard"]["first"] >= 1 and t["heard"]["second"] >= 1 for t in result["trials"])
    assert result["title"] == "Marsh jingle, three ways" and result["versions"][2] == "slower attack"


def test_the_page_gives_nothing_away_while_the_test_runs(demo, visit):
    """Two visits whose hidden orders are opposite look the same at every step."""
    look = """() => {
      const main = document.querySelector("main").cloneNode(true);
      main.querySelectorAll(".mark, #clock").forEach((one) => one.remove());  // where playing has come to
      main.querySelector("#position").removeAttribute("aria-valuenow");
      main.querySelector("#position").removeAttribute("aria-valuetext");
      const read = performance.getEntriesByType("resource").map((entry) => entry.name);
      const body = [...document.body.attributes].map((one) => `${one.name}=${one.value}`).join();
      return [main.outerHTML, body, document.title, Object.keys(window).sort().join(), read.join()];
    }"""
    seen = []
    for order in (ALWAYS_FIRST, ALWAYS_SECOND):
        with visit(demo, before=order) as one:
            page = one.page
            page.click("#blind-start")
            one.press("Space")
            playing(page)
            looks = []
            for key in "0121f2101s":
                one.press(key)
                looks.append(page.evaluate(look))
            assert page.inner_text("#trial-number") == "Trial 3 of 16"
            seen.append(looks)
    assert seen[0] == seen[1]


def test_a_test_that_is_stopped_has_no_result(demo, visit):
    with visit(demo) as one:
        page = one.page
        page.fill("#blind-count", "5")
        page.click("#blind-start")
        one.press("Space")
        playing(page)
        answer_all(one, 4, lambda k: "f")
        page.click("#trial-stop")
        assert one.status() == "Stopped after 4 of 5 trials; without all of them there is no result."
        assert page.is_hidden("#result") and page.is_visible("#versions")
        page.fill("#blind-count", "4")  # too few to ever reach the limit
        page.click("#blind-start")
        assert page.is_hidden("#trial")
        page.fill("#blind-count", "8")
        page.select_option("#blind-other", "0")
        page.click("#blind-start")
        assert one.status() == "Choose two different versions."


def test_a_preference_test_to_its_end(demo, visit):
    with visit(demo, before=ALWAYS_SECOND) as one:
        page = one.page
        page.fill("#preference-count", "8")
        page.uncheck("#matched")
        page.click("#preference-start")
        assert page.is_hidden("#hear-reference") and page.is_visible("#answer-none") and page.is_visible("#trial-loud")
        one.press("Space")
        playing(page)
        answer_all(one, 8, lambda k: "ffffffsn"[k])
        words = page.inner_text("#result-words").replace("\u2068", "").replace("\u2069", "")
        # the order puts the second of the pair first: six for it, one against
        assert "as built: 1. bigger timing capacitor: 6. No preference: 1. Of 8 trials." in words
        assert "p = 0.125, exact two-sided" in words and "chance explains this" in words


@pytest.mark.parametrize("viewport", [PHONE, {"width": 1200, "height": 900}], ids=["phone", "desk"])
def test_hostile_names_are_shown_as_text(hostile, visit, viewport):
    with visit(hostile, viewport=viewport) as one:
        page = one.page
        shown = [clean(name).replace("\u2028", " ") for name in HOSTILE]
        texts = page.evaluate("[...document.querySelectorAll('.name bdi')].map((one) => one.textContent)")
        assert [text.replace("\u2028", " ") for text in texts] == shown
        for number in range(len(HOSTILE)):
            one.press(str(number + 1))
            assert one.status().replace("\u2028", " ") == f"Heard: {shown[number]}".strip()
        page.select_option("#preference-other", "2")
        page.fill("#preference-count", "1")
        page.click("#preference-start")
        one.press("Space")
        playing(page)
        one.press("1", "2", "n")
        assert "onerror" in page.inner_text("#result-words")
        page.click("#result-close")
        assert page.evaluate("window.hacked") is None
        assert page.evaluate("document.querySelectorAll('img, iframe, object').length") == 0
        assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"]


def test_one_version_alone_can_be_heard_but_not_tested(tmp_path, visit):
    comparison = make_comparison(tmp_path, names=("as built",), seconds=30.0, rate_hz=96000)
    both = replace(comparison, versions=(*comparison.versions, failed_version("too far")))
    with visit(write_comparison_page(both, tmp_path)) as one:
        one.press("Space", "2", "n")
        playing(one.page)
        assert one.page.locator("#blind-start").count() == 0
        assert "\u2068too far\u2069: could not be played" in one.page.inner_text(".caution")


def test_nothing_foreign_can_be_loaded(demo, visit):
    with visit(demo, errors=True, foreign=True) as one:
        stopped = one.page.evaluate(
            """async () => {
              const stopped = [];
              document.addEventListener("securitypolicyviolation", (event) => stopped.push(event.effectiveDirective));
              const add = (tag, what) => document.body.append(Object.assign(document.createElement(tag), what));
              add("img", { src: "http://127.0.0.1:9/x.png" });
              add("script", { src: "http://127.0.0.1:9/x.js" });
              add("script", { textContent: "window.hacked = 4" });
              await fetch("http://127.0.0.1:9/").catch(() => {});
              await new Promise((done) => setTimeout(done, 100));
              return [stopped.sort(), window.hacked ?? null];
            }"""
        )
        assert stopped == [["connect-src", "img-src", "script-src-elem", "script-src-elem"], None]


def test_sound_beside_the_page_is_read_as_it_is_needed(tmp_path, visit, monkeypatch):
    monkeypatch.setattr(segments, "SEGMENT_S", 1.0)
    made = tmp_path / "made here"
    made.mkdir()
    write_comparison_page(make_comparison(made, rate_hz=8000, channels=1), made, embed_limit_bytes=0)
    folder = tmp_path / "moved \u00fcber there #2"
    shutil.move(made, folder)
    (folder / "listen_data" / "00009.js").unlink()
    with visit(folder / "listen.html", errors=True) as one:
        page = one.page

        def read():
            return [int(url[-8:-3]) for url in one.requests if url.endswith(".js")]

        assert read() == [0]
        with page.expect_request(re.compile("00004")):  # three seconds ahead, and one segment more
            one.press("Space")
            playing(page)
        one.press("Space")
        playing(page, False)
        assert read() == list(range(len(read())))
        assert max(read()) <= clock(page) + 5
        one.press("Home", "ArrowRight", "ArrowRight", "ArrowRight", "Shift+ArrowRight", "ArrowLeft", "ArrowLeft")
        one.press("ArrowLeft", "Space")  # 9 s, where a file is missing
        expect(page.locator("#status")).to_have_text(re.compile(r"^Cannot play: listen_data/00009\.js is missing"))
        playing(page, False)
        one.press("Home", "Space")
        playing(page)
        assert [text for text in one.errors if "ERR_FILE_NOT_FOUND" not in text] == []


def test_everything_has_a_name_and_can_be_reached(demo, visit):
    with visit(demo) as one:
        page = one.page
        nameless = page.evaluate(
            """() => {
              const named = (one) => one.getAttribute("aria-label") || one.getAttribute("aria-labelledby")
                || one.labels?.length || one.textContent.trim() || one.closest("[aria-hidden=true], #trial");
              const all = document.querySelectorAll("button, input, select, [tabindex], canvas, progress");
              return [...all].filter((one) => !named(one)).map((one) => one.outerHTML);
            }"""
        )
        assert nameless == []
        snapshot = page.locator("main").aria_snapshot()
        for line in (
            'button "Play"', 'slider "Position"', 'slider "Level"', 'radiogroup "What is heard"',
            'radio "bigger timing capacitor"', 'radio "difference alone"', 'checkbox "Loop"', "status",
            'img "slower attack, drawn over time: Gain reduction',
        ):  # fmt: skip
            assert line in snapshot, line
        page.locator("h1").click()
        reached = set()
        for _ in range(60):
            one.press("Tab")
            reached.add(page.evaluate("document.activeElement.id"))
        wanted = page.evaluate(
            """() => [...document.querySelectorAll("button, input:not([type=radio]), select")]
              .filter((one) => one.offsetParent).map((one) => one.id)"""
        )
        assert set(wanted) <= reached and "position" in reached and "version-0" in reached


def test_drawings_follow_width_and_colours(demo, visit):
    """Not blank, as wide as the screen, and different in the dark."""
    looks = {}
    for name, options in (("light", {}), ("dark", {"color_scheme": "dark"}), ("phone", {"viewport": PHONE})):
        with visit(demo, **options) as one:
            looks[name] = one.page.evaluate(
                """async () => {
                  const picture = () => new Promise((done) => requestAnimationFrame(done));
                  await picture().then(picture);  // sizes are told after the page is laid out
                  return [...document.querySelectorAll("canvas.track")].map((canvas) => {
                  const pixels = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
                  const colours = new Set();
                  for (let i = 0; i < pixels.length; i += 4) {
                    if (pixels[i + 3] === 255) colours.add(pixels.slice(i, i + 3).join());
                  }
                  return [canvas.clientWidth, canvas.clientHeight, [...colours]];
                  });
                }"""
            )
    plain = {name: [set(colours) for *_, colours in look] for name, look in looks.items()}
    assert all(len(colours) > 3 for look in plain.values() for colours in look)
    assert {"85,121,143", "141,31,71", "176,106,16"} <= plain["light"][1]  # wave, reduction, difference
    assert {"134,172,194", "229,139,165", "226,168,92"} <= plain["dark"][1]
    assert looks["phone"][0][0] < 390 < looks["light"][0][0]
    assert [height for _, height, _ in looks["light"]] == [166, 242, 242]  # the first has no difference
