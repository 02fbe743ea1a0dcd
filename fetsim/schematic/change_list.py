"""The work that makes one unit into another, as a list for the bench: out, in, exchanged, wired anew, set."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from fetsim.schematic.unit import Part, Unit
from fetsim.schematic.wording import RATINGS, amount, kind_text, law_text, nodes_text, value_text

NO_WORK = ("nodes", "about", "source")
"""Of a part's settings, those that are no exchange: wiring has steps of its own."""

Work = Literal["take out", "put in", "exchange", "wire anew", "join", "part", "set"]


@dataclass(frozen=True, kw_only=True)
class Step:
    """One piece of work on a unit."""

    do: Work
    name: str
    """A designator, one with its terminal as ``J1 source``, two nodes, a control or a switch bank."""
    before: str
    """What is there: a value, a node, a position; empty for a part that is put in."""
    after: str
    """What shall be there; empty for a part that is taken out."""
    where: str
    """Nodes and stage of a part; empty for what is set."""


def change_list(before: Unit, after: Unit) -> tuple[Step, ...]:
    """The steps from ``before`` to ``after``, parts first to go and then to come; empty when nothing is to do.

    What a part is for and where its value comes from are no work.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> [(step.do, step.name, step.after) for step in fetsim.change_list(unit, unit.changed(C2="220n"))]
    [('exchange', 'C2', '220 nF')]
    """
    kept = [name for name, part in before.parts.items() if _same_kind(part, after.parts.get(name))]
    steps = [
        Step(do="take out", name=name, before=_described(before, part), after="", where=_where(part))
        for name, part in before.parts.items() if name not in kept
    ]  # fmt: skip
    steps += [
        Step(do="put in", name=name, before="", after=_described(after, part), where=_where(part))
        for name, part in after.parts.items() if name not in kept
    ]  # fmt: skip
    changes: dict[str, list[tuple[str, str, str]]] = {}
    for setting, was, now in before.differences(after):
        name, _, key = setting.partition(".")
        changes.setdefault(name, []).append(("" if key == "device" else key, was, now))
    for name in kept:
        old, new = before.parts[name], after.parts[name]
        steps += _exchanged(old, changes.get(name, ()))
        steps += [
            Step(do="wire anew", name=f"{name} {terminal}", before=node, after=new.nodes[terminal], where=new.stage)
            for terminal, node in old.nodes.items() if new.nodes[terminal] != node
        ]  # fmt: skip
    wires: tuple[tuple[Work, Unit, Unit], ...] = (("part", before, after), ("join", after, before))
    steps += [
        Step(do=work, name=" ".join(ends), before="", after="", where="a wire from one to the other")
        for work, one, other in wires for ends in one.joined if ends not in other.joined
    ]  # fmt: skip
    steps += [
        Step(do=work, name=" ".join(ends[:2]), before="", after="", where=f"a bridge of {amount(ends[2], 'ohm')}")
        for work, one, other in wires for name, ends in one.bridges.items() if other.bridges.get(name) != ends
    ]  # fmt: skip
    settings = [_settings(one) for one in (before, after)]
    steps += [
        Step(do="set", name=name, before=settings[0].get(name, ""), after=setting, where="")
        for name, setting in settings[1].items() if settings[0].get(name) != setting
    ]  # fmt: skip
    return tuple(steps)


def _same_kind(part: Part, other: Part | None) -> bool:
    """Whether both fit the same holes: of one kind, with the same terminals."""
    return other is not None and part.kind == other.kind and part.nodes.keys() == other.nodes.keys()


def _exchanged(old: Part, changes: Sequence[tuple[str, str, str]]) -> list[Step]:
    """A part of other values, device, tolerance or ratings; only what differs is said."""
    told = [change for change in changes if change[0] not in NO_WORK]
    if not told:
        return []
    was, now = (", ".join(f"{words[0]} {words[k]}".strip() for words in told) for k in (1, 2))
    return [Step(do="exchange", name=old.designator, before=was, after=now, where=_where(old))]


def _described(unit: Unit, part: Part) -> str:
    """Kind, values, tolerance and ratings of a part."""
    values = "" if part.bank is not None else value_text(unit, part)
    track = law_text(part)
    tolerance = "" if part.tolerance is None else str(part.tolerance)
    ratings = [amount(limit, RATINGS[key]) for key, limit in part.ratings.items()]
    return ", ".join(filter(None, (kind_text(part.kind, part.device), values, track, tolerance, *ratings)))


def _where(part: Part) -> str:
    return f"{nodes_text(part)} ({part.stage})"


def _settings(unit: Unit) -> dict[str, str]:
    """What is set without iron: controls, switch banks, selectors."""
    return {
        **{name: unit.standing(name) for name in unit.controls},
        **{name: bank.state for name, bank in unit.banks.items()},
    }
