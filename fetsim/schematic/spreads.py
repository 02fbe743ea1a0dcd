"""What of a unit varies from one built sample to the next, and drawn builds of it as lists of changes.

Parts vary within their tolerance, devices within the limits of their sheet, under the names that a change takes. What
has neither does not vary and is told; nor does a figure that is given for one part alone: that one has been read.

Laws, all cut at the limits (common practice, no source, since makers do not tell):

* ``uniform``: anywhere between the limits alike; of devices by default, whose limits are where a maker sorts a process
  that is wider, and on a scale of ratios, as gains and currents go;
* ``normal``: three standard deviations reach the limit, the nominal value is the median; of tolerances by default;
* ``hollow``: the same with its middle half selected out, as where closer grades are sorted from one batch.

I_DSS and V_P of a junction FET go together: both rise with the thickness and the doping of the channel, I_DSS as V_P to
the power of 1.5 to 2. What length and width of the channel add by themselves, some 15 % over lots, against a factor of
two from that leaves a correlation of 0.9 between the two (an estimate, no source). They are drawn by a Gaussian
copula (Sklar 1959, from memory): two normal numbers of this correlation, each taken through its own law.

Each number that is drawn is a column of a table of quantiles in [0, 1), so plain draws, low-discrepancy ones and the
plans of a sensitivity analysis go through the same door.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import copysign, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from fetsim.errors import InputError
from fetsim.schematic.fields import quantities, suggestion
from fetsim.schematic.model import Limits, Matched, Part, UnitData
from fetsim.schematic.schema import LIMITS, MAIN_KEYS, PARTS, SHEETS

Array = NDArray[np.float64]

LAWS = ("uniform", "normal", "hollow")
SIGMAS = 3.0
"""Standard deviations from the nominal value to a limit."""
MIDDLE = 0.5
"""Share of the way to the limit that is selected out of a hollow law."""
FET_CORRELATION = 0.9
"""Of I_DSS and V_P, as normal numbers."""
NO_TOLERANCE = "no tolerance"
OF_TOLERANCE, OF_LIMITS = "normal", "uniform"
EITHER_SIGN = ("offset_voltage", "input_offset_current")
"""Figures of which a sheet tells the size: they may have either sign, around zero."""
FOLLOWS: Mapping[str, Mapping[str, float]] = {
    "jfet": {"i_dss": -1.0, "pinch_off_voltage": 1.0, "v_gs_off": 1.0}, "mosfet": {"g_fs": -2.0},
}  # fmt: skip
"""Where a sheet gives r_ds_on, it goes along with these figures to this power, as the channel's own does."""


@dataclass(frozen=True, kw_only=True)
class Spread:
    """One value that varies."""

    name: str
    """As a change takes it: ``R12``, ``J1.i_dss``."""
    part: str
    quantity: str
    law: str
    low: float
    """The limit nearest to zero, or the lower one where they lie on both sides of it,"""
    nominal: float
    high: float
    """and the other one; SI units."""
    ratio: bool
    """Whether the law is one of ratios: of the logarithm of the value."""
    why: str
    """Where the limits come from, in words."""

    def at(self, quantile: ArrayLike) -> Array:
        """Values at these quantiles [any shape, 0 to 1]."""
        u = np.asarray(quantile, dtype=np.float64)
        low, middle, high = self._scaled(np.array([self.low, self.nominal, self.high]))
        if self.law == "uniform":
            return self._unscaled(low + u * (high - low))
        way = _way(self.law, u)
        return self._unscaled(middle + way * np.where(way > 0.0, high - middle, middle - low))

    def _scaled(self, value: Array) -> Array:
        return np.log(np.abs(value)) if self.ratio else value

    def _unscaled(self, value: Array) -> Array:
        return copysign(1.0, self.nominal) * np.exp(value) if self.ratio else value


