"""Subsets of a unit's switch bank: which ones to measure, and the unit with each of them closed."""

from collections.abc import Sequence
from itertools import combinations

from fetsim.errors import InputError
from fetsim.schematic.unit import SwitchBank, Unit

EVERY = "every"  # all subsets of the bank, none among them; all positions of a selector
MOST_SWITCHES = 6  # of a bank all of whose subsets are measured: 64


def switched(unit: Unit, subsets: Sequence[str] | str | None = None) -> dict[str, Unit]:
    """Label -> unit with one subset closed: ``["S1", "S2+S3", "all", "none"]``, or ``"every"``.

    By default each switch of the bank on its own, each position of a selector; a unit without a bank is measured as it
    is, under an empty label.
    A subset of one bank among several is written ``curve=S1+S3``, and so the default is the first bank's. In a pair
    both channels have it, and it is named without a channel. Raises InputError or UnitError for names that are none.
    """
    if not unit.banks:
        if subsets:
            raise InputError(f"switches: {unit.name} has no switches")
        return {"": unit}
    front = f"{unit.channel}_" if unit.channel else ""
    banks = [bank for bank in unit.banks.values() if bank.name.startswith(front)] or list(unit.banks.values())
    first = banks[0]
    if subsets is None:
        subsets = first.switches
    elif subsets == EVERY:
        subsets = _every(first)
    elif isinstance(subsets, str):
        subsets = [subsets]
    found = {}
    for text in subsets:
        name, sign, subset = text.partition("=")
        bank = unit.banks.get(unit.own_name(name.strip()) if sign else first.name)
        if bank is None:
            choices = ", ".join(one.told for one in unit.banks.values())
            raise InputError(f"switches: no bank is called {name[:40]!r}; choose from {choices}")
        wanted = (subset if sign else text).strip().replace(front, "")
        version = unit.changed({bank.name.removeprefix(front): wanted})
        found[version.banks[bank.name].state.replace(front, "")] = version
    return found


def _every(bank: SwitchBank) -> list[str]:
    if bank.exclusive:
        return list(bank.switches)
    count = len(bank.switches)
    if count > MOST_SWITCHES:
        raise InputError(f"switches: bank {bank.name} has {2**count} subsets; name those that matter")
    return ["+".join(subset) or "none" for size in range(count + 1) for subset in combinations(bank.switches, size)]
