"""What is wished for, as it is written: ``release=0.5s``, ``threshold=by -3dB``, ``attack=same``, ``thd@4=1%..2%``.

Behind it may stand how far off is accepted: ``release=0.5s +-10%``. Every wish is in the end a range with a middle.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log

from fetsim.errors import InputError
from fetsim.measurements.bench.bursts import LONGEST_S
from fetsim.rig.request import check_level
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import parse_value
from fetsim.studies.builds.asked import Figure, figure_named
from fetsim.studies.spread.limits import DOTS

SAME, BY, OFF = "same", "by", "+-"
EXAMPLE = "such as release=0.5s, 'threshold=by -3dB', attack=same, 'thd@4=1% +-0.2%' or threshold=-12..-9"
IN_PROPORTION = ("second", "hertz", "share")
"""Quantities of figures that count as ratios; local ratios do too."""
ACCEPTED_SHARE, ACCEPTED_DB, ACCEPTED_V = 0.05, 0.25, 0.05
"""How far off is accepted where nothing is said (own choice): of what counts as a ratio, of levels and gains, of volts
at rest."""
ROUNDING = 1e-9
ORDERED = (("threshold", "threshold_2db"), ("low_corner", "high_corner"))
"""Pairs of figures of which the second cannot lie below the first."""


@dataclass(frozen=True, kw_only=True)
class Want:
    """One figure and where it shall lie."""

    figure: Figure
    low: float
    aim: float
    """In the middle, of what counts as a ratio in the geometric one for a range."""
    high: float
    text: str
    """As it was written."""

    def met(self, value: float) -> bool:
        """Whether a value is inside; one that could not be had is not."""
        slack = ROUNDING * max(abs(self.low), abs(self.high))
        return self.low - slack <= value <= self.high + slack

    def miss(self, value: float) -> float:
        """How far it is from the middle, in half widths of the range; NaN for what could not be had."""
        if not in_proportion(self.figure):
            return 2.0 * (value - self.aim) / (self.high - self.low)
        return 2.0 * log(value / self.aim) / log(self.high / self.low) if value > 0.0 else float("nan")


@dataclass(frozen=True, kw_only=True)
class Asked:
    """One figure and what is written about it; a range comes of it when the present value is known."""

    figure: Figure
    text: str

    def want(self, present: float) -> Want:
        """What it comes to. Raises InputError for what the figure cannot be."""
        low, aim, high = self.read(present)
        self._check(low, aim, high)
        return Want(figure=self.figure, low=low, aim=aim, high=high, text=self.text)

    def read(self, present: float) -> tuple[float, float, float]:
        """Lower end, middle, upper end. Raises InputError for what is written wrong, whatever the present value is."""
        if DOTS in self.text:
            return self._range()
        wanted, sign, off = (piece.strip() for piece in self.text.replace("±", OFF).partition(OFF))
        aim = self._aim(wanted, present)
        low, high = self._around(aim, off if sign else None)
        return low, aim, high

    def _range(self) -> tuple[float, float, float]:
        shown = f"want: '{self.figure.key}={self.text[:40]}'"
        ends = [end.strip() for end in self.text.split(DOTS, 1)]
        if not all(ends):
            raise InputError(f"{shown} has one end; a wish needs both, {EXAMPLE}")
        low, high = (self._number(end, self.figure.quantity) for end in ends)
        if low > high:
            raise InputError(f"{shown} runs backwards; write the lower end first")
        if in_proportion(self.figure) and low > 0.0:
            return low, (low * high) ** 0.5, high
        return low, 0.5 * (low + high), high

    def _aim(self, text: str, present: float) -> float:
        if text == SAME:
            return present
        if not text.startswith(BY):
            return self._number(text, self.figure.quantity)
        return present + self._distance(text.removeprefix(BY).strip(), present)

    def _around(self, aim: float, off: str | None) -> tuple[float, float]:
        if off is not None:
            distance = self._distance(off, aim)
            if not distance > 0.0:
                raise InputError(f"want: {self.figure.key}: {off[:40]!r} is accepted of nothing; give more than zero")
            return aim - distance, aim + distance
        if in_proportion(self.figure):
            return aim * (1.0 - ACCEPTED_SHARE), aim * (1.0 + ACCEPTED_SHARE)
        accepted = ACCEPTED_V if self.figure.quantity == "volt" else ACCEPTED_DB
        return aim - accepted, aim + accepted

    def _distance(self, text: str, of: float) -> float:
        """An amount, or per cent of a value that counts as a ratio or is in volts."""
        relative = in_proportion(self.figure) or self.figure.quantity == "volt"
        if relative and text.endswith("%") and self.figure.quantity != "share":
            return abs(of) * self._number(text, "share")
        return self._number(text, "decibel" if self.figure.unit == "dBu" else self.figure.quantity)

    def _number(self, text: str, quantity: str) -> float:
        try:
            return parse_value(text.removesuffix("dBu").strip() if self.figure.unit == "dBu" else text, quantity)
        except InputError as error:
            raise InputError(f"want: {self.figure.key}: {error}") from None

    def _check(self, low: float, aim: float, high: float) -> None:
        key, shown = self.figure.key, f"want: {self.figure.key}={self.text[:40]}"
        if in_proportion(self.figure) and not low > 0.0:
            raise InputError(f"{shown} would allow {key} to be zero or less, which it never is")
        if self.figure.group == "step" and aim > LONGEST_S:
            raise InputError(f"{shown} is beyond the {LONGEST_S:g} s for which a step is followed")
        if self.figure.unit == "dBu" and self.figure.group == "knee":
            check_level(aim)
        if not low < high:
            raise InputError(f"{shown} leaves no room between its ends; accept more")


def in_proportion(figure: Figure) -> bool:
    """Whether equal ratios of it count as equal."""
    return figure.quantity in IN_PROPORTION or figure.kind == "ratio"


def asked_of(texts: Iterable[str], unit: Unit) -> tuple[Asked, ...]:
    """All wishes, each figure once. Raises InputError."""
    if isinstance(texts, str):
        raise InputError("want: give a list of wishes, not one text")
    found: dict[str, Asked] = {}
    for text in texts:
        one = _asked(str(text), unit)
        if (before := found.get(one.figure.key)) is not None:
            raise InputError(
                f"want: {one.figure.key} is wanted both as {before.text[:40]} and as {one.text[:40]}; keep one of them"
            )
        found[one.figure.key] = one
    if not found:
        raise InputError(f"want: no figure is wished for; give at least one, {EXAMPLE}")
    return tuple(found.values())


def wants_of(asked: Sequence[Asked], present: Mapping[str, float]) -> tuple[Want, ...]:
    """What they come to in a unit that has these figures. Raises InputError, also where two contradict each other."""
    wants = {one.figure.key: one.want(present[one.figure.key]) for one in asked}
    for first, second in ORDERED:
        if first in wants and second in wants and wants[first].low > wants[second].high:
            raise InputError(
                f"want: {first}={wants[first].text} and {second}={wants[second].text} contradict each other: "
                f"{second} never lies below {first}"
            )
    return tuple(wants.values())


def _asked(text: str, unit: Unit) -> Asked:
    name, sign, wanted = (piece.strip() for piece in text.partition("="))
    if not (name and sign and wanted):
        raise InputError(f"want: {text[:60]!r} is not NAME=WANTED, {EXAMPLE}")
    one = Asked(figure=figure_named(name, unit), text=wanted)
    one.read(1.0)  # says what is written wrong before anything is measured
    return one
