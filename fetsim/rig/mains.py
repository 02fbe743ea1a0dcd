"""What mains ask of a rig: a period of whole steps, and rails that come up."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import System
from fetsim.engine.circuit import GROUND, Circuit
from fetsim.engine.cycle import Cycle
from fetsim.engine.linear import linearise
from fetsim.engine.signals import Signal, Sine
from fetsim.errors import InputError
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import output_point
from fetsim.schematic.unit import Unit

LEAST_SHARE = 0.5
"""Of what a rail is meant to stand at. A supply that sags by half under the unit at rest is none (own choice)."""
REVERSED_SHARE = -0.1
LOOKS = 8
"""Instants of a period at which the gain is looked at."""
SILENT = 1e-10
LEAST_DB = 1e-3  # less is not worth telling


def whole_frequency_hz(frequency_hz: float, rate_hz: float) -> float:
    """The nearest frequency whose period is a whole number of steps: 50 and 60 Hz themselves at all rates that 48 and
    44.1 kHz files are marched at, otherwise off by half a step a period, 0.01 % at 50 Hz and 250 kHz. Real mains wander
    by more (within 1 %, EN 50160)."""
    return rate_hz / round(rate_hz / frequency_hz)


def on_steps(signals: Mapping[str, Signal], rate_hz: float) -> dict[str, Signal]:
    """Sines of such a frequency."""
    return {
        name: replace(one, frequency_hz=whole_frequency_hz(one.frequency_hz, rate_hz)) if isinstance(one, Sine) else one
        for name, one in signals.items()
    }


def awaited(circuit: Circuit) -> frozenset[str]:
    """Unknowns that have to stand still in a steady state."""
    names = {name for e in circuit.elements for name in e.unknowns.values()} - {GROUND}
    return frozenset(names - {e.unknowns[inner] for e in circuit.elements for inner in KINDS[e.kind].slow})


def fed_by_mains(unit: Unit, system: System, cycle: Cycle, gain_db: float) -> str:
    """How it rests, in a sentence: what its small signals leave out, with its size."""
    point = output_point(unit)
    gains_db = []
    for state in cycle.unknowns[:: len(cycle.unknowns) // LOOKS]:
        linear = linearise(system, state)
        gain = abs(complex(point.weights(linear.index) @ linear.solve(REFERENCE_HZ, linear.driven_by())))
        gains_db.append(20.0 * np.log10(max(gain, SILENT)))
    astray_db = max(float(np.abs(np.array(gains_db) - gain_db).max()), LEAST_DB)
    return (
        f"Mains of {cycle.frequency_hz:g} Hz are on; volts and small signals at rest are those at the mean over their "
        f"period, within which the gain at {REFERENCE_HZ:g} Hz moves by up to {astray_db:.2g} dB."
    )


def check_rails(unit: Unit, levels_v: Mapping[str, float]) -> None:
    """Raises InputError for the first rail that does not stand at about what it is meant to [volts of every node]; in a
    unit with a fault, of which that may be a symptom, none is looked for."""
    if unit.bridges or any(part.defects for part in unit.parts.values()):
        return
    for node, meant_v in unit.rails.items():
        share = levels_v[node] / meant_v
        if share >= LEAST_SHARE:
            continue
        cause = "a rectifier is the wrong way round" if share < REVERSED_SHARE else (
            "look for a short, a rectifier that is missing or the wrong way round, a reservoir that is too small or a "
            "winding of too few turns"
        )
        stands_v = round(levels_v[node], 6)
        raise InputError(f"{unit.name}: rail {node} stands at {stands_v:.3g} V instead of {meant_v:g} V; {cause}")
