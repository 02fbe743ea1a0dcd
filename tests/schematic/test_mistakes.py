"""Every mistake in a unit file is found, told in one line with its place, and hides no other mistake."""

# ruff: noqa: E501 (the table below has one mistake a line)

import os
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fetsim.errors import UnitError
from fetsim.schematic.library import library_units
from fetsim.schematic.load import LARGEST_FILE, load_unit
from fetsim.schematic.read import read_unit

SOUND = Path(__file__).with_name("one_of_each.toml").read_text(encoding="utf-8")
R1 = 'R1 = { kind = "resistor", value = "1k", nodes = ["in", "a"] }'
C1 = 'C1 = { kind = "capacitor", value = "10n", nodes = ["a", "0"] }'
OUT = 'OUT = { kind = "output", nodes = ["g", "0"], load = "10k" }'
IN = 'IN = { kind = "input", nodes = ["in", "0"], source_resistance = "600" }'


def complaints(text, tmp_path):
    """The lines of the UnitError that this unit file raises, without the file's name."""
    path = tmp_path / "box.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UnitError) as caught:
        load_unit(path)
    lines = str(caught.value).splitlines()
    assert all(line.startswith("box.toml: ") for line in lines)
    return [line.removeprefix("box.toml: ") for line in lines]


def edited(*edits):
    text = SOUND
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def test_the_unit_that_is_spoilt_below_is_sound(tmp_path):
    path = tmp_path / "box.toml"
    path.write_text(SOUND, encoding="utf-8")
    assert load_unit(path).name == "one of each"


