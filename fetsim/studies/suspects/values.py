"""Every value of a unit that may be off, how far a good unit's is, and how it is moved to see what it does.

A value counts by its natural logarithm; a control by its position; a figure that may have either sign, as an offset, by
standard deviations of its own. What a good unit's values scatter by, S of ``evidence``, comes from ``spreads``; where
nothing limits a value, from ``USUAL`` (estimates, no source), and where it has been read, from ``READ``.
"""

from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from math import exp, sqrt

import numpy as np

from fetsim.schematic.movable import movable
from fetsim.schematic.schema import MAIN_KEYS
from fetsim.schematic.spreads import EITHER_SIGN, Drawn, Spreads, spreads_of
from fetsim.schematic.unit import Part, Unit
from fetsim.studies.suspects.evidence import Array

USUAL: Mapping[str, float] = {
    "supply": 0.01, "output": 0.01, "resistance": 0.01, "voltage": 0.01, "ratio": 0.01, "ideality": 0.01,
    "primary_resistance": 0.1, "secondary_resistance": 0.1, "saturation_current": 0.3, "early_voltage": 0.3,
}  # fmt: skip
"""Kind of part or key -> standard deviation of its logarithm."""
ELSE = 0.2
READ, LAW = 0.03, 0.06
"""Of a figure that has been read for this one part: a good tester; and what its law may be off by elsewhere than where
it was read, which looks like another figure: JFETs go with a power of 1.9 to 2.2 (from memory), which half way to
pinch-off is +7 to -13 % of a square law's current."""
LAWS: Mapping[str, float] = {"ideality": 0.2, "r_ds_on": 0.06}
"""Figures of a JFET's law that few sheets give (``devices/jfet_channel``), and what they scatter by (estimates): tails
of 60 to 100 mV a decade, channels that have up to a fifth more or less resistance than the square law."""
POSITION = 0.005
"""Of a control that was set to a mark, in turns."""
STEP, LEAST_STEP, STEP_SIGMAS = 2e-3, 1e-4, 0.03
"""By which a value is moved for what it does: so many of its standard deviations, within limits; a position by half of
it. One side alone is played, which leaves half of what both sides differ by: with plays in double precision whose
steps are solved to 0.1 mV, 0.005 to 0.3 % on both shipped units (2 to 5 % at ten times the step). Of two hundred values
some make up for others nearly, and whatever is left of slopes then looks as if it told them apart."""
COARSE = 10.0
"""Times that step, for what it does to readings: some are found by search, to a thousandth."""
MOST_NEPERS = 20.0
"""By which anything is moved, whatever slopes promise."""
QUANTILES = (np.arange(400) + 0.5) / 400.0


@dataclass(frozen=True, kw_only=True)
class Value:
    """One of them."""

    name: str
    """As a change takes it."""
    owner: str
    """Part or control."""
    present: float
    """SI units."""
    scale: str
    """``log``, ``turn`` or ``sigma``: what one of it is."""
    sigma: float
    """Standard deviation in a good unit, in the same."""
    unit_size: float = 1.0
    """Of ``sigma``: so much in SI units."""
    least: float = 0.0
    """It is no smaller; SI units."""
    law: bool = False
    """Whether it says how a law differs, which is nothing that goes wrong;"""
    goes_with: tuple[tuple[str, float, float], ...] = ()
    """values by name, as they are now, and the power with which they carry it along."""

    @property
    def step(self) -> float:
        """By which it is moved for what it does to sound,"""
        return self._step(1.0)

    @property
    def coarse(self) -> float:
        """and to readings."""
        return self._step(COARSE)

    def _step(self, times: float) -> float:
        if self.scale == "sigma":
            return STEP_SIGMAS * times
        most = STEP if self.scale == "log" else STEP / 2.0
        step = times * float(np.clip(STEP_SIGMAS * self.sigma, LEAST_STEP, most))
        return -step if self.scale == "turn" and self.present + step > 1.0 else step

    @property
    def suspect(self) -> bool:
        """Whether it may be what is wrong; a control is where it was set."""
        return self.scale == "log" and not self.law

    def moved(self, way: float) -> float:
        """The value so far away, in SI units or turns."""
        if self.scale == "log":
            size = max(abs(self.present) * exp(min(max(way, -MOST_NEPERS), MOST_NEPERS)), self.least)
            return -size if self.present < 0.0 else size
        return min(max(self.present + way * self.unit_size, 0.0), 1.0) if self.scale == "turn" else (
            self.present + way * self.unit_size
        )


