"""Every single fault that a unit may have, as changes: what of it can fail, and what a hand may have got wrong.

Each is one row of the vocabulary (``fault_words``) at one strength: what is open, shorted, leaky, weak. A dry joint
that has come apart is the open part or lead itself, and counted there. Which capacitors are electrolytic is told by
what they are: a microfarad or more with a tolerance of 20 % or more, and no class 2 ceramic (own rule).
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import floor, log10, pi

from fetsim.schematic.fault_rates import EACH, MISTAKES, Rates, library_rates
from fetsim.schematic.fault_words import defect_text, defect_words
from fetsim.schematic.fault_work import LOSS_HZ, LOSS_TANGENT
from fetsim.schematic.model import Defect, Part, UnitData
from fetsim.schematic.values import format_value

LEAST_ELECTROLYTIC_F, LEAST_TOLERANCE = 1e-6, 0.2
LOSSES = 30.0
"""ESR of a lossy electrolytic, as a multiple of a good one's."""
DECADE = 10.0
SWAPPED = ("resistor", "capacitor")
QUANTITIES = {"resistor": "ohm", "capacitor": "farad", "potentiometer": "ohm", "rheostat": "ohm", "inductor": "henry"}
FAILURES: Mapping[str, tuple[Defect, ...]] = {
    kind: tuple(Defect(*one) for one in given)
    for kind, given in {
        "resistor": [("open", "", 0.0), ("short", "", 0.0), ("drifted", "", 0.3), ("noisy", "", 20.0)],
        "capacitor": [("open", "", 0.0), ("short", "", 0.0), ("leaky", "", 1e6), ("drifted", "", -0.3)],
        "electrolytic": [("open", "", 0.0), ("short", "", 0.0), ("leaky", "", 10e3), ("dried", "", 0.8)],
        "inductor": [("open", "", 0.0), ("short", "", 0.0), ("drifted", "", -0.3)],
        "diode": [("open", "", 0.0), ("short", "", 0.0), ("leaky", "", 100e3)],
        "zener": [("open", "", 0.0), ("short", "", 0.0), ("leaky", "", 3e3)],
        "bjt": [
            *(("open", place, 0.0) for place in ("base", "emitter", "collector")),
            *(("short", place, 0.0) for place in ("be", "bc", "ce")),
            ("leaky", "bc", 100e3), ("weak", "", 0.8), ("noisy", "", 20.0),
        ],
        "jfet": [
            ("open", "drain", 0.0), ("open", "gate", 0.0), *(("short", place, 0.0) for place in ("gs", "gd", "ds")),
            ("leaky", "gs", 1e6), ("weak", "", 0.5), ("noisy", "", 20.0),
        ],
        "opamp": [("stuck", "high", 0.0), ("stuck", "low", 0.0), ("dead", "", 0.0), ("noisy", "", 20.0)],
        "amplifier": [("dead", "", 0.0)],
        "potentiometer": [
            ("dirty", "", 10e3), *(("open", place, 0.0) for place in ("wiper", "top", "bottom")),
            ("drifted", "", 0.3), ("noisy", "", 20.0),
        ],
        "rheostat": [("dirty", "", 100e3), ("open", "", 0.0), ("drifted", "", 0.3), ("noisy", "", 20.0)],
        "switch": [("stuck", "open", 0.0), ("stuck", "closed", 0.0), ("dirty", "", 1e3)],
        "selector": [("dirty", "", 1e3), ("open", "", 0.0)],
        "transformer": [("open", "primary", 0.0), ("open", "secondary", 0.0), ("shorted", "", 0.01)],
        "winding": [("open", "", 0.0)],
        "supply": [("open", "", 0.0), ("weak", "", 0.2), ("dead", "", 0.0)],
        "mains": [("open", "", 0.0), ("weak", "", 0.15)],
        "meter": [("open", "", 0.0), ("short", "", 0.0)],
    }.items()
}  # fmt: skip
"""Class of parts -> the faults that each of them is tried with (mains that are dead are no fault of the unit, and do
what open ones do)."""
FAILURES = {**FAILURES, "mosfet": FAILURES["jfet"]}
REVERSIBLE = ("electrolytic", "diode", "zener")


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One thing that may be wrong with a unit."""

    name: str
    """As a change is written, ``C16=leaky:1M``; two changes have a comma between."""
    part: str
    """Designator; of parts that are swapped both, ``R11+R12``."""
    kind: str
    """The word: ``leaky``; ``wrong`` for a value ten times off, ``swapped`` for neighbours in each other's place."""
    words: str
    """In plain words, without the part."""
    changes: Mapping[str, str | float]
    """For ``Unit.changed``."""
    rate: float
    """How often, relative to other faults."""
    mistake: bool
    """Made by a hand; otherwise it comes with age."""


