"""The steps of an alignment in words: what is set, what is applied, what is read, what that must be."""

from dataclasses import dataclass

from fetsim.schematic.alignment import step_settings
from fetsim.schematic.settings import Setting
from fetsim.schematic.unit import Unit
from fetsim.schematic.wording import Changes, arrow

TONES = (("level_dbu", "dBu"), ("reduction_db", "dB of gain reduction"))


@dataclass(frozen=True, kw_only=True)
class StepWords:
    """One step."""

    name: str
    changed: bool
    set: str
    applied: str
    read: str
    """The reading by its name in the unit file, and where."""
    must_be: str
    about: str


def steps_in_words(unit: Unit, changes: Changes) -> list[StepWords]:
    """All steps in their order; what is named in ``changes`` (name -> before and after) shows both values."""
    found = []
    for step in unit.alignment.values():
        told = {key: Setting(*one).shown() for key, one in step_settings(step).items()}
        shown = {key: arrow(*changes.get(f"{step.name}.{key}", (text, text))) for key, text in told.items()}
        tones = [f"{shown[key]} {unit_of}, {shown['frequency']}" for key, unit_of in TONES if key in shown]
        stand = [f"with {shown['settings']}"] if "settings" in shown else []
        accepted = [f"accepted {shown['accepted']}"] if step.accepted is not None else []
        found.append(StepWords(
            name=step.name,
            changed=any(name.startswith(f"{step.name}.") for name in changes),
            set=shown["set"],
            applied="; ".join([", ".join(tones) or "nothing", *stand]),
            read=" at ".join(filter(None, (shown["read"], shown.get("at", "")))),
            must_be=", ".join([shown["must_be"], *accepted]),
            about=step.about,
        ))  # fmt: skip
    return found
