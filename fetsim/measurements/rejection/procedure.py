"""Common-mode rejection of a balanced input without transformer, at rest, against frequency.

With an imbalance one leg of the source has so much more resistance than the other, as in the test of IEC 60268-3; each
leg has it in turn, and the worse of the two is told at every frequency. The bias point is the one without it: 10 ohm
move that by next to nothing. Operational amplifiers have no common-mode gain of their own in their model, and
transformers no capacitance between their windings, so what is told is what the unit's resistors and capacitors do, and
amplifiers whose output has to take up a leg's current at less and less gain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from fetsim.engine.assembly import Array, assemble
from fetsim.engine.circuit import Circuit, Element
from fetsim.engine.linear import linearise
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.frequencies import HIGH_HZ, LOW_HZ, PER_OCTAVE, grid_hz
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.transfer import SILENT, system_matrices
from fetsim.measurements.rejection.analysis import LARGEST_DB, Phasors, moved, rejection_db, worst_ratio
from fetsim.measurements.results.result import Result
from fetsim.measurements.traces.checks import not_negative
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import OUTPUT, Point, find_point, output_point
from fetsim.rig.provenance import provenance
from fetsim.schematic.schema import MAIN_KEYS
from fetsim.schematic.unit import Part, Unit
from fetsim.schematic.wiring import part_elements

STANDARD_OHM = 10.0  # in one leg: IEC 60268-3, from memory
DEFAULT_IMBALANCES_OHM = (0.0, STANDARD_OHM)
LEGS = ("hot", "cold")
DIFFERENTIAL, COMMON = (0.5, -0.5), (1.0, 1.0)
"""Volts of the two legs for one volt at the source."""


@dataclass(frozen=True, kw_only=True)
class PartAlone:
    """What one part gives away by its tolerance."""

    designator: str
    tolerance: str
    rejection_db: Array
    """Left by what it does at the worse end of its tolerance, all else rejecting without limit [shape=(n,)]."""


@dataclass(frozen=True, kw_only=True)
class Rejection:
    """Rejection at one imbalance of the source, the worse of both legs; arrays of shape (n,)."""

    imbalance_ohm: float
    frequency_hz: Array
    rejection_db: Array
    """As drawn; ``LARGEST_DB`` stands for all above."""
    worst_db: Array | None
    """With every part at the worst end of its tolerance; None where no part has one."""
    parts: tuple[PartAlone, ...]
    """Those that do something, the one that matters most first."""

    def at(self, frequency_hz: float, trace: Array) -> float | None:
        """One of the arrays at a frequency, on straight lines over lg f; None outside the range."""
        if not self.frequency_hz[0] <= frequency_hz <= self.frequency_hz[-1]:
            return None
        return float(np.interp(np.log(frequency_hz), np.log(self.frequency_hz), trace))


@dataclass(frozen=True, kw_only=True)
class RejectionMeasurement(Result):
    """Rejection at every imbalance asked for."""

    ROOM: ClassVar[str] = "rejection"

    point: str
    source_resistance_ohm: float
    """Of the source, both legs together."""
    curves: tuple[Rejection, ...]


@of_unit
def measure_rejection(
    unit: Unit,
    *,
    point: str = OUTPUT,
    imbalances_ohm: Sequence[float] = DEFAULT_IMBALANCES_OHM,
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
    per_octave: int = PER_OCTAVE,
    quality: str = "standard",
) -> RejectionMeasurement:
    """Common-mode rejection at ``point`` for each of ``imbalances_ohm`` in a leg of the source.

    Raises InputError for an input that is not balanced, for one where nothing common arrives (a floating winding), an
    unknown point and a range that does not rise.

    >>> import fetsim
    >>> found = fetsim.measure_rejection(fetsim.load_unit("greenshank"), imbalances_ohm=[10.0])
    >>> curve = found.curves[0]
    >>> [round(curve.at(1000.0, trace), 1) for trace in (curve.rejection_db, curve.worst_db)]
    [71.1, 31.4]
    """
    grid, bench, place = grid_hz(low_hz, high_hz, per_octave), Bench(unit, quality), find_point(unit, point)
    if not imbalances_ohm:
        raise InputError("imbalances: give at least one, 0 for none")
    ohms = [not_negative(ohm, "imbalances") for ohm in imbalances_ohm]
    source = unit.input
    if not source.balanced:
        raise InputError(
            f"{unit.name}: its input {source.designator} is not balanced, so there is nothing common to reject; "
            "balanced = true in the unit file drives both legs"
        )
    if not something_common(bench, place):
        raise InputError(
            f"{unit.name}: nothing of what both legs of {source.designator} have in common arrives at {point}: its "
            "windings float, and their model has no capacitance from one to another"
        )
    spread = _spread(bench)
    return RejectionMeasurement(
        provenance=provenance(bench.rig), point=point, source_resistance_ohm=source.values["source_resistance"],
        curves=tuple(_rejection(bench, place, ohm, grid, spread) for ohm in ohms),
    )  # fmt: skip


def something_common(bench: Bench, place: Point | None = None) -> bool:
    """Whether what both legs have in common arrives (at the output), from a source that is not quite balanced."""
    place = output_point(bench.unit) if place is None else place
    return bool(np.all(np.abs(_Driven.by(bench, place, (STANDARD_OHM, 0.0), np.array([REFERENCE_HZ])).ratio) > SILENT))


def _rejection(bench: Bench, place: Point, imbalance_ohm: float, grid: Array, spread: _Spread) -> Rejection:
    """The worse of both legs at every frequency, each part's too."""
    legs = [(imbalance_ohm, 0.0), (0.0, imbalance_ohm)] if imbalance_ohm else [(0.0, 0.0)]
    driven = [_Driven.by(bench, place, extra_ohm, grid) for extra_ohm in legs]
    drawn = np.max([np.abs(one.ratio) for one in driven], axis=0)
    moved_by = [np.array([[one.moved_by(end) for end in ends] for _, ends in spread]) for one in driven]
    worst = [worst_ratio(one.ratio, parts) for one, parts in zip(driven, moved_by, strict=True)]
    alone = [] if not spread else np.max(np.abs(moved_by), axis=(0, 2))
    parts = [
        PartAlone(designator=part.designator, tolerance=str(part.tolerance), rejection_db=rejection_db(ratio))
        for (part, _), ratio in zip(spread, alone, strict=True)
    ]
    worst_first = sorted(parts, key=lambda one: float(np.min(one.rejection_db)))
    return Rejection(
        imbalance_ohm=imbalance_ohm,
        frequency_hz=grid,
        rejection_db=rejection_db(drawn),
        worst_db=rejection_db(np.max(worst, axis=0)) if spread else None,
        parts=tuple(one for one in worst_first if np.any(one.rejection_db < LARGEST_DB)),
    )


