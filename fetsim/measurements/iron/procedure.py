"""Inductance and loss of every transformer and choke, as a bridge reads them, against level and frequency.

The windings are driven where they sit, by tones at the unit's input. Every reading is a periodic steady state
(``steady``) reached from rest, its cores demagnetised; all of them are played side by side. What the iron does to the
sound is read by ``sweep``.

A core's magnetising current is worked out from its flux by its own law, gone through the period twice from a
demagnetised core, so that it has forgotten its beginning.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import ClassVar

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import Circuit, Element
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.operating import AskedLevels, asked_tones
from fetsim.measurements.bench.steady import AT_PEAK, Period, period_of, settled_at
from fetsim.measurements.iron.analysis import Winding, winding
from fetsim.measurements.results.result import Result
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_work, settling_s
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.unit import Unit

DEFAULT_LEVELS_DBU = (-20.0, 0.0, 10.0, 20.0)
DEFAULT_FREQUENCIES_HZ = (20.0, 60.0, 300.0, 1000.0)
MOST_STEPS = 2000  # of a record that a core is driven through; turning points are missed by 1e-6 of the swing


@dataclass(frozen=True, kw_only=True)
class CoreReading:
    """One core under a steady sine at the unit's input."""

    part: str
    frequency_hz: float
    level_dbu: float
    """At the source."""
    winding: Winding


@dataclass(frozen=True, kw_only=True)
class IronMeasurement(Result):
    """All readings of a unit at one setting."""

    ROOM: ClassVar[str] = "iron"

    cores: tuple[CoreReading, ...]
    """Part by part, frequencies rising, levels rising in each."""


@of_unit
def measure_iron(
    unit: Unit,
    *,
    levels_dbu: Sequence[float] = DEFAULT_LEVELS_DBU,
    frequencies_hz: Sequence[float] = DEFAULT_FREQUENCIES_HZ,
    quality: str = "standard",
    progress: Progress = unwatched,
) -> IronMeasurement:
    """Inductance and loss of every transformer and choke under tones at source levels ``levels_dbu``.

    Raises InputError, for a unit without iron too, or ConvergenceError.

    >>> import fetsim
    >>> unit = fetsim.load_unit("dunlin")
    >>> found = fetsim.measure_iron(unit, levels_dbu=[0.0], frequencies_hz=[60.0, 300.0], quality="draft")
    >>> [f"{one.winding.inductance_h:.1f} H" for one in found.cores if one.part == "T1"]
    ['13.3 H', '12.3 H']
    """
    levels = AskedLevels.of(levels_dbu, None, DEFAULT_LEVELS_DBU).numbers
    frequencies, bench = asked_tones(frequencies_hz), Bench(unit, quality)
    iron = iron_of(bench.circuit)
    if not iron:
        raise InputError(f"{unit.name}: has no transformer and no choke, so there is no iron to measure")
    work_s = len(levels) * sum(settling_s(frequency) for frequency in frequencies)
    check_work(unit, work_s, bench.rate_hz, "give fewer levels or frequencies")
    tones = {tone: tone for tone in product(frequencies, levels)}
    found = run_all(tones, partial(_readings, bench, iron), progress)
    return IronMeasurement(
        provenance=provenance(bench.rig),
        cores=tuple(found[tone][number] for number in range(len(iron)) for tone in tones),
    )


def iron_of(circuit: Circuit) -> list[Element]:
    """Transformers and chokes on cores."""
    return [e for e in circuit.elements if KINDS[e.kind].magnetics is not None]


def _readings(
    bench: Bench, iron: Sequence[Element], tone: tuple[float, float], told: Progress
) -> list[CoreReading]:
    """Of every core under one tone."""
    frequency_hz, level_dbu = tone
    run, period = bench.run([e.unknowns["flux"] for e in iron]), period_of(frequency_hz, bench)
    block = settled_at(run, period.tone(level_dbu, AT_PEAK), f"at {level_dbu:g} dBu, {frequency_hz:g} Hz").block
    return [
        CoreReading(
            part=e.name, frequency_hz=period.frequency_hz, level_dbu=level_dbu,
            winding=core_reading(e, block.nodes[e.unknowns["flux"]], period),
        )
        for e in iron
    ]  # fmt: skip


def core_reading(element: Element, flux_vs: Array, period: Period) -> Winding:
    """What a bridge reads of an element's whole winding, over whole periods of its flux [shape=(steps,)]."""
    kind = KINDS[element.kind]
    assert kind.magnetics is not None and kind.law is not None
    magnetics, bound = kind.magnetics(element.values), kind.law.bound(element.values)
    most = max(1, len(flux_vs) // MOST_STEPS)
    stride = next(one for one in range(most, 0, -1) if len(flux_vs) % one == 0)
    flux, memory = flux_vs[::stride], np.zeros(kind.law.memory)
    for _ in range(2):
        current = np.empty(len(flux))
        for step, phi in enumerate(flux.tolist()):
            current[step] = bound.evaluate([phi], memory)[0].current
            bound.accept([phi], memory)
    return winding(
        flux * magnetics.turns, current / magnetics.turns, cycles=round(period.cycles * len(flux_vs) / period.steps),
        rate_hz=period.rate_hz / stride, eddy_s=magnetics.eddy_s,
    )  # fmt: skip
