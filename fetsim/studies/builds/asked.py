"""Figures of a build by name, so that nobody pays for one that is not wanted.

A name is that of a kind, with a level in dBu or a node behind an @ where it takes one: ``threshold``, ``reduction@4``,
``volts@ctl``, ``signal@ctl@4`` with both.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import isfinite

from fetsim.errors import InputError
from fetsim.measurements.curve.analysis import IEC_THRESHOLD_DB, LOW_THRESHOLD_DB
from fetsim.measurements.noise.procedure import HIGH_HZ, LOW_HZ
from fetsim.measurements.results.formats import Format, amount, fixed, hertz, percent, ratio, seconds
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import find_point
from fetsim.rig.request import check_level
from fetsim.schematic.fields import suggestion
from fetsim.schematic.unit import Unit

STEP_DB = 1.0
"""Distance of the two levels between which a local ratio is taken."""
SUPPLIES = ("supply",)
DEFAULT_FIGURES = ("loss", "gain", "threshold", "threshold_2db", "attack", "release")


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One figure, or with ``takes`` a kind of them."""

    key: str
    """Name as it is asked for,"""
    kind: str
    """without what stands behind the @."""
    heading: str
    unit: str
    """As it stands behind a number; empty where ``show`` writes it."""
    quantity: str
    """In which limits are written: a key of ``schematic.values.QUANTITIES``."""
    show: Format
    meaning: str
    group: str
    """Figures that are worked out together: ``rest``, ``small``, ``noise``, ``knee``, ``tone``, ``step``."""
    takes: tuple[str, ...] = ()
    """``level``, ``node`` or ``supply``, each behind an @ of its own."""
    level_dbu: float | None = None
    node: str | None = None
    supply: str | None = None
    """Designator."""

    @property
    def of(self) -> tuple[str, str | None, str | None, float | None]:
        """What it is and of what: the same for all names of one node or supply."""
        return self.kind, self.node, self.supply, self.level_dbu


def _kind(kind: str, group: str, heading: str, unit: str, quantity: str, show: Format, meaning: str, *takes: str
          ) -> Figure:  # fmt: skip
    return Figure(
        key=kind, kind=kind, group=group, heading=heading, unit=unit, quantity=quantity, show=show, meaning=meaning,
        takes=takes,
    )  # fmt: skip


NO_VOLTS = 1e-6
"""Less reads zero: no meter shows it."""
KHZ = f"{REFERENCE_HZ / 1e3:g} kHz"
KINDS = {
    one.kind: one
    for one in (
        _kind("volts", "rest", "volts at rest", "", "volt", amount("volt", 4, NO_VOLTS), "of a node against ground",
              "node"),
        _kind("current", "rest", "current", "", "ampere", amount("ampere", 4), "out of a supply, at rest", "supply"),
        _kind("loss", "rest", "loss at rest", "dB", "decibel", fixed(2),
              "what the FET takes at rest, against the FET taken out"),
        _kind("gate", "rest", "gate at rest", "V", "volt", fixed(3, sign=True),
              "above pinch-off: positive conducts"),
        _kind("gain", "small", "gain at rest", "dB", "decibel", fixed(2, sign=True), f"of a small sine of {KHZ}"),
        _kind("low_corner", "small", "low corner", "", "hertz", hertz,
              f"where the gain at rest has fallen by 3 dB from that at {KHZ}, going down"),
        _kind("high_corner", "small", "high corner", "", "hertz", hertz,
              f"where the gain at rest has fallen by 3 dB from that at {KHZ}, going up"),
        _kind("noise", "noise", "noise", "dBu", "plain", fixed(1, sign=True),
              f"at the output, at rest, {LOW_HZ:g} Hz to {HIGH_HZ / 1e3:g} kHz, unweighted"),
        _kind("hum", "rest", "hum", "dBu", "plain", fixed(1, sign=True),
              f"at the output, at rest, of a unit with mains, {LOW_HZ:g} Hz to {HIGH_HZ / 1e3:g} kHz"),
        _kind("threshold", "knee", f"threshold, {LOW_THRESHOLD_DB:g} dB", "dBu", "plain", fixed(2, sign=True),
              f"source level of a steady tone whose fundamental is reduced by {LOW_THRESHOLD_DB:g} dB"),
        _kind("threshold_2db", "knee", f"threshold, {IEC_THRESHOLD_DB:g} dB", "dBu", "plain", fixed(2, sign=True),
              f"source level of a steady tone whose fundamental is reduced by {IEC_THRESHOLD_DB:g} dB"),
        _kind("reduction", "tone", "gain reduction", "dB", "decibel", fixed(2),
              "of the fundamental of a steady tone at the output", "level"),
        _kind("ratio", "tone", "local ratio", "", "plain", ratio,
              f"input over output in dB, from {STEP_DB / 2:g} dB below the level to as much above", "level"),
        _kind("thd", "tone", "THD", "", "share", percent, "harmonics over fundamental at the output", "level"),
        _kind("output", "tone", "output", "dBu", "plain", fixed(2, sign=True),
              "rms of a steady tone at the output, harmonics included", "level"),
        _kind("swing", "tone", "output", "V p-p", "volt", fixed(3),
              "from the lowest to the highest voltage of a steady tone at the output, as a scope shows it", "level"),
        _kind("control", "tone", "control voltage", "V", "volt", fixed(3, sign=True),
              "mean of the control voltage under a steady tone", "level"),
        _kind("needle", "tone", "needle", "dB", "decibel", fixed(1),
              "what the unit's own meter says under a steady tone", "level"),
        _kind("signal", "tone", "signal", "dBu", "plain", fixed(2, sign=True),
              "rms of a node under a steady tone, without its mean, as an AC meter that loads nothing shows it",
              "node", "level"),
        _kind("mean", "tone", "volts under a tone", "", "volt", amount("volt", 4),
              "mean of a node against ground under a steady tone", "node", "level"),
        _kind("attack", "step", "attack", "", "second", seconds, "time until 63 % of the fall of the gain in dB"),
        _kind("release", "step", "release", "", "second", seconds, "time until 63 % of the gain's recovery in dB"),
    )
}  # fmt: skip
EXAMPLES = {"level": "@4", "node": "@NODE", "supply": "@V1"}


