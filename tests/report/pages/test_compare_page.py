"""The page of a comparison as a file: what is in it, what is not, and that nothing in it can run or end early."""

import base64
import hashlib
import html
import html.parser
import io
import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from fetsim.errors import InputError
from fetsim.report.look.printed import printed
from fetsim.report.pages.compare import PAGE_NAME, SEGMENT_FOLDER, write_comparison_page
from fetsim.report.pages.compare.plan import DB_STEP, WAVE_STEP, packed
from fetsim.report.pages.compare.words import clean, duration_text, page_words, signed
from fetsim.report.pages.scripted import embedded_json
from tests.report.invented import failed_version, make_comparison, programme

HOSTILE = (
    "as built",
    "</script><script>window.hacked = 1; alert(1)</script>",
    "<img src=x onerror=\"window.hacked = 2\"> & 'quotes' \"double\" `tick` ${window.hacked = 3} {{ 7 * 7 }}",
    "\u202eright to left \u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627 \U0001f9c2\U0001f469\u200d\U0001f527",
    "<!-- <script> " + "verylongname" * 60,
    "lone half \udce9 and nul \x00 and \u2028 line",
)


class Reader(html.parser.HTMLParser):
    """Tags, and the contents of scripts."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.scripts, self._open = [], {}, None
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag == "script":
            self._open = dict(attributes).get("id", "code")
            self.scripts[self._open] = ""

    def handle_data(self, data):
        if self._open:
            self.scripts[self._open] += data

    def handle_endtag(self, tag):
        if tag == "script":
            self._open = None


def segment_samples(text):
    """A segment as the browser gets it [one array of shape=(frames, channels) for each version]."""
    lines = text.split("\n")
    assert len({len(line) for line in lines}) == 1  # no size tells a version
    return [soundfile.read(io.BytesIO(base64.b64decode(line.strip())), dtype="int32", always_2d=True) for line in lines]


def read_page(path):
    page = Reader(path.read_text("utf-8"))
    return page, json.loads(page.scripts["plan"])


def test_sound_in_the_page_is_the_files_to_the_last_bit(tmp_path):
    comparison = make_comparison(tmp_path, seconds=11.3, rate_hz=44100)
    page, plan = read_page(write_comparison_page(comparison, tmp_path))
    assert plan["embedded"] and not (tmp_path / SEGMENT_FOLDER).exists()
    texts = [page.scripts[f"segment-{k}"] for k in range(3)]
    assert f"segment-{len(texts)}" not in page.scripts
    for number, version in enumerate(comparison.versions):
        whole, rate_hz = soundfile.read(tmp_path / version.flac_file, dtype="int32", always_2d=True)
        pieces = [segment_samples(text)[number] for text in texts]
        assert {piece[1] for piece in pieces} == {rate_hz} == {plan["rate_hz"]}
        np.testing.assert_array_equal(np.concatenate([piece[0] for piece in pieces]), whole)
        assert all(len(piece[0]) == plan["segment_frames"] for piece in pieces[:-1])


def test_beyond_the_limit_the_sound_lies_beside_the_page(tmp_path):
    comparison = make_comparison(tmp_path, seconds=11.0, rate_hz=16000, channels=1)
    heard: list[float] = []
    path = write_comparison_page(comparison, tmp_path, embed_limit_bytes=1000, progress=heard.append)
    page, plan = read_page(path)
    assert plan["folder"] == SEGMENT_FOLDER and not any(name.startswith("segment-") for name in page.scripts)
    names = sorted(one.name for one in (tmp_path / SEGMENT_FOLDER).iterdir())
    assert names == ["00000.js", "00001.js", "00002.js"]  # places in time; each holds all versions
    for number, name in enumerate(names):
        text = (tmp_path / SEGMENT_FOLDER / name).read_text("ascii")
        head, foot = f"takeSegment({number},`", "`);\n"
        assert text.startswith(head) and text.endswith(foot)
        assert len(segment_samples(text[len(head) : -len(foot)])) == 3
    assert heard[-1] == 1.0 and heard == sorted(heard)
    assert {one.name for one in tmp_path.iterdir()} >= {PAGE_NAME, SEGMENT_FOLDER}
    assert not [one for one in tmp_path.iterdir() if one.name.startswith(".")]


def test_the_limit_is_that_of_the_sound(tmp_path):
    folders = [tmp_path / name for name in ("within", "at", "beyond")]
    for folder in folders:
        folder.mkdir()
    made = [make_comparison(folder, seconds=2.0, rate_hz=8000, channels=1) for folder in folders]
    page, _ = read_page(write_comparison_page(made[0], folders[0]))
    size = len(page.scripts["segment-0"])
    for limit, comparison, folder in zip((size, size - 1), made[1:], folders[1:], strict=True):
        write_comparison_page(comparison, folder, embed_limit_bytes=limit)
    assert [(folder / SEGMENT_FOLDER).is_dir() for folder in folders] == [False, False, True]


def test_hostile_texts_are_texts(tmp_path):
    comparison = make_comparison(
        tmp_path, names=HOSTILE, seconds=1.0, rate_hz=8000, title=HOSTILE[1], input_name=HOSTILE[2]
    )
    page, plan = read_page(write_comparison_page(comparison, tmp_path))
    assert [one["name"] for one in plan["versions"]] == [clean(name) for name in HOSTILE]
    assert plan["about"]["title"] == HOSTILE[1]
    assert list(page.scripts) == ["plan", "segment-0", "code"]
    assert not [tag for tag, attributes in page.tags if tag == "img" or "onerror" in attributes]
    text = (tmp_path / PAGE_NAME).read_text("utf-8")
    assert "{{ 7 * 7 }}" in text
    assert text.count("</script>") == len(page.scripts)


def test_json_cannot_end_early():
    content = {name: name for name in ("</script>", "<!--", "&amp;", "\u2028\u2029", "caf\u00e9")}
    text = embedded_json(content)
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text) == content


def test_only_the_page_s_own_script_may_run(tmp_path):
    page, _ = read_page(write_comparison_page(make_comparison(tmp_path, seconds=1.0, rate_hz=8000), tmp_path))
    policy = next(a["content"] for tag, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'" and "unsafe" not in policy and "http" not in policy
    digest = base64.b64encode(hashlib.sha256(page.scripts["code"].encode()).digest()).decode()
    assert rules["script-src"].split() == ["'self'", "file:", f"'sha256-{digest}'"]
    assert not [a for _, a in page.tags if a.get("src") or a.get("href", "data:,") != "data:,"]


def test_traces_are_what_the_files_hold(tmp_path):
    comparison = make_comparison(tmp_path, seconds=7.013, rate_hz=12345, channels=2)
    _, plan = read_page(write_comparison_page(comparison, tmp_path))
    first, second = (
        soundfile.read(tmp_path / version.flac_file, always_2d=True)[0] for version in comparison.versions[:2]
    )
    step = round(plan["column_s"] * 12345)
    starts = np.arange(0, len(first), step)
    traces = [{k: unpacked(v) for k, v in one["traces"].items() if isinstance(v, str)} for one in plan["versions"]]
    high, low = np.maximum.reduceat(second.max(axis=1), starts), np.minimum.reduceat(second.min(axis=1), starts)
    np.testing.assert_allclose(traces[1]["high"] * WAVE_STEP, high, atol=2e-5)
    np.testing.assert_allclose(traces[1]["low"] * WAVE_STEP, low, atol=2e-5)
    square = np.add.reduceat(np.mean((second - first) ** 2, axis=1), starts) / np.diff([*starts, len(first)])
    level_db = 10.0 * np.log10(square / np.mean(first**2))
    np.testing.assert_allclose(traces[1]["difference"] * DB_STEP, level_db, atol=0.02)
    flat = np.stack([first.ravel(), second.ravel()])
    np.testing.assert_allclose(np.array(plan["covariance"])[:2, :2], flat @ flat.T / flat.shape[1], rtol=1e-4)
    reduction = comparison.versions[2].activity
    np.testing.assert_allclose(traces[2]["reduction_max"] * DB_STEP, reduction.gain_reduction_max_db, atol=0.006)
    assert plan["versions"][2]["traces"]["reduction_s"] == pytest.approx(7.013 / len(reduction.time_s), rel=1e-3)
    assert plan["versions"][0]["difference"] is None


def unpacked(text):
    return np.frombuffer(base64.b64decode(text), "<i2").astype(float)


def test_packing_keeps_within_its_range():
    assert unpacked(packed(np.array([0.0, 1.0, -1.0, 7.0, np.nan]), WAVE_STEP)).tolist() == [0, 32767, -32767, 32767, 0]


def test_tables_tell_changes_figures_and_failures(tmp_path):
    dry = programme(2.0, 8000, 1)
    comparison = make_comparison(tmp_path, samples=[dry, dry * 0.9, dry], rate_hz=8000, channels=1)
    comparison = replace(comparison, versions=(*comparison.versions, failed_version("no rest")))
    write_comparison_page(comparison, tmp_path)
    text = (tmp_path / PAGE_NAME).read_text("utf-8")
    page, text = Reader(text), text.replace("\u2068", "").replace("\u2069", "")
    shown = dict(page_words(comparison))["figure_table"]["rows"]
    cells = {row["label"]: [cell["text"].replace("\u2212", "-") for cell in row["cells"]] for row in shown}
    for table in map(printed, comparison.tables()):
        for place in table.right:
            heading = table.headings[place]
            (label,) = [one for one in cells if one.lower().replace(",", "") == heading.lower()]
            assert [one.replace("\u2013", "-") for one in cells[label]] == [row[place] for row in table.rows]
            assert label in text
    assert "\N{NO-BREAK SPACE}dB" in text, "figures are not kept with their units"
    text = text.replace("\N{NO-BREAK SPACE}", " ")
    for one in comparison.account().definitions:
        assert one.meaning in html.unescape(text)
    for wanted in (
        "150 nF", "290 nF", "nothing changed", "could not be played: found no bias point around Q4; put back R13",
        "gain reduction never passes 0.5 dB", "\u221210.3", "(+0.2)", "Difference 20.0 dB under the programme",
        "No difference", "no rest: could not be played", "slower attack: has no effect on this programme", "0.62",
    ):  # fmt: skip
        assert wanted in text, wanted
    identities = [a["id"] for _, a in page.tags if "id" in a]
    assert len(identities) == len(set(identities))
    assert "difference-1" in identities and "difference-2" not in identities  # nothing to hear in the last
    assert "version-3" not in identities


@pytest.mark.parametrize(
    "seconds, text", [(1.0, "1.0 s"), (119.96, "120.0 s"), (125.3, "2:05.3 min"), (600.0, "10:00.0 min")]
)
def test_durations(seconds, text):
    assert duration_text(seconds) == text


def test_numbers_have_one_sign():
    assert [signed(x, 1) for x in (-0.04, 0.04, 1.25, -3.0)] == ["0.0", "0.0", "+1.2", "\u22123.0"]


def test_what_cannot_be_made_leaves_nothing(tmp_path):
    comparison = make_comparison(tmp_path, seconds=1.0, rate_hz=8000)
    kept = set(tmp_path.iterdir())
    with pytest.raises(InputError, match="nothing to listen to"):
        write_comparison_page(replace(comparison, versions=(failed_version("all"),)), tmp_path)
    with pytest.raises(InputError, match=r"version-0\.flac: 8000 Hz instead of 48000 Hz"):
        write_comparison_page(replace(comparison, rate_hz=48000), tmp_path)
    (tmp_path / "version-1.flac").rename(tmp_path / "elsewhere")
    with pytest.raises(InputError, match=r"version-1\.flac: cannot be read"):
        write_comparison_page(comparison, tmp_path)
    (tmp_path / "elsewhere").rename(tmp_path / "version-1.flac")
    soundfile.write(tmp_path / "version-2.flac", np.zeros((7999, 2)), 8000, subtype="PCM_24")
    with pytest.raises(InputError, match="differ in length"):
        write_comparison_page(comparison, tmp_path)
    assert set(tmp_path.iterdir()) == kept


def test_a_page_is_not_overwritten(tmp_path):
    comparison = make_comparison(tmp_path, seconds=1.0, rate_hz=8000)
    (tmp_path / PAGE_NAME).write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        write_comparison_page(comparison, tmp_path)
    assert (tmp_path / PAGE_NAME).read_text() == "mine"


@pytest.mark.parametrize("frames", [1, 79, 80, 81])
def test_the_shortest_programmes(tmp_path, frames):
    comparison = make_comparison(tmp_path, samples=[np.full((frames, 1), 0.1)] * 3, rate_hz=8000, channels=1)
    _, plan = read_page(write_comparison_page(comparison, tmp_path))
    assert plan["frames"] == frames and len(unpacked(plan["versions"][0]["traces"]["low"])) == -(-frames // 80)


def test_silence_has_no_level_to_relate_to(tmp_path):
    quiet = np.zeros((8000, 1))
    comparison = make_comparison(tmp_path, samples=[quiet, quiet + 0.01, quiet], rate_hz=8000, channels=1)
    _, plan = read_page(write_comparison_page(comparison, tmp_path))
    assert plan["versions"][0]["difference"] is None
