"""Building blocks of a unit file's tables: amounts within limits, names, texts, and mistakes as sentences.

Together with ``schema.py`` the only code that knows pydantic. The limits keep slips out (a coupling capacitor
of 5 farad); they are wider than anything a unit of this sort holds.
"""

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from math import inf
from typing import Annotated, Any, TypeVar, get_args

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, PlainValidator, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, ErrorDetails, core_schema

from fetsim.errors import InputError
from fetsim.safe_text import is_safe
from fetsim.schematic.stepped import OFF, OFF_DB
from fetsim.schematic.taper import TAPERS
from fetsim.schematic.values import QUANTITIES, Tolerance, format_value, parse_tolerance, parse_value

NAME = re.compile(r"\w[\w-]{0,39}")
NAME_RULE = "letters, digits, _ and -, at most 40"
PLAIN_NUMBER = re.compile(r"[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?")
NODE = re.compile(r"[\w+-]{1,40}")
LISTS = {
    "poles": "must be a list of poles, one at the least",
    "positions": 'must be a list of two names at the least, as ["soft", "hard"]',
    "contacts": "must be a list of nodes, one for each position",
    "rectifier_nodes": 'must be a list of nodes, as ["a"]',
    "parts": 'must be a list of two parts at the least, as ["R55", "R56"]',
    "closed": "must be a list of switches",
    "joined": 'must be pairs of nodes, as [["left_ctl", "right_ctl"]]',
    "taken_out": 'must be a list of names, as ["R4", "C1"]',
}
MOST_BRANCHES = 12
MOST_MARKS = 40
MOST_STEPS = 60
STEPS_FORM = 'a list as ["off", "-40dB", "-20dB", "0dB"], or "-46dB:0dB:2dB"'
MARKS_EXAMPLE = '[["0dB", "95%"], ["10dB", "50%"], ["20dB", "10%"]]'


