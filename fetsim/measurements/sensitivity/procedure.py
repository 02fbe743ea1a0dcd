"""What does this part do? Exact derivatives of the volts at rest and of small-signal figures by every value.

By the adjoint of the linearised circuit (``engine.sensitivity``): nothing is played and nothing solved twice, a unit of
a hundred parts takes some seconds. A corner f obeys ln |H(f)| = ln |H(1 kHz)| - const, which gives its derivative from
those of the two gains. Loss and gate at rest are differences over the shifted bias point. Parts that have warmed
themselves keep their temperature.
"""

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from fetsim.engine.assembly import Array, System, assemble
from fetsim.engine.circuit import Circuit
from fetsim.engine.sensitivity import STEP, Slope, log_gain_slope, slope_of
from fetsim.errors import InputError, UnitError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.transfer import SILENT, corners_hz, transfers
from fetsim.measurements.results.result import Result
from fetsim.rig.gain_cell import REFERENCE_HZ, CellAtRest, cell_at_rest, gain_cell_model
from fetsim.rig.points import output_point
from fetsim.rig.provenance import provenance
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.movable import movable
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit

NEPER_DB = 20.0 / np.log(10.0)


@dataclass(frozen=True, kw_only=True)
class SmallFigure:
    """A figure with its derivatives by the logarithm of each value: a hundredth of them is what 1 % more does."""

    key: str
    """``gain``, ``low_corner``, ``high_corner``, ``loss`` or ``gate``."""
    value: float
    """dB, Hz, Hz, dB, V."""
    slopes: Array
    """In the same unit [shape=(values,)]."""


@dataclass(frozen=True, kw_only=True)
class SensitivityMeasurement(Result):
    """All derivatives."""

    ROOM: ClassVar[str] = "sensitivity"

    values: dict[str, float]
    """What was moved, as a change takes it -> its value in SI units."""
    left_out: dict[str, str]
    """What could not be moved either way -> why: it stands at the end of what a value can be."""
    nodes: tuple[str, ...]
    node_v: Array
    """At rest [shape=(nodes,)],"""
    node_slopes_v: Array
    """by the logarithm of each value [V; shape=(values, nodes)]."""
    figures: tuple[SmallFigure, ...]
    """A corner that is not there is left out, gain and corners of a unit through which nothing passes, and loss and
    gate of one without gain cell."""


@of_unit
def measure_sensitivity(
    unit: Unit, *, quality: str = "standard", progress: Progress = unwatched
) -> SensitivityMeasurement:
    """Derivatives of volts at rest, gain at 1 kHz, corners, loss and gate at rest by every value of every part.

    Raises ConvergenceError for a unit without a bias point, InputError for one that is fed by mains.

    >>> import fetsim
    >>> found = fetsim.measure_sensitivity(fetsim.load_unit("teaching"))
    >>> gain, place = found.figures[0], list(found.values).index("A1")
    >>> f"{gain.slopes[place] / 100.0:.4f} dB"             # 1 % more gain in A1
    '0.0869 dB'
    """
    if unit.mains:
        raise InputError(
            f"{unit.name}: is fed by mains, so what stands at rest is a mean over their period, which has no exact "
            "derivative here; take a unit with supplies in their place, or ask fetsim spread --moves 1%"
        )
    rig = Bench(unit, quality).rig
    every = movable(unit)
    values: dict[str, float] = {}
    left_out: dict[str, str] = {}
    slopes: list[Slope] = []
    cells: list[tuple[CellAtRest | None, CellAtRest | None]] = []
    for number, (name, value) in enumerate(every.items(), start=1):
        try:
            up, down = (_moved(rig, name, value * (1.0 + way * STEP)) for way in (1.0, -1.0))
        except UnitError as error:
            left_out[name] = str(error)
            continue
        values[name] = value
        slope = slope_of(rig.system, rig.bias, rig.linear, up[1], down[1])
        slopes.append(slope)
        cells.append((_cell(rig, *up, rig.bias + STEP * slope.state), _cell(rig, *down, rig.bias - STEP * slope.state)))
        progress(number / len(every))
    places = [rig.system.index[node] for node in unit.nodes]
    return SensitivityMeasurement(
        provenance=provenance(rig),
        values=values,
        left_out=left_out,
        nodes=unit.nodes,
        node_v=rig.bias[places],
        node_slopes_v=np.array([slope.state[places] for slope in slopes]),
        figures=(*_small_signals(rig, slopes), *_at_rest(rig, cells)),
    )


def _moved(rig: Rig, name: str, value: float) -> tuple[Circuit, System]:
    circuit = build_circuit(replace(rig.unit.changed({name: value}), rises_k=rig.heat.rises_k))
    return circuit, assemble(circuit)


def _cell(rig: Rig, circuit: Circuit, system: System, state: Array) -> CellAtRest | None:
    cell = rig.unit.gain_cell
    if cell is None:
        return None
    return cell_at_rest(gain_cell_model(circuit, system, state, cell), system, state, cell.fet)


def _small_signals(rig: Rig, slopes: list[Slope]) -> list[SmallFigure]:
    linear, weights = rig.linear, output_point(rig.unit).weights(rig.system.index)
    (at_middle,) = transfers(linear, np.array([REFERENCE_HZ]), weights[None, :])
    if not abs(at_middle.gain[0]) > SILENT:
        return []
    middle = log_gain_slope(linear, slopes, weights, REFERENCE_HZ)
    found = [SmallFigure(key="gain", value=rig.idle_gain_db(), slopes=NEPER_DB * middle)]
    corners = corners_hz(linear, weights, middle_hz=REFERENCE_HZ)
    for key, corner in zip(("low_corner", "high_corner"), corners, strict=True):
        if corner is not None:
            (there,) = transfers(linear, np.array([corner]), weights[None, :])
            steepness = float(np.real(2.0 * np.pi * there.slope_s[0] / there.gain[0]))  # d ln |H| / df
            moved = -(log_gain_slope(linear, slopes, weights, corner) - middle) / steepness
            found.append(SmallFigure(key=key, value=corner, slopes=moved))
    return found


def _at_rest(rig: Rig, cells: list[tuple[CellAtRest | None, CellAtRest | None]]) -> list[SmallFigure]:
    rest = rig.rest
    if rest is None:
        return []
    found = []
    for key, name in (("loss", "loss_db"), ("gate", "above_pinch_off_v")):
        differences = [(getattr(up, name) - getattr(down, name)) / (2.0 * STEP) for up, down in cells]
        found.append(SmallFigure(key=key, value=getattr(rest, name), slopes=np.array(differences)))
    return found
