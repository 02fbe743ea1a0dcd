"""What the page of a comparison plays: its own sound graph sample by sample, offline and while it really runs."""

import base64
from importlib.resources import files

import numpy as np
import pytest
from playwright.sync_api import expect
from scipy import stats

from fetsim.report.pages.compare import segments, write_comparison_page
from tests.report.invented import make_comparison

RATE_HZ = 16000
START_DB = -30.0
FIRST_FADE_S = 1.5
SINGLE = 3e-7  # a few roundings of single precision, re full scale
TRANSPORT = """
window.toText = (floats) => {
  const bytes = new Uint8Array(floats.buffer);
  let letters = "";
  for (const byte of bytes) letters += String.fromCharCode(byte);
  return btoa(letters);
};
window.toFloats = (text) => new Float32Array(Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0)).buffer);
"""
RECORDER = TRANSPORT + """
const Original = AudioContext;
window.record = async (rate) => {
  const context = new Original({ sampleRate: rate });
  const code = `registerProcessor("tap", class extends AudioWorkletProcessor {
    process([[heard]]) { this.port.postMessage(heard ? heard.slice() : new Float32Array(128)); return true; } })`;
  await context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(code)}`);
  const tap = new AudioWorkletNode(context, "tap");
  const connect = AudioNode.prototype.connect;
  connect.call(tap, context.destination);
  window.heard = [];
  tap.port.onmessage = ({ data }) => window.heard.push(data);
  AudioNode.prototype.connect = function (to, ...rest) {
    return connect.call(this, to === context.destination ? tap : to, ...rest);
  };
  window.AudioContext = function () { return context; };
};
"""


@pytest.fixture(scope="module")
def bench(browser):
    """A blank page that has the page's functions."""
    page = browser.new_page()
    page.add_script_tag(content=TRANSPORT)
    for name in ("binomial.js", "graph.js", "trials.js"):
        page.add_script_tag(content=files("fetsim.report.pages.compare").joinpath(name).read_text("utf-8"))
    yield page
    page.close()


def offline(bench, sounds, covariance, steps, frames, *, segment=1000, cut_at=None):
    """Play ``sounds`` [shape=(k, n)] in pieces from frame 100 on; ``steps``: (seconds, gains)."""
    out = bench.evaluate(
        """async ([texts, covariance, steps, frames, rate, segment, cutAt]) => {
          const sounds = texts.map(toFloats);
          const context = new OfflineAudioContext(1, frames, rate);
          const graph = new Graph(context, covariance);
          graph.level.gain.value = 1;
          const run = new Run(graph, 100, 0);
          for (let at = 0; at < sounds[0].length; at += segment) {
            const length = Math.min(segment, sounds[0].length - at);
            run.add(sounds.map((sound) => {
              const buffer = new AudioBuffer({ length, sampleRate: rate });
              buffer.copyToChannel(sound.slice(at, at + length), 0);
              return buffer;
            }), 0, length);
          }
          graph.set(steps[0][1]);
          for (const [at, gains] of steps.slice(1)) graph.hear(gains, at);
          if (cutAt !== null) run.finish(cutAt);
          return toText((await context.startRendering()).getChannelData(0));
        }""",
        [[text_of(one) for one in sounds], np.asarray(covariance).tolist(), steps, frames, RATE_HZ, segment, cut_at],
    )
    return floats_of(out)


def text_of(samples):
    return base64.b64encode(samples.astype("<f4").tobytes()).decode()


def floats_of(text):
    return np.frombuffer(base64.b64decode(text), "<f4").astype(float)


def noise(count, frames, seed=3):
    return np.float32(np.random.default_rng(seed).uniform(-0.3, 0.3, (count, frames)))


def covariance_of(sounds):
    return (sounds.astype(float) @ sounds.astype(float).T) / sounds.shape[1]


