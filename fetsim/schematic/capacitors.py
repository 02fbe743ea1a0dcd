"""A capacitor that need not be ideal: which keys belong together, and the elements that they make.

ESR stands in front of all else, at the first end; behind it lie the capacitance, the leakage and the branches of the
absorption, side by side. Without any of these keys a capacitor is one ideal element. Leakage is a resistance, whatever
it is told as (of an electrolytic it falls faster than the voltage); ESR does not change with frequency.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from fetsim.devices.absorption import Branches, ladder
from fetsim.devices.ceramic import soft_v
from fetsim.engine.circuit import Element, element
from fetsim.schematic.model import Part

LEAKAGES = ("leakage_resistance", "leakage_current", "leakage_time_constant")


def capacitor_elements(
    name: str, ends: tuple[str, str], values: Mapping[str, float], ratings: Mapping[str, float], branches: Branches
) -> list[Element]:
    """All elements of a capacitor, the capacitance itself first."""
    (a, b), farad = ends, values["value"]
    plate = f"{name}.plate" if "esr" in values else a
    if "bias_loss" in values:
        soft = soft_v(values["bias_loss"], _bias_v(values, ratings))
        found = [element("ceramic", name, (plate, b), capacitance_f=farad, soft_v=soft)]
    else:
        found = [element("capacitor", name, (plate, b), capacitance_f=farad)]
    if "esr" in values:
        found.append(element("resistor", f"{name}.esr", (a, plate), resistance_ohm=values["esr"]))
    leakage_ohm = _leakage_ohm(values, ratings)
    if leakage_ohm is not None:
        found.append(element("resistor", f"{name}.leakage", (plate, b), resistance_ohm=leakage_ohm))
    if "absorption" in values:
        branches = ladder(values["absorption"])
    for number, (share, seconds) in enumerate(branches, 1):
        of_branch = {"resistance_ohm": seconds / (share * farad), "capacitance_f": share * farad}
        found.append(element("absorption", f"{name}.absorption{number}", (plate, b), **of_branch))
    return found


def capacitor_misfits(keys: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What is wrong between the keys of a capacitor, as (key, sentence); None stands for a key that is left out."""
    given = [key for key, value in keys.items() if value not in (None, ())]
    for same in (LEAKAGES, ("absorption", "absorption_branches")):
        told = [key for key in same if key in given]
        if len(told) > 1:
            yield told[1], f"says the same as {told[0]}; give one of them"
    if "leakage_current" in given and "voltage_rating" not in given:
        yield "voltage_rating", "is missing; leakage_current flows at that voltage"
    if "bias_loss" in given and not {"bias_voltage", "voltage_rating"} & set(given):
        yield "bias_voltage", "is missing (or give voltage_rating); bias_loss was read at that voltage"
    if "bias_voltage" in given and "bias_loss" not in given:
        yield "bias_loss", "is missing; bias_voltage tells where it was read"


def unfit_alone(part: Part) -> set[str]:
    """Keys that a capacitor has not, and that cannot be given to it just so: another one is missing, or in the way."""
    values = part.values
    found = {"bias_voltage"} if "bias_loss" not in values else set()
    if "voltage_rating" not in part.ratings:
        found |= {"leakage_current", "bias_loss"}
    if set(LEAKAGES) & set(values):
        found |= set(LEAKAGES)
    if part.branches:
        found.add("absorption")
    return found - set(values)


def _bias_v(values: Mapping[str, float], ratings: Mapping[str, float]) -> float:
    return values["bias_voltage"] if "bias_voltage" in values else ratings["voltage_rating"]


def _leakage_ohm(values: Mapping[str, float], ratings: Mapping[str, float]) -> float | None:
    if "leakage_current" in values:
        return ratings["voltage_rating"] / values["leakage_current"]
    if "leakage_time_constant" in values:
        return values["leakage_time_constant"] / values["value"]
    return values.get("leakage_resistance")
