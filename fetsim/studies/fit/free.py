"""What may differ in the real unit: values by their logarithm over the file's, controls by their position, each with
what is known of it before.

``R12`` lies within the tolerance of the file, a figure of a device within the limits of its sheet, I_DSS and V_P
together, as ``schematic.spreads`` has them; ``R12=47k..150k`` anywhere between, ``R12=any`` anywhere within a decade
either way. So do what has no tolerance, and controls over their turn. For the search a law is the normal one of its
mean and standard deviation.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf, log

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.schematic.schema import MAIN_KEYS
from fetsim.schematic.spreads import Drawn, spreads_of
from fetsim.schematic.unit import Unit
from fetsim.studies.wish.ways import ANY, Way, ways_of

MOST_FREE = 40
QUANTILES = (np.arange(2000) + 0.5) / 2000
"""At which the mean and the deviation of a law are taken."""
DECADE = log(10.0)
NEAR_TURN, NEAR_VALUE = 0.15, 0.5
"""Standard deviation of a control's position and of a value's logarithm about which nothing is known, while a search
is far off (own choice: what hands and eyes see)."""
SEED = 1
FAR = 1.0
"""How far a value with a tolerance may go in the search, in its logarithm; a control from end to end."""


@dataclass(frozen=True, kw_only=True)
class Free:
    """One value that may differ."""

    name: str
    """As a change takes it."""
    present: float
    quantity: str
    turn: bool
    """Whether it is a control: then its place is its position, else the logarithm of value over ``present``."""
    low: float
    """Ends of its place."""
    high: float
    middle: float
    """Of what is known before,"""
    sigma: float
    """and its standard deviation; infinite where nothing is."""
    known: str
    """The same in words."""
    asked: bool = True
    """Whether it was named; others only vary along."""

    @property
    def start(self) -> float:
        """Place of the unit as it is."""
        return self.present if self.turn else 0.0

    def value(self, place: float) -> float:
        """Value or position there."""
        return place if self.turn else self.present * float(np.exp(place))


@dataclass(frozen=True, kw_only=True, eq=False)
class Prior:
    """What is known before anything is read; normal."""

    middle: Array
    """[shape=(values,)]"""
    precision: Array
    """Inverse of the covariance, zero for what is not known [shape=(values, values)]."""


def frees_of(texts: Iterable[str], unit: Unit, *, others: bool = False) -> tuple[tuple[Free, ...], Prior]:
    """What is asked for, and with ``others`` all else that has a tolerance; what is known of them together. Raises
    InputError."""
    if isinstance(texts, str):
        raise InputError("free: give a list of names, not one text")
    spreads = spreads_of(unit)
    drawn = {one.spread.name: one for one in spreads.drawn if one.spread.nominal != 0.0}  # offsets have no proportion
    found = [_free(str(text).strip(), drawn, unit) for text in texts]
    names = [one.name for one in found]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"free: {name} is named twice")
    if not 1 <= len(found) <= MOST_FREE:
        raise InputError(f"free: {len(found)} values are free; name 1 to {MOST_FREE}, as J1.i_dss or R12")
    if others:
        found += [_of_spread(one, asked=False) for name, one in drawn.items() if name not in names]
    return tuple(found), _prior(found, drawn)


def leaning(prior: Prior, frees: Sequence[Free]) -> Prior:
    """The same where what nothing is known of is taken to lie near the file's value."""
    unknown = np.array([not np.isfinite(one.sigma) for one in frees])
    near = np.array([NEAR_TURN if one.turn else NEAR_VALUE for one in frees])
    middle = np.where(unknown, [one.start for one in frees], prior.middle)
    return Prior(middle=middle, precision=prior.precision + np.diag(np.where(unknown, near**-2, 0.0)))


def draws_of(prior: Prior, frees: Sequence[Free], count: int) -> list[Array]:
    """So many places out of what is known, always the same."""
    normal = np.random.default_rng(SEED).standard_normal((count, len(frees)))
    away = normal @ np.linalg.cholesky(np.linalg.inv(prior.precision)).T
    low, high = (np.array([getattr(one, end) for one in frees]) for end in ("low", "high"))
    return list(np.clip(prior.middle + away, low, high))


def _free(text: str, drawn: Mapping[str, Drawn], unit: Unit) -> Free:
    name, sign, limits = (piece.strip() for piece in text.partition("="))
    name = _bare(name, unit)
    if not sign and name in drawn:
        return _of_spread(drawn[name])
    ends = f"={limits}" if sign and limits != ANY else ""
    try:
        (way,) = ways_of([f"{name}{ends}"], [], unit)
    except InputError as error:
        raise InputError("\n".join(f"free{line.removeprefix('may')}" for line in str(error).splitlines())) from None
    return _of_way(way, f"{limits}" if ends else "not known")


def _bare(name: str, unit: Unit) -> str:
    """A part's main value by its designator alone."""
    owner, _, key = name.partition(".")
    return owner if owner in unit.parts and key and key == MAIN_KEYS.get(unit.parts[owner].kind) else name


def _of_way(way: Way, known: str) -> Free:
    travel = way.travel
    return Free(
        name=way.name, present=travel.present, quantity=travel.quantity, turn=travel.turn, low=way.low, high=way.high,
        middle=0.5 * (way.low + way.high), sigma=inf, known=known,
    )  # fmt: skip


def _of_spread(one: Drawn, *, asked: bool = True) -> Free:
    spread = one.spread
    values = np.log(spread.at(QUANTILES) / spread.nominal)
    sigma = float(np.hypot(np.std(values), one.within / np.sqrt(3.0)))
    return Free(
        name=spread.name, present=spread.nominal, quantity=spread.quantity, turn=False, low=-FAR, high=FAR,
        middle=float(np.mean(values)), sigma=sigma, known=spread.why, asked=asked,
    )  # fmt: skip


def _prior(found: Sequence[Free], drawn: Mapping[str, Drawn]) -> Prior:
    """Parts drawn together, as I_DSS and V_P or matched ones, are known together."""
    known = [k for k, one in enumerate(found) if np.isfinite(one.sigma)]
    covariance = np.diag([found[k].sigma ** 2 for k in known])
    for row, k in enumerate(known):
        for column, other in enumerate(known[:row]):
            one, two = drawn[found[k].name], drawn[found[other].name]
            shared = sum(weight * two.columns.get(number, 0.0) for number, weight in one.columns.items())
            both = shared * _common(found[k], one) * _common(found[other], two)
            covariance[row, column] = covariance[column, row] = both
    precision = np.zeros((len(found), len(found)))
    precision[np.ix_(known, known)] = np.linalg.inv(covariance)
    return Prior(middle=np.array([one.middle for one in found]), precision=precision)


def _common(one: Free, drawn: Drawn) -> float:
    """Deviation of what a matched part has in common with its group."""
    return float(np.sqrt(max(one.sigma**2 - drawn.within**2 / 3.0, 0.0)))
