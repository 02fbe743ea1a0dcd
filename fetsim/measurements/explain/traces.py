"""What a burst does at each point of the loop: traces at full rate up to its end, cycle by cycle after it."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array


@dataclass(frozen=True)
class Trace:
    """One quantity. ``now`` [shape=(n,)] is sampled at the internal rate; ``low``, ``mean`` and ``high``
    [shape=(cycles,)] say what it did in each cycle after the burst."""

    now: Array
    low: Array
    mean: Array
    high: Array


@dataclass(frozen=True)
class BurstTraces:
    """All traces of one burst, over the same instants; volts against ground, or across the output."""

    rate_hz: float
    frequency_hz: float
    phase_rad: float
    """Of the tone where the burst begins and, whole cycles later, where it ends."""
    lead: int
    """Samples of ``now`` that lie before the burst; the last of them is its beginning."""
    window: int
    """Samples of a whole period of the tone, over which means are taken."""
    source: Trace
    tap: Trace
    rectifier: dict[str, Trace]
    """Name of the point -> its trace."""
    control: Trace
    gate_source: Trace
    conductance: Trace
    """Of the FET's channel, chord I_D / V_DS [S]; while it is pinched off, that of its tail."""
    reduction: Trace
    """Gain reduction [dB], from that conductance."""
    output: Trace
    nodes: dict[str, Trace] = field(default_factory=dict)
    """Of a record with all that moves: node between stages -> its trace,"""
    currents: dict[str, Trace] = field(default_factory=dict)
    """and diode or transistor -> direct current into its first terminal, what its capacitances take left out [A]."""

    @property
    def time_s(self) -> Array:
        """Instants of ``now`` from the beginning of the burst [shape=(n,)]."""
        return np.asarray((np.arange(self.source.now.size) - self.lead + 1) / self.rate_hz)

    @property
    def burst_s(self) -> float:
        """Length of the burst."""
        return (self.source.now.size - self.lead) / self.rate_hz

    @property
    def after_s(self) -> Array:
        """Middles of the cycles after the burst, from its end [shape=(cycles,)]."""
        return np.asarray((np.arange(self.source.mean.size) + 0.5) / self.frequency_hz)

    def before(self, trace: Trace) -> Array:
        """The last whole period before the burst [shape=(window,)]."""
        return trace.now[self.lead - self.window : self.lead]

    def burst(self, trace: Trace) -> Array:
        """The burst alone."""
        return trace.now[self.lead :]

    def settled(self, trace: Trace) -> Array:
        """The last whole period of the burst [shape=(window,)]."""
        return trace.now[-self.window :]


def cycle_starts(samples: int, rate_hz: float, frequency_hz: float) -> NDArray[np.intp]:
    """First sample of every whole cycle among so many samples that begin with one."""
    cycles = int(samples * frequency_hz / rate_hz + 1e-6)
    return np.round(np.arange(cycles) * rate_hz / frequency_hz).astype(np.intp)