def test_switching_is_sample_locked_and_without_a_gap(bench):
    sounds = noise(3, 40000)  # 2.5 s in pieces of 1000 frames
    steps = [(0, [1, 0, 0]), (0.5, [0, 1, 0]), (1.2, [0, 0, 1]), (1.205, [1, 0, 0]), (2.0, [0, 1, 0])]
    out = offline(bench, sounds, covariance_of(sounds), steps, 41000)
    edge, fade = round(0.005 * RATE_HZ) + 1, round(0.012 * RATE_HZ) + 1
    whole = [(100 + edge, 8000, 0), (8000 + fade, 19200, 1), (19200 + 2 * fade, 32000, 0), (32000 + fade, 40100, 1)]
    for start, end, version in whole:
        np.testing.assert_allclose(out[start:end], sounds[version, start - 100 : end - 100], atol=SINGLE)
    assert not out[:100].any() and not out[40100:].any()


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.95, 1.0])
def test_a_crossfade_keeps_the_power(bench, correlation):
    """Whatever the versions have in common: sine and cosine for nothing, a straight line for everything."""
    curves = np.array(
        bench.evaluate(
            "([c]) => crossfadeCurves([1, 0], [0, 1], [[1, c], [c, 1]], 25).map((curve) => Array.from(curve))",
            [correlation],
        )
    )
    a, b = curves
    np.testing.assert_allclose(a * a + b * b + 2 * correlation * a * b, 1.0, atol=1e-6)
    np.testing.assert_allclose(b, a[::-1], atol=1e-6)
    if correlation == 0.0:
        np.testing.assert_allclose(b, np.sin(np.linspace(0.0, np.pi / 2, 25)), atol=1e-6)
    if correlation == 1.0:
        np.testing.assert_allclose(b, np.linspace(0.0, 1.0, 25), atol=1e-6)


def test_switching_between_equal_versions_changes_no_sample(bench):
    sounds = np.repeat(noise(1, 16000), 2, axis=0)
    out = offline(bench, sounds, covariance_of(sounds), [(0, [1, 0]), (0.5, [0, 1])], 17000)
    np.testing.assert_allclose(out[200:16100], sounds[0, 100:16000], atol=SINGLE)


def test_a_difference_of_equal_versions_is_nothing_and_of_others_is_theirs(bench):
    sounds = noise(2, 8000)
    sounds = np.stack([sounds[0], sounds[0], sounds[1]])
    for version, wanted in ((1, np.zeros(8000)), (2, sounds[2] - sounds[0])):
        gains = [-1, int(version == 1), int(version == 2)]
        out = offline(bench, sounds, covariance_of(sounds), [(0, gains)], 8100)
        np.testing.assert_allclose(out[200:8100], wanted[100:8000], atol=SINGLE)
        if version == 1:
            assert not out.any()


@pytest.mark.parametrize("cut_at", [130, 4000])  # while it still fades in, and later
def test_a_run_ends_without_a_jump(bench, cut_at):
    out = offline(bench, np.full((1, 8000), 0.5, np.float32), [[0.25]], [(0, [1])], 8200, cut_at=cut_at)
    step = 0.5 / (0.005 * RATE_HZ)
    assert np.max(np.abs(np.diff(out))) <= step * 1.01
    assert out[cut_at - 1] > 0.1 and not out[cut_at + round(0.005 * RATE_HZ) + 1 :].any()


def test_p_values_against_scipy(bench):
    counts = [1, 2, 5, 8, 10, 16, 20, 37, 64, 100]
    pairs = [(k, n) for n in counts for k in range(n + 1)]
    found = bench.evaluate("(pairs) => pairs.map(([k, n]) => [guessingP(k, n), splitP(k, n)])", pairs)
    for (k, n), (one_sided, two_sided) in zip(pairs, found, strict=True):
        assert one_sided == pytest.approx(stats.binomtest(k, n, alternative="greater").pvalue, rel=1e-12)
        assert two_sided == pytest.approx(stats.binomtest(k, n).pvalue, rel=1e-12)
    assert bench.evaluate("guessingFraction(12, 16)") == "2517/65536"


def test_p_values_of_usual_tests(bench):
    """The usual table of forced choices at 5 %, with its near misses (binomial; computed, no outside authority)."""
    table = {
        (7, 8): 0.0352, (9, 10): 0.0107, (10, 12): 0.0193, (12, 16): 0.0384, (15, 20): 0.0207, (17, 24): 0.0320,
        (18, 25): 0.0216, (20, 30): 0.0494, (8, 10): 0.0547, (14, 20): 0.0577, (11, 16): 0.1051,
    }  # fmt: skip
    for (k, n), p in table.items():
        assert bench.evaluate("([k, n]) => guessingP(k, n)", [k, n]) == pytest.approx(p, abs=5e-5)
    needed = {n: bench.evaluate("(n) => neededRight(n)", n) for n in (4, 5, 8, 10, 16, 20, 100)}
    assert needed == {4: None, 5: 5, 8: 7, 10: 9, 16: 12, 20: 15, 100: 59}


def test_what_a_p_value_means_in_words(bench):
    def words(k, n):
        code = "([k, n]) => blindWords({ right: k, count: n, p_value: guessingP(k, n) })"
        return " ".join(bench.evaluate(code, [k, n]))

    good, close, lost = words(12, 16), words(14, 20), words(8, 16)
    assert good.startswith("12 of 16 right.") and "3.8 % of such tests (p = 0.038," in good and "was heard" in good
    assert "p = 0.058" in close and "does not show" in close and "15 right would have been needed" in close
    assert "does not prove that there is none" in lost
    assert bench.evaluate("pText(0.0504)") == "p = 0.05040"  # never a false 0.050
    assert bench.evaluate("pText(1e-9)") == "p < 0.001"


