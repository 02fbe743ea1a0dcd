"""A unit as a page of plain text: stages, parts, controls, switches, probes, device sheets."""

from collections.abc import Iterable

from fetsim.measurements.results.care import inside
from fetsim.report.look.columns import blocks, columns, facts, indented, page, paragraph, section
from fetsim.report.unit.diagram import stage_diagram
from fetsim.report.unit.flow import stage_flow
from fetsim.report.unit.work import change_list_text
from fetsim.schematic.alignment_words import steps_in_words
from fetsim.schematic.change_list import change_list
from fetsim.schematic.fields import quantities
from fetsim.schematic.schema import SHEETS
from fetsim.schematic.stepped import step_at, step_text
from fetsim.schematic.unit import GainCell, Matched, Part, Stage, Unit
from fetsim.schematic.values import format_value
from fetsim.schematic.wording import (
    RATINGS,
    Changes,
    amount,
    arrow,
    changed_value,
    kind_text,
    law_text,
    limits_text,
    nodes_text,
    resistances,
    value_text,
)

DIAGRAM = 98  # characters: a page less its indent
STEPS = "fetsim trims sets them as the bench does, and tells how well each is defined."
HINT = "--part NAME shows everything about one part; --change NAME=VALUE shows the unit with that change."


def unit_page(unit: Unit, before: Unit) -> str:
    """The whole unit; what differs from ``before`` is marked with * and shows both values.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> print(fetsim.unit_page(unit, unit).splitlines()[0])
    Teaching loop
    """
    changes = {name: (old, new) for name, old, new in before.differences(unit)}
    listed = [(name, *both) for name, both in changes.items()]
    return page([
        _head(unit, before),
        section("Changes", columns(("name", "before", "after"), listed)),
        section(f"Work on {unit.base.name}", change_list_text(change_list(unit.base, unit))) if unit.base else "",
        section("Stages", indented(stage_diagram(unit, stage_flow(unit), DIAGRAM))),
        section("Parts by stage", blocks(_stage(unit, before, stage, changes) for stage in unit.stages)),
        section("Controls", blocks(_control(unit, before, name) for name in unit.controls)),
        section("Switches", blocks(_bank(unit, before, name) for name in unit.banks)),
        section("Matched parts", *(paragraph(_matched(name, one)) for name, one in unit.matched.items())),
        section("Alignment", _alignment(unit, changes)),
        section("Probes", _probes(unit)),
        section("Rails", _rails(unit)),
        section("Device sheets", sheets_text(unit.parts.values())),
        section("Cautions", *(paragraph(text) for text in inside(mains=True) if unit.mains)),
        paragraph(HINT),
    ])  # fmt: skip


def sheets_text(parts: Iterable[Part]) -> str:
    """The sheets that these parts use; a part with figures of its own has its sheet for itself."""
    users: dict[tuple[str, tuple[tuple[str, float], ...]], list[Part]] = {}
    for part in parts:
        if part.device is not None:
            users.setdefault((part.device.name, tuple(sorted(part.figures.items()))), []).append(part)
    return blocks(_sheet(used) for used in users.values())


def track_text(unit: Unit, before: Unit, part: Part) -> str:
    """Resistances of a potentiometer or rheostat at its control's position."""
    was = [amount(ohm, "ohm", 4) for _, ohm in resistances(before, before.parts[part.designator])]
    now = [(where, amount(ohm, "ohm", 4)) for where, ohm in resistances(unit, part)]
    legs = [f"{where} {arrow(old, new)}".strip() for (where, new), old in zip(now, was, strict=True)]
    fixed = part.control is not None and "fraction" in part.values
    return "; ".join([*legs, *(["fixed by its fraction, not by the control"] if fixed else _step(unit, part))])


def _step(unit: Unit, part: Part) -> list[str]:
    """At which step a stepped attenuator stands."""
    if not part.steps or part.control is None:
        return []
    number = step_at(part.steps, unit.controls[part.control].position, part.direction)
    return [f"step {number + 1} of {len(part.steps)}, {step_text(part.steps[number])}"]


def _head(unit: Unit, before: Unit) -> str:
    cells = unit.channels or {"": unit.gain_cell}
    size = f"{len(unit.parts)} parts in {len(unit.stages)} stages, {len(unit.nodes)} nodes and ground (0)"
    temperature = arrow(f"{before.temperature_c:g}", f"{unit.temperature_c:g}")
    full_scale = arrow(f"{before.full_scale_dbu:+g}", f"{unit.full_scale_dbu:+g}")
    pairs = [
        ("about", arrow(before.about, unit.about)),
        ("source", unit.source),
        ("file", str(unit.path)),
        *([("based on", _origin(unit.base))] if unit.base else []),
        ("size", size),
        ("temperature", f"{temperature} C, the whole unit"),
        ("full scale", f"{full_scale} dBu is 0 dBFS, at the input and the output"),
        *((f"gain cell{f' {channel}' if channel else ''}", _cell_text(cell)) for channel, cell in cells.items()),
        *([("channels", f"{'joined' if unit.is_joined else 'apart'}, as switches stand")] if unit.channels else []),
    ]
    return f"{arrow(before.name, unit.name)}\n{facts(pairs)}"


