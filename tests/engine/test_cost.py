"""What a solution costs, counted and bounded: a slower kernel fails here, however fast the machine.

Time is asserted nowhere. Counts are those of today with little room; one that falls may be tightened.
"""

import ast
from collections import Counter

import numpy as np
import pytest

from fetsim.engine.circuit import Circuit
from fetsim.engine.emit import python_source, solver_text
from fetsim.engine.plan import Plan
from fetsim.engine.simulation import Simulation
from fetsim.rig.quality import QUALITIES
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit
from tests.engine.opamp_circuits import opamp
from tests.engine.small import capacitor, diode_clipper, resistor
from tests.engine.test_engine import FILE_RATE_HZ, play_quality
from tests.reference.stored import load


@pytest.mark.parametrize(
    ("record", "name", "iterations_per_step"),
    [
        ("dunlin_burst", "draft", 1.03), ("dunlin_burst", "standard", 1.02), ("dunlin_burst", "fine", 1.01),
        ("dunlin_programme", "draft", 1.08), ("dunlin_programme", "standard", 1.05), ("dunlin_programme", "fine", 1.03),
    ],
)  # fmt: skip
def test_newton_iterations(record, name, iterations_per_step):
    """The parabola through the last steps is so good a guess that one iteration does for nearly all of them."""
    effort = play_quality(QUALITIES[name], load(record))[1].effort
    assert effort.steps <= effort.iterations <= iterations_per_step * effort.steps
    assert effort.most_iterations <= 5
    assert effort.subdivided_steps == effort.rescue_stages == 0


@pytest.mark.parametrize(
    ("name", "most"),
    [
        ("dunlin", {"unknowns": 47, "core": 182, "Mult": 903, "Add and Sub": 1125, "Div": 31, "Bit": 49}),
        ("teaching", {"unknowns": 6, "core": 14, "Mult": 79, "Add and Sub": 101, "Div": 4, "Bit": 7}),
    ],
)
def test_kernel_operations(name, most):
    """Arithmetic in the text of one stage, the devices' own laws left out. The FET's four exponentials beside its
    junctions', two of the tail and two of leakage, take a multiplication each, the tail's a subtraction besides."""
    prepared = Rig(load_unit(name)).prepared
    system, plan = prepared.reduced.system, prepared.solver.plan
    tree = ast.parse(python_source(solver_text(system, plan), system, plan))
    found = Counter(type(node.op).__name__ for node in ast.walk(tree) if isinstance(node, ast.BinOp))
    assert system.size <= most["unknowns"]
    assert len(plan.core_entries) <= most["core"]
    assert found["Mult"] <= most["Mult"] + 4
    assert found["Add"] + found["Sub"] <= most["Add and Sub"] + 2
    assert found["Div"] <= most["Div"]
    assert found["BitAnd"] + found["BitOr"] <= most["Bit"]  # which lanes are done
    assert not set(found) - {"Mult", "Add", "Sub", "Div", "BitAnd", "BitOr"}


def products(plan: Plan) -> int:
    """Multiplications of an elimination with both substitutions, by position and not by what is written."""
    core = range(plan.linear, len(plan.order))
    return sum((len(plan.upper[k]) + 1) * len(plan.lower[k]) + len(plan.upper[k]) + len(plan.lower[k]) for k in core)


def test_what_an_amplifier_adds_to_the_elimination():
    """An inverter at the Dunlin's output, between its rails. Its output draws from the rails and does not see them, its
    input sees no output: in an order blind to what fills, and with every entry mirrored, it would add 168."""
    circuit = build_circuit(load_unit("dunlin"))
    inverter = (
        resistor("RU1", "out", "m", 10e3), resistor("RU2", "m", "u", 20e3), resistor("RU3", "u", "0", 10e3),
        capacitor("CU", "m", "u", 10e-12), opamp("U1", "u", "0", "m"),
    )  # fmt: skip
    without, with_one = (
        Simulation.of(Circuit((*circuit.elements, *more)), 48e3, ["out"], compiled=False).prepared.solver.plan
        for more in ((), inverter)
    )
    assert products(without) <= 437
    assert products(with_one) - products(without) <= 122


def test_rescue_stages_are_counted(monkeypatch):
    """With three Newton iterations a stage, a jump of 3 V into a diode clipper takes more: that step is subdivided, and
    the stages of its pieces are told. It ends where as many iterations as it likes end."""
    drive = np.repeat([0.0, 3.0], 20)
    free = Simulation.of(diode_clipper(), FILE_RATE_HZ, ["out"], method="sdirk2", compiled=False)
    wanted = free.advance(drive)
    assert free.effort.subdivided_steps == free.effort.rescue_stages == 0
    monkeypatch.setattr("fetsim.engine.prepared.MAX_ITERATIONS", 3)
    held = Simulation.of(diode_clipper(), FILE_RATE_HZ, ["out"], method="sdirk2", compiled=False)
    found = held.advance(drive)
    assert held.effort.steps == 40
    assert held.effort.subdivided_steps >= 1
    assert held.effort.rescue_stages >= 2 * 4  # two stages in each of four pieces at least
    assert np.abs(found - wanted)[-10:].max() < 0.01