def _way(law: str, u: Array) -> Array:
    """Share of the way to the limit, -1 to 1."""
    if law == "normal":
        tail = ndtr(-SIGMAS)
        return np.asarray(ndtri(tail + u * (1.0 - 2.0 * tail)) / SIGMAS)
    edge, tail = ndtr(-SIGMAS * MIDDLE), ndtr(-SIGMAS)
    side = np.where(u < 0.5, -1.0, 1.0)
    share = np.abs(2.0 * u - 1.0)  # 0 at the edge of the middle, 1 at the limit
    return np.asarray(-side * ndtri(edge + share * (tail - edge)) / SIGMAS)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """How a spread takes its value from the columns of quantiles."""

    spread: Spread
    columns: Mapping[int, float]
    """Column -> weight of its normal number; the squares of the weights make 1."""
    apart: int | None = None
    """Of a matched part: the column of what it has of its own, beside what the group has in common,"""
    within: float = 0.0
    """which is a share of the value, up to this."""

    def values(self, u: Array) -> Array:
        """Out of quantiles [shape=(n, columns)]."""
        if len(self.columns) == 1:
            quantile = u[:, next(iter(self.columns))]
        else:
            quantile = ndtr(sum(weight * ndtri(u[:, column]) for column, weight in self.columns.items()))
        value = self.spread.at(quantile)
        return value if self.apart is None else value * (1.0 + self.within * (2.0 * u[:, self.apart] - 1.0))


@dataclass(frozen=True, kw_only=True)
class Spreads:
    """All that varies in a unit."""

    drawn: tuple[Drawn, ...]
    groups: tuple[str, ...]
    """To which part, or group of matched ones (``R55+R56``), each column belongs [shape=(columns,)]; empty where
    nothing of it varies."""
    exact: Mapping[str, str]
    """Part -> why it does not vary, for parts that could."""
    followers: tuple[tuple[str, float, Mapping[str, float]], ...] = field(default=(), repr=False)
    """Name, nominal value, and the spreads that it goes along with, each to a power."""

    @property
    def columns(self) -> int:
        """Numbers that a build takes."""
        return len(self.groups)

    @property
    def spreads(self) -> tuple[Spread, ...]:
        return tuple(one.spread for one in self.drawn)

    def only(self, names: Sequence[str]) -> "Spreads":
        """With these parts, groups or values alone (``J1``, ``R55+R56``, ``J1.i_dss``); columns stay where they are, so
        that a part is drawn as before, whatever else varies. Raises InputError for what does not vary."""
        if isinstance(names, str):
            raise InputError("part: give a list of names, not one text")
        known = {name for one in self.drawn for name in self._names(one)}
        for name in names:
            if name not in known:
                if name not in self.exact:
                    raise InputError(f"part: {str(name)[:40]!r} is nothing that varies{suggestion(str(name), known)}")
                advice = f"; give it one, as {name}.tolerance=5%" if self.exact[name] == NO_TOLERANCE else ""
                raise InputError(f"part: {name} does not vary: {self.exact[name]}{advice}")
        kept = [one for one in self.drawn if set(self._names(one)) & set(names)]
        left = {one.spread.name for one in kept}
        used = {column for one in kept for column in (*one.columns, one.apart) if column is not None}
        return replace(
            self, drawn=tuple(kept), groups=tuple(name if k in used else "" for k, name in enumerate(self.groups)),
            followers=tuple(one for one in self.followers if left & one[2].keys()),
        )  # fmt: skip

    def _names(self, one: Drawn) -> tuple[str, ...]:
        return one.spread.part, one.spread.name, self.groups[next(iter(one.columns))]

    def values(self, quantiles: ArrayLike) -> dict[str, Array]:
        """Name -> values [shape=(n,)] out of quantiles [shape=(n, columns), each in [0, 1)]."""
        u = np.asarray(quantiles, dtype=np.float64).reshape(-1, self.columns)
        found = {one.spread.name: one.values(u) for one in self.drawn}
        nominal = {one.spread.name: one.spread.nominal for one in self.drawn}
        for name, value, along in self.followers:
            ratios = [(found[other] / nominal[other]) ** power for other, power in along.items() if other in found]
            found[name] = value * np.prod(ratios, axis=0)
        return found

    def changes(self, quantiles: ArrayLike) -> list[dict[str, float]]:
        """A build for each row of quantiles [shape=(n, columns)], as name -> value for ``Unit.changed``."""
        columns = self.values(quantiles)
        rows = np.array(list(columns.values())).T.tolist() if columns else [[] for _ in np.asarray(quantiles)]
        return [dict(zip(columns, row, strict=True)) for row in rows]


