"""What can be wrong with a part of each kind: the words for it, where on the part, and how much.

One fault is written ``WORD``, ``WORD:PLACE``, ``WORD:AMOUNT`` or ``WORD:PLACE:AMOUNT``, as ``open``, ``short:be``,
``leaky:10M``, ``dry:emitter:1M``; several of one part are joined by ``+``, in any order. What the words do to the
circuit stands in ``faulty``. An amount that is left out is the usual one of the table.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations

from fetsim.errors import InputError
from fetsim.schematic.fields import suggestion
from fetsim.schematic.model import Defect
from fetsim.schematic.values import format_value, parse_value

SOUND = "sound"
"""Takes the fault of a part, or a bridge, away."""
BRIDGE = "bridge"
BRIDGE_OHM = 1.0
EXAMPLES = {"ohm": "OHM", "share": "PERCENT", "decibel": "DB"}
LIMITS = {"ohm": (1e-3, 1e12), "share": (1e-4, 0.999), "decibel": (0.1, 80.0)}


@dataclass(frozen=True, kw_only=True)
class FaultWord:
    """One thing that can be wrong with a part of a kind."""

    word: str
    says: str
    """In words, with ``{place}`` and ``{amount}`` where it has them."""
    places: Mapping[str, str] = field(default_factory=dict)
    """Name -> how it is told; the first one counts where none is given. Empty: it is wrong as a whole."""
    quantity: str = ""
    """Of the amount: ohm, share or decibel; empty where there is none."""
    usual: float = 0.0
    """The amount where none is given."""
    either_sign: bool = False

    @property
    def form(self) -> str:
        """How it is written, as ``leaky:OHM``."""
        place = f":{'/'.join(self.places)}" if self.places else ""
        return f"{self.word}{place}{f':{EXAMPLES[self.quantity]}' if self.quantity else ''}"


    @property
    def example(self) -> str:
        """At its usual strength."""
        amount = f":{_written(self, self.usual)}" if self.quantity else ""
        return f"{self.word}{''.join(f':{place}' for place in [*self.places][:1])}{amount}"


def _word(word: str, says: str, places: Mapping[str, str] | None = None, quantity: str = "", usual: float = 0.0,
          either_sign: bool = False) -> FaultWord:  # fmt: skip
    return FaultWord(
        word=word, says=says, places=places or {}, quantity=quantity, usual=usual, either_sign=either_sign
    )


DRIFTED = _word("drifted", "off its value by {amount}", quantity="share", usual=0.2, either_sign=True)
OPEN, SHORT = _word("open", "open"), _word("short", "shorted")
REVERSED = _word("reversed", "the wrong way round")
NOISY = _word("noisy", "noisy, {amount} over what it should be", quantity="decibel", usual=20.0)
DRY = _word("dry", "dry joint of {amount}", quantity="ohm", usual=1e6)
DIRTY = _word("dirty", "dirty wiper, {amount}", quantity="ohm", usual=10e3)
WEAK = _word("weak", "weak: {amount} less than it should be", quantity="share", usual=0.5)
JUNCTIONS = {"be": "base and emitter", "bc": "base and collector", "ce": "collector and emitter"}
ENDS = {"gs": "gate and source", "gd": "gate and drain", "ds": "drain and source"}
WINDINGS = {"primary": "primary", "secondary": "secondary"}


def _dry_at(*leads: str) -> FaultWord:
    return _word("dry", "dry joint of {amount} at its {place}", {lead: lead for lead in leads}, "ohm", 1e6)


def _between(places: Mapping[str, str], usual_ohm: float) -> tuple[FaultWord, FaultWord]:
    return (
        _word("short", "{place} shorted", places),
        _word("leaky", "leaks between {place}, {amount}", places, "ohm", usual_ohm),
    )


FET = (
    _word("open", "{place} open", {"drain": "drain", "source": "source", "gate": "gate"}),
    *_between(ENDS, 10e6), WEAK, NOISY, _dry_at("drain", "source", "gate"),
)  # fmt: skip
JUNCTION = (OPEN, SHORT, _word("leaky", "leaks, {amount} across it", quantity="ohm", usual=1e6), REVERSED, DRY)
FAULT_WORDS: Mapping[str, tuple[FaultWord, ...]] = {
    "resistor": (OPEN, SHORT, DRIFTED, NOISY, DRY),
    "capacitor": (
        OPEN, SHORT, _word("leaky", "leaks, {amount} across it", quantity="ohm", usual=1e6),
        _word("lossy", "lossy, {amount} in series", quantity="ohm", usual=100.0), DRIFTED,
        _word("dried", "dried out by {amount}", quantity="share", usual=0.8), REVERSED, DRY,
    ),
    "inductor": (OPEN, SHORT, DRIFTED, DRY),
    "diode": JUNCTION,
    "zener": JUNCTION,
    "bjt": (
        _word("open", "{place} open", {"base": "base", "emitter": "base-emitter junction or emitter",
                                       "collector": "base-collector junction or collector"}),
        *_between(JUNCTIONS, 1e6), WEAK, NOISY, _dry_at("base", "emitter", "collector"),
    ),
    "jfet": FET,
    "mosfet": FET,
    "opamp": (
        _word("stuck", "output stuck {place}", {"high": "at its positive rail", "low": "at its negative rail"}),
        _word("dead", "dead, its output floats"), NOISY,
    ),
    "amplifier": (_word("dead", "dead, no output"),),
    "potentiometer": (
        DIRTY, _word("open", "{place} open", {"wiper": "wiper", "top": "top of the track", "bottom": "bottom of it"}),
        DRIFTED, NOISY,
    ),
    "rheostat": (DIRTY, OPEN, DRIFTED, NOISY),
    "switch": (
        _word("stuck", "stuck {place}", {"open": "open", "closed": "closed"}),
        _word("dirty", "dirty contacts, {amount}", quantity="ohm", usual=1e3),
    ),
    "selector": (_word("dirty", "dirty contacts, {amount}", quantity="ohm", usual=1e3), _word("open", "open contacts")),
    "transformer": (
        _word("open", "{place} open", WINDINGS),
        _word("shorted", "{amount} of its turns shorted", quantity="share", usual=0.01),
    ),
    "winding": (OPEN, DRY),
    "supply": (_word("open", "open (fuse, wire)"), _word("weak", "low by {amount}", quantity="share", usual=0.2),
               _word("dead", "dead, 0 V")),
    "mains": (_word("open", "open (fuse, wire, switch)"),
              _word("weak", "low by {amount}", quantity="share", usual=0.15), _word("dead", "dead, 0 V")),
    "meter": (OPEN, SHORT),
    "input": (),
    "output": (),
}  # fmt: skip
"""Kind of part -> what can be wrong with it. Input and output are what is plugged in."""

WORDS = {one.word for words in FAULT_WORDS.values() for one in words}


def is_fault(value: object) -> bool:
    """Whether a value of a change is a fault, or takes one away; a colon behind a word tells a mistyped one."""
    first, colon, _ = str(value).partition("+")[0].partition(":")
    return isinstance(value, str) and (first.strip() in (*WORDS, SOUND) or (colon != "" and first.strip().isalpha()))


def parse_defects(text: str, kind: str) -> tuple[Defect, ...]:
    """What is wrong with a part of that kind, as it is written; nothing for ``sound``. Raises InputError.

    >>> parse_defects("leaky:10M", "capacitor")
    (Defect(word='leaky', place='', amount=10000000.0),)
    """
    if text.strip() in ("", SOUND):
        return ()
    found = tuple(_parse(piece.strip(), kind) for piece in text.split("+"))
    said = [(one.word, one.place) for one in found]
    if len(set(said)) < len(said):
        raise InputError(f"{text[:40]!r} says one fault twice")
    for one, other in combinations(found, 2):
        if _exclude(one, other):
            raise InputError(
                f"{text[:40]!r}: {defect_text(one, kind)} and {defect_text(other, kind)} exclude each other; "
                "leave one of them out"
            )
    return found


def _exclude(one: Defect, other: Defect) -> bool:
    """Whether a part cannot have both: of what stands still it is one state only."""
    words = {one.word, other.word}
    return words in ({"stuck"}, {"stuck", "dead"}) or (words == {"open", "short"} and one.place == other.place)


def _parse(text: str, kind: str) -> Defect:
    word, *rest = (piece.strip() for piece in text.split(":"))
    words = {one.word: one for one in FAULT_WORDS[kind]}
    if word not in words:
        if not words:
            raise InputError(f"{text[:40]!r}: nothing can be wrong with the {kind} itself: it is what is plugged in")
        choices = ", ".join(one.form for one in words.values())
        bearer = f"an {kind}" if kind[0] in "aio" else f"a {kind}"
        hint = suggestion(word, words)
        raise InputError(f"{word[:40]!r} is no fault of {bearer}{hint}; choices: {choices}, {SOUND}")
    of = words[word]
    place = next(iter(of.places), "")
    if rest and rest[0] in of.places:
        place, *rest = rest
    elif rest and of.places and (not of.quantity or len(rest) > 1):
        hint = suggestion(rest[0], of.places)
        raise InputError(f"{text[:40]!r}: there is no {rest[0][:20]!r} here{hint}; choices: {', '.join(of.places)}")
    if len(rest) > (1 if of.quantity else 0):
        raise InputError(f"{text[:40]!r} has more behind it than it takes; write it as {of.form}")
    return Defect(word, place, _amount(of, rest[0], text) if rest else of.usual)


def _amount(of: FaultWord, written: str, text: str) -> float:
    try:
        found = parse_value(written, of.quantity)
    except InputError as error:
        raise InputError(f"{text[:40]!r}: {error}") from None
    low, high = LIMITS[of.quantity]
    if of.either_sign:
        if not -high <= found <= 100.0 or found == 0.0:
            raise InputError(f"{text[:40]!r}: a drift is from -99.9 % to +10000 %")
    elif not low <= found <= high:
        limits = f"{format_value(low, of.quantity)} to {format_value(high, of.quantity)}"
        raise InputError(f"{text[:40]!r}: {of.word} takes {limits}")
    return found


def defect_text(defect: Defect, kind: str) -> str:
    """As it is written, in full."""
    of = _of(defect, kind)
    amount = f":{_written(of, defect.amount)}" if of.quantity else ""
    return f"{defect.word}{f':{defect.place}' if defect.place else ''}{amount}"


def defect_words(defect: Defect, kind: str) -> str:
    """In plain words, as ``leaks, 10 Mohm across it``."""
    of = _of(defect, kind)
    amount = format_value(defect.amount, of.quantity, 3) if of.quantity else ""
    if of.either_sign and defect.amount > 0.0:
        amount = f"+{amount}"
    return of.says.format(place=of.places.get(defect.place, ""), amount=amount)


def _of(defect: Defect, kind: str) -> FaultWord:
    return next(one for one in FAULT_WORDS[kind] if one.word == defect.word)


def _written(of: FaultWord, amount: float) -> str:
    text = format_value(amount, of.quantity).replace(" ", "")
    return text.removesuffix("ohm") if of.quantity == "ohm" else text
