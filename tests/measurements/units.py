"""The teaching unit with pieces of its text replaced, for hard cases."""

from pathlib import Path

from fetsim.schematic.load import load_unit

PLAIN_IRON = load_unit(str(Path(__file__).with_name("plain_iron.toml")))
"""The Dunlin without hysteresis in its transformers, of which ``tests/data/dunlin_figures.json`` is."""


def changed_text(folder, *pairs):
    """Path of a unit file: ``old, new, old, new, ...`` replaced in the teaching unit's text."""
    text = load_unit("teaching").text
    for old, new in zip(pairs[::2], pairs[1::2], strict=True):
        assert old in text, old
        text = text.replace(old, new)
    path = folder / f"unit{len(list(folder.iterdir()))}.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def with_an_oscillator(folder):
    """The teaching unit with two switches; S1 closes a Wien bridge's loop over an amplifier that diodes limit."""
    stage = """
[stages.oscillator]
[stages.oscillator.parts]
A2 = { kind = "amplifier", nodes = { out = "wo", plus = "w" }, gain = 4.0, output_resistance = "1k" }
D2 = { kind = "diode", device = "teaching-diode", nodes = { anode = "wo", cathode = "0" } }
D3 = { kind = "diode", device = "teaching-diode", nodes = { anode = "0", cathode = "wo" } }
S1 = { kind = "switch", bank = "extra", poles = [["wo", "wf"]] }
S2 = { kind = "switch", bank = "extra", poles = [["inp", "idle"]] }
R8 = { kind = "resistor", value = "10k", nodes = ["wf", "wc"] }
C8 = { kind = "capacitor", value = "20n", nodes = ["wc", "w"] }
R9 = { kind = "resistor", value = "10k", nodes = ["w", "0"] }
C9 = { kind = "capacitor", value = "20n", nodes = ["w", "0"] }
R7 = { kind = "resistor", value = "1M", nodes = ["po", "w"] }
R10 = { kind = "resistor", value = "1M", nodes = ["idle", "0"] }

[stages.bias]
"""
    switches = '[switches]\nextra = { closed = ["S2"], about = "S1 makes it whistle" }\n\n[gain_cell]\n'
    return changed_text(folder, "[stages.bias]\n", stage.lstrip(), "[gain_cell]\n", switches)


def p_channel(folder):
    """The teaching unit turned upside down: a p-channel FET, supplies and diode reversed. Its detector pulls down."""
    return changed_text(
        folder,
        'polarity = "n"', 'polarity = "p"',
        'about = "n-channel JFET"', 'about = "p-channel JFET"',
        'pinch_off_voltage = "-4.5V"', 'pinch_off_voltage = "4.5V"',
        'voltage = "-7V"', 'voltage = "7V"',
        'voltage = "-5V"', 'voltage = "5V"',
        '{ anode = "an", cathode = "rc" }', '{ anode = "rc", cathode = "an" }',
    )  # fmt: skip


def with_node_called(folder, name):
    """The teaching unit, the node behind its divider renamed."""
    return load_unit(changed_text(folder, '"dr"', f'"{name}"'))


def without_gain_cell(folder):
    """The teaching unit, its gain cell not named, nor the alignment that asks for one."""
    text = load_unit("teaching").text
    cell = text[text.index("[gain_cell]") : text.index("[probes]")]
    alignment = text[text.index("[alignment]") : text.index("[devices")]
    return load_unit(changed_text(folder, cell, "", alignment, ""))
