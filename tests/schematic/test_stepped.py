"""Stepped attenuators against the ladder of resistors that they stand for, and gangs of several tracks."""

import numpy as np
import pytest

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.linear import linearise
from fetsim.errors import UnitError
from fetsim.schematic.change_list import change_list
from fetsim.schematic.eseries import nearest
from fetsim.schematic.load import load_unit
from fetsim.schematic.spreads import spreads_of
from fetsim.schematic.stepped import OFF_DB, chain, position_of, step_number
from fetsim.schematic.taper import TAPERS
from fetsim.schematic.wiring import build_circuit

STEPS_DB = (-40.0, -30.0, -20.0, -10.0, -6.0, -3.0, 0.0)
TOTAL_OHM = 10e3
PORTS = (
    'IN = { kind = "input", nodes = ["in", "0"], source_resistance = "600" }\n'
    'OUT = { kind = "output", nodes = ["w", "0"], load = "22k" }\n'
)


def unit_of(folder, *lines, name="box", head="[controls]\nlevel = { position = 1.0 }\n"):
    path = folder / f"{name}.toml"
    text = f'name = "{name}"\n{head}[stages.all.parts]\n{PORTS}' + "\n".join(lines)
    path.write_text(text, encoding="utf-8")
    return load_unit(path)


def stepped(steps='["off", "-40dB", "-30dB", "-20dB", "-10dB", "-6dB", "-3dB", "0dB"]', more=""):
    return (
        f'P1 = {{ kind = "potentiometer", value = "10k", steps = {steps}, control = "level", {more} '
        'nodes = { top = "in", wiper = "w", bottom = "0" } }'
    )


def gain(unit, node="w"):
    system = assemble(build_circuit(unit))
    small = linearise(system, find_bias(system))
    return abs(complex(small.solve(1000.0, small.driven_by())[small.index[node]]))


def ladder(folder):
    """The same chain with every resistor a part, and a selector whose moving contact is the wiper."""
    shares = [10.0 ** (step / 20.0) for step in STEPS_DB]
    nodes = [*(f"k{k}" for k in range(len(shares) - 1)), "in"]
    lines = [
        f'R{k} = {{ kind = "resistor", value = "{TOTAL_OHM * (high - low):.9g}", nodes = ["{a}", "{b}"] }}'
        for k, (low, high, a, b) in enumerate(zip([0.0, *shares], shares, ["0", *nodes], nodes, strict=False))
    ]
    names = ", ".join(f'"{abs(step):g}_dB_down"' for step in STEPS_DB)
    contacts = ", ".join(f'"{node}"' for node in nodes)
    lines.append(f'SW1 = {{ kind = "selector", positions = [{names}], position = "0_dB_down", '
                 f"poles = [{{ common = \"w\", contacts = [{contacts}] }}] }}")  # fmt: skip
    return unit_of(folder, *lines, name="ladder", head="")


def test_each_step_is_that_of_the_ladder(tmp_path):
    attenuator, switched = unit_of(tmp_path, stepped()), ladder(tmp_path)
    for step in STEPS_DB:
        found = gain(attenuator.changed(level=f"{step:g}dB"))
        wanted = gain(switched.changed(SW1=f"{abs(step):g}_dB_down"))
        assert found == pytest.approx(wanted, rel=1e-4)  # contacts of half an ohm and of 50 milliohm
    # loaded, a step is the divider's: 2 kohm less of source, 22 kohm over the lower part of the chain
    lower = TOTAL_OHM * 10.0**-0.5
    below = lower * 22e3 / (lower + 22e3)
    assert gain(attenuator.changed(level="-10dB")) == pytest.approx(
        below / (600.0 + TOTAL_OHM - lower + below), rel=1e-4
    )
    assert gain(attenuator.changed(level="off")) < 1e-4


def test_positions_between_steps_take_the_nearer_one(tmp_path):
    unit = unit_of(tmp_path, stepped())
    assert gain(unit.changed(level=0.98)) == gain(unit.changed(level=1.0))
    assert gain(unit.changed(level=0.9)) == gain(unit.changed(level="-3dB"))
    turned = unit_of(tmp_path, stepped(more='direction = "falling",'), name="falling")
    assert gain(turned.changed(level=0.0)) == gain(unit.changed(level=1.0))
    assert gain(turned.changed(level="-20dB")) == gain(unit.changed(level="-20dB"))


def test_a_range_is_written_in_one_text(tmp_path):
    unit = unit_of(tmp_path, stepped('"-46:0:2"'))
    assert unit.parts["P1"].steps == pytest.approx(np.arange(-46.0, 1.0, 2.0))
    assert unit_of(tmp_path, stepped('"-46dB:0dB:2dB"')).parts["P1"].steps == unit.parts["P1"].steps


def test_the_chain_adds_up_and_is_bought_from_e96():
    rungs = chain(TOTAL_OHM, (OFF_DB, *STEPS_DB))
    assert sum(rung.ohm for rung in rungs) == pytest.approx(TOTAL_OHM)
    assert [rung.ohm for rung in rungs[:3]] == pytest.approx([0.0, 100.0, 216.2278], rel=1e-5)
    assert [rung.bought_ohm for rung in rungs[:3]] == pytest.approx([0.0, 100.0, 215.0])
    for rung in rungs[1:]:  # preferred values of 2 % distance lie within 1.2 %: a tenth of a decibel
        assert rung.bought_db == pytest.approx(rung.step, abs=0.1)
    (*_, top) = chain(TOTAL_OHM, (-20.0, -6.0))
    assert top.step is None and top.ohm == pytest.approx(TOTAL_OHM * (1.0 - 10.0**-0.3))


