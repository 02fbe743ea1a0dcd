"""Further windings on a transformer's core against what an ideal transformer does: turns add, loads are reflected."""

import numpy as np
import pytest

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.linear import linearise
from fetsim.errors import UnitError
from fetsim.measurements.idle.procedure import idle_point
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit

HZ = 1000.0
IRON = (
    'primary_resistance = "0.001", secondary_resistance = "0.001", leakage = "1nH", magnetising = "10000H", '
    'saturation_flux = "50", winding_capacitance = "1e-16", secondary_capacitance_ratio = 0'
)
"""As near to an ideal transformer as a file may come: 60 megohm of magnetising reactance at 1 kHz."""
CORE = 'initial_inductance = "9000H", nominal_voltage = "1V", nominal_frequency = "50Hz",'


def unit(tmp_path, *parts, head=""):
    path = tmp_path / "box.toml"
    path.write_text(f'name = "box"\n[stages.all.parts]\n{head}' + "\n".join(parts), encoding="utf-8")
    return load_unit(path)


def transformer(ratio, ends, extra=""):
    a, b = ends
    return (
        'IN = { kind = "input", nodes = ["p", "0"], source_resistance = "600" }\n'
        f'T1 = {{ kind = "transformer", ratio = {ratio}, {extra} {IRON}, '
        f'nodes = {{ primary = ["p", "0"], secondary = ["{a}", "{b}"] }} }}'
    )


def winding(name, ratio, ends, more='resistance = "0.001"'):
    a, b = ends
    return f'{name} = {{ kind = "winding", transformer = "T1", ratio = {ratio}, nodes = ["{a}", "{b}"], {more} }}'


def load(ohm, ends=("s", "0")):
    a, b = ends
    return f'OUT = {{ kind = "output", load = "{ohm}", nodes = ["{a}", "{b}"] }}'


def volts(box):
    """Node voltages for one volt at the source, 1 kHz."""
    system = assemble(build_circuit(box))
    small = linearise(system, find_bias(system))
    found = small.solve(HZ, small.driven_by())
    return {name: complex(found[i]) for name, i in small.index.items()}


@pytest.mark.parametrize("extra", ["", CORE])
def test_windings_in_series_are_one_of_their_turns_together(tmp_path, extra):
    # secondary of half the primary's turns, a winding of a third of them on top: 5/6 in all
    box = unit(tmp_path, transformer(2, ("m", "0"), extra), winding("W1", 3, ("s", "m")), load("6k"))
    found = volts(box)
    ratio = 6.0 / 5.0
    reflected = 6000.0 * ratio**2
    primary_v = reflected / (reflected + 600.0)
    assert abs(found["p"]) == pytest.approx(primary_v, rel=1e-3)
    assert abs(found["s"] / found["p"]) == pytest.approx(1.0 / ratio, rel=1e-4)
    assert abs(found["m"] / found["p"]) == pytest.approx(0.5, rel=1e-4)


def test_a_centre_tap_gives_opposite_halves(tmp_path):
    box = unit(tmp_path, transformer(2, ("s", "0")), winding("W1", 2, ("0", "t")), load("1k"),
               'R1 = { kind = "resistor", value = "1k", nodes = ["t", "0"] }')  # fmt: skip
    found = volts(box)
    assert found["t"] == pytest.approx(-found["s"], rel=1e-4)
    # two loads of 1 kohm at half the turns each: 4 kohm parallel to 4 kohm at the primary
    assert abs(found["p"]) == pytest.approx(2000.0 / 2600.0, rel=1e-3)


@pytest.mark.parametrize("extra", ["", CORE])
def test_three_windings_with_a_load_each(tmp_path, extra):
    """1 kohm at half the turns and 500 ohm at a quarter: 4 and 8 kohm in parallel at the primary."""
    box = unit(tmp_path, transformer(2, ("s", "0"), extra), winding("W1", 4, ("t", "0")), load("1k"),
               'R1 = { kind = "resistor", value = "500", nodes = ["t", "0"] }')  # fmt: skip
    found = volts(box)
    reflected = 1.0 / (1.0 / 4e3 + 1.0 / 8e3)
    assert abs(found["p"]) == pytest.approx(reflected / (reflected + 600.0), rel=1e-3)
    assert abs(found["s"] / found["p"]) == pytest.approx(0.5, rel=1e-4)
    assert abs(found["t"] / found["p"]) == pytest.approx(0.25, rel=1e-4)


