"""What can only be seen in the whole unit: names that lead nowhere, missing ports, nodes that float."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from fetsim.devices.kinds import CHANNEL_PARTS
from fetsim.engine.circuit import GROUND, PROGRAM
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.eseries import PREFERRED
from fetsim.schematic.fields import suggestion
from fetsim.schematic.model import GainCell, Part, UnitData, channel_of
from fetsim.schematic.settings import number_named
from fetsim.schematic.wiring import direct_current

RESERVED = ("name", "about", "temperature_c", "full_scale_dbu", "load", "none", "all")

Mistake = tuple[str, str, str]
"""Where (designator, control, ...), key, sentence."""


def check_unit(unit: UnitData, broken: Sequence[Part]) -> Iterator[Mistake]:
    """Every mistake between the parts; ``broken`` are sketches of parts that could not be read."""
    sound = [part for stage in unit.stages for part in stage.parts]
    yield from _names(unit, [*sound, *broken])
    yield from _references(unit, [*sound, *broken])
    yield from _gain_cells(unit, [*sound, *broken])
    yield from _joins(unit, [*sound, *broken])
    yield from _matched(unit, [*sound, *broken])
    yield from _alignment(unit, [part.designator for part in broken])
    yield from _ports(unit, sound, broken)
    yield from _dangling(sound, broken)
    yield from _floating(unit, sound, broken)


def connections(unit: UnitData) -> tuple[object, ...]:
    """Everything that ``check_unit`` looks at: units that agree in it have the same mistakes, or none."""
    parts = [
        (part.kind, part.nodes, part.control, part.bank, part.transformer, part.input,
         part.device and part.device.polarity)
        for part in unit.parts.values()
    ]  # fmt: skip
    stages = [(stage.name, stage.output_node, [part.designator for part in stage.parts]) for stage in unit.stages]
    named = (list(unit.controls), list(unit.banks), unit.probes, unit.rails, unit.matched, unit.alignment)
    return parts, stages, *named, unit.gain_cell, unit.channels, unit.joined, tuple(unit.bridges)


def _names(unit: UnitData, parts: Sequence[Part]) -> Iterator[Mistake]:
    things = [(part.designator, f"a part in stage {part.stage}") for part in parts]
    things += [(name, "a control") for name in unit.controls]
    things += [(name, "a switch bank") for name, bank in unit.banks.items() if not bank.exclusive]
    things += [(name, "a step of the alignment") for name in unit.alignment]
    by_name: dict[str, list[str]] = {}
    for name, what in things:
        by_name.setdefault(name, []).append(what)
    for name, owners in by_name.items():
        if name in RESERVED:
            yield name, "", f"is a reserved word; reserved: {', '.join(RESERVED)}"
        if len(owners) > 1:
            yield name, "", f"one name for {len(owners)} things ({', '.join(owners)}); each needs its own"


def _references(unit: UnitData, parts: Sequence[Part]) -> Iterator[Mistake]:
    for part in parts:
        if part.control is not None and part.control not in unit.controls:
            yield part.designator, "control", _unknown("control", part.control, unit.controls)
        if part.bank is not None and part.bank not in unit.banks:
            yield part.designator, "bank", _unknown("switch bank", part.bank, unit.banks)
    transformers = _transformers(parts)
    for part in parts:
        if part.transformer is not None and part.transformer not in transformers:
            yield part.designator, "transformer", _unknown("transformer", part.transformer, transformers)
    used = {part.control for part in parts}
    for name in unit.controls:
        if name not in used:
            yield name, "", "no part uses this control"
    belonging = {part.bank for part in parts}
    for name in unit.banks:
        if name not in belonging:
            yield name, "", "no switch belongs to this bank"
    nodes = _nodes(parts)
    for name, node in unit.probes.items():
        if node not in nodes:
            yield "probes", name, _unknown("node", node, nodes)
    for node in unit.rails:
        if node not in nodes:
            yield "rails", "", _unknown("node", node, nodes)
        if unit.rails[node] == 0.0:
            yield "rails", node, "is meant to stand at 0 V; give what it is to come up to"
    for stage in unit.stages:
        if stage.output_node is not None and stage.output_node not in nodes:
            yield f"stages.{stage.name}", "output_node", _unknown("node", stage.output_node, nodes)


def _gain_cells(unit: UnitData, parts: Sequence[Part]) -> Iterator[Mistake]:
    if not unit.channels:
        yield from _gain_cell("gain_cell", unit.gain_cell, parts)
        return
    if "gain_cell" in unit.document:
        yield "", "gain_cell", "each channel has its own, as [channels.left.gain_cell]"
    for channel, cell in unit.channels.items():
        yield from _gain_cell(f"channels.{channel}.gain_cell", cell, parts)


def _gain_cell(where: str, cell: GainCell | None, parts: Sequence[Part]) -> Iterator[Mistake]:
    if cell is None:
        return
    fets, nodes = [part.designator for part in parts if part.kind in CHANNEL_PARTS], _nodes(parts)
    if cell.fet not in fets:
        yield where, "fet", _unknown("JFET", cell.fet, fets)
    named = [("control_node", cell.control_node), *(("rectifier_nodes", node) for node in cell.rectifier_nodes)]
    for key, node in [*named, ("tap_node", cell.tap_node)]:
        if node is not None and node not in nodes:
            yield where, key, _unknown("node", node, nodes)


def _matched(unit: UnitData, parts: Sequence[Part]) -> Iterator[Mistake]:
    kinds = {part.designator: part.kind for part in parts}
    owners: dict[str, str] = {}
    for name, group in unit.matched.items():
        where = f"matched.{name}"
        for part in group.parts:
            if part not in kinds:
                yield where, "parts", _unknown("part", part, kinds)
            elif part in owners:
                yield where, "parts", f"{part} is in {owners[part]} already; a part is in one group at the most"
            owners[part] = where
        found = sorted({kinds[part] for part in group.parts if kinds.get(part)})
        if len(found) > 1:
            yield where, "parts", f"are of several kinds ({', '.join(found)}); only parts of one kind can match"


def _alignment(unit: UnitData, broken: Sequence[str]) -> Iterator[Mistake]:
    """Names in the steps that lead nowhere."""
    for step in unit.alignment.values():
        reading, (owner, _, key) = READINGS[step.read], step.set.partition(".")
        if owner not in (*unit.controls, *unit.parts, *broken):
            yield step.name, "set", _unknown("control or part", owner, (*unit.controls, *unit.parts))
        elif owner not in broken and number_named(unit, step.set) is None:
            yield step.name, "set", f"{owner} has no number {key!r} that could be set" if key else (
                f"say which value of {owner}; it has no main value that is a number"
            )
        if step.series is not None and owner not in broken:
            found = number_named(unit, step.set)
            if step.set in unit.controls:
                yield step.name, "series", f"goes with a part; {step.set} is a control"
            elif found is not None and found.quantity not in PREFERRED:
                what = "resistors, capacitors and coils come in preferred values"
                yield step.name, "series", f"{what}, {step.set} does not; leave it out"
        for place in step.at if not broken else ():
            if reading.at == "part" and place not in unit.parts:
                yield step.name, "at", _unknown("part", place, unit.parts)
            elif reading.kinds and unit.parts[place].kind not in reading.kinds:
                yield step.name, "at", f"{place} is a {unit.parts[place].kind}; {step.read} is read at a meter"
            if reading.at == "points" and place not in (*unit.nodes, GROUND):
                yield step.name, "at", _unknown("node", place, unit.nodes)
        for name, value in step.settings.items() if not broken else ():
            yield from ((step.name, "settings", wrong) for wrong in _standing(unit, step.set, name, value))
        if unit.gain_cell is None and (reading.of_cell or step.reduction_db is not None):
            yield step.name, "read" if reading.of_cell else "reduction_db", "needs a [gain_cell]; the unit has none"


def _standing(unit: UnitData, sets: str, name: str, value: str) -> Iterator[str]:
    """What is wrong with how a control or the switches of a bank are to stand."""
    found = [one for one in (name, *(f"{channel}_{name}" for channel in unit.channels))
             if one in unit.controls or one in unit.banks]  # fmt: skip
    if not found:
        yield _unknown("control or switch bank", name, (*unit.controls, *unit.banks))
    if sets in found:
        yield f"{sets} is what the step sets; it cannot stand still meanwhile"
    for one in found[:1]:
        if one in unit.banks:
            choices = unit.banks[one].switches
            ways = choices if unit.banks[one].exclusive else (*choices, "all", "none")
            front = f"{channel_of(one)}_" if name != one else ""
            closed = [value] if unit.banks[one].exclusive else [word.strip() for word in value.split("+")]
            yield from (f"{name} has no {word[:40]!r}; choices: {', '.join(ways)}" for word in closed
                        if word not in ways and f"{front}{word}" not in ways)  # fmt: skip
        elif not (_is_turn(value) or unit.stepped(one)):
            yield f"{name}={value[:40]}: a control stands at 0 to 1"


def _is_turn(value: str) -> bool:
    try:
        return 0.0 <= float(value) <= 1.0
    except ValueError:
        return False


def _joins(unit: UnitData, parts: Sequence[Part]) -> Iterator[Mistake]:
    nodes = _nodes(parts)
    if unit.joined and not unit.channels:
        yield "", "joined", "joins two channels, and this unit has one; a pair has both"
        return
    for ends in unit.joined:
        strangers = [node for node in ends if node not in nodes]
        for node in dict.fromkeys(strangers):
            yield "joined", " and ".join(ends), _unknown("node", node, nodes)
        homes = [channel_of(node) for node in ends]
        if not strangers and set(homes) != set(unit.channels):
            same = len(set(homes)) == 1 and homes[0]
            wrong = f"both nodes are of the {homes[0]} channel" if same else "not both are of a channel"
            yield "joined", " and ".join(ends), f"{wrong}; a join has one node of each, as left_ctl and right_ctl"


def _ports(unit: UnitData, sound: Sequence[Part], broken: Sequence[Part]) -> Iterator[Mistake]:
    unread = any(part.kind == "" for part in broken)
    for channel in unit.channels or ("",):
        bearer = f"the {channel} channel" if channel else "a unit"
        parts = [p for p in (*sound, *broken) if not channel or channel_of(p.designator) == channel]
        for kind in ("input", "output"):
            found = [part.designator for part in parts if part.kind == kind and part.input == PROGRAM]
            if len(found) > 1:
                others = '; others have a name, as input = "key"' if kind == "input" else ""
                this = f"it has {len(found)}" if channel else f"this one has {len(found)}"
                yield ", ".join(found), "kind", f"{bearer} has exactly one {kind}, {this}{others}"
            if not found and not unread:
                what = f"{kind!r} for the program" if kind == "input" and _named(sound) else f"{kind!r}"
                yield "", "stages", f"no part of kind {what}; {bearer} has exactly one"
    for part in sound:
        if unit.channels and part.kind == "input" and (part.input in unit.channels or not _has_home(part)):
            yield part.designator, "input", _stray(part)


def _has_home(part: Part) -> bool:
    return part.input != PROGRAM or channel_of(part.designator) != ""


def _stray(part: Part) -> str:
    if part.input != PROGRAM:
        return f"{part.input!r} is the sound of that channel; give it another name"
    return "an input of the program belongs to a channel, as left_IN does"


def _named(parts: Sequence[Part]) -> bool:
    return any(part.input != PROGRAM for part in parts)


def _dangling(sound: Sequence[Part], broken: Sequence[Part]) -> Iterator[Mistake]:
    users = _users((*sound, *broken))
    excused = {GROUND, *_nodes(broken)}
    for node, names in users.items():
        if len(names) == 1 and node not in excused:
            hint = suggestion(node, users.keys() - {node})
            yield names[0], "nodes", f"node {node!r} is on this one terminal only{hint}"


def _floating(unit: UnitData, sound: Sequence[Part], broken: Sequence[Part]) -> Iterator[Mistake]:
    """Nodes that no direct current can reach; one line for each island that hangs together."""
    ways: dict[str, set[str]] = {}
    unjudged, transformers = list(broken), _transformers(sound)
    for part in sound:
        lost = part.transformer not in (None, *transformers)
        if lost or part.control not in (None, *unit.controls) or part.bank not in (None, *unit.banks):
            unjudged.append(part)
            continue
        for start, end in direct_current(unit, part):
            ways.setdefault(start, set()).add(end)
    grounded = _reach({GROUND, *_nodes(unjudged)}, ways)
    users = _users(sound)
    told: set[str] = set()
    for node in users:
        if node in grounded or node in told or len(users[node]) == 1:
            continue
        island = _reach({node}, ways) - grounded
        told |= island
        also = sorted(island - {node})
        names = f"node {node!r}" + (f" (and {', '.join(also)})" if also else "")
        at = ", ".join(dict.fromkeys(users[node]))
        yield at, "nodes", f"{names} has no path to ground (node '0') for direct current; add a resistor"


def _reach(start: set[str], ways: Mapping[str, set[str]]) -> set[str]:
    reached, front = set(start), list(start)
    while front:
        new = ways.get(front.pop(), set()) - reached
        reached |= new
        front.extend(new)
    return reached


def _users(parts: Iterable[Part]) -> dict[str, list[str]]:
    """Node -> designator of every terminal on it."""
    users: dict[str, list[str]] = {}
    for part in parts:
        for node in part.nodes.values():
            users.setdefault(node, []).append(part.designator)
    return users


def _nodes(parts: Iterable[Part]) -> set[str]:
    return {node for part in parts for node in part.nodes.values()}


def _transformers(parts: Iterable[Part]) -> list[str]:
    return [part.designator for part in parts if part.kind == "transformer"]


def _unknown(what: str, word: str, choices: Iterable[str]) -> str:
    names = sorted(choices)
    return f"no {what} named {word[:40]!r}{suggestion(word, names)}; choices: {', '.join(names) or 'none'}"
