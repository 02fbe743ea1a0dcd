"""What can be changed in one part, as the options that do it."""

from collections.abc import Mapping
from dataclasses import dataclass
from shlex import quote

from fetsim.schematic.capacitors import unfit_alone
from fetsim.schematic.cores import OF_CORE, core_examples
from fetsim.schematic.describe import kinds
from fetsim.schematic.fault_words import FAULT_WORDS
from fetsim.schematic.fields import quantities
from fetsim.schematic.schema import MAIN_KEYS, PARTS, SHEETS, WIRING_KEYS
from fetsim.schematic.settings import part_settings
from fetsim.schematic.sheets import lines, sheet_figures
from fetsim.schematic.unit import Part, Unit
from fetsim.schematic.values import QUANTITIES
from fetsim.schematic.wording import amount, shown

CLOSED = "closed switches of its bank: S1+S2, all or none"
TEXTS = ("about", "source")
FORMS = {"device": "a sheet of the same kind and polarity", "control": "the name of a control"}
EXAMPLES = {"tolerance": "5%", "about": "...", "source": "...", "control": "..."}  # where no value is given


@dataclass(frozen=True)
class Changeable:
    """One thing of a part that may be changed."""

    option: str
    """As it is typed, with its present value, or with an example where there is none; several where they need each
    other."""
    now: str
    """Its present value; empty when it has none."""
    sets: str
    """What it is, in words."""


def part_changes(unit: Unit, part: Part) -> list[Changeable]:
    """Everything of a part that may be changed, its main value first."""
    if part.bank is not None:
        bank = unit.banks[part.bank]
        way = f"its position: {', '.join(bank.switches)}" if bank.exclusive else CLOSED
        return [_changeable(part.bank, bank.state, bank.state, way), *_fault(part)]
    found = []
    if part.control is not None:
        position = f"{unit.controls[part.control].position:g}"
        found.append(_changeable(part.control, position, position, _way(part)))
    now = part_settings(part)
    kind = next(one for one in kinds() if one.name == part.kind)
    forms = {**FORMS, **{key.name: ", ".join(key.choices) for key in kind.keys if key.choices}}
    figures = sheet_figures(SHEETS[part.kind]) if part.kind in SHEETS else {}
    amounts = {**quantities(PARTS[part.kind]), **figures}
    main = MAIN_KEYS.get(part.kind)
    of_core = {key: amount(value, amounts[key], 3) for key, value in core_examples(part.kind, part.values).items()}
    asks_for_core = "initial_inductance" in of_core
    hidden = [key for key in (*OF_CORE, *of_core) if key not in part.values and (asks_for_core or key not in of_core)]
    hidden += unfit_alone(part) if part.kind == "capacitor" else []
    hidden += ["taper"] if part.steps else []
    hidden += [] if "thermal_resistance" in part.values else ["thermal_time_constant"]
    told = {} if part.device is None else lines(part.device)
    given = {} if part.device is None else part.device.figures
    of_law = {key: amount(told[key], quantity, 3) for key, quantity in figures.items() if key in told}
    together = [key for key in (SHEETS[part.kind].together if figures else ()) if key not in given]
    keys = [key for key in PARTS[part.kind].model_fields if key not in (*WIRING_KEYS, "figures", "fault", *hidden)]
    alone = [key for key in figures if key not in together]
    for key in sorted([*keys, *alone], key=lambda key: (key != main, key in TEXTS)):
        name = part.designator if key == main else f"{part.designator}.{key}"
        text = ""
        if name in now:
            text = shown(now[name])
        elif key in figures and key in given:
            text = amount(given[key], figures[key])
        typed = text if key not in amounts and key != "tolerance" else text.replace(" ", "")
        if key in TEXTS or typed in ("", "infinite"):
            example = PARTS[part.kind].model_fields[key].examples if key not in figures else None
            typed = example[0] if example else _example(amounts[key]) if key in amounts else EXAMPLES[key]
            typed = {**of_core, **of_law}.get(key, typed).replace(" ", "")
        found.append(_changeable(name, typed, text, _explained(key, amounts.get(key), forms.get(key))))
    if together:
        found.append(_joined(part, {key: of_law[key] for key in together}, " with ".join(together)))
    if asks_for_core:
        found.append(_joined(part, of_core, "a core with hysteresis"))
    return [*found, *_fault(part)]


def _fault(part: Part) -> list[Changeable]:
    """What may be wrong with it; nothing with what is plugged in."""
    words = FAULT_WORDS[part.kind]
    if not words:
        return []
    typed = part.fault or words[0].example
    return [_changeable(part.designator, typed, part.fault, f"what is wrong: {', '.join(one.form for one in words)}")]


def _way(part: Part) -> str:
    return f"position of its control, 0 to 1{', or a step as -12dB' if part.steps else ''}"


def _joined(part: Part, figures: Mapping[str, str], what: str) -> Changeable:
    """Figures that are of use together alone."""
    options = [_option(f"{part.designator}.{key}", text.replace(" ", "")) for key, text in figures.items()]
    sets = f"{what}, these together; fetsim show --kind {part.kind} tells what they are"
    return Changeable(" ".join(options), "", sets)


def _changeable(name: str, typed: str, now: str, sets: str) -> Changeable:
    return Changeable(_option(name, typed), now, sets)


def _option(name: str, typed: str) -> str:
    return f"--change {quote(f'{name}={typed}')}"


def _example(quantity: str) -> str:
    return QUANTITIES[quantity].example.split(" ")[0].rstrip(",")


def _explained(key: str, quantity: str | None, form: str | None) -> str:
    if quantity is not None:
        symbol = QUANTITIES[quantity].symbol
        return f"{key}, {f'in {symbol}' if symbol else 'a plain number'}"
    return f"{key}: {form}" if form else key