# what is replaced, by what, beginning of the one line expected, what else it says
MISTAKES = [
    # keys
    ('kind = "resistor"', 'kind = "resitor"', "R1: kind: unknown kind 'resitor'; did you mean resistor?", "choices: "),
    ('kind = "resistor", ', "", "R1: kind: is missing", "choices: resistor, "),
    ('kind = "resistor"', "kind = 5", "R1: kind: unknown kind '5'", "choices: resistor, "),
    (R1, "R1 = 1000", "R1: must be a table", "value"),
    ('value = "1k", nodes = ["in"', 'vlaue = "1k", value = "1k", nodes = ["in"', "R1: vlaue: unknown key; did you mean value?", "tolerance"),
    ('value = "1k", nodes = ["in"', 'tolernce = "1%", value = "1k", nodes = ["in"', "R1: tolernce: unknown key; did you mean tolerance?", "choices"),
    ('value = "1k", nodes = ["in"', 'nodes = ["in"', "R1: value: is missing; ", "as 4k7, 10k or R47"),
    (', nodes = ["in", "a"] }', ' }', "R1: nodes: is missing", ""),
    ('"in", "a"]', '"in"]', "R1: nodes: needs two nodes", ""),
    ('"in", "a"]', '"in", "a", "b"]', "R1: nodes: needs two nodes", ""),
    ('["in", "a"]', '"in"', "R1: nodes: needs two nodes", ""),
    ('["in", "a"]', '["in", 5.5]', "R1: nodes.1: must be a text", ""),
    ('["in", "a"]', '["in", "a b"]', "R1: nodes.1: 'a b' is not a node name", ""),
    ('top = "b"', 'tpo = "b"', "P1: nodes.top: is missing", ""),
    ('poles = [["d", "0"]]', 'poles = []', "S1: poles: must be a list of poles, one at the least", ""),
    ('poles = [["d", "0"]]', 'poles = [["d"]]', "S1: poles.0: needs two nodes", ""),
    ('nodes = { anode = "e", cathode = "vp" }', 'nodes = ["e", "vp"]', "D1: nodes: must be a table with anode, cathode", ""),
    ('source_resistance = "600"', 'source_resistance = "600", balanced = "yes"', "IN: balanced: must be true or false", ""),
    ('name = "one of each"', "", "name: is missing", ""),
    ('name = "one of each"', 'name = "two\\nlines"', "name: holds a line break", ""),
    ('name = "one of each"', 'name = "x"\ntemprature_c = 20', "temprature_c: unknown key; did you mean temperature_c?", "full_scale_dbu"),
    ('about = "every kind of part"', 'abuot = "x"', "stages.all: abuot: unknown key; did you mean about?", ""),
    ('closed = ["S2"]', 'closed = "S2"', "mode: closed: must be a list of switches", ""),
    ('position = 0.25', 'positoin = 0.25, position = 0.25', "level: positoin: unknown key; did you mean position?", ""),
    ('position = 0.25', 'position = 1.25', "level: position: 1.25 is outside 0 to 1", ""),
    ('position = 0.25', 'position = 0.25, role = "knob"', "level: role: unknown choice 'knob'", "choices: panel, trim"),
    ('closed = ["S2"]', 'closde = ["S2"]', "mode: closde: unknown key; did you mean closed?", ""),
    # values
    ('value = "1k", nodes = ["in"', 'value = "-1k", nodes = ["in"', "R1: value: -1 kohm is outside", ""),
    ('value = "1k", nodes = ["in"', 'value = 0, nodes = ["in"', "R1: value: 0 ohm is outside", ""),
    ('value = "1k", nodes = ["in"', 'value = "4q7", nodes = ["in"', "R1: value: '4q7' is not an amount in ohm", ""),
    ('value = "1k", nodes = ["in"', 'value = "1nF", nodes = ["in"', "R1: value: '1nF' is in farad", "ohm is wanted"),
    ('value = "1k", nodes = ["in"', 'value = nan, nodes = ["in"', "R1: value: nan is not a finite number", ""),
    ('value = "1k", nodes = ["in"', 'value = true, nodes = ["in"', "R1: value: True is not an amount", ""),
    ('value = "1k", nodes = ["in"', 'tolerance = "150%", value = "1k", nodes = ["in"', "R1: tolerance: '150%' is outside", ""),
    ('value = "1k", nodes = ["in"', 'tolerance = 5, value = "1k", nodes = ["in"', "R1: tolerance: 5 is not a tolerance", "5%"),
    ('value = "10n"', 'value = "5F"', "C1: value: 5 F is outside", ""),
    # a number without a unit that makes an amount that nobody means
    ('value = "10n"', 'value = 0.33', "C1: value: 0.33 without a unit is 330 mF; write 0.33u (or n, p)", "or 330mF to have it so"),
    ('value = "10n"', 'value = "0.0047"', "C1: value: 0.0047 without a unit is 4.7 mF; write 0.0047u", "or 4.7mF"),
    ('value = "10n"', 'value = 470', "C1: value: 470 without a unit is 470 F; write 470u (or n, p) if that is meant", ""),
    ('device = "J112"', 'device = "J112", figures = { i_dss = 9 }', "J1: i_dss: 9 without a unit is 9 A; write 9m (or u, n)", "or 9A"),
    ('leakage = "1mH"', 'leakage = 2', "T1: leakage: 2 without a unit is 2 H; write 2m (or u)", "or 2H"),
    ('winding_capacitance = "100p"', 'winding_capacitance = 100', "T1: winding_capacitance: 100 without a unit is 100 F; write 100u", ""),
    ('absorption = "5%"', 'absorption = 0.2', "C2: absorption: 0.2 without a unit is 20 %; write 0.2%", "or 20%"),
    ('ratio = 1,', 'ratio = 0,', "T1: ratio: 0 is outside", ""),
    ('noise_index = "-20dB"', 'noise_index = "0.1uV"', "R2: noise_index: '0.1uV' is in volt", "as -20dB"),
    ('noise_index = "-20dB"', 'noise_index = -inf', "R2: noise_index: -inf is not a finite number", ""),
    ('temperature_coefficient = "50ppm/K"', 'temperature_coefficient = 50', "R2: temperature_coefficient: 50 without a unit is 5e+07 ppm/K; write 50ppm/K", ""),
    # heat
    ('thermal_resistance = "150K/W"', 'thermal_resistance = 0', "R2: thermal_resistance: 0 K/W is outside", "leave the key out"),
    ('thermal_resistance = "150K/W"', 'thermal_resistance = inf', "R2: thermal_resistance: inf is not a finite number", ""),
    ('thermal_resistance = "150K/W", ', '', "R2: thermal_resistance: is missing; thermal_time_constant is", ""),
    ('thermal_time_constant = "10s"', 'thermal_time_constant = "-1s"', "R2: thermal_time_constant: -1 s is outside", ""),
    ('thermal_resistance = "150K/W"', 'thermal_resistance = "150K/W", temperature_c = 200', "R2: temperature_c: 200 is outside -55 to 125", ""),
    # capacitors that are not ideal
    ('esr = "2ohm"', 'esr = 0', "C2: esr: 0 ohm is outside 100 uohm to 1 Mohm; leave the key out", ""),
    ('esr = "2ohm"', 'esr = inf', "C2: esr: inf is not a finite number; leave the key out", ""),
    ('esr = "2ohm"', 'esr = "-2"', "C2: esr: -2 ohm is outside", ""),
    ('leakage_current = "3uA"', 'leakage_current = 0', "C2: leakage_current: 0 A is outside", "leave the key out"),
    ('leakage_current = "3uA"', 'leakage_resistance = inf', "C2: leakage_resistance: inf is not a finite number", "leave the key out"),
    ('leakage_current = "3uA"', 'leakage_resistance = "-1M"', "C2: leakage_resistance: -1 Mohm is outside", "leave the key out"),
    ('leakage_current = "3uA"', 'leakage_time_constant = "1kV"', "C2: leakage_time_constant: '1kV' is in volt", "as 20ms"),
    ('leakage_current = "3uA"', 'leakage_current = "3uA", leakage_time_constant = "10s"', "C2: leakage_time_constant: says the same as leakage_current", ""),
    ('voltage_rating = "16V", esr', 'esr', "C2: voltage_rating: is missing; leakage_current flows at that voltage", ""),
    ('absorption = "5%"', 'absorption = "50%"', "C2: absorption: 50 % is outside 0.0001 % to 20 %", ""),
    ('absorption = "5%"', 'absorption = "5%", absorption_branches = [["1%", "1s"]]', "C2: absorption_branches: says the same as absorption", ""),
    ('[["0.1%", "10ms"], ["0.2%", "1s"]]', '[["0.1%", "10ms"], ["0.2%"]]', "C3: absorption_branches: must be at most 12 pairs", ""),
    ('gate_drain_capacitance_voltage = "5V"', 'limits = { i_dss = { min = ["5mA"] } }', "devices.p-type: limits.i_dss.min: must be an amount", "12mA"),
    ('[["0.1%", "10ms"], ["0.2%", "1s"]]', '"0.1%"', "C3: absorption_branches: must be at most 12 pairs", ""),
    ('[["0.1%", "10ms"], ["0.2%", "1s"]]', '[["0.1%", 0]]', "C3: absorption_branches: 0 s is outside 1 us to", ""),
    ('bias_loss = "50%", bias_voltage = "10V"', 'bias_voltage = "10V"', "C3: bias_loss: is missing; bias_voltage tells where", ""),
    ('bias_loss = "50%", bias_voltage = "10V"', 'bias_loss = "50%"', "C3: bias_voltage: is missing (or give voltage_rating)", ""),
    ('bias_loss = "50%"', 'bias_loss = 1', "C3: bias_loss: 100 % is outside 0.1 % to 95 %", ""),
    # a core with hysteresis
    ('core_loss = "20uW"', 'core_loss = "-20uW"', "L2: core_loss: -20 uW is outside", ""),
    ('core_loss = "20uW"', 'core_loss = "20mW"', "L2: core_loss: 0.02 W is not to be had with these inductances", "only "),
    ('core_loss = "20uW"', 'core_loss = "20uW", remanence = "1mVs"', "L2: remanence: says the same as core_loss", ""),
    ('initial_inductance = "2H"', 'initial_inductance = "8H"', "L2: initial_inductance: must be below value = 8 H", ""),
    ('initial_inductance = "2H", ', '', "L2: initial_inductance: is missing; with nominal_voltage the core has", ""),
    (', nominal_frequency = "50Hz", saturation_flux = "20mVs"', ', saturation_flux = "20mVs"', "L2: nominal_frequency: is missing; with", ""),
    ('saturation_flux = "20mVs", ', '', "L2: saturation_flux: is missing; with initial_inductance", ""),
    ('initial_inductance = "4H"', 'initial_inductance = 0', "T2: initial_inductance: 0 H is outside", ""),
    ('nominal_voltage = "1V"', 'nominal_voltage = "20V"', "T2: nominal_voltage: its flux, 90 mVs, saturates the core (50 mVs)", ""),
    ('eddy_resistance = "100k"', 'largest_inductance = "9H"', "T2: largest_inductance: must be above magnetising = 10 H", ""),
    ('fraction = 0.4', 'fraction = 1.4', "P3: fraction: 1.4 is outside 0 to 1", ""),
    ('taper = "log"', 'taper = "lgo"', "P2: taper: unknown taper 'lgo'; did you mean log?", "choices: linear, "),
    ('direction = "falling"', 'direction = "down"', "P2: direction: unknown choice 'down'", "choices: rising, falling"),
    ('name = "one of each"', 'name = "x"\ntemperature_c = -60', "temperature_c: -60 is outside -55 to 125", ""),
    ('name = "one of each"', 'name = "x"\ntemperature_c = 126', "temperature_c: 126 is outside -55 to 125", ""),
    # devices
    ('device = "1N4148"', 'device = "1N4184"', "D1: device: no sheet named '1N4184'; did you mean 1N4148?", "choices: 1N4148"),
    ('device = "1N4148"', 'device = "2N3904"', "D1: device: 2N3904 is a bjt, not a diode", "choices: 1N4148"),
    ('device = "1N4148", ', "", "D1: device: is missing", ""),
    ('device = "1N4148"', 'device = "1N4148", figures = { idealty = 2 }', "D1: idealty: unknown figure of a diode; did you mean ideality?", ""),
    ('device = "1N4148"', 'device = "1N4148", figures = { ideality = "2V" }', "D1: ideality: '2V' is in volt", ""),
    ('device = "1N4148"', 'device = "1N4148", tolerance = "5%"', "D1: tolerance: unknown key", ""),
    # names that lead nowhere
    ('control = "level" }\nP2', 'control = "levle" }\nP2', "P1: control: no control named 'levle'; did you mean level?", ""),
    (', control = "level" }\nP2', ' }\nP2', "P1: control: is missing (or give a fixed fraction)", ""),
    ('steps = ["off"', 'taper = "log", steps = ["off"', "P4: taper: says the same as steps", "give one of them"),
    ('level = {', 'spare = { position = 0 }\nlevel = {', "spare: no part uses this control", ""),
    ('mode = {', 'spare = { }\nmode = {', "spare: no switch belongs to this bank", ""),
    ('bank = "mode", poles = [["d", "0"]]', 'bank = "mood", poles = [["d", "0"]]', "S1: bank: no switch bank named 'mood'; did you mean mode?", ""),
    ('closed = ["S2"]', 'closed = ["S3"]', "mode: closed: no switch of this bank named 'S3'", "choices: S1, S2"),
    ('fet = "J1"', 'fet = "Q1"', "gain_cell: fet: no JFET named 'Q1'", "choices: J1, J2"),
    ('control_node = "f"', 'control_node = "ctl"', "gain_cell: control_node: no node named 'ctl'", "choices: 0, a, "),
    ('middle = "c"', 'middle = "centre"', "probes: middle: no node named 'centre'", "choices: 0, a, "),
    # ports
    (IN, 'R9 = { kind = "resistor", value = "1k", nodes = ["in", "0"] }', "stages: no part of kind 'input'", ""),
    (OUT, 'R9 = { kind = "resistor", value = "1k", nodes = ["g", "0"] }', "stages: no part of kind 'output'", ""),
    (IN, IN + "\n" + IN.replace("IN", "IN2"), "IN, IN2: kind: a unit has exactly one input, this one has 2", ""),
    (OUT, OUT + "\n" + OUT.replace("OUT", "OUT2"), "OUT, OUT2: kind: a unit has exactly one output", ""),
    ('source_resistance = "600"', 'source_resistance = "600", balanced = true', "IN: nodes: a balanced input", "ground"),
    # wiring
    (C1, C1 + '\nR9 = { kind = "resistor", value = "1k", nodes = ["a", "aa"] }', "R9: nodes: node 'aa' is on this one terminal only; did you mean a?", ""),
    (C1, C1 + '\nR9 = { kind = "resistor", value = "1k", nodes = ["a", "a"] }', "R9: nodes: both ends are on node 'a'", ""),
    (
        C1,
        C1 + '\nC8 = { kind = "capacitor", value = "1n", nodes = ["a", "x"] }\nC9 = { kind = "capacitor", value = "1n", nodes = ["x", "0"] }',
        "C8, C9: nodes: node 'x' has no path to ground (node '0') for direct current",
        "add a resistor",
    ),
    (
        'gate = "0", source = "e" } }\nJ2',
        'gate = "x", source = "e" } }\nC9 = { kind = "capacitor", value = "1n", nodes = ["a", "x"] }\nJ2',
        "J1, C9: nodes: node 'x' has no path to ground",
        "",
    ),
    ('plus = "c", minus = "u"', 'plus = "x", minus = "u"', "U1: nodes: node 'x' is on this one terminal only", ""),
    ('plus = "c", minus = "u", positive = "vp", negative = "0" } }', 'plus = "x", minus = "u", positive = "vp", negative = "0" } }\nC9 = { kind = "capacitor", value = "1n", nodes = ["a", "x"] }', "U1, C9: nodes: node 'x' has no path to ground", ""),
    ('positive = "vp", negative = "0"', 'positive = "vp"', "U1: nodes.negative: is missing", ""),
    ('base = "e", emitter = "f" } }\nQ2', 'base = "x", emitter = "f" } }\nC9 = { kind = "capacitor", value = "1n", nodes = ["a", "x"] }\nQ2', "Q1, C9: nodes: node 'x' has no path to ground", ""),
    ('secondary = ["g", "0"]', 'secondary = ["g", "h"]', "T1: nodes: node 'h' is on this one terminal only", ""),
    (
        C1,
        C1 + '\nR8 = { kind = "resistor", value = "1k", nodes = ["x", "y"] }\nC9 = { kind = "capacitor", value = "1n", nodes = ["x", "y"] }',
        "R8, C9: nodes: node 'x' (and y) has no path to ground",
        "",
    ),
    # names
    (C1, C1 + "\n[stages.more.parts]\n" + R1, "R1: one name for 2 things (a part in stage all, a part in stage more)", ""),
    (C1, C1.replace("C1", "load"), "load: is a reserved word", ""),
    (C1, C1.replace("C1", '"C 1"'), "parts: 'C 1' is not a name", ""),
    (C1, C1.replace("C1", '"../C1"'), "parts: '../C1' is not a name", ""),
    ("[stages.all.parts]\n", "[stages.all.parts]\nlevel = { kind = \"resistor\", value = \"1k\", nodes = [\"in\", \"a\"] }\n", "level: one name for 2 things (a part in stage all, a control)", ""),
    # device sheets of the unit's own
    ('i_dss = "5mA"', 'i_dsss = "5mA"\ni_dss = "5mA"', "devices.p-type: i_dsss: unknown key; did you mean i_dss?", ""),
    ('source = "invented"\npolarity', "polarity", "devices.p-type: source: is missing", ""),
    ('kind = "jfet"\nsource', 'kind = ["jfet"]\nsource', "devices.p-type: kind: a device sheet needs a kind", "choices: diode, zener, jfet, bjt"),
    ('pinch_off_voltage = "2V"', 'pinch_off_voltage = "-2V"', "devices.p-type: pinch_off_voltage: is negative in an n-channel", ""),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "start", "part"), MISTAKES, ids=[row[2][:50] for row in MISTAKES])