def figure_named(text: str, unit: Unit) -> Figure:
    """The figure of that name. Raises InputError."""
    kind, *behind = (piece.strip() for piece in str(text).split("@"))
    found = KINDS.get(kind)
    if found is None:
        choices = ", ".join(name + _example(one) for name, one in KINDS.items())
        raise InputError(f"figure: none named {kind[:40]!r}{suggestion(kind, KINDS)}; choices: {choices}")
    if len(behind) != len(found.takes):
        if found.takes:
            told = " and a ".join(found.takes)
            raise InputError(f"figure: {kind} is one of a {told}; write it as {kind}{_example(found)}")
        raise InputError(f"figure: {kind} takes nothing behind an @")
    for what, place in zip(found.takes, behind, strict=True):
        found = _WHERE[what](found, place, unit)
    return found


def twice(first: Figure, second: Figure) -> str:
    """That one figure is given twice, by whatever names, as the end of a line."""
    return f"{second.key} is given twice{f', first as {first.key}' if first.key != second.key else ''}"


def _example(one: Figure) -> str:
    return "".join(EXAMPLES[what] for what in one.takes)


def _at_node(one: Figure, name: str, unit: Unit) -> Figure:
    point = find_point(unit, name)
    if len(point.nodes) != 1:
        raise InputError(f"figure: {name} lies between two nodes; name one of {', '.join(point.nodes)}")
    heading = one.heading.removesuffix(" at rest")
    return replace(one, key=f"{one.key}@{name}", node=point.nodes[0], heading=f"{heading} at {name}")


def _of_supply(one: Figure, name: str, unit: Unit) -> Figure:
    supplies = [part.designator for part in unit.parts.values() if part.kind in SUPPLIES]
    own = unit.own_name(name)
    if own not in supplies:
        choices = f"choices: {', '.join(supplies) or 'it has none'}"
        raise InputError(f"figure: no supply named {name[:40]!r}{suggestion(name, supplies)}; {choices}")
    return replace(one, key=f"{one.key}@{name}", supply=own, heading=f"{one.heading} of {name}")


def _at_level(one: Figure, text: str, unit: Unit) -> Figure:
    return at_level(one, _level(text))


_WHERE = {"node": _at_node, "supply": _of_supply, "level": _at_level}


def of_level(kind: str, level_dbu: float) -> Figure:
    """That of a kind which takes a level."""
    return at_level(KINDS[kind], level_dbu)


def at_level(one: Figure, level_dbu: float) -> Figure:
    """That of a kind which takes a level, its node told already."""
    return replace(
        one, key=f"{one.key}@{level_dbu:g}", level_dbu=level_dbu,
        heading=f"{one.heading} at {f'{level_dbu:+g}' if level_dbu else '0'} dBu",
    )


def figures_named(names: Iterable[str], unit: Unit) -> tuple[Figure, ...]:
    """All of them, each once. Raises InputError."""
    if isinstance(names, str):
        raise InputError("figures: give a list of names, not one text")
    return tuple({one.key: one for one in (figure_named(name, unit) for name in names)}.values())


def _level(text: str) -> float:
    try:
        level = float(text.removesuffix("dBu"))
    except ValueError:
        level = float("nan")
    if not isfinite(level):
        raise InputError(f"figure: {text[:40]!r} is no level in dBu; write one as reduction@4 or ratio@-10")
    check_level(level)
    return level
