"""All settings of a unit as one flat list, under the names that a change takes; differences of two."""

from collections.abc import Collection
from dataclasses import dataclass

from fetsim.schematic.alignment import step_settings
from fetsim.schematic.fields import quantities
from fetsim.schematic.model import Part, UnitData
from fetsim.schematic.schema import MAIN_KEYS, PARTS, SHEETS, UNIT_KEYS
from fetsim.schematic.stepped import step_text
from fetsim.schematic.values import format_value

ABSENT = "none"
WORDS = ("taper", "control", "direction", "fault", "about", "source")


@dataclass(frozen=True)
class Setting:
    """One value of a unit: a number with its quantity, or a text."""

    value: float | str
    quantity: str | None = None

    def shown(self, digits: int = 6) -> str:
        """In words, as ``4.7 kohm``."""
        if isinstance(self.value, str) or self.quantity is None:
            return str(self.value)
        return format_value(self.value, self.quantity, digits)


def settings(unit: UnitData, but: Collection[str] = ()) -> dict[str, Setting]:
    """Name -> setting for the unit, its controls, switch banks, parts and steps of its alignment, in the order of the
    file; ``but`` for these parts."""
    found = {key: _setting(getattr(unit, key)) for key in UNIT_KEYS}
    found.update({name: Setting(control.position, "plain") for name, control in unit.controls.items()})
    found.update(
        {name: Setting("+".join(sorted(bank.closed)) or "none") for name, bank in unit.banks.items()}
    )
    for part in unit.parts.values():
        if part.designator not in but:
            found.update(part_settings(part))
    found.update({name: Setting(ohm, "ohm") for name, (_, _, ohm) in unit.bridges.items()})
    for name, step in unit.alignment.items():
        found.update({f"{name}.{key}": Setting(*told) for key, told in step_settings(step).items()})
    return found


def number_named(unit: UnitData, name: str) -> Setting | None:
    """A control's position or a number of a part, under any name that a change takes; None where there is none."""
    owner, _, key = name.partition(".")
    if owner in unit.controls and not key:
        return Setting(unit.controls[owner].position, "plain")
    if owner not in unit.parts:
        return None
    part = unit.parts[owner]
    found = part_settings(part).get(owner if key == MAIN_KEYS.get(part.kind) else name)
    return None if found is None or isinstance(found.value, str) else found


def part_settings(part: Part) -> dict[str, Setting]:
    """Name -> setting for one part; its main value goes under the bare designator."""
    amounts = quantities(PARTS[part.kind])
    found = {key: Setting(value, amounts[key]) for key, value in {**part.values, **part.ratings}.items()}
    if part.device is not None:
        found["device"] = Setting(part.device.name)
        figures = quantities(SHEETS[part.kind])
        found.update({key: Setting(value, figures[key]) for key, value in part.figures.items()})
    if part.tolerance is not None:
        found["tolerance"] = Setting(str(part.tolerance))
    if part.branches:
        pairs = (f"{format_value(share, 'share')} {format_value(s, 'second')}" for share, s in part.branches)
        found["absorption_branches"] = Setting(", ".join(pairs))
    if part.steps:
        found["steps"] = Setting(", ".join(map(step_text, part.steps)))
    if part.marks:
        marks = (f"{format_value(db, 'decibel')} at {format_value(share, 'share')}" for db, share in part.marks)
        found["marks"] = Setting(", ".join(marks))
    no_law = "taper" if part.steps else ""
    found["nodes"] = Setting(", ".join(part.nodes.values()))
    found.update({key: Setting(getattr(part, key)) for key in WORDS if getattr(part, key) and key != no_law})
    main = MAIN_KEYS.get(part.kind)
    return {part.designator if key == main else f"{part.designator}.{key}": one for key, one in found.items()}


def differences(unit: UnitData, other: UnitData) -> tuple[tuple[str, str, str], ...]:
    """(name, before, after) of everything that differs between two units, in words.

    A figure that only one of them has put over its device sheet is compared with the other one's sheet.
    """
    same = {name for name, part in unit.parts.items() if other.parts.get(name) is part}
    before, after = settings(unit, same), settings(other, same)
    found = []
    for name in dict.fromkeys([*before, *after]):
        old = before.get(name) or sheet_figure(unit, name)
        new = after.get(name) or sheet_figure(other, name)
        if old == new:
            continue
        texts = [ABSENT if one is None else one.shown() for one in (old, new)]
        if unit.stepped(name) and other.stepped(name):
            texts = [unit.standing(name), other.standing(name)]
        if texts[0] == texts[1]:
            texts = [ABSENT if one is None else one.shown(digits=15) for one in (old, new)]
        found.append((name, texts[0], texts[1]))
    return tuple(found)


def _setting(value: float | str) -> Setting:
    return Setting(value, None if isinstance(value, str) else "plain")


def sheet_figure(unit: UnitData, name: str) -> Setting | None:
    """A figure of a part's device, under the name that a change takes; None where there is none."""
    designator, _, key = name.partition(".")
    part = unit.parts.get(designator)
    if part is None or part.device is None or key not in part.device.figures:
        return None
    return Setting(part.device.figures[key], quantities(SHEETS[part.kind])[key])