def test_a_mistake_is_told_with_its_place_and_blames_nobody_else(old, new, start, part, tmp_path):
    lines = complaints(edited((old, new)), tmp_path)
    found = [line for line in lines if line.startswith(start) and part in line]
    assert found, lines
    # nobody else is blamed: a slip may show at most once more (a misspelt key is also a missing one)
    assert len(lines) <= 2


def test_all_mistakes_are_told_at_once(tmp_path):
    text = edited(
        ('name = "one of each"', 'name = "x"\ntemperature_c = 400'),
        ('kind = "resistor", value = "1k"', 'kind = "resistor", vlaue = "1k"'),
        ('value = "10n"', 'value = "4q7"'),
        ('taper = "log"', 'taper = "lgo"'),
        ('device = "1N4148"', 'device = "1N4184"'),
        ("position = 0.25", "position = 2"),
        ('closed = ["S2"]', 'closed = ["S7"]'),
        ('fet = "J1"', 'fet = "J9"'),
        ('middle = "c"', 'middle = "m"'),
        ('kind = "output"', 'kind = "outptu"'),
        ("level = {", "spare = { position = 0 }\nlevel = {"),
        (
            "[stages.all.parts]\n",
            '[stages.all.parts]\nR9 = { kind = "resistor", value = "1k", nodes = ["a", "zz"] }\n',
        ),
    )
    lines = complaints(text, tmp_path)
    for start in (
        "temperature_c: 400",
        "R1: vlaue: unknown key",
        "R1: value: is missing",
        "C1: value: '4q7'",
        "P2: taper: unknown taper",
        "D1: device: no sheet",
        "level: position: 2 is outside",
        "mode: closed: no switch",
        "gain_cell: fet: no JFET",
        "probes: middle: no node",
        "OUT: kind: unknown kind",
        "spare: no part uses",
        "R9: nodes: node 'zz'",
    ):
        assert [line for line in lines if line.startswith(start)], (start, lines)
    assert len(lines) == 13


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("name = ", "box.toml: line 1: not valid TOML: Invalid value"),
        (
            'name = "x"\nname = "y"',
            "box.toml: line 2: not valid TOML: Cannot overwrite a value (two of one name?)",
        ),
        ("[stages.a.parts]\nR1 = 1\nR1 = 2", "box.toml: line 3: not valid TOML: Cannot overwrite a value"),
        ("[a]\n[b]\n[a]", "box.toml: line 3: not valid TOML: Cannot declare ('a',) twice (two of one name?)"),
        ("a = { b = 1, b = 2 }", "box.toml: line 1: not valid TOML: Duplicate inline table key 'b'"),
        ('name = "x', "box.toml: "),
        ("{", "box.toml: line 1: not valid TOML"),
        ("a = " + "[" * 3000 + "]" * 3000, "box.toml: is nested too deeply"),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(text, complaint, tmp_path):
    path = tmp_path / "box.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UnitError) as caught:
        load_unit(path)
    assert str(caught.value).startswith(complaint)
    assert len(str(caught.value).splitlines()) == 1