def test_the_order_of_trials_is_what_was_drawn_and_fair(bench):
    tossed = bench.evaluate("tosses(4000)")
    assert set(tossed) == {0, 1} and stats.binomtest(sum(tossed), 4000).pvalue > 1e-6
    found = bench.evaluate(
        """() => {
          const trials = new Trials("blind", [4, 7], 40);
          const placed = [];
          while (!trials.done) {
            placed.push([trials.version("reference"), trials.version("first"), trials.version("second")]);
            trials.answer(trials.version("first") === 4 ? "first" : "second");
          }
          return [placed, trials.result(), JSON.stringify(new Trials("blind", [4, 7], 40))];
        }"""
    )
    placed, result, shown = found
    assert {tuple(one) for one in placed} == {(4, 4, 7), (4, 7, 4)}
    assert result["right"] == 40 and [t["reference_was"] for t in result["trials"]] == [
        "first" if one[1] == 4 else "second" for one in placed
    ]
    assert "order" not in shown


@pytest.fixture(scope="module")
def noisy(tmp_path_factory):
    """A page whose versions are unrelated noise, so that every sample tells version and place."""
    folder = tmp_path_factory.mktemp("noisy")
    sounds = noise(3, 8 * RATE_HZ, seed=11)
    comparison = make_comparison(
        folder, samples=[sound[:, None].astype(float) for sound in sounds], rate_hz=RATE_HZ, gains_db=[0.0, 6.0, -3.0]
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(segments, "SEGMENT_S", 1.0)
        return write_comparison_page(comparison, folder), sounds


def heard(page):
    """All samples since the clock began."""
    return floats_of(page.evaluate(
        """() => {
          const all = new Float32Array(heard.length * 128);
          heard.forEach((piece, k) => all.set(piece, k * 128));
          return toText(all);
        }"""
    ))  # fmt: skip


def wait(page, seconds):
    """Until so much more was recorded: a busy machine may play late, but leaves nothing out."""
    page.evaluate(
        """async (frames) => {
          const end = heard.length * 128 + frames;
          for (let tries = 0; heard.length * 128 < end; tries += 1) {
            if (tries > 3000) throw new Error(`the clock stands still, ${heard.length} blocks were recorded`);
            await new Promise((done) => setTimeout(done, 10));
          }
        }""",
        seconds * RATE_HZ,
    )


def place(samples, sound):
    """Frame of ``sound`` at which ``samples`` lie."""
    match = np.fft.irfft(np.fft.rfft(sound) * np.conj(np.fft.rfft(samples, len(sound))), len(sound))
    return int(np.argmax(match))


def test_playing_and_switching_while_it_really_runs(noisy, visit):
    path, sounds = noisy
    with visit(path, before=RECORDER, bypass_csp=True) as one:
        page = one.page
        page.evaluate("record(16000)")
        one.press(" ")
        expect(page.locator("#play")).to_have_text("Pause")
        wait(page, FIRST_FADE_S + 0.4)
        for key in "2321":
            one.press(key)
            wait(page, 0.3)
        one.press(" ")
        expect(page.locator("#play")).to_have_text("Play")
        page.wait_for_timeout(700)  # until the page has let the sound device go
        out = heard(page) / 10 ** (START_DB / 20)
    start = int(np.flatnonzero(out)[0]) - 1
    end = int(np.flatnonzero(out)[-1]) - round(0.005 * RATE_HZ)
    steady = start + round((FIRST_FADE_S + 0.1) * RATE_HZ)
    lag = steady - place(out[steady : steady + 1000], sounds[0])
    assert abs(lag - start) <= 1  # it began at the beginning, and nothing was left out since
    # 16 frames at a time, since single ones can be alike by chance
    blocks = np.arange(steady, end - 16, 16)
    frames = blocks[:, None] + np.arange(16)
    fits = np.all(np.abs(out[frames] - sounds[:, frames - lag]) < 1e-5, axis=2)
    which = np.where(fits.any(axis=0), fits.argmax(axis=0), -1)
    pieces = np.split(which, np.flatnonzero(np.diff(which)) + 1)
    assert [int(piece[0]) for piece in pieces] == [0, -1, 1, -1, 2, -1, 1, -1, 0]
    # what is neither lies in the four fades, none longer than a fade
    assert max(16 * len(piece) for piece in pieces[1::2]) <= 0.012 * RATE_HZ + 32


def test_the_first_sound_comes_up_slowly_and_the_level_makes_no_jump(noisy, visit):
    path, _ = noisy
    with visit(path, before=RECORDER, bypass_csp=True) as one:
        page = one.page
        page.evaluate("record(16000)")
        one.press(" ")
        wait(page, FIRST_FADE_S + 0.2)
        page.locator("#level").fill("-10")  # 20 dB at once
        wait(page, 0.9)
        page.locator("#level").fill("-60")
        wait(page, 0.2)
        out = heard(page)
    start = int(np.flatnonzero(out)[0])
    pieces = out[start : start + (len(out) - start) // 160 * 160].reshape(-1, 160)  # 10 ms each
    rms = np.sqrt(np.mean(pieces**2, axis=1))
    full = np.sqrt(np.mean(0.3**2 / 3.0))
    assert rms[:20].max() < full * 10 ** ((START_DB - 15.0) / 20)
    assert rms[:150].max() < full * 10 ** ((START_DB + 1.0) / 20)
    assert rms.max() == pytest.approx(full * 10 ** (-10 / 20), rel=0.15)
    rise_db = 20 * np.log10(rms[180:] / rms[170:-10])  # over 100 ms: 40 dB a second, and what the noise adds
    assert np.max(rise_db) < 4.0 + 2.0
    assert rms[-3:].max() < full * 10 ** (-58 / 20)


def test_a_loop_repeats_to_the_sample(noisy, visit):
    path, sounds = noisy
    with visit(path, before=RECORDER, bypass_csp=True) as one:
        page = one.page
        page.evaluate("record(16000)")
        page.fill("#loop-from", "0.3")
        page.fill("#loop-to", "0.9")
        page.press("#loop-to", "Enter")
        assert one.status() == "Loop from 0.30 to 0.90 s" and page.is_checked("#loop-on")
        page.locator("h1").click()
        one.press(" ")
        wait(page, FIRST_FADE_S + 2.2)
        out = heard(page) / 10 ** (START_DB / 20)
    start = int(np.flatnonzero(out)[0]) - 1
    period = round(0.6 * RATE_HZ)
    steady = out[start + 3 * period : start + 5 * period]
    np.testing.assert_allclose(steady[:period], steady[period:], atol=1e-5)
    edge = round(0.005 * RATE_HZ) + 2
    np.testing.assert_allclose(
        steady[edge : period - edge], sounds[0, 4800 + edge : 4800 + period - edge], atol=1e-5
    )


def test_unmatched_levels_are_those_of_the_versions_and_never_louder(noisy, visit):
    """Trims of 0, +6 and -3 dB were put on: without them version 2 lies 6 dB under, version 3 on top 3 dB above."""
    path, sounds = noisy
    with visit(path, before=RECORDER, bypass_csp=True) as one:
        page = one.page
        page.evaluate("record(16000)")
        one.press("m", " ")
        assert not page.is_checked("#matched")
        wait(page, FIRST_FADE_S + 0.2)
        for key in "231":
            one.press(key)
            wait(page, 0.25)
        out = heard(page) / 10 ** (START_DB / 20)
    start = int(np.flatnonzero(out)[0]) - 1
    gains_db = []
    for k in range(start + round((FIRST_FADE_S + 0.1) * RATE_HZ), len(out) - 800, 400):
        heard_s, pieces = out[k : k + 400], sounds[:, k - start : k - start + 400].astype(float)
        factors = pieces @ heard_s / np.sum(pieces**2, axis=1)
        version = int(np.argmax(np.abs(factors)))
        if np.max(np.abs(heard_s - factors[version] * pieces[version])) < 1e-5:  # it alone: no fade
            gains_db.append((version, round(20 * np.log10(factors[version]), 3)))
    assert set(gains_db) == {(0, -3.0), (1, -9.0), (2, 0.0)}


def test_in_a_trial_first_and_second_are_what_was_drawn(noisy, visit):
    path, sounds = noisy
    ones = "crypto.getRandomValues = (bytes) => bytes.fill(1);"  # the reference is always second
    with visit(path, before=RECORDER + ones, bypass_csp=True) as one:
        page = one.page
        page.evaluate("record(16000)")
        page.click("#blind-start")
        one.press(" ")
        wait(page, FIRST_FADE_S + 0.2)
        marks = []
        for key in "012":
            one.press(key)
            wait(page, 0.15)
            marks.append(page.evaluate("window.heard.length * 128"))
            wait(page, 0.15)
        out = heard(page)
    start = int(np.flatnonzero(out)[0]) - 1
    found = []
    for mark in marks:
        piece = out[mark : mark + 1000]
        found.append(int(np.argmax([abs(np.dot(piece, s[mark - start : mark - start + 1000])) for s in sounds])))
    assert found == [0, 1, 0]
