"""What the engine solves: a list of elements between named nodes. It knows neither stages nor compressors."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from fetsim.devices.kinds import KINDS
from fetsim.engine.signals import Signal

GROUND = "0"
PROGRAM = "program"
"""Name of the input that every circuit has: the sound that goes through it."""

Level = TypeVar("Level")


@dataclass(frozen=True)
class Element:
    """One element: a kind of ``devices.kinds``, wired to nodes, with its values in SI units."""

    kind: str
    name: str
    nodes: tuple[str, ...]
    """One node a terminal, in the order of the kind's terminals; ``"0"`` is ground."""
    values: Mapping[str, float]
    input: str = PROGRAM
    """Name of the input that drives it, if one does."""
    temperature_c: float | None = None
    """Where it is not that of the whole circuit; its values belong to it already."""

    @property
    def designator(self) -> str:
        """The part that it belongs to: its name up to the first point."""
        return self.name.partition(".")[0]

    @property
    def unknowns(self) -> dict[str, str]:
        """Terminal (wired and inner) -> name of its unknown; inner ones are ``designator.terminal``."""
        kind = KINDS[self.kind]
        names = dict(zip(kind.terminals, self.nodes, strict=True))
        names.update({inner: f"{self.name}.{inner}" for inner in kind.inner})
        return names

    def driven_by(self, name: str) -> "Element":
        """The same element at another input."""
        return replace(self, input=name)

    def at(self, levels: Mapping[str, Level]) -> dict[str, Level]:
        """Terminal (wired and inner) -> its level, out of the levels of a circuit's unknowns, ground included."""
        return {terminal: levels[name] for terminal, name in self.unknowns.items()}


@dataclass(frozen=True)
class Circuit:
    """All elements of a unit at one setting. Same elements, nodes and inputs with other values: same topology."""

    elements: tuple[Element, ...]
    signals: Mapping[str, Signal] = field(default_factory=dict)
    """Input -> what the engine itself makes of it; the others are fed from outside."""
    normalled: Mapping[str, float] = field(default_factory=dict)
    """Input -> how many times the program's voltage it gets while nothing is fed to it; others are silent then."""

    @property
    def topology(self) -> tuple[tuple[str, str, tuple[str, ...], str], ...]:
        """What a generated solver depends on: kinds, names, nodes and inputs, no values."""
        return tuple((e.kind, e.name, e.nodes, e.input) for e in self.elements)

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of all inputs, the program's first."""
        return tuple(dict.fromkeys((PROGRAM, *(e.input for e in self.elements))))

    def element(self, name: str) -> Element:
        """The element of that name; KeyError if there is none."""
        for candidate in self.elements:
            if candidate.name == name:
                return candidate
        raise KeyError(name)


def element(kind: str, name: str, nodes: tuple[str, ...] | list[str], **values: float) -> Element:
    """Make an element and check it against its kind (ValueError when terminals or values do not fit)."""
    wanted = KINDS[kind]
    if len(nodes) != len(wanted.terminals):
        raise ValueError(f"{name}: a {kind} has terminals {', '.join(wanted.terminals)}")
    if set(values) != set(wanted.values):
        raise ValueError(f"{name}: a {kind} has values {', '.join(wanted.values)}")
    return Element(kind, name, tuple(nodes), {k: float(values[k]) for k in wanted.values})
