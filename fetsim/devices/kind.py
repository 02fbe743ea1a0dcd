"""What there is to know of a kind of part: its equations for the solver, and hooks for everything else.

A linear stamp writes into three matrices of  C dx/dt + G x + (nonlinear currents) = b + b_u u :
``stamp.g(row, column, siemens)``, ``stamp.c(row, column, farad)``, ``stamp.b(row, amperes, amperes_per_input)``.
Rows of wired terminals are Kirchhoff's current law (currents leaving the node into the part), rows of inner terminals
are the part's own equation.

The hooks take the element's values and the volts of its terminals against ground, so that no other room need know one
kind from another. What an element is, a hook may compute; what a unit means by it is told by the rooms above.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from fetsim.devices.law import Law, Number, Values, Volts
from fetsim.devices.noise import Noise, NoiseLaw, Noiseless
from fetsim.devices.sheet import Sheet


class Stamp(Protocol):
    """Where a kind of part writes its linear terms; rows and columns are terminal names."""

    def g(self, row: str, column: str, value: float) -> None: ...
    def c(self, row: str, column: str, value: float) -> None: ...
    def b(self, row: str, constant: float, per_input: float) -> None: ...


@dataclass(frozen=True)
class Way:
    """One way of direct current through a part, counted from ``start`` to ``end`` (terminals)."""

    label: str
    """Which winding or terminal; empty where there is only one way."""
    start: str
    end: str
    current_a: Number
    emf_v: Number = 0.0
    """Of a source inside the way."""


class Channel(Protocol):
    """The channel of a FET, its gate junctions left out; voltages as of an n-channel type."""

    @property
    def pinch_off_v(self) -> float: ...

    @property
    def on_ohm(self) -> float:
        """Resistance with the gate at source potential and little voltage across the channel."""

    @property
    def decade_v(self) -> float:
        """Of gate voltage, beyond pinch-off, that makes a tenth of the current."""

    @property
    def law(self) -> Callable[..., Number]:
        """What ``chord_s`` works out from the three voltages and ``parameters``, fit to be compiled."""

    @property
    def parameters(self) -> tuple[float, ...]: ...

    def chord_s(self, v_gs: Number, v_gd: Number, v_ds: Number) -> Number:
        """Chord conductance i / v_ds [S]; at v_ds = 0 the slope. The three voltages belong to one state."""

    def small_signal_s(self, v_gs: Number) -> Number:
        """Conductance without drain voltage [S]."""

    def noise_s(self, v_gs: Number, v_gd: Number) -> Number:
        """The conductance whose thermal noise is that of the channel [S]."""


@dataclass(frozen=True, kw_only=True)
class AtRest:
    """How a part stands at a state without signal."""

    state: str = ""
    """In words: ``active``, ``pinched off``, ``blocks`` ...; a terminal in braces stands for its node."""
    doubt: str = ""
    """Why the law is not to be believed there, as the end of a sentence about the part; empty where it is."""
    passes: bool = True
    """A small signal goes through it; not where its output stands at a rail or at its largest current."""
    stored_energy_j: float = 0.0
    channel_resistance_ohm: float | None = None
    """Slope of drain voltage over drain current; infinite where it is beyond measure."""
    above_pinch_off_v: float | None = None
    """Gate to the nearer end of the channel, less the pinch-off voltage; negative: pinched off."""
    core_flux_share: float | None = None
    """Core flux over the saturation flux."""


@dataclass(frozen=True, kw_only=True)
class Stress:
    """What a part has to stand at a state, to be set against its ratings."""

    volt: float
    ampere: float
    watt: float


@dataclass(frozen=True, kw_only=True)
class Magnetics:
    """A core whose flux is the unknown ``flux`` and whose magnetising current is the law's first."""

    turns: float
    """Of the winding that its figures belong to, over those that flux and current are counted in."""
    eddy_s: float = 0.0
    """Across that winding."""


