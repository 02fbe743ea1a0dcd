"""Noise of a unit at its output, from the physics of its parts through the linearised circuit.

Adjoint method: one solve of the transposed equations per frequency gives the transfer from every row of the circuit
to the point of interest at once; each source (see ``noise_sources``) is white or falls as 1/f, is independent of
the others, and adds its power. (Director and Rohrer, IEEE Trans. Circuit Theory CT-16 (1969) 318, from memory.)

All levels are rms over 20 Hz to 20 kHz. The BS.468-weighted figure uses the weighting curve with an rms meter; the
recommendation's quasi-peak meter is not modelled and reads some decibels more on noise. No signal is present: what a
signal does to the noise (modulation by the control voltage, rectified noise in the sidechain) is left out, and with
the gain reduction held, noise of the sidechain does not move the gain. A render with noise has all of that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from fetsim.audio.levels import FLOOR_DB, rms_v_to_dbu
from fetsim.engine.assembly import NO_UNKNOWN, Array
from fetsim.engine.linear import Linearised
from fetsim.engine.noise_sources import NoiseSource, kelvin, noise_sources
from fetsim.engine.signals import White
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.clipping import LargestLevel, largest_level
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.hold import HeldBench, hold, linear_at_rest, state_in_words
from fetsim.measurements.bench.transfer import TOGETHER, system_matrices, transfers
from fetsim.measurements.noise.analysis import weighted_noise_rms
from fetsim.measurements.results.result import Result
from fetsim.measurements.traces.weighting import a_weighting_db, itu_468_weighting_db
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import OUTPUT, Point, find_point
from fetsim.rig.provenance import provenance
from fetsim.schematic.unit import Unit

LOW_HZ, HIGH_HZ = 20.0, 20e3
PER_OCTAVE = 12


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """What one part adds by one cause."""

    designator: str
    cause: str
    output_dbu: float
    """Of this contribution alone, unweighted."""
    share: float
    """Of the whole noise power, unweighted."""


@dataclass(frozen=True, kw_only=True)
class NoiseState:
    """Noise at one point in one state."""

    state: str
    reduction_db: float
    control_v: float | None
    frequency_hz: Array
    density_v: Array
    """V per root Hz [shape of ``frequency_hz``]."""
    unweighted_dbu: float
    a_weighted_dbu: float
    itu_468_weighted_dbu: float
    """rms behind the weighting curve; not the quasi-peak reading of the recommendation."""
    gain_1khz_db: float
    input_referred_dbu: float
    """The unweighted noise as a level at the source: less the gain at 1 kHz."""
    contributions: tuple[Contribution, ...]
    """The largest first."""
    dynamic_range_db: float | None
    """Largest level at the point less the unweighted noise."""
    a_weighted_dynamic_range_db: float | None


@dataclass(frozen=True, kw_only=True)
class NoiseMeasurement(Result):
    """Noise of a unit in every state asked for."""

    ROOM: ClassVar[str] = "noise"

    point: str
    source_resistance_ohm: float
    """Of the input; its thermal noise is included."""
    largest: LargestLevel | None
    """What the dynamic range is told from; None where that was not asked for."""
    states: tuple[NoiseState, ...]


@of_unit
def measure_noise(
    unit: Unit,
    *,
    point: str = OUTPUT,
    reductions_db: Sequence[float] = (0.0,),
    largest: bool = True,
    quality: str = "standard",
) -> NoiseMeasurement:
    """Noise at ``point`` at rest (0) or held at each of ``reductions_db``.

    ``largest`` also plays a rising tone until the point clips, for the dynamic range (``clipping``, a second or
    so). Raises InputError for an unknown point or more gain reduction than can be reached.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> round(fetsim.measure_noise(unit).states[0].unweighted_dbu, 1)
    -88.0
    """
    bench = Bench(unit, quality)
    place = find_point(unit, point)
    states = [hold(bench, wanted) for wanted in reductions_db]
    top = largest_level(bench, place) if largest else None
    return NoiseMeasurement(
        provenance=provenance(bench.rig),
        point=point,
        source_resistance_ohm=unit.input.values["source_resistance"],
        largest=top,
        states=tuple(_state(state, wanted, place, top) for state, wanted in zip(states, reductions_db, strict=True)),
    )


def noise_powers(linear: Linearised, sources: Sequence[NoiseSource], weights: Array, frequency_hz: Array) -> Array:
    """Mean square per Hz that each source gives at the point [shape=(sources, frequencies), V^2/Hz]."""
    start, end = (np.array([getattr(source, name) for source in sources]) for name in ("start", "end"))
    density = np.array([[source.density] for source in sources])
    over_f = np.array([[source.pink] for source in sources])
    powers = np.empty((len(sources), len(frequency_hz)))
    for first in range(0, len(frequency_hz), TOGETHER):
        part = slice(first, first + TOGETHER)
        transposed = system_matrices(linear, frequency_hz[part]).transpose(0, 2, 1)
        right = np.broadcast_to(weights[:, None], (len(transposed), len(weights), 1))
        impedance = np.zeros((len(transposed), len(weights) + 1), dtype=np.complex128)  # last column: ground
        impedance[:, :-1] = np.linalg.solve(transposed, right)[:, :, 0]
        strength = density / np.where(over_f, frequency_hz[part], 1.0)
        powers[:, part] = strength * np.abs(impedance[:, start] - impedance[:, end]).T ** 2
    return powers


def unweighted_noise_dbu(bench: Bench, place: Point) -> float:
    """Noise of a bench's state at a point, 20 Hz to 20 kHz."""
    _, powers, grid = _powers(bench, place)
    return rms_v_to_dbu(weighted_noise_rms(np.sqrt(np.sum(powers, axis=0)), frequency_hz=grid))


