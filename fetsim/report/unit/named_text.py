"""A node, a control, a switch bank or a step of the alignment of a unit as a page of plain text."""

from fetsim.engine.circuit import GROUND
from fetsim.report.look.columns import columns, facts, page, paragraph, section
from fetsim.report.unit.text import track_text
from fetsim.schematic.alignment import READINGS, step_settings
from fetsim.schematic.settings import Setting
from fetsim.schematic.unit import Unit
from fetsim.schematic.wording import arrow, kind_text, law_text, value_text


def node_page(unit: Unit, node: str, rest_v: float | None) -> str:
    """What is connected to a node, and its voltage at rest; None where the unit finds no rest.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> "R1" in fetsim.node_page(unit, "dr", 0.0)
    True
    """
    joined = [
        (part.designator, kind_text(part.kind, part.device), value_text(unit, part), terminal, part.stage)
        for part in unit.parts.values()
        for terminal, place in part.nodes.items()
        if place == node
    ]
    cell = unit.gain_cell
    pairs = [
        ("At rest", "" if rest_v is None else f"{rest_v:+.4g} V against ground"),
        ("Probes", ", ".join(name for name, place in unit.probes.items() if place == node)),
        ("Control voltage", "of the gain cell" if cell is not None and cell.control_node == node else ""),
    ]
    return page([
        f"Node {node}, {unit.name}\n{facts(pairs)}",
        section("Connected", columns(("part", "kind", "value", "terminal", "stage"), joined, rigid=(0,))),
        section("Listen to it", "" if node == GROUND else paragraph(
            f"fetsim render IN --probe {node} --probe-to {node}.wav records its voltage; fetsim measure response --at "
            f"{node} tells how the source arrives there."
        )),
    ])  # fmt: skip


def control_page(unit: Unit, before: Unit, name: str) -> str:
    """A knob or trimmer, and the tracks that it turns.

    >>> import fetsim
    >>> unit = fetsim.load_unit("dunlin")
    >>> "attack" in fetsim.control_page(unit, unit, "attack")
    True
    """
    control = unit.controls[name]
    pairs = [
        ("Position", arrow(f"{before.controls[name].position:g}", f"{control.position:g}") + ", 0 to 1 clockwise"),
        ("Role", "on the panel" if control.role == "panel" else "a trimmer inside"),
        ("About", control.about),
        ("Change", f"--change {name}={control.position:g}"),
    ]
    tracks = [
        (part.designator, value_text(unit, part), law_text(part), track_text(unit, before, part), part.stage)
        for part in unit.parts.values()
        if part.control == name
    ]
    return page([
        f"Control {name}, {unit.name}\n{facts(pairs)}",
        section("Tracks", columns(("part", "value", "law", "now", "stage"), tracks, rigid=(0,))),
    ])  # fmt: skip


def bank_page(unit: Unit, before: Unit, name: str) -> str:
    """A bank of switches, or what a selector may be set to.

    >>> import fetsim
    >>> unit = fetsim.load_unit("dunlin")
    >>> "S1" in fetsim.bank_page(unit, unit, "curve")
    True
    """
    bank, old = unit.banks[name], before.banks[name]
    if bank.exclusive:
        choices = [("Position", arrow(old.state, bank.state)), ("About", bank.about),
                   ("Change", f"--change {name}={bank.switches[-1]}; one of {', '.join(bank.switches)}")]  # fmt: skip
        return f"Selector {name}, {unit.name}\n{facts(choices)}"
    pairs = [
        ("Closed", arrow(old.state, bank.state)),
        ("About", bank.about),
        ("Change", f"--change {name}={'+'.join(bank.switches[:2])}, or all, or none"),
    ]
    rows = [
        (one, "closed" if one in bank.closed else "open", unit.parts[one].stage, unit.parts[one].about)
        for one in bank.switches
    ]
    return page([
        f"Switch bank {name}, {unit.name}\n{facts(pairs)}",
        section("Switches", columns(("switch", "now", "stage", "about"), rows, rigid=(0,))),
    ])  # fmt: skip


def step_page(unit: Unit, before: Unit, name: str) -> str:
    """A step of the alignment, every key of it, and how to take it.

    >>> import fetsim
    >>> unit = fetsim.load_unit("dunlin")
    >>> "idle_trim" in fetsim.step_page(unit, unit, "idle_bias")
    True
    """
    step = unit.alignment[name]
    was = {key: Setting(*told).shown() for key, told in step_settings(before.alignment.get(name, step)).items()}
    now = {key: Setting(*told).shown() for key, told in step_settings(step).items()}
    pairs = [(key, arrow(was.get(key, "none"), text)) for key, text in now.items()]
    pairs.append(("Change", f"--change '{name}.must_be={now['must_be'].replace(' ', '')}'"))
    return page([
        f"Step {name} of the alignment, {unit.name}\n{facts(pairs)}",
        section("What it reads", paragraph(f"{step.read}: {READINGS[step.read].meaning}.")),
        section("Take it", paragraph(f"fetsim trims --step {name} sets {step.set} by it.")),
    ])  # fmt: skip