@dataclass(frozen=True, kw_only=True)
class Roles:
    """What terminals do, in the language of a schematic's reader; nothing is calculated from it."""

    drives: tuple[str, ...] = ()
    """Terminals that a signal comes out of."""
    listens: tuple[str, ...] = ()
    """Terminals that follow a signal without loading it much, and get no level of their own from the part."""
    rectifies: tuple[str, str] | None = None
    """The two terminals between which it rectifies, the way forward current takes."""
    passes_direct: bool = False
    """A direct voltage goes through it to the next part."""
    passes_signal: bool = False
    """A signal goes through it without loss worth telling."""
    symbols: tuple[tuple[str, str], ...] = ()
    """For each of a transistor's ways, the symbols of its voltage and of its current."""


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of part."""

    terminals: tuple[str, ...]
    """Those that are wired. The first one is where a current probe sits: it reads the current into it."""
    typical: Values
    """Every value of such an element, by name, as an ordinary part has it: what the tests over all kinds put in."""
    noise: Callable[[Values, Volts, float], list[Noise]] | NoiseLaw | Noiseless
    """Its noise sources: (values, volts, temperature in kelvin) -> sources that do not move with the signal (a render
    asks once, at rest), or of a kind with a law, sources that do; or why it has none. Never left out."""
    linear: Callable[[Stamp, Values], None] = field(default=lambda stamp, values: None)
    law: Law | None = None
    coupled: tuple[str, ...] = ()
    """Terminals that lie on unknowns inside another part, which the whole unit wires and no user."""
    inner: tuple[str, ...] = ()
    """Unknowns of its own that are not wired: a transformer's flux, an inductor's current."""
    slow: tuple[str, ...] = ()
    """Inner unknowns that take their time and act on little: no steady state waits for them."""
    conducts: tuple[tuple[str, str], ...] = ()
    """Pairs of terminals between which direct current can flow; used to find floating nodes."""
    ways: Callable[[Values, Volts], list[Way]] | None = None
    """Its ways of direct current, from voltages alone; left out, the law's currents from each terminal to the last."""
    at_rest: Callable[[Values, Volts], AtRest] = field(default=lambda values, volts: AtRest())
    stress: Callable[[Stress, list[Way], Volts], Stress] = field(default=lambda usual, ways, volts: usual)
    """Where a rating means something else than the usual: largest volts and amperes of all ways, and their heat."""
    channel: Callable[[Values], Channel] | None = None
    """Of a FET: its channel, as a gain cell, the log and explanations ask it."""
    magnetics: Callable[[Values], Magnetics] | None = None
    """Of a part on a core."""
    roles: Roles = field(default=Roles())
    starts: str = ""
    """Of a part with memory: how it is when nothing has happened to it, in a word."""
    polarity: str = ""
    """As a sheet names it, of a kind that comes in two."""
    sheet: Sheet | None = None
    """How a device sheet becomes values, for parts that have one."""

    @property
    def values(self) -> tuple[str, ...]:
        """Names of its values."""
        return tuple(self.typical)

    @property
    def mirrored(self) -> bool:
        """Whether every port and current is reversed against the law's own direction (pnp, p-channel)."""
        return self.polarity in ("pnp", "p")

    def noise_at(self, values: Values, volts: Volts, temperature_k: float) -> list[Noise]:
        """Its noise sources at a state."""
        noise, law = self.noise, self.law
        if isinstance(noise, Noiseless):
            return []
        if not isinstance(noise, NoiseLaw):
            return noise(values, volts, temperature_k)
        assert law is not None, "noise that moves is a function of what a law goes by"
        bound, ports = law.bound(values), law.port_voltages(volts)
        parameters = (*bound.parameters, *noise.parameters(values, temperature_k))
        densities = noise.function(*ports, *bound.exponentials(ports), *parameters)
        return [
            Noise(one.cause, one.start, one.end, density, one.pink)
            for one, density in zip(noise.sources, densities, strict=True)
        ]

    def ways_at(self, values: Values, volts: Volts) -> list[Way]:
        """Its ways of direct current at a state: a capacitor carries nothing, a winding is its resistance."""
        if self.ways is not None:
            return self.ways(values, volts)
        assert self.law is not None, "a kind without a law says what its ways are"
        into = dict.fromkeys(self.terminals, 0.0)
        for (start, end), flow in zip(self.law.flows, self.law.evaluate(values, volts), strict=True):
            if start is not None:
                into[start] += flow.current
            if end is not None:
                into[end] -= flow.current
        *first, last = self.terminals
        return [Way(one if len(first) > 1 else "", one, last, into[one]) for one in first]

    def stress_at(self, ways: list[Way], volts: Volts) -> Stress:
        """What it has to stand at a state, its ways being these."""
        across = [volts[way.start] - volts[way.end] for way in ways]
        usual = Stress(
            volt=max(abs(volt) for volt in across),
            ampere=max(abs(way.current_a) for way in ways),
            watt=sum((volt - way.emf_v) * way.current_a for volt, way in zip(across, ways, strict=True)),
        )
        return self.stress(usual, ways, volts)


def conductance(stamp: Stamp, a: str, b: str, siemens: float) -> None:
    """Stamp a conductance between two terminals."""
    stamp.g(a, a, siemens)
    stamp.g(b, b, siemens)
    stamp.g(a, b, -siemens)
    stamp.g(b, a, -siemens)


def capacitance(stamp: Stamp, a: str, b: str, farad: float) -> None:
    """Stamp a capacitance between two terminals."""
    stamp.c(a, a, farad)
    stamp.c(b, b, farad)
    stamp.c(a, b, -farad)
    stamp.c(b, a, -farad)


def ohmic(volts: Volts, label: str, start: str, end: str, ohm: float, emf_v: Number = 0.0) -> Way:
    """A way of Ohm's law, with a source inside."""
    return Way(label, start, end, (volts[start] - volts[end] - emf_v) / ohm, emf_v)


def solved(volts: Volts, label: str, start: str, end: str, current_a: Number, ohm: float) -> Way:
    """A way whose current is an unknown of its own: what is not its resistance's is a source inside."""
    return Way(label, start, end, current_a, volts[start] - volts[end] - ohm * current_a)


def turned(mirrored: bool, *pairs: tuple[str, str]) -> tuple[tuple[str, str], ...]:
    """Ports or flows of a law, each the other way round for a mirrored kind."""
    return tuple((b, a) if mirrored else (a, b) for a, b in pairs)
