"""Hum at the output of a unit that is fed from the mains, at rest and held at gain reductions.

What is read is the mains period that repeats itself in the steps of the simulation (``Rig.mains_period``), with all
that a render has of it; what explains it are small signals at the mean over that period (``entries``), and how far
both agree is told. Sag is read off a burst at the input.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import ClassVar

import numpy as np

from fetsim.audio.levels import dbu_to_rms_v, rms_v_to_dbu
from fetsim.engine.assembly import Array
from fetsim.engine.cycle import Cycle
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.hold import hold, state_in_words
from fetsim.measurements.bench.steady import period_of
from fetsim.measurements.hum.analysis import Phasors, line_phasors, lines_in_band, root_sum_square, sag
from fetsim.measurements.hum.entries import Way, ways_in
from fetsim.measurements.hum.reservoirs import reservoirs
from fetsim.measurements.noise.procedure import unweighted_noise_dbu
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.result import Result
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import output_point
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_work
from fetsim.rig.rig import Rig
from fetsim.schematic.unit import Unit

EXPLAINED = 40
"""Lines that are put down to parts: 2 kHz at 50 Hz."""
SILENT_V = 1e-15  # less is what rounding leaves
SILENT_DBU = -140.0  # of all hum: less is what the search for the mains period leaves
NO_HUM = Missing(cause="nothing to measure", text="next to no hum")
OUTPUT_ITSELF = "output"
"""In the place of a part where the rail is the output."""
LEAST_BURST_S, LONGEST_BURST_S = 0.02, 60.0


@dataclass(frozen=True, kw_only=True)
class Line:
    """One multiple of the mains frequency at the output."""

    frequency_hz: float
    level_dbu: float
    explained_dbu: float | None
    """The sum of what comes in by all rails; None above those that are explained."""


@dataclass(frozen=True, kw_only=True)
class Entry:
    """What comes in from one rail through one part, over all lines that are explained."""

    part: str
    rail: str
    level_dbu: float
    strongest_hz: float
    """Its strongest line."""


@dataclass(frozen=True, kw_only=True)
class RailHum:
    """One rail, over all lines that are explained."""

    rail: str
    ripple_v: float
    """From the lowest to the highest voltage in a mains period."""
    level_dbu: float
    """What comes in by it at the output."""


@dataclass(frozen=True, kw_only=True)
class HumState:
    """Hum at rest, or held at a gain reduction."""

    state: str
    reduction_db: float
    hum_dbu: float
    """All lines from 20 Hz to 20 kHz."""
    noise_dbu: float
    """Of the parts, 20 Hz to 20 kHz, unweighted."""
    hum_and_noise_dbu: float
    lines: tuple[Line, ...]
    rails: tuple[RailHum, ...]
    entries: tuple[Entry, ...]
    """The largest first."""
    unexplained_db: float | None
    """What the sum over all rails misses of the explained lines, re these; None where there is next to no hum."""
    reasons: Mapping[str, Missing] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Ripple:
    """A reservoir at rest."""

    part: str
    node: str
    mean_v: float
    ripple_v: float
    """From the lowest to the highest voltage in a mains period."""


@dataclass(frozen=True, kw_only=True)
class Sag:
    """A rail under the burst; means over a mains period."""

    rail: str
    rest_v: float
    lowest_v: float
    sag_v: float
    """By how much that is nearer to zero."""


@dataclass(frozen=True, kw_only=True)
class HumMeasurement(Result):
    """Hum of a unit in every state asked for, and its supply."""

    ROOM: ClassVar[str] = "hum"

    mains_hz: float
    states: tuple[HumState, ...]
    reservoirs: tuple[Ripple, ...]
    burst_dbu: float
    burst_s: float
    sags: tuple[Sag, ...]


@of_unit
def measure_hum(
    unit: Unit,
    *,
    reductions_db: Sequence[float] = (0.0, 10.0),
    level_dbu: float | None = None,
    burst_s: float = 0.3,
    quality: str = "standard",
) -> HumMeasurement:
    """Hum at rest (0) or held at each of ``reductions_db``, and the sag of the rails under a burst of 1 kHz at
    ``level_dbu`` (full scale if left out) of at least ``burst_s``.

    Raises InputError for a unit without mains or rails, or for more gain reduction than can be reached.

    >>> import fetsim
    >>> found = fetsim.measure_hum(fetsim.load_unit("dunlin-mains"), reductions_db=[0.0], burst_s=0.02, quality="draft")
    >>> [rail.rail for rail in found.states[0].rails], [one.part for one in found.reservoirs]
    (['vp', 'vn', 'va'], ['C94', 'C96'])
    """
    if not unit.mains:
        raise InputError(f"{unit.name}: has no part of kind mains, so there is no hum to measure")
    if not unit.rails:
        raise InputError(f'{unit.name}: does not say which its rails are; name them, as [rails] with vp = "15V"')
    if not LEAST_BURST_S <= burst_s <= LONGEST_BURST_S:
        raise InputError(f"burst: {burst_s:g} s is outside {LEAST_BURST_S:g} to {LONGEST_BURST_S:g} s")
    bench = Bench(unit, quality)
    check_work(unit, burst_s, bench.rate_hz, "give a shorter burst")
    burst_dbu = unit.full_scale_dbu if level_dbu is None else level_dbu
    states = tuple(_state(hold(bench, wanted), wanted) for wanted in reductions_db)
    period = bench.rig.mains_period
    volts = dict(zip(bench.system.unknowns, period.unknowns.T, strict=True))
    return HumMeasurement(
        provenance=provenance(bench.rig),
        mains_hz=period.frequency_hz,
        states=states,
        reservoirs=tuple(
            Ripple(part=part.designator, node=node, mean_v=float(volts[node].mean()),
                   ripple_v=float(np.ptp(volts[node])))
            for part in reservoirs(unit)
            for node in [next(node for node in part.nodes.values() if node in volts)]
        ),
        burst_dbu=burst_dbu,
        burst_s=burst_s,
        sags=_sags(bench, burst_dbu, burst_s),
    )  # fmt: skip


def hum_at_rest_dbu(rig: Rig) -> float:
    """All lines at the output from 20 Hz to 20 kHz, of a unit with mains."""
    _, _, played = _heard(rig.mains_period, output_point(rig.unit).weights(rig.system.index))
    return rms_v_to_dbu(_rms(played))


def _heard(period: Cycle, weights: Array) -> tuple[Array, int, Phasors]:
    """Frequencies of the lines at the output that count, the number of the first one, and the lines."""
    played = line_phasors(period.unknowns @ weights)
    heard = lines_in_band(period.frequency_hz, len(played))
    first = round(heard[0] / period.frequency_hz) - 1
    return heard, first, played[first : first + len(heard)]


def _state(bench: Bench, reduction_db: float) -> HumState:
    rig, place = bench.rig, output_point(bench.unit)
    period, weights = rig.mains_period, place.weights(rig.system.index)
    heard, first, played = _heard(period, weights)
    few = slice(min(EXPLAINED, len(heard)))
    rails = {
        rail: line_phasors(period.unknowns[:, rig.system.index[rail]])[first : first + len(heard)][few]
        for rail in bench.unit.rails
    }
    ways = ways_in(rig, rails, weights, heard[few])
    total = np.sum([way.lines for way in ways], axis=0)
    hum_v, noise_dbu = _rms(played), unweighted_noise_dbu(bench, place)
    explained = [*(rms_v_to_dbu(abs(one)) for one in total), *[None] * (len(heard) - len(total))]
    missed, silent = _rms(played[few] - total), hum_v < dbu_to_rms_v(SILENT_DBU)
    return HumState(
        state=state_in_words(reduction_db),
        reduction_db=reduction_db,
        hum_dbu=rms_v_to_dbu(hum_v),
        noise_dbu=noise_dbu,
        hum_and_noise_dbu=rms_v_to_dbu(root_sum_square(hum_v, dbu_to_rms_v(noise_dbu))),
        lines=tuple(
            Line(frequency_hz=float(hertz), level_dbu=rms_v_to_dbu(abs(one)), explained_dbu=known)
            for hertz, one, known in zip(heard, played, explained, strict=True)
        ),
        rails=tuple(
            RailHum(rail=rail, ripple_v=period.span(rig.system.index[rail]), level_dbu=rms_v_to_dbu(_rms(lines)))
            for rail in rails
            for lines in [np.sum([way.lines for way in ways if way.rail == rail], axis=0)]
        ),
        entries=_entries(ways, heard),
        unexplained_db=None if silent else 20.0 * float(np.log10(max(missed, SILENT_V) / hum_v)),
        reasons={"unexplained_db": NO_HUM} if silent else {},
    )


def _entries(ways: Sequence[Way], frequency_hz: Array) -> tuple[Entry, ...]:
    """The elements of a part together; those by which nothing comes are left out."""
    lines: dict[tuple[str, str], Phasors] = {}
    for way in ways:
        key = way.element.partition(".")[0] or OUTPUT_ITSELF, way.rail
        lines[key] = lines.get(key, 0.0) + way.lines
    found = [
        Entry(part=part, rail=rail, level_dbu=rms_v_to_dbu(_rms(one)), strongest_hz=float(frequency_hz[strongest]))
        for (part, rail), one in lines.items()
        for strongest in [np.argmax(np.abs(one))]
        if _rms(one) > SILENT_V
    ]
    return tuple(sorted(found, key=lambda entry: -entry.level_dbu))


def _sags(bench: Bench, level_dbu: float, burst_s: float) -> tuple[Sag, ...]:
    """Of every rail; the first mains period of the record is at rest."""
    steps, rails = bench.rig.mains_steps or 1, list(bench.unit.rails)
    period = period_of(REFERENCE_HZ, bench)
    periods = ceil(burst_s * bench.rate_hz / steps - 1e-9)
    run = bench.run(rails)
    played = [run.play(np.zeros(steps)), run.play(np.resize(period.tone(level_dbu), periods * steps))]
    found = []
    for rail in rails:
        levels = np.concatenate([one.nodes[rail] for one in played])
        lowest_v, sag_v = sag(levels, steps)
        found.append(Sag(rail=rail, rest_v=float(levels[:steps].mean()), lowest_v=lowest_v, sag_v=sag_v))
    return tuple(found)


def _rms(lines: Phasors) -> float:
    return float(np.sqrt(np.sum(np.abs(lines) ** 2)))
