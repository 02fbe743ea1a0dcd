"""A unit, one of its parts, or the library, as pages of plain text."""

from collections.abc import Iterable

from fetsim.engine.circuit import GROUND
from fetsim.report.columns import blocks, columns, facts, indented, page, paragraph, section
from fetsim.report.diagram import stage_diagram
from fetsim.report.flow import stage_flow
from fetsim.report.wording import (
    RATINGS,
    Changes,
    amount,
    arrow,
    changed_value,
    kind_text,
    limits_text,
    nodes_text,
    part_changes,
    resistances,
    value_text,
)
from fetsim.schematic.fields import quantities
from fetsim.schematic.schema import PARTS, SHEETS
from fetsim.schematic.unit import Device, Part, Stage, Unit

HINT = "--part NAME shows everything about one part; --change NAME=VALUE shows the unit with that change."


def unit_page(unit: Unit, before: Unit) -> str:
    """The whole unit; what differs from ``before`` is marked with * and shows both values."""
    changes = {name: (old, new) for name, old, new in before.differences(unit)}
    return page([
        _head(unit, before, changes),
        section("Changes", columns(("name", "before", "after"), [(n, *both) for n, both in changes.items()])),
        section("Stages", indented(stage_diagram(unit, stage_flow(unit), width=98))),
        section("Parts by stage", blocks(_stage(unit, before, stage, changes) for stage in unit.stages)),
        section("Controls", *(_control(unit, before, name) for name in unit.controls)),
        section("Switches", *(_bank(unit, before, name) for name in unit.banks)),
        section("Probes", _probes(unit)),
        section("Device sheets", blocks(_sheets(unit.parts.values()))),
        paragraph(HINT),
    ])  # fmt: skip


def part_page(unit: Unit, before: Unit, designator: str) -> str:
    """Everything about one part. KeyError when there is none of that name."""
    part, old = unit.parts[designator], before.parts[designator]
    amounts = quantities(PARTS[part.kind])
    values = [
        (key, arrow(amount(old.values[key], amounts[key]) if key in old.values else "none", shown))
        for key, value in part.values.items()
        for shown in [amount(value, amounts[key])]
    ]
    tolerance, old_tolerance = (
        "none given" if one.tolerance is None else str(one.tolerance) for one in (part, old)
    )
    rows = [
        ("about", arrow(old.about, part.about)),
        ("source", part.source or unit.source),
        *values,
        ("state", value_text(unit, part) if part.kind == "switch" else ""),
        (
            "tolerance",
            arrow(old_tolerance, tolerance) if "tolerance" in PARTS[part.kind].model_fields else "",
        ),
        *((key, amount(x, RATINGS[key])) for key, x in part.ratings.items()),
        (
            "control",
            f"{part.control}, position {unit.controls[part.control].position:g}" if part.control else "",
        ),
        ("taper", f"{part.taper}, {part.direction}" if part.taper else ""),
        ("track", "; ".join(_legs(unit, before, part)) if part.taper else ""),
        ("switch bank", part.bank or ""),
        ("balanced", "yes" if part.balanced else ""),
        ("stage", part.stage),
    ]
    neighbours = [
        (
            terminal,
            node,
            "ground" if node == GROUND else ", ".join(_others(unit, part, node)) or "nothing else",
        )
        for terminal, node in part.nodes.items()
    ]
    return page([
        section(f"{designator}: {kind_text(part.kind, part.device)} of the {unit.name}", facts(rows)),
        section("Nodes", columns(("terminal", "node", "shared with"), neighbours)),
        section("Device sheet", blocks(_sheets([part]))),
        section("What can be changed", columns(("option", "sets"), part_changes(unit, part))),
        paragraph("The wiring cannot be changed by an option; edit the unit file."),
    ])  # fmt: skip


def units_page(units: Iterable[tuple[str, Unit]]) -> str:
    """The shipped units under the names that --unit takes."""
    rows = [(name, unit.name, f"{len(unit.parts)}", unit.about) for name, unit in units]
    return section("Shipped units", columns(("--unit", "name", "parts", "about"), rows, right=(2,)))


def devices_page(devices: Iterable[Device]) -> str:
    """The shipped device sheets with where their figures come from."""
    rows = [(one.name, kind_text(one.kind, one), one.about, one.source) for one in devices]
    return section("Shipped device sheets", columns(("name", "kind", "about", "source"), rows, rigid=(0, 1)))