def spreads_of(unit: UnitData, laws: Mapping[str, str] | None = None) -> Spreads:
    """What varies in a unit. ``laws``: kind of part, or ``all``, -> law, in place of the usual one.

    Raises InputError for an unknown kind or law.

    >>> import fetsim
    >>> [one.name for one in fetsim.spreads_of(fetsim.load_unit("teaching")).spreads]
    ['R1', 'J1.pinch_off_voltage', 'J1.i_dss', 'C1', 'R3', 'C2', 'R4', 'R6']
    """
    chosen = _checked(laws or {})
    groups = {part: (name, matched) for name, matched in unit.matched.items() for part in matched.parts}
    builder = _Builder(chosen)
    for part in unit.parts.values():
        builder.add(part, *groups.get(part.designator, (None, None)))
    return builder.spreads()


class _Builder:
    """Numbers the columns part by part."""

    def __init__(self, laws: Mapping[str, str]) -> None:
        self._laws = laws
        self._drawn: list[Drawn] = []
        self._columns: list[str] = []
        self._exact: dict[str, str] = {}
        self._followers: list[tuple[str, float, Mapping[str, float]]] = []
        self._common: dict[tuple[str, str], Mapping[int, float]] = {}
        """Group and key -> columns that its parts share."""

    def add(self, part: Part, group: str | None, matched: Matched | None) -> None:
        found = self._of_tolerance(part) if part.device is None else self._of_limits(part)
        if not found:
            return
        label = part.designator if matched is None else "+".join(matched.parts)
        keys = [(group or part.designator, spread.name.partition(".")[2]) for spread in found]
        if keys[0] not in self._common:
            self._common.update(zip(keys, self._new_columns(part, found, label), strict=True))
        for spread, key in zip(found, keys, strict=True):
            columns = self._common.get(key) or {self._column(label): 1.0}
            apart = self._column(label) if matched is not None and matched.within > 0.0 else None
            within = 0.0 if matched is None else matched.within
            self._drawn.append(Drawn(spread=spread, columns=columns, apart=apart, within=within))
        self._follow(part, found)

    def spreads(self) -> Spreads:
        return Spreads(
            drawn=tuple(self._drawn), groups=tuple(self._columns), exact=self._exact, followers=tuple(self._followers)
        )

    def _column(self, label: str) -> int:
        self._columns.append(label)
        return len(self._columns) - 1

    def _new_columns(self, part: Part, found: Sequence[Spread], label: str) -> list[Mapping[int, float]]:
        own = [self._column(label) for _ in found]
        if part.kind == "jfet" and len(own) == len(("v_p", "i_dss")):
            depth, rest = own
            return [{depth: 1.0}, {depth: FET_CORRELATION, rest: sqrt(1.0 - FET_CORRELATION**2)}]
        return [{column: 1.0} for column in own]

    def _law(self, part: Part, usual: str) -> str:
        return self._laws.get(part.kind, self._laws.get("all", usual))

    def _of_tolerance(self, part: Part) -> list[Spread]:
        key = MAIN_KEYS.get(part.kind)
        if key is None or "tolerance" not in PARTS[part.kind].model_fields:
            return []
        nominal, gang = part.values[key], self._of_gang(part)
        if part.tolerance is None or part.tolerance.low == part.tolerance.high:
            if not gang:
                self._exact[part.designator] = NO_TOLERANCE
            return gang
        low, high = nominal * (1.0 + part.tolerance.low), nominal * (1.0 + part.tolerance.high)
        return [
            Spread(
                name=part.designator, part=part.designator, quantity=quantities(PARTS[part.kind])[key],
                law=self._law(part, OF_TOLERANCE), low=low, nominal=nominal, high=high, ratio=False,
                why=f"tolerance {part.tolerance}",
            ),
            *gang,
        ]  # fmt: skip

    def _of_gang(self, part: Part) -> list[Spread]:
        """How far a section of a gang is off its law."""
        most = part.values.get("gang_tolerance", 0.0)
        if part.control is None or most == 0.0:
            return []
        return [
            Spread(
                name=f"{part.designator}.gang_error", part=part.designator, quantity="decibel",
                law=self._law(part, OF_TOLERANCE), low=-most, nominal=part.values.get("gang_error", 0.0), high=most,
                ratio=False, why=f"gang_tolerance {most:g} dB",
            )
        ]  # fmt: skip

    def _of_limits(self, part: Part) -> list[Spread]:
        assert part.device is not None
        limits = _figure_limits(part)
        read = [key for key in limits if key in part.figures]
        if read and part.kind == "jfet":
            self._exact[part.designator] = f"{read[0]} is this part's own, so it has been read"
            return []
        for key in read:
            del limits[key]
        if not limits:
            told = "its figures are its own" if read else f"the sheet {part.device.name} has no limits"
            self._exact[part.designator] = told
        units = quantities(SHEETS[part.kind])
        return [
            Spread(
                name=f"{part.designator}.{key}", part=part.designator, quantity=units[key],
                law=self._law(part, OF_LIMITS), low=low,
                nominal=0.0 if key in EITHER_SIGN else part.device.figures[key], high=high,
                ratio=key not in EITHER_SIGN, why=why,
            )
            for key, (low, high, why) in limits.items()
        ]  # fmt: skip

    def _follow(self, part: Part, found: Sequence[Spread]) -> None:
        figures = {} if part.device is None else part.device.figures
        if "r_ds_on" in figures and part.kind in FOLLOWS:
            powers = FOLLOWS[part.kind]
            along = {one.name: powers[key] for one in found if (key := one.name.partition(".")[2]) in powers}
            self._followers.append((f"{part.designator}.r_ds_on", figures["r_ds_on"], along))


