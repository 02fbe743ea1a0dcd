"""Pairs and mains as they are written by mistake: each in a line that names the file, the part and the key."""

import pytest

JOINED = 'joined = [["left_ctl", "right_ctl"]]\n'
MAINS = """name = "fed"
based_on = "teaching"
[rails]
{rails}
[stages.mains.parts.V90]
kind = "mains"
voltage = "{voltage}"
frequency = "{frequency}"
resistance = "{resistance}"
nodes = ["m", "0"]
[stages.mains.parts]
D9 = {{ kind = "diode", device = "teaching-diode", nodes = {{ anode = "m", cathode = "r" }} }}
C9 = {{ kind = "capacitor", value = "{reservoir}", nodes = ["r", "0"] }}
R9 = {{ kind = "resistor", value = "10k", nodes = ["r", "0"] }}
"""
FED = {"rails": 'r = "16V"', "voltage": "12V", "frequency": "50Hz", "resistance": "1", "reservoir": "100u"}


@pytest.fixture
def pair(place):
    """Writes a pair of these two units, with what the file holds besides."""

    def write(more="", left="teaching", right="teaching", name="two.toml"):
        (place / name).write_text(f'name = "Two"\npair = {{ left = "{left}", right = "{right}" }}\n{more}', "utf-8")

    write()
    return write


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('joined = [["left_ctl", "right_clt"]]', ["joined", "right_clt", "did you mean right_ctl?"]),
        ('joined = [["ctl", "ctl"]]', ["joined", "no node named 'ctl'"]),
        ("joined = [[]]", ["joined.0", "needs two nodes"]),
        ('joined = [["left_ctl"]]', ["joined.0", "needs two nodes"]),
        ('joined = [["left_ctl", "right_ctl", "left_po"]]', ["joined.0", "needs two nodes"]),
        ('joined = [["left_ctl", "left_po"]]', ["joined", "both nodes are of the left channel"]),
        ('joined = [["left_ctl", "0"]]', ["joined", "not both are of a channel"]),
        ('joined = "left_ctl"', ["joined", "must be pairs of nodes"]),
        ('taken_out = ["J1"]', ["taken_out", "'J1'", "begin with left_ or right_"]),
        ('[changed]\nC9 = "1u"', ["C9", "begin with left_ or right_"]),
        ('[changed]\nmiddle_C2 = "1u"', ["middle_C2", "did you mean left_C2?"]),
        ('based_on = "teaching"', ["give one of the two"]),
        ('[gain_cell]\nfet = "left_J1"\ncontrol_node = "left_ctl"', ["gain_cell", "each channel has its own"]),
    ],
)
def test_a_pair_that_is_none(pair, attack, more, words):
    pair(more)
    attack("show", "-u", "two.toml").refused("two.toml", *words)


@pytest.mark.parametrize(
    "left", ["teachin", "two.toml", "other.toml", "none.toml", "in.wav", "folder", ".", "\\u001b[31mx"]
)
def test_a_channel_that_is_no_unit(pair, attack, left):
    pair(JOINED, name="other.toml")
    pair(left=left)
    attack("show", "-u", "two.toml").refused("two.toml: pair", "left")


@pytest.mark.parametrize("given", ['"teaching"', "[]", "{}", "{ left = 1, right = 2 }", '{ left = "teaching" }'])
def test_what_is_no_two_units(place, attack, given):
    (place / "two.toml").write_text(f'name = "Two"\npair = {given}\n')
    outcome = attack("show", "-u", "two.toml")
    outcome.refused("two.toml: pair", lines=len(outcome.err.splitlines()))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("measure", "curve", "--side", "middle"), "--side"),
        (("measure", "hum", "--side", "middle"), "--side"),
        (("measure", "sensitivity", "--side", "middle"), "--side"),
        (("measure", "tracking", "-l", "nan"), "--level"),
        (("measure", "tracking", "-l", "1e9"), "level"),
        (("measure", "hum"), "no part of kind mains"),
        (("idle", "-c", "C9=1u"), "begin with left_ or right_"),
    ],
)
def test_what_is_asked_of_a_pair_and_cannot_be(pair, attack, arguments, words):
    pair(JOINED)
    outcome = attack(*arguments, "-u", "two.toml")
    notices = outcome.err.count("compiling the solver")  # where none is kept from before
    outcome.refused(words, lines=1 + notices)


def test_only_a_pair_has_sides(attack):
    attack("measure", "curve", "-u", "teaching", "--side", "left").refused("--side", "one channel")
    attack("measure", "tracking", "-u", "teaching").refused("one channel")


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("frequency", "0Hz", "V90: frequency"),
        ("frequency", "-50Hz", "V90: frequency"),
        ("frequency", "1e9Hz", "V90: frequency"),
        ("frequency", "inf", "V90: frequency"),
        ("voltage", "-12V", "V90: voltage"),
        ("voltage", "0V", "V90: voltage"),
        ("voltage", "1e6V", "V90: voltage"),
        ("voltage", "nan", "V90: voltage"),
        ("resistance", "0", "V90: resistance"),
        ("resistance", "-1", "V90: resistance"),
        ("reservoir", "10F", "C9: value"),
        ("rails", 'r = "0V"', "rails: r"),
        ("rails", 'x = "16V"', "no node named 'x'"),
        ("rails", 'r = "16A"', "rails"),
    ],
)
def test_mains_that_are_none(place, attack, key, value, words):
    (place / "fed.toml").write_text(MAINS.format(**FED | {key: value}))
    attack("show", "-u", "fed.toml").refused("fed.toml", words)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("rails", 'r = "-16V"', "the wrong way round"),
        ("rails", 'r = "100V"', "look for a short"),
        ("reservoir", "1p", "a reservoir"),
    ],
)
def test_a_rail_that_does_not_come_up(place, attack, key, value, words):
    (place / "fed.toml").write_text(MAINS.format(**FED))
    attack("idle", "-u", "fed.toml").done()
    (place / "fed.toml").write_text(MAINS.format(**FED | {key: value}))
    attack("idle", "-u", "fed.toml").refused("rail r stands at", words)


def test_mains_of_two_frequencies(place, attack):
    other = MAINS.format(**FED).replace("V90", "V91").replace('"m"', '"n"').replace("50Hz", "60Hz")
    other = other[other.index("[stages.mains.parts.V91]") : other.index("[stages.mains.parts]")]
    load = 'R91 = { kind = "resistor", value = "1k", nodes = ["n", "0"] }\n'
    (place / "fed.toml").write_text(MAINS.format(**FED) + load + other)
    attack("idle", "-u", "fed.toml").refused("fed.toml: V91.frequency: 60 Hz beside 50 Hz of V90")


@pytest.mark.parametrize("frequency", ["16.7Hz", "50Hz", "60Hz", "400Hz"])
def test_mains_of_every_railway_and_country(place, attack, frequency):
    (place / "fed.toml").write_text(MAINS.format(**FED | {"frequency": frequency}))
    attack("idle", "-u", "fed.toml").done()