def test_files_that_cannot_be_read(tmp_path):
    (tmp_path / "latin.toml").write_bytes('name = "Röhre"'.encode("latin-1"))
    (tmp_path / "zero.toml").write_bytes(b"\x00\xff\xfe")
    (tmp_path / "large.toml").write_bytes(b"#" * (LARGEST_FILE + 1))
    (tmp_path / "folder.toml").mkdir()
    os.mkfifo(tmp_path / "pipe.toml")
    for name, complaint in {
        "latin.toml": "not UTF-8",
        "zero.toml": "not UTF-8",
        "large.toml": "larger than",
        "folder.toml": "is not a file",
        "pipe.toml": "is not a file",
        "missing.toml": "no such file",
        "nul\0.toml": "no such file",
    }.items():
        with pytest.raises(UnitError, match=complaint):
            load_unit(tmp_path / name)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read every file")
def test_a_file_without_permission(tmp_path):
    path = tmp_path / "secret.toml"
    path.write_text(SOUND, encoding="utf-8")
    path.chmod(0)
    with pytest.raises(UnitError, match="cannot be read"):
        load_unit(path)


def test_a_byte_order_mark_is_no_mistake(tmp_path):
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SOUND.replace("\n", "\r\n").encode())
    assert load_unit(path).name == "one of each"