def _figure_limits(part: Part) -> dict[str, tuple[float, float, str]]:
    """Figure -> limits and where they come from; of a JFET both or none, V_P first.

    Where a sheet has no largest I_DSS, it is that of the same channel at the largest V_P; elsewhere an end that is not
    given lies as far from the figure as the other one, as a ratio. A limit of V_GS(off) is taken for one of V_P where
    the sheet tells V_P: they are 0.05 to 0.25 V apart.
    """
    assert part.device is not None
    figures, limits = part.device.figures, part.device.limits
    if part.kind == "jfet":
        if not {"i_dss", "v_gs_off"} <= limits.keys():
            return {}
        key = "v_gs_off" if "v_gs_off" in figures else "pinch_off_voltage"
        volts = _ends(limits["v_gs_off"], figures[key])
        i_dss = limits["i_dss"]
        if i_dss.maximum is None:
            most = max(figures["i_dss"] * (volts[1] / figures[key]) ** 2, i_dss.minimum or 0.0)
            i_dss = Limits(i_dss.minimum, None, most, i_dss.at)
        found = {key: volts, "i_dss": _ends(i_dss, figures["i_dss"])}
    else:
        given = {key: one for key, one in limits.items() if key in figures and key != "r_ds_on"}
        found = {
            key: _ends(one, figures[key], either_sign=key in EITHER_SIGN)
            for key, one in given.items()
            if (one.minimum, one.maximum) != (None, None)
        }
    return {key: (*ends, f"limits of {part.device.name}") for key, ends in found.items()}


def _ends(limit: Limits, figure: float, *, either_sign: bool = False) -> tuple[float, float]:
    if either_sign:
        most = abs(limit.maximum if limit.maximum is not None else limit.minimum or 0.0)
        return -most, most
    low, high = limit.minimum, limit.maximum
    if low is None:
        assert high is not None
        low = figure**2 / high
    if high is None:
        high = figure**2 / low
    return low, copysign(high, figure)


def _checked(laws: Mapping[str, str]) -> Mapping[str, str]:
    if not isinstance(laws, Mapping):
        raise InputError("law: must be a table of kinds and laws, as {'jfet': 'normal'}")
    kinds = ["all", *(kind for kind in PARTS if kind in LIMITS or "tolerance" in PARTS[kind].model_fields)]
    for kind, law in laws.items():
        if kind not in kinds:
            raise InputError(f"law: no kind of part {kind[:40]!r} that varies{suggestion(kind, kinds)}; "
                             f"choices: {', '.join(kinds)}")  # fmt: skip
        if law not in LAWS:
            raise InputError(f"law: {str(law)[:40]!r} is none{suggestion(str(law), LAWS)}; choices: {', '.join(LAWS)}")
    return laws
