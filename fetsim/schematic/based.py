"""A unit file that starts from another unit: what it takes out, adds, wires anew and changes.

Order: parts are taken out, the file's own tables added, terminals wired anew, and the changes come last. What the
other unit has is never replaced unseen: a part of a name that is there already is a mistake until it is taken out.
"""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from fetsim.errors import UnitError
from fetsim.schematic.change import changed_unit, flat_changes
from fetsim.schematic.checks import Mistake
from fetsim.schematic.fields import checked, suggestion
from fetsim.schematic.model import UnitData, of_one_channel
from fetsim.schematic.read import mistake_line, read_unit
from fetsim.schematic.save import unit_text
from fetsim.schematic.schema import AlteredTable, BasedTable

Document = Mapping[str, Any]

NAMED = ("controls", "switches", "matched", "probes", "rails", "alignment", "devices")
TABLES = (*NAMED, "gain_cell", "stages")
REMEDY = "change it under [changed], wire it anew under [rewired], or name it in taken_out first"


def based_unit(
    document: Document, path: Path, text: str, base: UnitData, kind: type[AlteredTable] = BasedTable
) -> UnitData:
    """The unit of a file that starts from ``base``; its ``document`` and ``text`` are those of the whole unit. Where
    the base has no text, being two units beside each other, the text is the file's own.

    ``kind`` has the keys that are the file's own and not the unit's. Raises UnitError with a line for every mistake.
    """
    own = {key: document[key] for key in kind.model_fields if key in document}
    table, wrong = checked(kind, own)
    mistakes: list[Mistake] = [("", key, sentence) for key, sentence in wrong]
    if table is None:
        raise UnitError("\n".join(mistake_line(path.name, *one) for one in mistakes))
    rest = {key: value for key, value in document.items() if key not in own}
    if "name" not in rest:
        mistakes.append(("", "name", "is missing; a unit that starts from another bears a name of its own"))
    whole = _without(base.document, table.taken_out, mistakes)
    whole = _with(whole, rest, mistakes)
    whole = _rewired(whole, table.rewired, mistakes)
    lines = [mistake_line(path.name, *one) for one in mistakes]
    try:
        unit = read_unit(whole, path, base.text)
        if not lines:
            unit = changed_unit(unit, flat_changes(table.changed)) if table.changed else unit
            return replace(unit, text=unit_text(unit, text) if base.text else text)
    except UnitError as error:
        lines.append(str(error))
    raise UnitError("\n".join(lines))


def _without(whole: Document, names: tuple[str, ...], mistakes: list[Mistake]) -> Document:
    """The tables without these parts, controls, switch banks, probes, rails and steps; steps that set them go too."""
    known = {part for stage in whole["stages"].values() for part in stage["parts"]}
    known |= {name for key in NAMED for name in whole.get(key, {})}
    for name in names:
        if name not in known:
            hint = suggestion(name, known) or of_one_channel(whole.get("channels", {}))
            mistakes.append(("", "taken_out", f"there is nothing named {name[:40]!r}{hint}"))
    kept = {key: {name: one for name, one in whole[key].items() if name not in names} for key in NAMED if key in whole}
    if "alignment" in kept:
        kept["alignment"] = {
            name: step for name, step in kept["alignment"].items()
            if not isinstance(step, Mapping) or str(step.get("set")).partition(".")[0] not in names
        }  # fmt: skip
    stages = {
        name: {**stage, "parts": {part: one for part, one in stage["parts"].items() if part not in names}}
        for name, stage in whole["stages"].items()
    }
    return {**whole, **kept, "stages": stages}


def _with(whole: Document, added: Document, mistakes: list[Mistake]) -> Document:
    """The tables with those of the file beside them."""
    sound = {key: value for key, value in added.items() if key not in TABLES or _is_table(value, key, mistakes)}
    grown = {**whole, **sound}
    if "gain_cell" in sound:
        grown["gain_cell"] = {**whole.get("gain_cell", {}), **sound["gain_cell"]}
    for key in NAMED:
        there = whole.get(key, {})
        grown[key] = {**there, **sound.get(key, {})}
        mistakes += [(key, name, "is there already; name it in taken_out first")
                     for name in sound.get(key, {}) if name in there]  # fmt: skip
    grown["stages"] = _stages(whole["stages"], sound.get("stages", {}), mistakes)
    return {key: value for key, value in grown.items() if key in whole or key in sound}


def _stages(there: Document, added: Document, mistakes: list[Mistake]) -> Document:
    """The stages with new ones, and with new parts in the old ones."""
    stages = dict(there)
    homes = {part: name for name, stage in there.items() for part in stage["parts"]}
    for name, stage in added.items():
        where = f"stages.{name}"
        if not (_is_table(stage, where, mistakes) and _is_table(stage.get("parts", {}), f"{where}.parts", mistakes)):
            continue
        parts = stage.get("parts", {})
        mistakes += [(part, "", f"is in stage {homes[part]} already; {REMEDY}") for part in parts if part in homes]
        before = there.get(name, {})
        stages[name] = {**before, **stage, "parts": {**before.get("parts", {}), **parts}}
    return stages


def _is_table(value: object, where: str, mistakes: list[Mistake]) -> bool:
    if isinstance(value, Mapping):
        return True
    mistakes.append(("", where, "must be a table"))
    return False


def _rewired(whole: Document, wiring: Document, mistakes: list[Mistake]) -> Document:
    """The tables with other nodes at the terminals of these parts."""
    stages = {name: {**stage, "parts": dict(stage["parts"])} for name, stage in whole["stages"].items()}
    homes = {part: stage["parts"] for stage in stages.values() for part in stage["parts"]}
    for designator, places in wiring.items():
        part = homes.get(designator, {}).get(designator)
        if not isinstance(part, Mapping):
            hint = suggestion(designator, homes)
            mistakes.append(("rewired", designator, f"there is no part of this name{hint}"))
            continue
        key = next((one for one in ("nodes", "poles", "node") if one in part), "nodes")
        before = part.get(key)
        if isinstance(before, Mapping) and not isinstance(places, Mapping):
            mistakes.append(("rewired", designator, f"name its terminals; they are {', '.join(before)}"))
            continue
        both = {**before, **places} if isinstance(before, Mapping) else places
        homes[designator][designator] = {**part, key: both}
    return {**whole, "stages": stages}