def values_of(unit: Unit) -> tuple[tuple[Value, ...], Array]:
    """All values of a unit, and how they scatter in good ones: S [shape=(values, values)].

    >>> import fetsim
    >>> every, scatter = values_of(fetsim.load_unit("teaching"))
    >>> [(one.name, round(one.sigma, 4)) for one in every if one.owner == "C2"]
    [('C2', 0.0165)]
    """
    spreads = spreads_of(unit)
    drawn = {one.spread.name: one for one in spreads.drawn}
    found = []
    for name, present in movable(unit).items():
        owner, _, key = name.partition(".")
        if key in EITHER_SIGN:
            continue
        sigma = _scatter(drawn[name]) if name in drawn else _usual(unit, owner, key)
        found.append(Value(name=name, owner=owner, present=present, scale="log", sigma=sigma))
    for name, one in drawn.items():
        key = name.partition(".")[2]
        if key in EITHER_SIGN:
            present = unit.parts[one.spread.part].figures.get(key, 0.0)
            size = float(np.hypot(np.std(one.spread.at(QUANTILES)), present))
            found.append(Value(
                name=name, owner=one.spread.part, present=present, scale="sigma", sigma=1.0, unit_size=size
            ))  # fmt: skip
    known = {one.name for one in found}
    found += [one for part in unit.parts.values() if part.kind == "jfet" for one in _law(part, known)]
    for name, control in unit.controls.items():
        if any(part.control == name and not part.steps for part in unit.parts.values()):
            found.append(Value(name=name, owner=name, present=control.position, scale="turn", sigma=POSITION))
    return tuple(found), _covariance(found, spreads)


def _law(part: Part, known: Container[str]) -> Iterator[Value]:
    """What the file does not say of a JFET's law, counted from the square law."""
    assert part.device is not None
    figures, name = part.device.figures, part.designator
    depth = "v_gs_off" if "v_gs_off" in figures else "pinch_off_voltage"
    with_them = ((f"{name}.{depth}", figures[depth], 1.0), (f"{name}.i_dss", figures["i_dss"], -1.0))
    tail = Value(name=f"{name}.ideality", owner=name, present=figures["ideality"], scale="log", sigma=LAWS["ideality"],
                 law=True, least=1.0)  # fmt: skip
    if f"{name}.ideality" not in known:
        yield tail
    if "r_ds_on" not in figures:
        ohm = abs(figures["pinch_off_voltage"]) / (2.0 * figures["i_dss"])
        yield replace(tail, name=f"{name}.r_ds_on", present=ohm, sigma=LAWS["r_ds_on"], least=0.0, goes_with=with_them)


def carried(values: Iterable[Value], changes: Mapping[str, float]) -> dict[str, float]:
    """Changes [SI units] in which values that go with others have gone with them."""
    found = dict(changes)
    for one in values:
        if one.name in found:
            for name, present, power in one.goes_with:
                found[one.name] *= abs(found.get(name, present) / present) ** power
    return found


def _scatter(one: Drawn) -> float:
    """Standard deviation of the logarithm."""
    values = np.log(np.abs(one.spread.at(QUANTILES)))
    return float(np.hypot(np.std(values), one.within / sqrt(3.0)))


def _usual(unit: Unit, owner: str, key: str) -> float:
    part = unit.parts[owner]
    if part.device is not None and key in part.figures and key in part.device.limits:
        return float(np.hypot(READ, LAW))
    return USUAL.get(key or MAIN_KEYS.get(part.kind, ""), USUAL.get(part.kind, ELSE))


def _covariance(every: list[Value], spreads: Spreads) -> Array:
    drawn = {one.spread.name: one for one in spreads.drawn}
    found = np.diag([one.sigma**2 for one in every])
    for i, value in enumerate(every):
        for j, other in enumerate(every[:i]):
            if value.name in drawn and other.name in drawn:
                a, b = drawn[value.name], drawn[other.name]
                common = sum(weight * b.columns.get(column, 0.0) for column, weight in a.columns.items())
                # how far a figure goes up in size, so that I_DSS and V_P rise together whatever their signs
                found[i, j] = found[j, i] = common * _common_part(a, value) * _common_part(b, other)
    return found


def _common_part(one: Drawn, value: Value) -> float:
    return sqrt(max(value.sigma**2 - one.within**2 / 3.0, 0.0))