def _powers(bench: Bench, place: Point) -> tuple[list[NoiseSource], Array, Array]:
    """Sources of a bench's state, what each gives at the point, and at which frequencies."""
    index = bench.system.index
    sources = noise_sources(bench.circuit, bench.bias, index, kelvin(bench.unit.temperature_c))
    octaves = float(np.log2(HIGH_HZ / LOW_HZ))
    grid = np.geomspace(LOW_HZ, HIGH_HZ, 2 + int(octaves * PER_OCTAVE))
    linear, weights = linear_at_rest(bench), place.weights(index)
    powers = noise_powers(linear, sources, weights, grid)
    for name, signal in bench.rig.signals.items():
        if isinstance(signal, White):
            (transfer,) = transfers(linear, grid, weights[None, :], name)
            sources.append(NoiseSource(name, "input", NO_UNKNOWN, NO_UNKNOWN, signal.density_v2_per_hz))
            powers = np.vstack((powers, signal.density_v2_per_hz * np.abs(transfer.gain) ** 2))
    return sources, powers, grid


def _state(bench: Bench, reduction_db: float, place: Point, top: LargestLevel | None) -> NoiseState:
    sources, powers, grid = _powers(bench, place)
    density_v = np.sqrt(np.sum(powers, axis=0))
    linear = linear_at_rest(bench)
    (middle,) = transfers(linear, np.array([REFERENCE_HZ]), place.weights(linear.index)[None, :])
    unweighted, a_weighted, itu_468 = (
        rms_v_to_dbu(weighted_noise_rms(density_v, frequency_hz=grid, weighting_db=weighting))
        for weighting in (None, a_weighting_db, itu_468_weighting_db)
    )
    top_dbu = None if top is None else top.stage_dbu
    gain_db = float(middle.gain_db[0])
    return NoiseState(
        state=state_in_words(reduction_db),
        reduction_db=reduction_db,
        control_v=bench.control_v if isinstance(bench, HeldBench) else None,
        frequency_hz=grid,
        density_v=density_v,
        unweighted_dbu=unweighted,
        a_weighted_dbu=a_weighted,
        itu_468_weighted_dbu=itu_468,
        gain_1khz_db=gain_db,
        input_referred_dbu=unweighted - gain_db,
        contributions=_contributions(sources, powers, grid),
        dynamic_range_db=None if top_dbu is None else top_dbu - unweighted,
        a_weighted_dynamic_range_db=None if top_dbu is None else top_dbu - a_weighted,
    )


def _contributions(sources: Sequence[NoiseSource], powers: Array, grid: Array) -> tuple[Contribution, ...]:
    """Sources of one part and cause taken together."""
    grouped: dict[tuple[str, str], Array] = {}
    for source, power in zip(sources, powers, strict=True):
        key = (source.designator, source.cause)
        grouped[key] = grouped.get(key, 0.0) + power
    squares = {key: weighted_noise_rms(np.sqrt(power), frequency_hz=grid) ** 2 for key, power in grouped.items()}
    whole = sum(squares.values())
    return tuple(
        Contribution(
            designator=designator,
            cause=cause,
            output_dbu=rms_v_to_dbu(np.sqrt(square)) if square > 0.0 else FLOOR_DB,
            share=square / whole,
        )
        for (designator, cause), square in sorted(squares.items(), key=lambda item: -item[1])
    )
