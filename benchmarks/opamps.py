"""What operational amplifiers add to a step of the Dunlin. Run: python benchmarks/opamps.py

One or two inverters of gain 2 hang on its output between its own rails, with their four parts each; the Dunlin alone
runs in turn with both, by processor time. The signal is a burst that the amplifiers play without clipping, and one that
clips them.
"""

import sys
from collections.abc import Sequence
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.signals import burst
from benchmarks.table import Row, in_turn
from fetsim.devices.kinds import KINDS
from fetsim.devices.sheet import thermal_voltage
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.simulation import Simulation
from fetsim.rig.quality import DEFAULT_QUALITY, QUALITIES
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from fetsim.schematic.sheets import library_devices
from fetsim.schematic.wiring import build_circuit

SECONDS, TURNS = 0.03, 30
"""Of the signal, and how often it is played in a round: the least time counts, since other work on the machine only
ever adds to it."""


def with_amplifiers(circuit: Circuit, count: int) -> Circuit:
    """The Dunlin's circuit with ``count`` inverters behind its output."""
    sheet = KINDS["opamp"].sheet
    assert sheet is not None
    values = sheet.values(library_devices()["TL072"].figures, thermal_voltage(25.0))
    elements = list(circuit.elements)
    for k in range(1, count + 1):
        elements += [
            element("resistor", f"RU{k}a", ["out", f"m{k}"], resistance_ohm=10e3),
            element("resistor", f"RU{k}b", [f"m{k}", f"u{k}"], resistance_ohm=20e3),
            element("resistor", f"RU{k}c", [f"u{k}", "0"], resistance_ohm=10e3),
            element("capacitor", f"CU{k}", [f"m{k}", f"u{k}"], capacitance_f=10e-12),
            element("opamp", f"U{k}", [f"u{k}", "0", f"m{k}", "vp", "vn"], **values),
        ]
    return Circuit(tuple(elements))


def ratios(level: float, rounds: int) -> Sequence[float]:
    """Time of a step for each amplifier more, over that without, of two amplifiers."""
    rig, quality = Rig(load_unit("dunlin")), QUALITIES[DEFAULT_QUALITY]
    circuit = build_circuit(load_unit("dunlin"))
    drive = level * burst(np.arange(1, int(rig.rate_hz * SECONDS) + 1) / rig.rate_hz)
    runs = [
        Simulation.of(
            with_amplifiers(circuit, count), rig.rate_hz, ["out"], method=quality.method,
            tolerance_v=quality.tolerance_v,
        )
        for count in (0, 1, 2)
    ]  # fmt: skip
    turns = np.array(list(in_turn([lambda run=run: run.march(drive) for run in runs], rounds * TURNS)))
    times = turns.reshape(rounds, TURNS, len(runs)).min(axis=1)
    alone, one, two = np.median(times, axis=0) / len(drive)
    iterations = [run.effort.iterations / run.effort.steps for run in runs]
    print(
        f"Dunlin {1e9 * alone:.0f} ns a step, with one amplifier {one / alone:.3f}, with two {two / alone:.3f} of it; "
        f"Newton iterations {iterations[0]:.3f}, {iterations[1]:.3f}, {iterations[2]:.3f}, "
        f"subdivided {runs[2].effort.subdivided_steps}"
    )
    return [float(0.5 * (1.0 + after / before)) for before, _, after in times]


ROWS = [
    Row(
        name="opamp", what="one op-amp with its parts in the Dunlin (half of what two add), time",
        wanted="at most 1.15", measure=lambda rounds: ratios(1.0, rounds),
    ),
]  # fmt: skip


if __name__ == "__main__":
    for level in (1.0, 10.0):
        found = ratios(level, 15)
        print(f"    level x {level:g}: {median(found):.3f} ({min(found):.3f} to {max(found):.3f})")
