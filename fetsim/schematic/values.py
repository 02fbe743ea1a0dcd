"""Values as engineers write them, ``4k7``, ``0.15u``, ``47 Ω``, ``12mA``, ``1%``, to SI numbers and back.

Letter codes (the multiplier stands where the decimal point would) and tolerance letters are those of IEC
60062:2016, known here from secondary sources and from memory. The parser is strict: the quantity that is
wanted is given, an amount in another unit is an error, and nothing is guessed. Prefixes: f p n u m k M G T;
``m`` is always milli, and ``M`` (mega) is taken with ohm and hertz only, because a capital M behind a capacitor is more
often a slip than a megafarad. Slew rates stay in V/us, as every datasheet has them.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from math import floor, isfinite, isinf, log10

from fetsim.errors import InputError

PREFIXES = {  # powers of ten; micro is also written with either Greek letter
    "f": -15, "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9, "T": 12,
}  # fmt: skip
LARGE = "MGT"  # prefixes taken with these only:
OF_LARGE = ("ohm", "hertz")

# IEC 60062 tolerance letters, in per cent; for capacitors below 10 pF the standard reads B, C, D as
# picofarad, which is not supported here.
LETTER_TOLERANCES = {
    "B": (-0.1, 0.1), "C": (-0.25, 0.25), "D": (-0.5, 0.5), "F": (-1.0, 1.0), "G": (-2.0, 2.0),
    "J": (-5.0, 5.0), "K": (-10.0, 10.0), "M": (-20.0, 20.0), "N": (-30.0, 30.0),
    "Q": (-10.0, 30.0), "T": (-10.0, 50.0), "S": (-20.0, 50.0), "Z": (-20.0, 80.0),
}  # fmt: skip

SHARES = {  # spellings that are a share of what their quantity counts in: powers of ten
    "plain": {"%": -2}, "share": {"%": -2}, "per_kelvin": {"%/K": -2, "ppm/K": -6, "ppm": -6},
}  # fmt: skip

_DIGITS = r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_PLAIN = re.compile(rf"([+-]?{_DIGITS}) ?([^0-9 ].*|1?/V)?")
_LETTER_CODE = re.compile(r"([+-]?)([0-9]*)([^0-9\s.+-])([0-9]+) ?(\D*)")
_ONE_PERCENT = re.compile(rf"(?:\+-|±)? ?({_DIGITS}) ?%")
_TWO_PERCENTS = re.compile(rf"([+-]{_DIGITS}) ?%? ?/ ?([+-]{_DIGITS}) ?%")
_LONGEST = 60  # characters of an amount; longer ones are no amounts


@dataclass(frozen=True)
class Quantity:
    """One physical quantity: how its unit is written, which letter may stand for the point, an example."""

    symbol: str
    spellings: tuple[str, ...]
    point: str
    example: str


QUANTITIES = {
    "ohm": Quantity("ohm", ("ohm", "ohms", "Ohm", "Ohms", "Ω", "\u2126"), "R", "4k7, 10k or R47"),
    "farad": Quantity("F", ("F", "farad"), "F", "220n, 4n7 or 0.15u"),
    "henry": Quantity("H", ("H", "henry"), "H", "2mH or 20H"),
    "volt": Quantity("V", ("V", "volt", "volts"), "V", "24V or -4.5V"),
    "ampere": Quantity("A", ("A", "ampere", "amperes"), "A", "12mA or 5fA"),
    "watt": Quantity("W", ("W", "watt", "watts"), "W", "0.25W"),
    "hertz": Quantity("Hz", ("Hz",), "", "20Hz or 1kHz"),
    "volt_per_microsecond": Quantity("V/us", ("V/us", "V/µs", "V/μs"), "", "13 or 13V/us"),
    "volt_per_root_hertz": Quantity("V/rtHz", ("V/rtHz", "V/√Hz"), "", "18nV/rtHz"),
    "ampere_per_root_hertz": Quantity("A/rtHz", ("A/rtHz", "A/√Hz"), "", "0.5pA/rtHz"),
    "weber": Quantity("Vs", ("Vs", "Wb", "weber"), "", "0.06 or 60mVs"),
    "per_volt": Quantity("/V", ("/V", "1/V"), "", "0.006 or 0.006/V"),
    "siemens": Quantity("S", ("S", "siemens"), "S", "4mS"),
    "volt_per_kelvin": Quantity("V/K", ("V/K",), "", "1.2mV/K"),
    "per_kelvin": Quantity("ppm/K", ("/K", "1/K"), "", "50ppm/K or 0.39%/K"),
    "kelvin_per_watt": Quantity("K/W", ("K/W",), "", "200K/W"),
    "second": Quantity("s", ("s",), "", "20ms or 300s"),
    "decibel": Quantity("dB", ("dB",), "", "-20dB"),
    "electronvolt": Quantity("eV", ("eV",), "", "1.12eV"),
    "share": Quantity("%", (), "", "0.2% or 0.002"),
    "plain": Quantity("", (), "", "0.3"),
}


@dataclass(frozen=True)
class Tolerance:
    """How far a part may lie from its value, as fractions: 5 % is low -0.05, high +0.05."""

    low: float
    high: float

    def __str__(self) -> str:
        low, high = 100.0 * self.low, 100.0 * self.high
        return f"{high:g} %" if low == -high else f"{low:+g}/{high:+g} %"


def parse_value(raw: object, quantity: str) -> float:
    """Read a number, or a text such as ``"4k7"``, as an amount of a quantity, in SI units.

    ``quantity`` is a key of QUANTITIES. Raises InputError with one sentence when the text is no such amount.
    """
    if isinstance(raw, int | float) and not isinstance(raw, bool):
        return _finite(raw, raw)
    if not isinstance(raw, str):
        raise InputError(f"{_shown(raw)} is not an amount; write it as {QUANTITIES[quantity].example}")
    text = " ".join(raw[: _LONGEST + 1].split())
    number = None if len(raw) > _LONGEST else _amount(text, quantity)
    if number is None:
        raise InputError(_complaint(text, quantity))
    return _finite(number, raw)


def parse_tolerance(raw: object) -> Tolerance:
    """Read ``"5%"``, ``"+-5%"``, ``"-20/+80%"`` or an IEC 60062 letter (``"J"``); else InputError."""
    text = " ".join(raw.split()) if isinstance(raw, str) else ""
    if text in LETTER_TOLERANCES:
        low, high = LETTER_TOLERANCES[text]
    elif match := _ONE_PERCENT.fullmatch(text):
        high = float(match[1])
        low = -high
    elif match := _TWO_PERCENTS.fullmatch(text):
        low, high = sorted((float(match[1]), float(match[2])))
    else:
        raise InputError(
            f"{_shown(raw)} is not a tolerance; write 5%, -20/+80% or a letter of IEC 60062 such as J"
        )
    if not -100.0 < low <= 0.0 <= high <= 100.0:
        raise InputError(f"{_shown(raw)} is outside what a tolerance can be (0 % to 100 %)")
    return Tolerance(low / 100.0, high / 100.0)


def format_value(number: float, quantity: str, digits: int = 6) -> str:
    """Write an amount for people, ``"4.7 kohm"``; ``parse_value`` reads it back to ``digits`` figures."""
    symbol = QUANTITIES[quantity].symbol
    if isinf(number):
        return "infinite" if number > 0 else "-infinite"
    if quantity in ("per_kelvin", "share"):
        return f"{number * (1e6 if quantity == 'per_kelvin' else 100.0):.{digits}g} {symbol}"
    rounded = float(f"{number:.{digits - 1}e}")
    if symbol in ("", "/V", "V/us", "dB") or rounded == 0.0:
        return f"{rounded:.{digits}g} {symbol}".rstrip()
    power = 3 * floor(log10(abs(rounded)) / 3 + 1e-12)
    power = min(max(power, -15), 12 if quantity in OF_LARGE else 3)
    prefix = {-15: "f", -12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}[power]
    return f"{rounded / 10.0**power:.{digits}g} {prefix}{symbol}"


def _amount(text: str, quantity: str) -> float | None:
    """The amount written in ``text``, or None when it is not one of this quantity."""
    wanted = QUANTITIES[quantity]
    if match := _PLAIN.fullmatch(text):
        scale = _scale(match[2] or "", wanted)
        if scale is not None:
            return float(Decimal(match[1]).scaleb(scale))
    if match := _LETTER_CODE.fullmatch(text):
        sign, whole, letter, decimals, unit = match.groups()
        scale = 0 if letter == wanted.point else _prefix(letter, wanted)
        if scale is not None and (unit == "" or (unit in wanted.spellings and letter != wanted.point)):
            return float(Decimal(f"{sign}{whole or 0}.{decimals}").scaleb(scale))
    return None


def _scale(unit: str, wanted: Quantity) -> int | None:
    """Power of ten of what stands behind a number (nothing, k, kohm, Ω); None when that is unknown."""
    if unit == "" or unit in wanted.spellings or unit == wanted.point:
        return 0
    for quantity, shares in SHARES.items():
        if wanted is QUANTITIES[quantity] and unit in shares:
            return shares[unit]
    if unit[1:] == "" or unit[1:] in wanted.spellings:
        return _prefix(unit[0], wanted)
    return None


def _prefix(letter: str, wanted: Quantity) -> int | None:
    if not wanted.spellings or (letter in LARGE and wanted not in [QUANTITIES[one] for one in OF_LARGE]):
        return None
    return PREFIXES.get(letter)


def _finite(number: float, raw: object) -> float:
    try:
        value = float(number)
    except OverflowError:
        raise InputError("a number of more than 308 digits is not an amount") from None
    if not isfinite(value):
        raise InputError(f"{_shown(raw)} is not a finite number")
    return value


def _complaint(text: str, quantity: str) -> str:
    example = QUANTITIES[quantity].example
    wanted = "a plain number" if quantity == "plain" else f"an amount in {quantity.replace('_', ' ')}"
    if "," in text:
        return f"{_shown(text)} has a comma; write a decimal point"
    for other in QUANTITIES:
        if other != quantity and _names_unit(text, other):
            return f"{_shown(text)} is in {other.replace('_', ' ')}; {wanted} is wanted, as {example}"
    if "M" in text and _amount(text.replace("M", "m", 1), quantity) is not None:
        return f"{_shown(text)}: M (mega) is taken with ohm and hertz only; m is milli"
    return f"{_shown(text)} is not {wanted}; write it as {example}"


def _names_unit(text: str, quantity: str) -> bool:
    """Whether the text is an amount of that quantity with its unit spelt out."""
    return _amount(text, quantity) is not None and text.endswith(QUANTITIES[quantity].spellings)


def _shown(raw: object) -> str:
    """An input in a message: short, on one line, whatever it holds."""
    if isinstance(raw, str):
        text = repr(raw[:_LONGEST])
    elif isinstance(raw, int | float):
        text = str(raw) if isinstance(raw, float) or abs(raw) < 1e15 else "a large number"
    else:
        text = f"a {type(raw).__name__}"
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."
