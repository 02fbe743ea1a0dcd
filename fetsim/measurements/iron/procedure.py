"""Distortion against frequency at given levels, and at each of them the inductance and loss of every core.

What iron adds lies at low frequencies, third harmonic before all, and falls as the frequency rises; what a compressor
adds by its gain reduction does so too. So distortion may be read at any node: in front of the gain cell it is the
iron's alone. Every reading is a periodic steady state (``steady``), levels rising in each frequency.

A core's magnetising current is worked out from its flux by its own law, gone through the period twice from a
demagnetised core, so that it has forgotten its beginning.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import ClassVar

import numpy as np

from fetsim.audio.arrays import numbers_of
from fetsim.audio.levels import rms_v_to_dbu
from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import Element
from fetsim.errors import ConvergenceError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import Period, settle, whole_period
from fetsim.measurements.distortion.harmonics import harmonics
from fetsim.measurements.distortion.procedure import LEAST_CYCLES, repeated
from fetsim.measurements.iron.analysis import Winding, winding
from fetsim.measurements.results.result import Result
from fetsim.measurements.traces.checks import Samples
from fetsim.rig.points import OUTPUT, Point, find_point
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_level, check_tone, check_work, settling_s
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.unit import Unit

DEFAULT_LEVELS_DBU = (-20.0, 0.0, 10.0, 20.0)
DEFAULT_FREQUENCIES_HZ = (20.0, 30.0, 60.0, 100.0, 300.0, 1000.0, 5000.0)
MOST_STEPS = 2000  # of a record that a core is driven through; turning points are missed by 1e-6 of the swing


@dataclass(frozen=True, kw_only=True)
class IronTone:
    """A steady sine at the source, read at the point asked for; ratios, not per cent."""

    frequency_hz: float
    level_dbu: float
    read_dbu: float
    """Of the fundamental, at the point."""
    thd_f: float
    """Harmonics over the fundamental."""
    harmonic: Samples
    """Amplitude over the fundamental's, orders 2, 3, ... [shape=(9,), fewer where they pass half the rate]."""


@dataclass(frozen=True, kw_only=True)
class CoreReading:
    """One core under such a sine."""

    part: str
    frequency_hz: float
    level_dbu: float
    """At the source."""
    winding: Winding


@dataclass(frozen=True, kw_only=True)
class IronMeasurement(Result):
    """All readings of a unit at one setting."""

    ROOM: ClassVar[str] = "iron"

    read_at: str
    """The point where distortion was read."""
    tones: tuple[IronTone, ...]
    """Level by level, frequencies rising in each."""
    cores: tuple[CoreReading, ...]
    """Part by part, frequencies rising, levels rising in each; empty for a unit without iron."""


def measure_iron(
    unit: Unit,
    *,
    levels_dbu: Sequence[float] = DEFAULT_LEVELS_DBU,
    frequencies_hz: Sequence[float] = DEFAULT_FREQUENCIES_HZ,
    at: str = OUTPUT,
    quality: str = "standard",
    progress: Progress = unwatched,
) -> IronMeasurement:
    """THD and harmonics against frequency at source levels ``levels_dbu``, read at a node, probe or the ``output``;
    inductance and loss of every core at each of them.

    Raises InputError or ConvergenceError.

    >>> import fetsim
    >>> unit = fetsim.load_unit("dunlin")
    >>> found = fetsim.measure_iron(unit, levels_dbu=[0.0], frequencies_hz=[60.0, 300.0], at="t1s", quality="draft")
    >>> [f"{one.winding.inductance_h:.1f} H" for one in found.cores if one.part == "T1"]
    ['20.0 H', '20.0 H']
    """
    given = {"levels": levels_dbu, "frequencies": frequencies_hz}
    levels, frequencies = (tuple(sorted(numbers_of(one, name).ravel().tolist())) for name, one in given.items())
    if not levels or not frequencies:
        raise InputError("levels, frequencies: give at least one of each")
    for frequency in frequencies:
        check_tone(frequency)
    for level in levels:
        check_level(level)
    if not np.isfinite(levels).all():
        raise InputError("levels: silence has no distortion")
    bench, point = Bench(unit, quality), find_point(unit, at)
    work_s = len(levels) * sum(settling_s(frequency) for frequency in frequencies)
    check_work(unit, work_s, bench.rate_hz, "give fewer levels or frequencies")
    found = run_all(
        {frequency: frequency for frequency in frequencies}, partial(_rising, bench, point, levels), progress
    )
    readings = [one for frequency in frequencies for one in found[frequency]]
    parts = dict.fromkeys(core.part for _, cores in readings for core in cores)
    return IronMeasurement(
        provenance=provenance(bench.rig),
        read_at=at,
        tones=tuple(sorted((tone for tone, _ in readings), key=lambda tone: (tone.level_dbu, tone.frequency_hz))),
        cores=tuple(core for part in parts for _, cores in readings for core in cores if core.part == part),
    )


def _rising(
    bench: Bench, point: Point, levels_dbu: Sequence[float], frequency_hz: float, told: Progress
) -> list[tuple[IronTone, list[CoreReading]]]:
    iron = [e for e in bench.circuit.elements if KINDS[e.kind].magnetics is not None]
    run = bench.run([*point.nodes, *(e.unknowns["flux"] for e in iron)])
    period = whole_period(frequency_hz, bench.rate_hz)
    readings = []
    for number, level in enumerate(levels_dbu, start=1):
        try:
            block = settle(run, period.tone(level)).block
        except ConvergenceError as error:
            raise error.at(f"at {level:g} dBu, {frequency_hz:g} Hz") from None
        record = repeated(point.volts(block.nodes), LEAST_CYCLES * period.steps / period.cycles)
        found = harmonics(record, rate_hz=period.rate_hz, fundamental_hz=period.frequency_hz)
        tone = IronTone(
            frequency_hz=period.frequency_hz, level_dbu=level,
            read_dbu=rms_v_to_dbu(float(found.amplitude[0]) / np.sqrt(2.0)), thd_f=found.thd_f,
            harmonic=found.amplitude[1:] / found.amplitude[0],
        )  # fmt: skip
        cores = [
            CoreReading(
                part=e.name, frequency_hz=period.frequency_hz, level_dbu=level,
                winding=core_reading(e, block.nodes[e.unknowns["flux"]], period),
            )
            for e in iron
        ]  # fmt: skip
        readings.append((tone, cores))
        told(number / len(levels_dbu))
    return readings


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
