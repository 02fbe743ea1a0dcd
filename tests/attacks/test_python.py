"""The Python interface given what is not what it wants: always one of the package's own errors, with the remedy."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

import fetsim
from fetsim.errors import FetsimError, InputError, UnitError
from tests.attacks.conftest import RATE_HZ, TEACHING, tone

QUICK = {"unit": "teaching", "quality": "draft"}


def refused(call, *words):
    """A deliberate error of one line that holds these words."""
    with pytest.raises(FetsimError) as caught:
        call()
    text = str(caught.value)
    assert "\n" not in text and all(word in text for word in words), text
    return caught.value


WRONG_AUDIO = {
    "int16": (np.zeros(48, np.int16), "divide by 32768"),
    "int32": (np.zeros(48, np.int32), "divide by 2147483648"),
    "int8": (np.zeros(48, np.int8), "divide by 128"),
    "uint8": (np.zeros(48, np.uint8), "subtract 128"),
    "int64": (np.zeros(48, np.int64), "divide by"),
    "uint16": (np.zeros(48, np.uint16), "divide by"),
    "uint32": (np.zeros(48, np.uint32), "divide by"),
    "ints": ([0, 1, 0], "divide by"),
    "bool": (np.zeros(48, bool), "truth values"),
    "complex": (np.zeros(48, complex), "give the real part"),
    "datetime": (np.zeros(48, "M8[s]"), "dates"),
    "timedelta": (np.zeros(48, "m8[s]"), "time spans"),
    "structured": (np.zeros(48, [("l", "f4"), ("r", "f4")]), "records"),
    "text": (["0.1", "0.2"], "text"),
    "bytes": (b"abc", "bytes"),
    "str": ("in.wav", "text"),
    "path": (Path("in.wav"), "PosixPath"),
    "dict": ({"a": 1}, "dict"),
    "set": ({0.1}, "set"),
    "generator": ((x for x in (0.1, 0.2)), "generator"),
    "None": (None, "NoneType"),
    "ragged": ([[0.1], [0.1, 0.2]], "unequal"),
    "object": (np.array([0.1, None]), "not numbers"),
    "empty": ([], "got shape"),
    "no channels": (np.zeros((100, 0)), "got shape"),
    "no frames": (np.zeros((0, 2)), "got shape"),
    "number": (0.5, "got shape"),
    "three": (np.zeros((4, 2, 2)), "got shape"),
    "channels first": (np.zeros((2, 4800)), "audio.T"),
    "one channel first": (np.zeros((1, 4800)), "audio.T"),
    "wide": (np.zeros((480, 100)), "64 at the most"),
    "masked": (np.ma.array([0.0, 0.1], mask=[False, True]), "fill them"),
    "nan": (np.array([0.0, np.nan]), "nan"),
    "inf": (np.array([0.0, np.inf]), "inf"),
    "huge": (np.array([0.0, 1e300]), "1e+300"),
}


@pytest.mark.parametrize("what", WRONG_AUDIO)
def test_what_is_no_audio(what):
    audio, words = WRONG_AUDIO[what]
    assert isinstance(refused(lambda: fetsim.render(audio, RATE_HZ, **QUICK), words), InputError)


@pytest.mark.parametrize("rate_hz", [None, "48000", 0, -1, np.nan, np.inf, 1e12, 48000j, [48000], True, b"1"])
def test_what_is_no_rate(rate_hz):
    refused(lambda: fetsim.render(tone(), rate_hz, **QUICK), "sample rate")
    refused(lambda: fetsim.render(tone(), RATE_HZ, log_rate_hz=rate_hz, **QUICK), "log rate")


@pytest.mark.parametrize("rate_hz", [1e-30, 1e-320, 48001, 1e-4])
def test_log_rates_out_of_bounds(rate_hz):
    refused(lambda: fetsim.render(tone(), RATE_HZ, log_rate_hz=rate_hz, **QUICK), "log rate")


@pytest.mark.parametrize(
    "unit", [None, {}, b"teaching", 1, ["teaching"], "tea\0ching", "none", Path("none.toml"), ".toml", "a\0.toml"]
)
def test_what_is_no_unit(unit):
    assert isinstance(refused(lambda: fetsim.render(tone(), RATE_HZ, unit=unit, quality="draft")), UnitError)


def test_a_path_is_a_unit_as_its_text_is(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(TEACHING, "utf-8")
    one, other = (fetsim.render(tone(), RATE_HZ, unit=unit, quality="draft").output for unit in (path, str(path)))
    assert np.array_equal(one, other)


@pytest.mark.parametrize("word", [None, 3, b"draft", "", "best", "q" * 5000])
def test_what_is_no_quality_or_reference(word):
    refused(lambda: fetsim.render(tone(), RATE_HZ, unit="teaching", quality=word), "quality")
    refused(lambda: fetsim.render(tone(), RATE_HZ, against=word, **QUICK), "against")


@pytest.mark.parametrize("changes", [{1: "2"}, {None: "1n"}, {("C2",): "1n"}, {b"C2": "1n"}, ["C2"], "C2=1n", 5])
def test_changes_without_names(changes):
    assert isinstance(refused(lambda: fetsim.load_unit("teaching").changed(changes), "change"), UnitError)


@pytest.mark.parametrize("value", [None, [], {}, b"1n", np.nan, np.inf, True, 1j, "", "1 2", "1n" * 100, 10**400, -1])
def test_values_that_are_none(value):
    assert isinstance(refused(lambda: fetsim.load_unit("teaching").changed({"C2": value}), "C2"), UnitError)


@pytest.mark.parametrize("probes", ["ctl", b"ctl", [1], [None], 5, {"a": 1, 2: 3}, ["none"], ["R1.voltage"], [["ctl"]]])
def test_what_is_no_list_of_probes(probes):
    refused(lambda: fetsim.render(tone(), RATE_HZ, probes=probes, **QUICK), "probe")


def test_probes_out_of_a_generator_are_all_there():
    found = fetsim.render(tone(), RATE_HZ, probes=(name for name in ("ctl", "dr")), **QUICK).probes
    assert set(found) == {"ctl", "dr"} and found["ctl"].shape == (len(tone()),)


@pytest.mark.parametrize("kind", [np.float16, np.float32, np.longdouble, ">f8", ">f4"])
def test_floats_of_every_kind_are_played(kind):
    audio = tone().astype(np.float16)
    assert np.array_equal(
        fetsim.render(audio.astype(kind), RATE_HZ, **QUICK).output,
        fetsim.render(audio.astype(float), RATE_HZ, **QUICK).output,
    )


@pytest.mark.parametrize(
    "name", ["int16", "int8", "uint8", "bool", "complex", "datetime", "structured", "bytes", "dict", "None", "ragged"]
)
def test_recordings_are_looked_at_in_the_same_way(name):
    audio, words = WRONG_AUDIO[name]
    refused(lambda: fetsim.measure_capture(audio, tone(), dry_rate_hz=RATE_HZ, wet_rate_hz=RATE_HZ), "dry", words)
    refused(lambda: fetsim.measure_capture(tone(), audio, dry_rate_hz=RATE_HZ, wet_rate_hz=RATE_HZ), "wet", words)


@pytest.mark.parametrize("name", ["o\0.wav", "none/o.wav", "o", "x" * 300 + ".wav", "."])
def test_files_that_cannot_be_written(tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    soundfile.write("in.wav", tone(), RATE_HZ)
    refused(lambda: fetsim.render_file("in.wav", name, **QUICK))
    assert [path.name for path in tmp_path.iterdir()] == ["in.wav"]


def test_infinite_sound_is_told_with_its_place(tmp_path):
    path = tmp_path / "hot.toml"
    path.write_text(TEACHING.replace("gain = 25.0", "gain = 1e9"), "utf-8")
    try:
        output = fetsim.render(tone(4800), RATE_HZ, unit=path, quality="draft").output
    except FetsimError as error:
        assert "times full scale at" in str(error) or "convergence" in str(error) or "gain" in str(error)
    else:
        assert np.all(np.isfinite(output.astype(np.float32)))


KEYED = """
name = "keyed"
source = "invented"
[stages.all.parts]
IN = { kind = "input", nodes = ["p", "0"], source_resistance = "50" }
KEY = { kind = "input", input = "key", nodes = ["p", "0"], source_resistance = "50" }
OUT = { kind = "output", nodes = ["p", "0"], load = "100k" }
"""


@pytest.fixture
def keyed(place):
    (place / "keyed.toml").write_text(KEYED, "utf-8")
    return {"unit": "keyed.toml", "quality": "draft"}


@pytest.mark.parametrize("inputs", [["key"], (("key", tone()),), "key", 3, np.zeros(3), {1: tone()}, {None: tone()}])
def test_what_is_no_mapping_of_inputs(keyed, inputs):
    refused(lambda: fetsim.render(tone(), RATE_HZ, inputs=inputs, **keyed), "input")
    refused(lambda: fetsim.render_file("in.wav", "o.wav", inputs=inputs, **keyed), "input")


@pytest.mark.parametrize("file", [None, 3, b"in.wav", ["in.wav"], "x" * 5000 + ":2", f"o.wav:{10**99}", "a\0:1"])
def test_what_is_no_file_for_an_input(place, keyed, file):
    refused(lambda: fetsim.render_file("in.wav", "o.wav", inputs={"key": file}, **keyed))
    assert not (place / "o.wav").exists()


LOOP = fetsim.load_unit("teaching")


@pytest.mark.parametrize("builds", [[LOOP], LOOP, None, {}, {"a": "teaching"}, {"a": LOOP, "b": None}])
def test_what_is_no_mapping_of_builds(builds):
    refused(lambda: fetsim.figures_of_builds(builds, quality="draft", workers=1), "builds")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"nominal": 3}, "unit"),
        ({"workers": 0}, "workers"),
        ({"workers": 1.5}, "workers"),
        ({"workers": "2"}, "workers"),
        ({"curve_hz": "1k"}, "curve_hz"),
        ({"step_hz": np.nan}, "step_hz"),
        ({"step_hz": 0.0}, "frequency"),
        ({"quality": "best"}, "choose from draft, standard, fine"),
        ({"before_dbu": 10.0, "level_dbu": -10.0}, "must rise"),
        ({"before_dbu": 0.0, "level_dbu": 0.0}, "must rise"),
    ],
    ids=str,
)
def test_builds_with_options_that_are_none(options, words):
    error = refused(
        lambda: fetsim.figures_of_builds({"a": LOOP}, **{"quality": "draft", "workers": 1} | options), words
    )
    assert "without a threshold" not in str(error)


@pytest.mark.parametrize("given", ["abc", None, [None], ["x"], [np.nan], [1, [2]]])
def test_tones_that_are_none(given):
    for measure in (fetsim.measure_sweep, fetsim.measure_iron):
        refused(lambda measure=measure: measure(LOOP, frequencies_hz=given, quality="draft"), "frequenc")
        if given is not None:
            refused(lambda measure=measure: measure(LOOP, levels_dbu=given, quality="draft"), "level")


OF_UNIT = [name for name in dir(fetsim) if name.startswith("measure_") or name == "idle_point"]
MEASURES = [
    name for name in OF_UNIT
    if getattr(fetsim, name).__module__.startswith("fetsim.measurements.") and name != "measure_capture"  # a recording
]  # fmt: skip


@pytest.mark.parametrize("name", MEASURES)
@pytest.mark.parametrize("given", [None, 3, ["dunlin"], "dunlinn"], ids=str)
def test_what_is_no_unit_to_measure(name, given):
    more = ("R1",) if name == "measure_trim_null" else ()
    error = refused(lambda: getattr(fetsim, name)(given, *more), "unit")
    assert isinstance(error, UnitError)


def test_a_measurement_takes_the_name_of_a_unit_as_a_render_does():
    assert fetsim.idle_point("teaching").node_voltages_v == fetsim.idle_point(LOOP).node_voltages_v
