"""Readings and recordings of a real unit as a hand gets them wrong: a line each, and nothing begun."""

import numpy as np
import pytest
import soundfile

from fetsim import write_signals
from tests.attacks.conftest import RATE_HZ

HEADING = "figure,value,accuracy,meter,settings\n"
FIT = ("fit", "-u", "teaching", "-q", "draft", "--free", "R4", "--readings")


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("bench.csv", f"{HEADING}volts@ctl,-5,02V,1%\n", "row 2"),
        ("bench.csv", f"{HEADING}volts@ctl,-5,02V\n", "row 2: is -5,02V one number?"),
        ("bench.csv", f"{HEADING}threshold,-19,3\n", "row 2: is -19,3 one number?"),
        ("bench.csv", "figure;value\nvolts@ctl;-5,02V\n", "row 2, column value: '-5,02V' has a comma"),
        ("bench.csv", ",".join(f"c{k}" for k in range(20000)), "has 20000 columns"),
        ("bench.csv", f"{HEADING}volts@ctl,-5020,1%\n", "row 2: volts@ctl was read as -5.02 kV, the unit has -4.5"),
        ("bench.toml", "a = " + "[" * 20000, "is not valid TOML"),
        ("bench.toml", "a = " + "9" * 5000, "is not valid TOML"),
    ],
    ids=lambda text: text[:24],
)
def test_readings_that_say_something_else(place, attack, name, text, words):
    (place / name).write_text(text)
    attack(*FIT, name).refused(f"{name}: ", words)


@pytest.fixture
def takes(place):
    """A second of noise, twelve hundredths of it, and what a crude unit makes of it."""
    dry = 0.1 * np.random.default_rng(1).standard_normal(RATE_HZ)
    sounds = {"dry": dry, "wet": np.tanh(5.0 * dry), "short": np.tanh(5.0 * dry[:2000]), "upside": -0.5 * dry[7:]}
    for name, sound in sounds.items():
        soundfile.write(place / f"{name}.wav", sound, RATE_HZ, subtype="FLOAT")
    soundfile.write(place / "sides.wav", np.stack([sounds["wet"], 0.0 * dry], axis=1), RATE_HZ, subtype="FLOAT")


@pytest.mark.usefixtures("takes")
@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("dry.wav, short.wav",), "short.wav: lasts 0.0417 s; 0.25 s is the least"),
        (("dry.wav, upside.wav",), "upside.wav: is the dry file again"),
        (("dry.wav, sides.wav", "--channel", "2"), "sides.wav: channel 2 is silent"),
        (("dry.wav, wet.wav", "--loopback", "dry.wav, short.wav"), "short.wav: lasts"),
        (("dry.wav, wet.wav", "--loopback", "dry.wav, wet.wav, release=1"), "--loopback: no unit is in it"),
    ],
)
def test_recordings_that_are_none_of_the_unit(attack, arguments, words):
    attack(*FIT[:-1], "--capture", *arguments).refused(words)
    attack("suspects", "-u", "teaching", "--capture", *arguments).refused(words)


def test_volts_that_no_fault_makes_are_in_the_wrong_unit(place, attack):
    (place / "bench.csv").write_text(f"{HEADING}volts@ctl,-5020V,1%\n")
    told = ("bench.csv: row 2: volts@ctl was read as -5.02 kV", "no node of the unit has more than 6.9")
    attack("suspects", "-u", "teaching", "-q", "draft", "--values-only", "--readings", "bench.csv").refused(*told)


def test_nothing_read_and_nothing_recorded(attack):
    attack(*FIT[:-1]).refused("--readings, --capture: give at least one of them")
    attack("suspects", "-u", "teaching").refused("--readings, --capture: give at least one of them")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--to", "z.wav", "--channels", "0"), "channels: are 0; 1 for a unit, 2 for a pair"),
        (("--to", "z.wav", "--lowest", "-500"), "lowest: -500 dBu is more than 100 dB under 18 dBu"),
        (("--to", "z.wav", "--before", "-inf"), "before: -inf dBu is more than 100 dB under"),
        (("--to", "z.wav", "--csv", "z.csv"), "--csv: is for reading a recording"),
        (("--to", "z.wav", "--readings-to", "z.csv"), "--readings-to: is for reading a recording"),
        (("--played", "in.wav", "--capture", "in.wav", "--full-scale", "4"), "--full-scale: is for writing"),
        (("--played", "in.wav", "--capture", "in.wav"), "in.wav: is no test file"),
    ],
)
def test_a_test_file_that_is_asked_for_in_vain(attack, arguments, words):
    attack("signals", *arguments).refused(words)


def test_the_test_file_is_not_taken_for_its_recording(place, attack):
    write_signals("test.wav", lowest=-20.0, highest=-10.0, before=-20.0, level=-10.0)
    files = ("--played", "test.wav", "--capture", "test.wav")
    attack("signals", *files).refused("test.wav: is the test file itself")
    attack("signals", *files, "--recorded-full-scale", "nan").refused("recorded full scale: nan dBu is outside")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("faults", "--builds", "-1"), "builds: -1 cannot be drawn; give a number from 3"),
        (("faults", "--builds", "0"), "builds: 0 cannot be drawn"),
        (("faults", "--workers", "-3"), "workers: -3 can do nothing"),
        (("suspects", "--readings", "bench.csv", "--workers", "-3"), "workers: -3 can do nothing"),
        (("fit", "--readings", "bench.csv", "--free", "R4", "--workers", "-3"), "workers: -3 can do nothing"),
        (("show", "-c", "g-nowhere=bridge:100"), "g-nowhere: there is no node 'nowhere'"),
        (("show", "-c", "g-g=bridge:100"), "g-g: is not two nodes"),
        (("show", "-c", "A1=open"), "'open' is no fault of an amplifier"),
    ],
)
def test_faults_that_are_asked_for_in_vain(place, attack, arguments, words):
    (place / "bench.csv").write_text(f"{HEADING}volts@ctl,-4.9V,1%\n")
    attack(*arguments, "-u", "teaching").refused(words)
