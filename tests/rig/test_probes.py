"""Current probes: every kind of part against the unit at rest, and against Kirchhoff's law while a signal plays."""

from pathlib import Path

import numpy as np
import pytest

from fetsim.audio.levels import full_scale_peak_v
from fetsim.audio.render import render
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import GROUND
from fetsim.measurements.idle.procedure import idle_point
from fetsim.rig.probes import find_probe
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import PART_KINDS, build_circuit

SCHEMATIC = Path(__file__).parents[1] / "schematic"
UNITS = ("dunlin", "teaching", str(SCHEMATIC / "one_of_each.toml"))
RATE_HZ = 48000
DRIVEN = """
name = "driven"
source = "invented"
[stages.all.parts]
IN = { kind = "input", nodes = ["in", "0"], source_resistance = "600" }
R1 = { kind = "resistor", value = "1k", nodes = ["in", "a"] }
R2 = { kind = "resistor", value = "10k", nodes = ["a", "0"] }
C1 = { kind = "capacitor", value = "10n", nodes = ["a", "0"] }
D1 = { kind = "zener", device = "BZX79-C12", nodes = { anode = "0", cathode = "k" } }
V1 = { kind = "supply", voltage = "30V", resistance = "1k", node = "k" }
R3 = { kind = "resistor", value = "1k", nodes = ["k", "b"] }
Q1 = { kind = "bjt", device = "2N3906", nodes = { collector = "c", base = "b", emitter = "e" } }
R4 = { kind = "resistor", value = "1k", nodes = ["a", "b"] }
R5 = { kind = "resistor", value = "2k", nodes = ["k", "e"] }
R6 = { kind = "resistor", value = "1k", nodes = ["c", "0"] }
OUT = { kind = "output", nodes = ["c", "0"], load = "10k" }
"""


def at_rest(unit):
    """(circuit, levels of two steps at the bias point)."""
    circuit = build_circuit(unit)
    system = assemble(circuit)
    bias = find_bias(system)
    return circuit, {GROUND: np.zeros(2), **{name: np.full(2, bias[i]) for name, i in system.index.items()}}


@pytest.mark.parametrize("name", UNITS)
def test_every_parts_probe_reads_what_the_unit_at_rest_says(name):
    """The same magnitude and sign, for every kind of part, npn and pnp, n- and p-channel, a zener in breakdown."""
    unit = load_unit(name)
    circuit, levels = at_rest(unit)
    point = idle_point(unit)
    for part in point.parts:
        probe = find_probe(unit, circuit, f"{part.designator}.current")
        (read,) = probe.compute(levels, 240e3, np.zeros(1))
        # node voltages are exact to 1e-9 V; the least resistance that a current is read from is 50 milliohm
        first = part.branches[0].current_a
        if part.kind == "opamp":  # what it sinks less what it sources
            first -= part.branches[1].current_a
        assert read == pytest.approx(first, rel=1e-6, abs=1e-7)


def test_the_units_hold_every_kind_of_part_and_each_polarity():
    parts = [part for name in UNITS for part in load_unit(name).parts.values()]
    assert {part.kind for part in parts} == set(PART_KINDS) - {"mains"}  # never at rest; its current: ``test_mains``
    assert {part.device.polarity for part in parts if part.device} == {"n", "p", "npn", "pnp", ""}


@pytest.fixture(scope="module")
def driven(tmp_path_factory):
    path = tmp_path_factory.mktemp("unit") / "driven.toml"
    path.write_text(DRIVEN)
    return load_unit(str(path))


def test_a_zener_in_breakdown_carries_its_current_backwards(driven):
    circuit, levels = at_rest(driven)
    read = {
        name: float(find_probe(driven, circuit, f"{name}.current").compute(levels, 240e3, np.zeros(1))[0])
        for name in ("D1", "V1", "R3", "R5")
    }
    assert read["D1"] < -0.5e-3
    assert read["V1"] < 0.0  # a supply that feeds a positive rail
    assert -read["V1"] == pytest.approx(-read["D1"] + read["R3"] + read["R5"], abs=1e-9)


@pytest.fixture(scope="module")
def played(driven):
    peak_v = full_scale_peak_v(driven.full_scale_dbu)
    audio = 2.0 / peak_v * np.sin(2 * np.pi * 1000 * np.arange(4800) / RATE_HZ)
    names = ["IN", "R1", "R2", "R3", "R4", "R5", "R6", "C1", "D1", "V1", "Q1", "OUT"]
    rendering = render(audio, RATE_HZ, unit=driven, probes=[f"{name}.current" for name in names], quality="fine")
    return {name: rendering.probes[f"{name}.current"][960:-960] for name in names}


def test_currents_sum_to_zero_at_every_node_while_a_signal_plays(played):
    i = played
    biggest = max(np.abs(current).max() for current in i.values())
    nodes = {
        "in": i["IN"] + i["R1"],
        "a": -i["R1"] + i["R2"] + i["C1"] + i["R4"],
        "k": -i["D1"] + i["V1"] + i["R3"] + i["R5"],
        "c": i["Q1"] + i["R6"] + i["OUT"],
    }
    for name, left in nodes.items():
        # capacitances by backward difference: 1e-2 of their share at 1 kHz on 576 kHz is half a step, 0.5 %
        allowed = 0.006 * np.abs(i["C1"]).max() if name == "a" else 2e-5 * biggest
        assert np.abs(left).max() < allowed, name


def test_the_sources_current_follows_the_input(played):
    """2 V behind 600 ohm and what hangs on it: the source delivers, so its own current runs against its voltage."""
    audio = np.sin(2 * np.pi * 1000 * np.arange(4800) / RATE_HZ)[960:-960]
    assert np.abs(played["IN"]).max() > 0.5e-3
    assert np.dot(played["IN"], audio) < 0.0


def test_a_pnp_that_conducts_has_a_negative_collector_current(played):
    assert played["Q1"].mean() < -0.1e-3