def _origin(base: Unit) -> str:
    """The unit that a file starts from, or those that it pairs."""
    if not base.sources:
        return f"{base.name} ({base.path})"
    sources = zip(base.channels, base.sources, strict=True)
    return ", ".join(f"{channel} {one.name}" for channel, one in sources) + ": two units beside each other"


def _cell_text(cell: GainCell | None) -> str:
    return f"{cell.fet}, control voltage at node {cell.control_node}" if cell else "none"


def _stage(unit: Unit, before: Unit, stage: Stage, changes: Changes) -> str:
    rows = []
    for part in stage.parts:
        changed = changed_value(unit, before, part.designator, changes)
        rows.append((
            f"{'* ' if changed else ''}{part.designator}",
            kind_text(part.kind, part.device),
            changed or value_text(unit, part),
            "" if part.tolerance is None else str(part.tolerance),
            ", ".join(amount(limit, RATINGS[key]) for key, limit in part.ratings.items()),
            nodes_text(part),
            part.about,
        ))  # fmt: skip
    headings = ("part", "kind", "value", "tol.", "rating", "nodes", "for")
    return f"{paragraph(f'{stage.name}: {stage.about}')}\n{indented(columns(headings, rows, rigid=(0, 1)))}"


def _control(unit: Unit, before: Unit, name: str) -> str:
    control, old = unit.controls[name], before.controls[name]
    mark = "* " if control.position != old.position else ""
    position = arrow(f"{old.position:g}", f"{control.position:g}")
    rows = []
    for part in unit.parts.values():
        if part.control == name:
            track = f"{part.kind} {amount(part.values['value'], 'ohm')}"
            rows.append((part.designator, track, law_text(part), track_text(unit, before, part)))
    head = paragraph(f"{mark}{name} at {position} ({control.role}): {control.about}")
    return f"{head}\n{indented(columns(('part', 'kind', 'taper', 'resistance'), rows))}"


def _bank(unit: Unit, before: Unit, name: str) -> str:
    bank, was = unit.banks[name], before.banks[name].state
    mark = "* " if bank.state != was else ""
    if bank.exclusive:
        return paragraph(f"{mark}{name} at {arrow(was, bank.state)} (of {', '.join(bank.switches)}). {bank.about}")
    rows = []
    for switch in bank.switches:
        part = unit.parts[switch]
        old, new = value_text(before, before.parts[switch]), value_text(unit, part)
        rows.append((f"{'' if old == new else '* '}{switch}", arrow(old, new), nodes_text(part), part.about))
    head = paragraph(f"{mark}{name}, closed: {arrow(was, bank.state)}. {bank.about}")
    return f"{head}\n{indented(columns(('switch', 'state', 'joins', 'about'), rows))}"


def _matched(name: str, group: Matched) -> str:
    within = f", each within {format_value(group.within, 'share')} of what they have in common" if group.within else ""
    return f"{name}: {', '.join(group.parts)}{within}"


def _alignment(unit: Unit, changes: Changes) -> str:
    rows = [
        (f"{number}", f"{'* ' if one.changed else ''}{one.name}", one.set, one.applied, one.read, one.must_be,
         one.about)
        for number, one in enumerate(steps_in_words(unit, changes), start=1)
    ]  # fmt: skip
    headings = ("", "step", "set", "applied", "read", "must be", "about")
    return "\n".join(filter(None, (columns(headings, rows, rigid=(0, 1, 2)), paragraph(STEPS) if rows else "")))


def _rails(unit: Unit) -> str:
    rows = [(node, f"about {volt:g} V", maker) for node, volt in unit.rails.items()
            for maker in [unit.rail_makers.get(node, "")]]  # fmt: skip
    return columns(("node", "meant to stand at", "made in"), rows)


def _probes(unit: Unit) -> str:
    rows = []
    for name, node in unit.probes.items():
        there = [part.designator for part in unit.parts.values() if node in part.nodes.values()]
        rows.append((name, node, ", ".join(there)))
    listed = columns(("name", "node", "parts there"), rows)
    return "\n".join(filter(None, (listed, paragraph("Every node can be probed by its own name too."))))


def _sheet(parts: list[Part]) -> str:
    first, device = parts[0], parts[0].device
    assert device is not None
    amounts = quantities(SHEETS[device.kind])
    rows = []
    for key, value in device.figures.items():
        own = ", this part alone" if key in first.figures else ""
        rows.append((key, f"{amount(value, amounts[key])}{own}", limits_text(device, key)))
    rows += [(key, "", limits_text(device, key)) for key in device.limits if key not in device.figures]
    rows += [(key, f"at most {amount(limit, RATINGS[key])}", "") for key, limit in device.ratings.items()]
    used = ", ".join(part.designator for part in parts)
    head = paragraph(f"{device.name}: {kind_text(device.kind, device)}, {device.about}. Used by {used}")
    source = paragraph(f"source: {device.source}; figures at {device.reference_temperature_c:g} C")
    return f"{head}\n{source}\n{indented(columns(('figure', 'value', 'limits of the sheet'), rows))}"