@pytest.mark.parametrize(("ends", "half", "turns"), [(("p", "m"), ("m", "0"), 2.0), (("p", "0"), ("p", "0"), 1.0)])
def test_a_split_primary_in_series_and_in_parallel(tmp_path, ends, half, turns):
    """Two equal halves, each of the secondary's turns: in series 2:1, in parallel 1:1."""
    iron = transformer(1, ("s", "0")).replace('primary = ["p", "0"]', f'primary = ["{ends[0]}", "{ends[1]}"]')
    found = volts(unit(tmp_path, iron, winding("W1", 1, half), load("600")))
    reflected = 600.0 * turns**2
    assert abs(found["p"]) == pytest.approx(reflected / (reflected + 600.0), rel=1e-3)
    assert abs(found["s"] / found["p"]) == pytest.approx(1.0 / turns, rel=1e-4)


def test_a_push_pull_primary_cancels_direct_current_in_the_core(tmp_path):
    """Equal currents out of the tap into both halves magnetise nothing; into one of them alone, N i of it."""

    def flux_share(*feeds):
        ends = ('R7 = { kind = "resistor", value = "1G", nodes = ["a", "0"] }',
                'R8 = { kind = "resistor", value = "1G", nodes = ["b", "0"] }')  # fmt: skip
        box = unit(
            tmp_path, *ends,
            'IN = { kind = "input", nodes = ["g", "0"], source_resistance = "600" }\n'
            'T1 = { kind = "transformer", ratio = 2, nodes = { primary = ["tap", "a"], secondary = ["s", "0"] }, '
            'primary_resistance = "10", secondary_resistance = "10", leakage = "1mH", magnetising = "10H", '
            'saturation_flux = "1", winding_capacitance = "100p" }',
            winding("W1", 1, ("b", "tap"), 'resistance = "10"'),
            'V1 = { kind = "supply", voltage = "10V", resistance = "0.001", node = "tap" }',
            'R9 = { kind = "resistor", value = "1k", nodes = ["g", "0"] }',
            *[f'R{i} = {{ kind = "resistor", value = "990", nodes = ["{end}", "0"] }}' for i, end in enumerate(feeds)],
            load("10k"),
        )
        (core,) = [part for part in idle_point(box).parts if part.designator == "T1"]
        return core.core_flux_share

    assert flux_share("a", "b") == pytest.approx(0.0, abs=1e-9)
    assert flux_share("a") == pytest.approx(0.1, rel=0.01)  # 10 mA through 10 H: 0.1 Vs of 1 Vs


def test_resistance_and_leakage_are_in_series_with_a_winding(tmp_path):
    coil = winding("W1", 2, ("s", "0"), 'resistance = "100", leakage = "50mH"')
    box = unit(tmp_path, transformer(1, ("x", "0")), coil, load("400"),
               'R1 = { kind = "resistor", value = "1G", nodes = ["x", "0"] }')  # fmt: skip
    found = volts(box)
    series = 500.0 + 2j * np.pi * HZ * 50e-3
    assert found["s"] / found["p"] == pytest.approx(0.5 * 400.0 / series, rel=1e-4)


COIL = winding("W1", 2, ("s", "0"))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (COIL.replace('"T1"', '"T9"'), "W1: transformer: no transformer named 'T9'; choices: T1"),
        (COIL.replace('"T1"', '"R1"'), "W1: transformer: no transformer named 'R1'"),
        (winding("W1", 0, ("s", "0")), "W1: ratio: 0 is outside"),
        (winding("W1", 2, ("s", "0"), 'resistance = "0"'), "W1: resistance: 0 ohm is outside"),
        (winding("W1", 2, ("s", "q")), "W1: nodes: node 'q' is on this one terminal only"),
    ],
)  # fmt: skip
def test_mistakes_are_told_with_their_place(tmp_path, text, told):
    with pytest.raises(UnitError) as error:
        unit(tmp_path, transformer(1, ("x", "0")), text, load("400"),
             'R1 = { kind = "resistor", value = "1G", nodes = ["x", "0"] }')  # fmt: skip
    assert any(line.startswith(f"box.toml: {told}") for line in str(error.value).splitlines()), str(error.value)


def test_a_winding_stays_on_its_core(tmp_path):
    box = unit(tmp_path, transformer(1, ("x", "0")), winding("W1", 2, ("s", "0")), load("400"),
               'R1 = { kind = "resistor", value = "1k", nodes = ["x", "0"] }')  # fmt: skip
    assert box.changed({"W1.ratio": 4}).parts["W1"].values["ratio"] == 4.0
    with pytest.raises(UnitError, match="transformer is wiring"):
        box.changed({"W1.transformer": "T1"})