def is_electrolytic(part: Part) -> bool:
    """By what is told of it; see above."""
    if part.kind != "capacitor" or "bias_loss" in part.values or part.values["value"] < LEAST_ELECTROLYTIC_F:
        return False
    return part.tolerance is not None and max(-part.tolerance.low, part.tolerance.high) >= LEAST_TOLERANCE


def class_of(part: Part) -> str:
    """Its kind, or ``electrolytic``: under what it stands in the table of rates."""
    return "electrolytic" if is_electrolytic(part) else part.kind


def faults_of(unit: UnitData, *, mistakes: bool = False, rates: Rates | None = None) -> tuple[Fault, ...]:
    """Every single fault of a unit, part by part; with ``mistakes`` also what a hand may have got wrong: values ten
    times off, neighbours swapped, electrolytics and diodes the wrong way round. Of a part that has a fault there is
    none more.

    >>> import fetsim
    >>> [one.name for one in fetsim.faults_of(fetsim.load_unit("teaching")) if one.part == "C2"]
    ['C2=open', 'C2=short', 'C2=leaky:1M', 'C2=drifted:-30%']
    """
    table = library_rates() if rates is None else rates
    sound = [part for part in unit.parts.values() if not part.defects]
    found = [one for part in sound for one in _failures(unit, part, table)]
    if mistakes:
        found += _mistakes(sound, table[MISTAKES])
    return tuple(found)


def _failures(unit: UnitData, part: Part, rates: Rates) -> Iterator[Fault]:
    own = rates.get(class_of(part), {})
    tried = [one for one in _tried(part) if one.place == "" or one.place != unit.state_of(part)]
    for defect in tried:
        alike = sum(one.word == defect.word for one in tried)
        yield _fault(part, defect, own.get(EACH, 0.0) * own.get(defect.word, 0.0) / alike)


def _tried(part: Part) -> Iterable[Defect]:
    tried = list(FAILURES.get(class_of(part), ()))
    if is_electrolytic(part):
        good_ohm = LOSS_TANGENT / (2.0 * pi * LOSS_HZ * part.values["value"])
        tried.append(Defect("lossy", "", _round(LOSSES * good_ohm)))
    return tried


def _fault(part: Part, defect: Defect, rate: float, *, mistake: bool = False) -> Fault:
    text = defect_text(defect, part.kind)
    return Fault(
        name=f"{part.designator}={text}", part=part.designator, kind=defect.word, rate=rate, mistake=mistake,
        words=defect_words(defect, part.kind), changes={part.designator: text},
    )  # fmt: skip


def _mistakes(parts: Iterable[Part], rates: Mapping[str, float]) -> Iterator[Fault]:
    parts = list(parts)
    for part in parts:
        if class_of(part) in REVERSIBLE:
            yield _fault(part, Defect("reversed", "", 0.0), rates["reversed"], mistake=True)
        if part.kind in SWAPPED:
            for factor in (DECADE, 1.0 / DECADE):
                yield _valued([(part, part.values["value"] * factor)], "wrong", rates["wrong"] / 2.0)
    for part, other in pairwise(one for one in parts if one.kind in SWAPPED):
        a, b = part.values["value"], other.values["value"]
        if part.kind == other.kind and part.stage == other.stage and a != b:
            yield _valued([(part, b), (other, a)], "swapped", rates["swapped"])


def _valued(values: Iterable[tuple[Part, float]], kind: str, rate: float) -> Fault:
    values = list(values)
    texts = [(part, format_value(value, QUANTITIES[part.kind], 12)) for part, value in values]
    said = [f"{text} instead of {format_value(part.values['value'], QUANTITIES[part.kind])}" for part, text in texts]
    return Fault(
        name=", ".join(f"{part.designator}={text.replace(' ', '')}" for part, text in texts),
        part="+".join(part.designator for part, _ in values),
        kind=kind,
        words=f"wrong value, {said[0]}" if kind == "wrong" else "in each other's place",
        changes={part.designator: text for part, text in texts},
        rate=rate,
        mistake=True,
    )


def _round(value: float) -> float:
    """To one figure."""
    digit = 10.0 ** floor(log10(value))
    return round(value / digit) * digit