@dataclass(frozen=True)
class _Driven:
    """The network driven differentially and in common at some frequencies, one leg with more resistance."""

    frequency_hz: Array
    inverse: Phasors
    """Of its matrix [shape=(frequencies, n, n)]."""
    weights: Array
    """That take the point out of the unknowns [shape=(n,)]."""
    x: tuple[Phasors, Phasors]
    """Unknowns for a volt at the source, differential and common [shape=(frequencies, n) each]."""
    volts: tuple[Phasors, Phasors]
    """At the point [shape=(frequencies,) each]."""

    @classmethod
    def by(cls, bench: Bench, place: Point, extra_ohm: tuple[float, float], frequency_hz: Array) -> _Driven:
        one, both = (
            linearise(assemble(_driven(bench, legs_v, extra_ohm)), bench.bias) for legs_v in (DIFFERENTIAL, COMMON)
        )
        inverse = np.asarray(np.linalg.inv(system_matrices(one, frequency_hz)), dtype=np.complex128)
        weights = place.weights(one.index)
        x: tuple[Phasors, Phasors] = inverse @ one.driven_by(), inverse @ both.driven_by()
        volts = x[0] @ weights, x[1] @ weights
        if not np.all(np.abs(volts[0]) > SILENT):
            raise InputError(f"{bench.unit.name}: nothing of the program arrives at {place.name}; choose another point")
        return cls(frequency_hz, inverse, weights, x, volts)

    @property
    def ratio(self) -> Phasors:
        """Common over differential [shape=(frequencies,)]."""
        return self.volts[1] / self.volts[0]

    def moved_by(self, change: _Change) -> Phasors:
        """By how much the ratio moves."""
        differential, common = (
            volts + moved(change, self.frequency_hz, self.inverse, self.weights, x)
            for volts, x in zip(self.volts, self.x, strict=True)
        )
        return np.asarray(common / differential - self.ratio)


def _driven(bench: Bench, legs_v: tuple[float, float], extra_ohm: tuple[float, float]) -> Circuit:
    """The circuit with so many volts in the legs of the source for one at the input, and so much more resistance."""
    name = bench.unit.input.designator
    legs = {f"{name}.{leg}": (volt, ohm) for leg, volt, ohm in zip(LEGS, legs_v, extra_ohm, strict=True)}

    def driven(one: Element) -> Element:
        if one.name not in legs:  # of a pair, the other channel hears the program too: here it is silent
            return replace(one, values={**one.values, "emf_per_input": 0.0}) if "emf_per_input" in one.values else one
        volt, ohm = legs[one.name]
        return replace(
            one, values={**one.values, "emf_per_input": volt, "resistance_ohm": one.values["resistance_ohm"] + ohm}
        )

    return replace(bench.circuit, elements=tuple(map(driven, bench.circuit.elements)))


_Change = tuple[Array, Array]
"""Of G and of C [shape=(n, n) each], by a part that lies at an end of its tolerance."""
_Spread = Sequence[tuple[Part, tuple[_Change, _Change]]]


def _spread(bench: Bench) -> _Spread:
    """Parts with a tolerance that change the network, and what each changes at its lower and its upper end. A law that
    bends (a class 2 ceramic's) is none of the network's matrices and counts as exact."""
    unit, system = bench.rig.warm_unit, bench.system
    found = []
    for part in unit.parts.values():
        if part.tolerance is None or part.kind not in MAIN_KEYS:
            continue
        key, ends = MAIN_KEYS[part.kind], []
        for share in (part.tolerance.low, part.tolerance.high):
            other = replace(part, values={**part.values, key: part.values[key] * (1.0 + share)})
            made = {one.name: one for one in part_elements(unit, other)}
            elements = tuple(made.get(one.name, one) for one in bench.circuit.elements)
            at_end = assemble(replace(bench.circuit, elements=elements))
            ends.append((at_end.g - system.g, at_end.c - system.c))
        if any(np.any(matrix) for end in ends for matrix in end):
            found.append((part, (ends[0], ends[1])))
    return found
