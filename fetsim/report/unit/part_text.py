"""One part, or what the library has to offer, as a page of plain text."""

from collections.abc import Iterable

from fetsim.engine.circuit import GROUND
from fetsim.measurements.results.care import inside
from fetsim.report.look.columns import columns, facts, page, paragraph, section
from fetsim.report.unit.changeable import part_changes
from fetsim.report.unit.text import sheets_text, track_text
from fetsim.schematic.eseries import SERIES, neighbours
from fetsim.schematic.fields import quantities
from fetsim.schematic.schema import MAIN_KEYS, PARTS
from fetsim.schematic.settings import part_settings
from fetsim.schematic.stepped import SERIES as SERIES_OF_CHAIN
from fetsim.schematic.stepped import chain, step_text
from fetsim.schematic.unit import Device, Part, Unit
from fetsim.schematic.wording import amount, arrow, kind_text, shown, value_text

BOUGHT_BY_VALUE = ("resistor", "capacitor", "inductor")
WIRING = "The wiring cannot be changed by an option; edit the unit file."


def part_page(unit: Unit, before: Unit, designator: str) -> str:
    """Everything about one part, changes as before -> after. KeyError when there is none of that name.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> print(fetsim.part_page(unit.changed(C2="220n"), unit, "C2").splitlines()[0])
    C2, capacitor, Teaching loop
    """
    part = unit.parts[designator]
    joined = [(terminal, node, _others(unit, part, node)) for terminal, node in part.nodes.items()]
    options = [(one.option, one.now or "none", one.sets) for one in part_changes(unit, part)]
    title = f"{designator}, {kind_text(part.kind, part.device)}, {unit.name}"
    near_mains = part.stage in {one.stage for one in unit.mains}
    return page([
        f"{title}\n{facts(_facts(unit, before, part))}",
        section("Nodes", columns(("terminal", "node", "shared with"), joined)),
        section("Chain", _chain_text(part)),
        section("Device sheet", sheets_text([part])),
        section("What can be changed", columns(("option", "now", "sets"), options), paragraph(WIRING)),
        section("Cautions", *(paragraph(text) for text in inside(mains=True) if near_mains)),
    ])  # fmt: skip


def units_page(units: Iterable[tuple[str, Unit]]) -> str:
    """The shipped units under the names that --unit takes."""
    rows = [(name, unit.name, f"{len(unit.parts)}", unit.about) for name, unit in units]
    return section("Shipped units", columns(("--unit", "name", "parts", "about"), rows, right=(2,)))


def devices_page(devices: Iterable[Device]) -> str:
    """The shipped device sheets with where their figures come from."""
    rows = [(one.name, kind_text(one.kind, one), one.about, one.source) for one in devices]
    return section("Shipped device sheets", columns(("name", "kind", "about", "source"), rows, rigid=(0, 1)))


def _facts(unit: Unit, before: Unit, part: Part) -> list[tuple[str, str]]:
    old = before.parts[part.designator]
    now = part_settings(part)
    changes = {name: (was, becomes) for name, was, becomes in before.differences(unit)}
    names = [*now, *(name for name in changes if name.partition(".")[0] == part.designator)]
    pairs = []
    for name in dict.fromkeys(names):
        key = name.partition(".")[2] or MAIN_KEYS.get(part.kind, "")
        if key != "nodes":
            pairs.append((key, arrow(*changes[name]) if name in changes else shown(now[name])))
    if part.kind in BOUGHT_BY_VALUE:
        pairs.append(("next values", _next_values(part)))
    if part.bank is not None:
        pairs.append(("state", arrow(value_text(before, old), value_text(unit, part))))
        pairs.append(("bank", f"{part.bank}: {unit.banks[part.bank].about}"))
    if part.control is not None and old.control is not None:
        control = unit.controls[part.control]
        position = arrow(f"{before.controls[old.control].position:g}", f"{control.position:g}")
        pairs.append(("position", f"{position}: {control.about}"))
    if part.taper is not None:
        pairs.append(("track", track_text(unit, before, part)))
    if part.kind == "input":
        pairs.append(("wired", "balanced" if part.balanced else "unbalanced"))
        pairs.append(("driven by", part.input))
    stage = next(stage for stage in unit.stages if stage.name == part.stage)
    return [*pairs, ("stage", f"{stage.name}: {stage.about}")]


def _chain_text(part: Part) -> str:
    """The resistors of a stepped attenuator, from its bottom; empty for any other part."""
    if not part.steps:
        return ""
    rows = [
        ("top" if one.step is None or one.position is None else step_text(one.step),
         "" if one.position is None else f"{one.position:.4g}",
         "none" if one.ohm == 0.0 else amount(one.ohm, "ohm", 5),
         "none" if one.bought_ohm == 0.0 else amount(one.bought_ohm, "ohm"),
         "" if one.bought_db is None else step_text(round(one.bought_db, 2)))
        for one in chain(part.values["value"], part.steps)
    ]  # fmt: skip
    heads = ("step", "control at", "resistor below", f"{SERIES_OF_CHAIN} next to it", f"step with {SERIES_OF_CHAIN}")
    return columns(heads, rows, right=(1, 2, 3, 4))


def _next_values(part: Part) -> str:
    value, quantity = part.values["value"], quantities(PARTS[part.kind])["value"]
    found = []
    for series in SERIES:
        below, above = (amount(one, quantity) for one in neighbours(value, series))
        found.append(f"{series} {below} and {above}")
    return "; ".join(found)


def _others(unit: Unit, part: Part, node: str) -> str:
    """Terminals of other parts on a node."""
    if node == GROUND:
        return "ground"
    return ", ".join(
        f"{other.designator} {terminal}"
        for other in unit.parts.values()
        for terminal, place in other.nodes.items()
        if place == node and other.designator != part.designator
    )