def test_nearest_preferred_value():
    assert [nearest(value, "E12") for value in (4600.0, 5100.0, 4.7, 0.0099)] == [4700.0, 4700.0, 4.7, 0.01]


def test_steps_and_positions():
    assert [step_number(STEPS_DB, position) for position in (0.0, 0.5, 1.0)] == [0, 3, 6]
    assert (position_of(STEPS_DB, -10.0), position_of(STEPS_DB, -10.1)) == (0.5, None)


THREE = [
    f'P{k} = {{ kind = "potentiometer", value = "{10 * k}k", taper = "{taper}", control = "level", {more} '
    f'nodes = {{ top = "in", wiper = "w{k}", bottom = "0" }} }}\n'
    f'R{k} = {{ kind = "resistor", value = "100M", nodes = ["w{k}", "0"] }}'
    for k, taper, more in ((1, "log", ""), (2, "reverse-log", ""), (3, "log", 'gang_error = "-1.5dB",'))
]


def test_one_knob_turns_three_tracks_of_their_own_laws(tmp_path):
    tie = 'R9 = { kind = "resistor", value = "1M", nodes = ["w", "0"] }'
    unit = unit_of(tmp_path, *THREE, tie).changed(level=0.5)
    volts = [gain(unit, f"w{k}") / gain(unit, "in") for k in (1, 2, 3)]
    assert volts[:2] == pytest.approx([TAPERS[name](0.5) for name in ("log", "reverse-log")], rel=1e-3)
    assert 20.0 * np.log10(volts[2] / volts[0]) == pytest.approx(-1.5, abs=0.01)
    fully = unit.changed({"level": 1.0, "P3.gang_error": "2dB"})
    assert gain(fully, "w3") == pytest.approx(gain(fully, "in"), rel=1e-4)  # no further than its end


def test_the_gang_s_tolerance_is_drawn(tmp_path):
    unit = unit_of(tmp_path, stepped(more='gang_tolerance = "2dB", tolerance = "20%",'))
    spreads = spreads_of(unit)
    assert [one.name for one in spreads.spreads] == ["P1", "P1.gang_error"]
    low, middle, high = (spreads.values(np.full((1, spreads.columns), u))["P1.gang_error"][0] for u in (0, 0.5, 1))
    assert (low, middle, high) == pytest.approx((-2.0, 0.0, 2.0), abs=1e-6)
    worst = unit.changed(spreads.changes([[0.5, 0.0]])[0]).changed(level="-20dB")
    assert gain(worst) == pytest.approx(gain(unit.changed(level="-20dB")) * 10.0**-0.1, rel=0.01)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"off", "-40dB"', '"-40dB", "off"', "P1: steps: must be 2 to 60 steps that rise to 0 dB at the most"),
        ('"-3dB", "0dB"', '"-3dB", "3dB"', "P1: steps: must be 2 to 60 steps that rise to 0 dB"),
        ('"off", "-40dB"', '"none", "-40dB"', "P1: steps: 'none' is not an amount in decibel"),
        ('["off", "-40dB", "-30dB", "-20dB", "-10dB", "-6dB", "-3dB", "0dB"]', '"0:-40:2"',
         "P1: steps: '0:-40:2' is not FROM:TO:STEP in dB"),
        ('["off", "-40dB", "-30dB", "-20dB", "-10dB", "-6dB", "-3dB", "0dB"]', "3", "P1: steps: must be a list as"),
        ('"level",', '"level", gang_error = "30dB",', "P1: gang_error: 30 dB is outside -20 dB to 20 dB"),
    ],
)  # fmt: skip
def test_mistakes_are_told_with_their_place(tmp_path, old, new, told):
    line = stepped()
    assert old in line
    with pytest.raises(UnitError) as error:
        unit_of(tmp_path, line.replace(old, new, 1))
    assert str(error.value).startswith(f"box.toml: {told}"), str(error.value)


def test_a_changed_step_is_told_as_a_step(tmp_path):
    unit = unit_of(tmp_path, stepped())
    quieter = unit.changed(level="-10dB")
    assert quieter.changes == (("level", "0 dB", "-10 dB"),)
    assert unit.changed(level=quieter.standing("level").replace(" ", "")) == quieter
    (work,) = change_list(unit, quieter)
    assert (work.name, work.before, work.after) == ("level", "0 dB", "-10 dB")
    assert unit_of(tmp_path, stepped(more='direction = "falling",'), name="turned").standing("level") == "off"


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("-11dB", "level: P1 has no step of '-11dB'; choices: off, -40dB, -30dB"),
        ("tendB", "level: 'tendB' is not an amount in decibel"),
        ("muted", "level: position: 'muted' is not a plain number"),
    ],
)
def test_a_step_that_does_not_exist_is_told(tmp_path, value, told):
    with pytest.raises(UnitError) as error:
        unit_of(tmp_path, stepped()).changed(level=value)
    assert told in str(error.value)


def test_a_control_without_steps_has_no_decibels():
    with pytest.raises(UnitError, match="drive: turns no stepped attenuator, so '-10dB' is no position of it"):
        load_unit("dunlin").changed(drive="-10dB")
