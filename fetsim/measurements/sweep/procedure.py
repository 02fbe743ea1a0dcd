"""Distortion against frequency: THD and every harmonic of steady sines at given levels.

Two things rise towards low frequencies, both of them third harmonic: the ripple of the control voltage, by 6 dB an
octave, and the iron, by up to 12 dB an octave. So the readings may be taken at any point: in front of the gain cell
they are the iron's alone.

Every reading is a periodic steady state (``steady``) reached from rest, its cores demagnetised, so that it does not
depend on what else is asked for; all of them are played side by side.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import ClassVar

from fetsim.errors import ConvergenceError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.operating import AskedLevels, asked_tones
from fetsim.measurements.distortion.procedure import DEFAULT_FREQUENCY_HZ, DistortionPoint, sine_distortion
from fetsim.measurements.results.result import Result
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.points import OUTPUT, Point, find_point
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_work, settling_s
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.unit import Unit

DEFAULT_LEVELS_DBU = (-20.0, 0.0, 10.0, 20.0)
DEFAULT_FREQUENCIES_HZ = (20.0, 30.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3)


@dataclass(frozen=True, kw_only=True)
class Unsteady:
    """A tone that has no steady state."""

    level_dbu: float
    frequency_hz: float
    why: str


@dataclass(frozen=True, kw_only=True)
class SweepMeasurement(Result):
    """All readings of a unit at one setting."""

    ROOM: ClassVar[str] = "sweep"

    read_at: str
    """The point where distortion was read."""
    tones: tuple[DistortionPoint, ...]
    """Level by level, frequencies rising in each;"""
    unsteady: tuple[Unsteady, ...]
    """those that have no steady state stand here."""


@of_unit
def measure_sweep(
    unit: Unit,
    *,
    levels_dbu: Sequence[float] | None = None,
    reductions_db: Sequence[float] | None = None,
    frequencies_hz: Sequence[float] = DEFAULT_FREQUENCIES_HZ,
    at: str = OUTPUT,
    against: Reference = "idle",
    quality: str = "standard",
    progress: Progress = unwatched,
) -> SweepMeasurement:
    """THD and harmonics against frequency, read at a node, probe or the ``output``.

    At source levels ``levels_dbu``, or at those that give ``reductions_db`` of gain reduction at 1 kHz, counted from
    what ``against`` says: the unit at rest or (``"open"``) the FET taken out. Raises InputError, and ConvergenceError
    where no tone has a steady state.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> found = fetsim.measure_sweep(unit, levels_dbu=[-10.0], frequencies_hz=[60.0, 1000.0], quality="draft")
    >>> bool(found.tones[0].harmonic[1] > found.tones[1].harmonic[1])
    True
    """
    bench, point = Bench(unit, quality, against=reference_named(against)), find_point(unit, at)
    asked, frequencies = AskedLevels.of(levels_dbu, reductions_db, DEFAULT_LEVELS_DBU), asked_tones(frequencies_hz)
    work_s = len(asked.numbers) * sum(settling_s(frequency) for frequency in frequencies)
    check_work(unit, work_s, bench.rate_hz, "give fewer levels or frequencies")
    tones = {tone: tone for tone in product(asked.found(bench, DEFAULT_FREQUENCY_HZ), frequencies)}
    found = run_all(tones, partial(_reading, bench, point), progress)
    had = tuple(one for one in found.values() if isinstance(one, DistortionPoint))
    lost = tuple(one for one in found.values() if isinstance(one, Unsteady))
    if not had:
        raise ConvergenceError(lost[0].why)
    return SweepMeasurement(provenance=provenance(bench.rig), read_at=at, tones=had, unsteady=lost)


def _reading(bench: Bench, point: Point, tone: tuple[float, float], told: Progress) -> DistortionPoint | Unsteady:
    level_dbu, frequency_hz = tone
    try:
        return sine_distortion(bench.run(point.nodes), level_dbu, frequency_hz, point)
    except ConvergenceError as error:
        return Unsteady(level_dbu=level_dbu, frequency_hz=frequency_hz, why=str(error))