def _head(unit: Unit, before: Unit, changes: Changes) -> str:
    def setting(key: str, text: str) -> str:
        return f"{arrow(changes[key][0], '')}{text}" if key in changes else text

    cell = unit.gain_cell
    return "\n".join([
        arrow(before.name, unit.name),
        facts([
            ("about", arrow(before.about, unit.about)),
            ("source", unit.source),
            ("file", str(unit.path)),
            ("size", f"{len(unit.parts)} parts in {len(unit.stages)} stages, {len(unit.nodes)} nodes and ground (0)"),
            ("temperature", setting("temperature_c", f"{unit.temperature_c:g} C, the whole unit")),
            ("full scale", setting("full_scale_dbu", f"{unit.full_scale_dbu:+g} dBu is 0 dBFS, input and output")),
            ("gain cell", f"{cell.fet}, control voltage at node {cell.control_node}" if cell else "none"),
        ]),
    ])  # fmt: skip


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
    return "\n".join(
        [paragraph(f"{stage.name}: {stage.about}"), indented(columns(headings, rows, rigid=(0, 1)))]
    )


def _control(unit: Unit, before: Unit, name: str) -> str:
    control, old = unit.controls[name], before.controls[name]
    mark = "* " if control.position != old.position else ""
    position = arrow(f"{old.position:g}", f"{control.position:g}")
    rows = [
        (part.designator, f"{part.kind} {amount(part.values['value'], 'ohm')}", f"{part.taper}, {part.direction}",
         "; ".join(_legs(unit, before, part)))
        for part in unit.parts.values()
        if part.control == name
    ]  # fmt: skip
    head = paragraph(f"{mark}{name} at {position} ({control.role}): {control.about}")
    return f"{head}\n{indented(columns(('part', 'kind', 'taper', 'resistance'), rows))}"


def _legs(unit: Unit, before: Unit, part: Part) -> list[str]:
    """Resistances of a track at its control's position."""
    old = [amount(ohm, "ohm", 4) for _, ohm in resistances(before, before.parts[part.designator])]
    legs = [
        f"{where} {arrow(was, amount(ohm, 'ohm', 4))}".strip()
        for (where, ohm), was in zip(resistances(unit, part), old, strict=True)
    ]
    return [*legs, "fixed fraction, not the control"] if part.control and "fraction" in part.values else legs


def _bank(unit: Unit, before: Unit, name: str) -> str:
    bank, old = unit.banks[name], before.banks[name]
    closed, was = ("+".join(one.closed) or "none" for one in (bank, old))
    rows = [
        (f"{'* ' if value_text(unit, part) != value_text(before, part) else ''}{switch}",
         arrow(value_text(before, part), value_text(unit, part)), nodes_text(part), part.about)
        for switch in bank.switches
        for part in [unit.parts[switch]]
    ]  # fmt: skip
    head = paragraph(f"{'* ' if closed != was else ''}{name}, closed: {arrow(was, closed)}. {bank.about}")
    return f"{head}\n{indented(columns(('switch', 'state', 'joins', 'about'), rows))}"


def _probes(unit: Unit) -> str:
    rows = [
        (
            name,
            node,
            ", ".join(part.designator for part in unit.parts.values() if node in part.nodes.values()),
        )
        for name, node in unit.probes.items()
    ]
    return "\n".join([
        columns(("name", "node", "parts there"), rows),
        paragraph("Every node can be probed by its own name too."),
    ])  # fmt: skip


def _others(unit: Unit, part: Part, node: str) -> list[str]:
    """Terminals of other parts on a node."""
    return [
        f"{other.designator} {terminal}"
        for other in unit.parts.values()
        for terminal, place in other.nodes.items()
        if place == node and other.designator != part.designator
    ]


def _sheets(parts: Iterable[Part]) -> list[str]:
    """One block for each sheet in use; a part with figures of its own has a block of its own."""
    users: dict[tuple[str, tuple[tuple[str, float], ...]], list[Part]] = {}
    for part in parts:
        if part.device is not None:
            users.setdefault((part.device.name, tuple(sorted(part.figures.items()))), []).append(part)
    return [_sheet(used) for used in users.values()]


def _sheet(parts: list[Part]) -> str:
    first, device = parts[0], parts[0].device
    assert device is not None
    amounts = quantities(SHEETS[device.kind])
    rows = [
        (
            key,
            amount(value, amounts[key]) + (", this part alone" if key in first.figures else ""),
            limits_text(device, key),
        )
        for key, value in device.figures.items()
    ]
    rows += [(key, "", limits_text(device, key)) for key in device.limits if key not in device.figures]
    rows += [(key, f"at most {amount(limit, RATINGS[key])}", "") for key, limit in device.ratings.items()]
    used = ", ".join(part.designator for part in parts)
    head = paragraph(f"{device.name}: {kind_text(device.kind, device)}, {device.about}. Used by {used}")
    tail = paragraph(f"source: {device.source}; figures at {device.reference_temperature_c:g} C")
    return f"{head}\n{tail}\n{indented(columns(('figure', 'value', 'limits of the sheet'), rows))}"
