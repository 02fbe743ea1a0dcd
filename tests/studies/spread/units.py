"""Circuits whose figures have a closed form."""

import numpy as np

from fetsim.schematic.load import load_unit

RC = """
name = "RC"
[stages.all.parts]
IN = { kind = "input", nodes = ["a", "0"], source_resistance = "1" }
R1 = { kind = "resistor", value = "9999", nodes = ["a", "b"], tolerance = "1%" }
C1 = { kind = "capacitor", value = "100p", nodes = ["b", "0"], tolerance = "1%" }
OUT = { kind = "output", nodes = ["b", "0"], load = "1T" }
"""
DIVIDER = """
name = "Divider"
[stages.all.parts]
IN = { kind = "input", nodes = ["a", "0"], source_resistance = "1" }
V1 = { kind = "supply", voltage = "10V", resistance = "1", node = "v" }
R1 = { kind = "resistor", value = "10k", nodes = ["a", "b"], tolerance = "5%" }
R2 = { kind = "resistor", value = "5k", nodes = ["b", "0"], tolerance = "10%" }
R3 = { kind = "resistor", value = "30k", nodes = ["v", "d"], tolerance = "2%" }
R4 = { kind = "resistor", value = "10k", nodes = ["d", "0"], tolerance = "1%" }
OUT = { kind = "output", nodes = ["b", "0"], load = "1T" }
"""


def made(text, folder):
    path = folder / "unit.toml"
    path.write_text(text)
    return load_unit(path)


def corner_hz(ohm, farad):
    """Of the RC: where its gain is 3 dB below that at 1 kHz."""
    own_hz = 1.0 / (2.0 * np.pi * (1.0 + np.asarray(ohm)) * np.asarray(farad))
    return own_hz * np.sqrt(10.0**0.3 * (1.0 + (1e3 / own_hz) ** 2) - 1.0)
