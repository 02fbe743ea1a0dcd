"""The head of the page: which unit, how it is set, what has been changed, what to be careful with."""

from collections.abc import Sequence
from dataclasses import dataclass

from fetsim.errors import ConvergenceError
from fetsim.measurements.idle.tables import cautions_inside
from fetsim.report.pages.content import Table
from fetsim.rig.rig import Rig
from fetsim.schematic.unit import Unit
from fetsim.schematic.wording import amount, arrow

HEARING = (
    "Hearing. A change can make a unit much louder than what was heard before. Turn the monitors down before the first "
    "playback, and keep within the local rules for work with loud sound."
)


@dataclass(frozen=True)
class Facts:
    """What stands above the measurements."""

    name: str
    about: str
    pairs: Sequence[tuple[str, str]]
    changes: Table
    controls: Table
    cautions: Sequence[str]


def unit_facts(unit: Unit, before: Unit, quality: str) -> Facts:
    """Everything about the unit that its figures depend on."""
    cell = unit.gain_cell
    pairs = [
        ("source of the design", unit.source),
        ("size", f"{len(unit.parts)} parts in {len(unit.stages)} stages"),
        ("gain cell", f"{cell.fet}, control voltage at {cell.control_node}" if cell else "none"),
        *_resting(unit),
        ("temperature", f"{arrow(f'{before.temperature_c:g}', f'{unit.temperature_c:g}')} C, the whole unit"),
        ("source resistance", amount(unit.input.values["source_resistance"], "ohm")),
        ("load", amount(unit.output.values["load"], "ohm")),
        ("quality of the simulation", quality),
    ]
    return Facts(
        name=unit.name,
        about=unit.about,
        pairs=[pair for pair in pairs if pair[1]],
        changes=Table(("what", "before", "after"), before.differences(unit)),
        controls=_controls(unit, before),
        cautions=[*cautions_inside(unit), HEARING],
    )


def _resting(unit: Unit) -> list[tuple[str, str]]:
    """How the gain cell stands at rest, and what else must be known before the figures are believed."""
    rig = Rig(unit)
    try:
        if rig.rest is None or rig.rest.warning:  # a warning has the same figures
            rest = []
        else:
            rest = [("at rest", f"{rig.rest.told}, against the FET taken out")]
        return [*rest, *(("mind", text) for text in rig.warnings)]
    except ConvergenceError as error:
        return [("at rest", f"not to be told: {error}")]


def _controls(unit: Unit, before: Unit) -> Table:
    rows = [
        (name, arrow(f"{before.controls[name].position:g}", f"{one.position:g}"), one.about)
        for name, one in unit.controls.items()
        if name in before.controls
    ]
    for name, bank in unit.banks.items():
        rows.append((name, arrow(before.banks[name].state, bank.state), bank.about))
    return Table(("control", "set to", "what it does"), rows)