def test_an_unknown_library_name_lists_the_library():
    with pytest.raises(UnitError, match=rf"did you mean dunlin\?; choices: {', '.join(library_units())}"):
        load_unit("dunln")


SHAPES = """
stages = 5
stages = { x = 5 }
stages = { x = { parts = 5 } }
devices = []
devices = { x = 5 }
controls = 5
controls = { x = 5 }
probes = ["a"]
switches = { x = [] }
"""


@pytest.mark.parametrize("text", ["", *SHAPES.strip().splitlines()])
def test_tables_of_a_wrong_shape_are_mistakes(text, tmp_path):
    assert complaints(text, tmp_path)


HOSTILE = [
    "__import__('os')",
    "'; DROP",
    "../../etc",
    "<script>",
    "a\nb",
    "\x1b[31m",
    "\u202e",
    "",
    "x" * 1000,
    "{0}",
    "%s",
    "R1.value",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_refused_and_printed_harmlessly(name, tmp_path):
    quoted = '"' + "".join(f"\\U{ord(letter):08x}" for letter in name) + '"'
    for text in (
        edited((C1, C1.replace("C1", quoted))),
        edited(('"in", "a"]', f'"in", {quoted}]')),
        edited(('device = "1N4148"', f"device = {quoted}")),
        edited(("[controls]", f"[controls]\n{quoted} = {{ position = 0 }}")),
        edited(('value = "1k", nodes = ["in"', f'{quoted} = 1, value = "1k", nodes = ["in"')),
        edited(('kind = "resistor"', f"kind = {quoted}")),
    ):
        for line in complaints(text, tmp_path):
            assert line.isprintable()
            assert len(line) < 1000


LEAVES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
TREES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(key=st.sampled_from(["kind", "value", "nodes", "device", "figures", "poles", "bank", "control", "taper", "tolerance", "node", "about"]),
       kind=st.sampled_from(["resistor", "switch", "jfet", "potentiometer", "supply", "transformer", "input"]), tree=TREES)  # fmt: skip
def test_whatever_stands_in_a_part_gives_a_unit_error(key, kind, tree):
    document = tomllib.loads(SOUND)
    document["stages"]["all"]["parts"]["X1"] = {"kind": kind, key: tree}
    with pytest.raises(UnitError):
        read_unit(document, Path("box.toml"), SOUND)