class Table(BaseModel):
    """Base of all tables: a key that is not in the model is a mistake, never ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True)


AnyTable = TypeVar("AnyTable", bound=Table)


def checked(model: type[AnyTable], raw: object) -> tuple[AnyTable | None, list[tuple[str, str]]]:
    """The table, or None and every mistake in it as (key, sentence)."""
    if not isinstance(raw, Mapping):
        return None, [("", "must be a table of keys")]
    try:
        return model.model_validate(dict(raw)), []
    except ValidationError as error:
        return None, list(dict.fromkeys(_sentence(model, detail) for detail in error.errors(include_url=False)))


def suggestion(word: str, choices: Iterable[str]) -> str:
    """``; did you mean R5?`` or nothing."""
    by_lower = {choice.lower(): choice for choice in choices}
    close = get_close_matches(word[:40].lower(), list(by_lower), n=1)
    return f"; did you mean {by_lower[close[0]]}?" if close else ""


@lru_cache
def quantities(model: type[Table]) -> Mapping[str, str]:
    """Key -> quantity, for every key of a table that holds an amount."""
    found = {key: within(info) for key, info in model.model_fields.items()}
    return {key: amount.quantity for key, amount in found.items() if amount is not None}


def within(info: FieldInfo) -> "Within | None":
    """The range of a key that holds an amount; None for any other key."""
    return next((mark for mark in _marks(info) if isinstance(mark, Within)), None)


def form(info: FieldInfo) -> "Form | None":
    """How a key that holds no amount is written, where its type does not tell."""
    return next((mark for mark in _marks(info) if isinstance(mark, Form)), None)


def _marks(info: FieldInfo) -> list[Any]:
    """What stands beside the type of a key, or beside the types between which it may choose."""
    return [*info.metadata, *(mark for choice in get_args(info.annotation) for mark in get_args(choice))]


@dataclass(frozen=True)
class Form:
    """How the value of a key is written, in words, and the words it may be where they are few."""

    words: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Bare:
    """A number without a unit that is asked back, as it makes an amount that nobody means: 0.33 farads."""

    most: float
    """Amount from which on a number is asked back."""
    meant: tuple[str, ...]
    """What to write behind it instead, the likeliest first."""
    most_typed: float = inf
    """From which on even, where it is typed as a plain decimal, not calculated somewhere."""

    def complaint(self, raw: object, number: float, within: "Within") -> str:
        """Why the number is asked back; empty when it is believed or has a unit."""
        typed = raw.strip() if isinstance(raw, str) else ""
        if typed and not PLAIN_NUMBER.fullmatch(typed):
            return ""
        decimal = typed and "e" not in typed.lower()
        if abs(number) < (min(self.most, self.most_typed) if decimal else self.most):
            return ""
        text, shown = typed or f"{number:g}", format_value(number, within.quantity)
        likeliest, *others = self.meant
        or_others = f" (or {', '.join(others)})" if others else ""
        complaint = f"{text} without a unit is {shown}; write {text}{likeliest}{or_others} if that is meant"
        if not within.low <= number <= within.high:
            return complaint
        return f"{complaint}, or {shown.replace(' ', '')} to have it so"


@dataclass(frozen=True)
class Within:
    """An amount of one quantity inside a range, written as a number or as text."""

    quantity: str
    low: float
    high: float
    otherwise: str = ""
    """What to do for a value that is none of these, in words."""
    bare: Bare | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def read(self, raw: object) -> float:
        """The amount in SI units; ValueError when it is none or lies outside the range."""
        otherwise = f"; {self.otherwise}" if self.otherwise else ""
        try:
            number = parse_value(raw, self.quantity)
        except InputError as error:
            raise ValueError(f"{error}{otherwise}") from None
        asked = "" if self.bare is None else self.bare.complaint(raw, number, self)
        if asked:
            raise ValueError(asked)
        if not self.low <= number <= self.high:
            low, high, shown = (format_value(x, self.quantity) for x in (self.low, self.high, number))
            raise ValueError(f"{shown} is outside {low} to {high}{otherwise}")
        return number


STEP_DB = Within("decibel", -200.0, 200.0)
MARK_DB, MARK_SHARE = Within("decibel", -20.0, 60.0), Within("share", -0.2, 1.2)
BRANCH_SHARE, BRANCH_TIME = Within("share", 1e-9, 1.0), Within("second", 1e-6, 1e9)


def _tolerance(raw: object) -> Tolerance:
    try:
        return parse_tolerance(raw)
    except InputError as error:
        raise ValueError(str(error)) from None


def _branches(raw: object) -> tuple[tuple[float, float], ...]:
    pairs = _pairs(raw)
    if pairs is None or len(pairs) > MOST_BRANCHES:
        example = '[["0.1%", "1s"], ["0.2%", "100s"]]'
        raise ValueError(f"must be at most {MOST_BRANCHES} pairs of share and time constant, as {example}")
    return tuple((BRANCH_SHARE.read(share), BRANCH_TIME.read(second)) for share, second in pairs)


def _marks_of_scale(raw: object) -> tuple[tuple[float, float], ...]:
    pairs = _pairs(raw)
    if pairs is None or not 2 <= len(pairs) <= MOST_MARKS:
        raise ValueError(f"must be 2 to {MOST_MARKS} pairs of gain reduction and share, as {MARKS_EXAMPLE}")
    marks = tuple((MARK_DB.read(decibel), MARK_SHARE.read(share)) for decibel, share in pairs)
    decibels, shares = zip(*marks, strict=True)
    if list(decibels) != sorted(set(decibels)) or list(shares) not in (
        sorted(set(shares)), sorted(set(shares), reverse=True)
    ):  # fmt: skip
        raise ValueError("must rise in dB from mark to mark, and rise or fall in the share of full scale all the way")
    return marks


def _pairs(raw: object) -> list[Any] | None:
    """A list of pairs; None for anything else."""
    found = [pair for pair in raw if isinstance(pair, list | tuple) and len(pair) == 2] if isinstance(raw, list) else []
    return found if isinstance(raw, list) and len(found) == len(raw) else None


def _steps_of_attenuator(raw: object) -> tuple[float, ...]:
    if isinstance(raw, str):
        edges = [STEP_DB.read(text) for text in raw.split(":")]
        if len(edges) != 3 or edges[2] <= 0.0 or not 0.0 < (edges[1] - edges[0]) / edges[2] <= MOST_STEPS:
            what = f"is not FROM:TO:STEP in dB, rising, of at most {MOST_STEPS} steps"
            raise ValueError(f"{raw[:40]!r} {what}; {STEPS_FORM}")
        count = int((edges[1] - edges[0]) / edges[2] + 1e-6) + 1
        steps = [edges[0] + edges[2] * k for k in range(count)]
    elif isinstance(raw, list):
        steps = [OFF_DB if one == OFF else STEP_DB.read(one) for one in raw]
    else:
        raise ValueError(f"must be {STEPS_FORM}")
    if not 2 <= len(steps) <= MOST_STEPS or steps != sorted(set(steps)) or steps[-1] > 0.0:
        raise ValueError(f"must be 2 to {MOST_STEPS} steps that rise to 0 dB at the most; {STEPS_FORM}")
    return tuple(steps)


def _line_of_text(text: str) -> str:
    if text.isascii() and text.isprintable():  # most text, and quick
        return text
    if any(unicodedata.category(letter)[0] == "C" or not is_safe(letter) for letter in text):
        raise ValueError("holds a line break or another control character")
    return text


def _line_of_sheet(raw: object) -> float | str:
    if isinstance(raw, bool) or not isinstance(raw, int | float | str):
        raise ValueError("must be an amount, a number or a text as in \"12mA\"")
    return raw


def _name(text: str) -> str:
    if not NAME.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is not a name: {NAME_RULE}")
    return text


def _node(text: str) -> str:
    if not NODE.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is not a node name: letters, digits, _, + and -, at most 40")
    return text


def _digits(raw: object) -> object:
    return str(raw) if isinstance(raw, int) and not isinstance(raw, bool) else raw


def _known_taper(text: str) -> str:
    if text not in TAPERS:
        raise ValueError(
            f"unknown taper {text[:40]!r}{suggestion(text, TAPERS)}; choices: {', '.join(TAPERS)}"
        )
    return text


Text = Annotated[str, AfterValidator(_line_of_text), Form("text in quotes, one line")]
Name = Annotated[str, AfterValidator(_name), Form(f"a name: {NAME_RULE}")]
Node = Annotated[str, BeforeValidator(_digits), AfterValidator(_node), Form('a node, as "a"; "0" is ground')]
TwoNodes = Annotated[tuple[Node, Node], Form('two nodes, as ["a", "b"]; "0" is ground')]
Taper = Annotated[str, AfterValidator(_known_taper), Form("one of the tapers", tuple(TAPERS))]
ToleranceOf = Annotated[Tolerance, PlainValidator(_tolerance), Form("5%, -20/+80% or a letter of IEC 60062 such as J")]

Branches = Annotated[
    tuple[tuple[float, float], ...],
    PlainValidator(_branches),
    Form('pairs of share of the capacitance and time constant, as [["0.1%", "1s"], ["0.2%", "100s"]]'),
]

Steps = Annotated[tuple[float, ...], PlainValidator(_steps_of_attenuator), Form(f"steps, {STEPS_FORM}")]

Line = Annotated[float | str, PlainValidator(_line_of_sheet), Form("an amount, as 12mA")]

Marks = Annotated[
    tuple[tuple[float, float], ...],
    PlainValidator(_marks_of_scale),
    Form(f"pairs of gain reduction and share of the full-scale current, as {MARKS_EXAMPLE}"),
]

Ohm = Annotated[float, Within("ohm", 1e-3, 1e12)]
Farad = Annotated[float, Within("farad", 1e-16, 1.0, bare=Bare(10e-3, ("u", "n", "p"), most_typed=1e-3))]
Henry = Annotated[float, Within("henry", 1e-9, 1e4)]
Rail = Annotated[float, Within("volt", -1000.0, 1000.0)]
Positive = Annotated[float, Within("volt", 1e-3, 1e4)]
Ampere = Annotated[float, Within("ampere", 1e-18, 100.0)]
SmallAmpere = Annotated[float, Within("ampere", 1e-18, 100.0, bare=Bare(1.0, ("m", "u", "n")))]
SmallHenry = Annotated[float, Within("henry", 1e-9, 1e4, bare=Bare(1.0, ("m", "u")))]
Watt = Annotated[float, Within("watt", 1e-3, 1e4)]
Fraction = Annotated[float, Within("plain", 0.0, 1.0)]
Celsius = Annotated[float, Within("plain", -55.0, 125.0)]
CurrentGain = Annotated[float, Within("plain", 0.01, 1e5)]
Ideality = Annotated[float, Within("plain", 0.5, 10.0)]


def _sentence(model: type[Table], detail: ErrorDetails) -> tuple[str, str]:
    """One mistake that pydantic found, as (key, sentence)."""
    path = [str(step) for step in detail["loc"]]
    key = ".".join(path)
    match detail["type"]:
        case "extra_forbidden":
            choices = list(_table_at(model, path[:-1]).model_fields)
            return key, f"unknown key{suggestion(path[-1], choices)}; choices: {', '.join(choices)}"
        case "missing" if path[-1].isdigit():
            return ".".join(path[:-1]), "needs two nodes"
        case "missing":
            return key, f"is missing{_wanted(_table_at(model, path[:-1]).model_fields.get(path[-1]))}"
        case "value_error":
            return key, str(detail["ctx"]["error"])
        case "literal_error":
            word = str(detail["input"])[:40]
            choices = detail["ctx"]["expected"].replace("'", "").replace(" or ", ", ").split(", ")
            return key, f"unknown choice {word!r}{suggestion(word, choices)}; choices: {', '.join(choices)}"
        case "too_long" | "too_short" | "tuple_type":
            return key, LISTS.get(path[-1], 'needs two nodes, as ["a", "b"]')
        case "string_type":
            return key, "must be a text in quotes"
        case "bool_type":
            return key, "must be true or false"
        case "model_type" | "model_attributes_type" | "dict_type":
            inner = _table_at(model, path)
            keys = "" if inner is model else f" with {', '.join(inner.model_fields)}"
            return key, f"must be a table{keys}"
        case _:
            return key, detail["msg"]


def _wanted(info: FieldInfo | None) -> str:
    """What a key that holds an amount means and how it is written; nothing for another one."""
    amount = None if info is None else within(info)
    if info is None or amount is None or amount.quantity == "plain":
        return ""
    return f"; {info.description or 'its amount'}, as {QUANTITIES[amount.quantity].example}"


def _table_at(model: type[Table], path: list[str]) -> type[Table]:
    """The innermost table that a path of keys leads into."""
    for key in path:
        info = model.model_fields.get(key)
        if info is None:
            continue  # a free name, as of a control in the table of controls
        for choice in (info.annotation, *get_args(info.annotation)):
            if isinstance(choice, type) and issubclass(choice, Table):
                model = choice
    return model
