"""Distortion of a unit: harmonics and THD against level and gain reduction, intermodulation, THD+N.

Every reading is taken in the periodic steady state (``steady``), so the record holds whole periods and nothing that is
still settling. Two-tone signals have the peak of the sine whose level is stated (common practice, no source); THD and
intermodulation are defined in ``distortion`` and ``intermodulation``.

The engine plays no noise. For THD+N the residue behind the notch is the simulated one, and the noise of the unit from
its linearised circuit (``circuit_noise``, held at the same gain reduction, 20 Hz to 20 kHz) is added as power.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import ceil, inf
from typing import Any, ClassVar, TypeVar

import numpy as np

from fetsim.audio.levels import dbu_to_rms_v, rms_v_to_dbu
from fetsim.engine.assembly import Array
from fetsim.measurements.bench.bench import Bench, Run
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.hold import hold
from fetsim.measurements.bench.operating import AskedLevels, asked_tones
from fetsim.measurements.bench.steady import AT_PEAK, Steady, common_steps, period_of, settled_at
from fetsim.measurements.distortion.harmonics import (
    AES17_BAND_HZ,
    AES17_FREQUENCY_HZ,
    NOTCH_Q,
    harmonics,
    thd_plus_noise,
)
from fetsim.measurements.distortion.intermodulation import (
    DIFFERENCE_LOWER_HZ,
    DIFFERENCE_UPPER_HZ,
    SMPTE_AMPLITUDE_RATIO,
    SMPTE_HIGH_HZ,
    SMPTE_LOW_HZ,
    Intermodulation,
    difference_tone_imd,
    smpte_imd,
)
from fetsim.measurements.noise.procedure import unweighted_noise_dbu
from fetsim.measurements.results.result import Result
from fetsim.measurements.traces.checks import Samples
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.points import Point, output_point
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_work, settling_s
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.unit import Unit

DEFAULT_LEVELS_DBU = tuple(float(level) for level in range(-20, 25, 4))
DEFAULT_FREQUENCY_HZ = 1000.0
LEAST_CYCLES = 8  # in an analysed record
LEAST_SPACINGS = 6.0  # of a two-tone record, periods of the tones' spacing
NOTCH_RECORD_S = 0.25

Reading = TypeVar("Reading")


@dataclass(frozen=True, kw_only=True)
class DistortionPoint:
    """A steady sine; ratios, not per cent."""

    frequency_hz: float
    level_dbu: float
    fundamental_dbu: float
    """Where it is read."""
    gain_reduction_db: float
    """In the FET's divider, mean over the cycle; NaN for a unit without a gain cell."""
    thd_f: float
    """Harmonics over the fundamental."""
    thd_r: float
    """Harmonics over the whole."""
    harmonic: Samples
    """Amplitude over the fundamental's, orders 2, 3, ... [shape=(9,), fewer where they pass half the rate]."""


@dataclass(frozen=True, kw_only=True)
class TwoTonePoint:
    """Intermodulation at the level of a sine of the same peak."""

    level_dbu: float
    gain_reduction_db: float
    smpte: Intermodulation
    """60 Hz and 7 kHz, 4:1."""
    difference_tone: Intermodulation
    """19 and 20 kHz, 1:1."""
    difference_tone_reduction_db: float


@dataclass(frozen=True, kw_only=True)
class NoisyPoint:
    """THD+N of a 997 Hz sine over 20 kHz."""

    level_dbu: float
    gain_reduction_db: float
    ratio: float
    """Residue and noise over the whole."""
    distortion_ratio: float
    """The residue alone."""
    noise_dbu: float
    """Of the unit at this gain reduction, 20 Hz to 20 kHz."""

    @property
    def level_db(self) -> float:
        return float(20.0 * np.log10(self.ratio)) if self.ratio > 0.0 else -inf


@dataclass(frozen=True, kw_only=True)
class DistortionMeasurement(Result):
    """All readings of a unit at one setting."""

    ROOM: ClassVar[str] = "distortion"

    tones: tuple[DistortionPoint, ...]
    """Frequency by frequency, levels rising in each."""
    two_tones: tuple[TwoTonePoint, ...]
    """Level by level; empty where not asked for."""
    with_noise: tuple[NoisyPoint, ...]
    """Level by level; empty where not asked for."""

@of_unit
def measure_distortion(
    unit: Unit,
    *,
    levels_dbu: Sequence[float] | None = None,
    reductions_db: Sequence[float] | None = None,
    frequencies_hz: Sequence[float] = (DEFAULT_FREQUENCY_HZ,),
    two_tones: bool = True,
    with_noise: bool = True,
    against: Reference = "idle",
    quality: str = "standard",
    progress: Progress = unwatched,
) -> DistortionMeasurement:
    """Distortion at source levels ``levels_dbu``, or at those that give ``reductions_db`` of gain reduction at 1 kHz.

    A sine of every one of ``frequencies_hz`` is played at every level. ``two_tones`` and ``with_noise`` add
    intermodulation and THD+N at every level. ``against``: what gain reduction is counted from, the unit at rest or
    (``"open"``) the FET taken out. Raises InputError or ConvergenceError.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> found = fetsim.measure_distortion(unit, levels_dbu=[-10.0], two_tones=False, with_noise=False, quality="draft")
    >>> f"{100.0 * found.tones[0].thd_f:.1f} %"
    '8.1 %'
    """
    bench = Bench(unit, quality, against=reference_named(against))
    asked, frequencies = AskedLevels.of(levels_dbu, reductions_db, DEFAULT_LEVELS_DBU), asked_tones(frequencies_hz)
    each_s = [settling_s(frequency) for frequency in frequencies]
    each_s += [2.0 * settling_s(SMPTE_LOW_HZ)] * two_tones + [settling_s(AES17_FREQUENCY_HZ)] * with_noise
    check_work(unit, len(asked.numbers) * sum(each_s), bench.rate_hz, "give fewer levels or frequencies")
    levels = asked.found(bench, DEFAULT_FREQUENCY_HZ)
    jobs: dict[object, Callable[[Progress], list[Any]]] = {
        f: partial(_rising, bench, levels, partial(_sine, frequency_hz=f)) for f in frequencies
    }
    if two_tones:
        jobs["two tones"] = partial(_rising, bench, levels, _smpte)
        jobs["difference"] = partial(_rising, bench, levels, _difference)
    if with_noise:
        jobs["noise"] = partial(_rising, bench, levels, _thd_and_noise)
    found = run_all(jobs, lambda job, told: job(told), progress)
    return DistortionMeasurement(
        provenance=provenance(bench.rig),
        tones=tuple(point for f in frequencies for point in found[f]),
        two_tones=tuple(
            TwoTonePoint(
                level_dbu=level, gain_reduction_db=smpte_db, smpte=smpte, difference_tone=difference,
                difference_tone_reduction_db=difference_db,
            )
            for level, (smpte, smpte_db), (difference, difference_db) in zip(
                levels, found.get("two tones", []), found.get("difference", []), strict=False
            )
        ),
        with_noise=tuple(found.get("noise", [])),
    )


def sine_distortion(
    run: Run, level_dbu: float, frequency_hz: float, point: Point | None = None
) -> DistortionPoint:
    """Bring a sine to rest in ``run``, going on from its present state, and read its harmonics at the output or at
    another point whose nodes the run records."""
    period = period_of(frequency_hz, run.bench)
    steady = settled_at(run, period.tone(level_dbu, AT_PEAK), f"at {level_dbu:g} dBu, {frequency_hz:g} Hz")
    volts = steady.block.output_v if point is None else point.volts(steady.block.nodes)
    record = repeated(volts, LEAST_CYCLES * period.steps / period.cycles)
    found = harmonics(record, rate_hz=period.rate_hz, fundamental_hz=period.frequency_hz)
    return DistortionPoint(
        frequency_hz=period.frequency_hz,
        level_dbu=level_dbu,
        fundamental_dbu=rms_v_to_dbu(float(found.amplitude[0]) / np.sqrt(2.0)),
        gain_reduction_db=_reduction_db(steady, run.bench),
        thd_f=found.thd_f,
        thd_r=found.thd_r,
        harmonic=found.amplitude[1:] / found.amplitude[0],
    )


def _rising(
    bench: Bench, levels_dbu: Sequence[float], read: Callable[[Run, float], Reading], told: Progress
) -> list[Reading]:
    run, readings = bench.run(), []
    for number, level in enumerate(levels_dbu, start=1):
        readings.append(read(run, level))
        told(number / len(levels_dbu))
    return readings


def _sine(run: Run, level_dbu: float, frequency_hz: float) -> DistortionPoint:
    return sine_distortion(run, level_dbu, frequency_hz)


def _smpte(run: Run, level_dbu: float) -> tuple[Intermodulation, float]:
    steady, record = _two_tones(run, level_dbu, SMPTE_LOW_HZ, SMPTE_HIGH_HZ, SMPTE_AMPLITUDE_RATIO, SMPTE_LOW_HZ)
    return smpte_imd(record, rate_hz=run.bench.rate_hz), _reduction_db(steady, run.bench)


def _difference(run: Run, level_dbu: float) -> tuple[Intermodulation, float]:
    spacing_hz = DIFFERENCE_UPPER_HZ - DIFFERENCE_LOWER_HZ
    steady, record = _two_tones(run, level_dbu, DIFFERENCE_LOWER_HZ, DIFFERENCE_UPPER_HZ, 1.0, spacing_hz)
    return difference_tone_imd(record, rate_hz=run.bench.rate_hz), _reduction_db(steady, run.bench)


def _two_tones(
    run: Run, level_dbu: float, low_hz: float, high_hz: float, low_to_high: float, spacing_hz: float
) -> tuple[Steady, Array]:
    rate_hz = run.bench.rate_hz
    steps = common_steps((round(low_hz), round(high_hz)), rate_hz, run.bench.rig.mains_steps)
    time_s = np.arange(1, steps + 1) / rate_hz
    high_peak_v = dbu_to_rms_v(level_dbu) * np.sqrt(2.0) / (1.0 + low_to_high)
    signal = low_to_high * np.sin(2.0 * np.pi * low_hz * time_s) + np.sin(2.0 * np.pi * high_hz * time_s)
    steady = settled_at(run, high_peak_v * signal, f"at {level_dbu:g} dBu")
    return steady, repeated(steady.block.output_v, LEAST_SPACINGS * rate_hz / spacing_hz)


def _thd_and_noise(run: Run, level_dbu: float) -> NoisyPoint:
    bench = run.bench
    period = period_of(AES17_FREQUENCY_HZ, bench)
    steady = settled_at(run, period.tone(level_dbu), f"at {level_dbu:g} dBu")
    record = repeated(steady.block.output_v, NOTCH_RECORD_S * bench.rate_hz)
    found = thd_plus_noise(
        record, rate_hz=bench.rate_hz, near_hz=period.frequency_hz, notch_q=NOTCH_Q, band_hz=AES17_BAND_HZ
    )
    reduction_db = _reduction_db(steady, bench)
    # a signal that drives the gate forward reduces up to 0.8 dB more than can be held (teaching loop)
    from_rest_db = max(reduction_db - bench.rig.counted_in_db, 0.0)
    held = bench if bench.unit.gain_cell is None else hold(bench, from_rest_db, or_deepest=True)
    noise_dbu = unweighted_noise_dbu(held, output_point(bench.unit))
    noise_v = dbu_to_rms_v(noise_dbu)
    return NoisyPoint(
        level_dbu=level_dbu,
        gain_reduction_db=reduction_db,
        ratio=float(np.hypot(found.residue_rms, noise_v) / np.hypot(found.total_rms, noise_v)),
        distortion_ratio=found.ratio,
        noise_dbu=noise_dbu,
    )


def repeated(block: Array, least: float) -> Array:
    """Whole periods over and over, ``least`` samples of them at least."""
    return np.tile(block, max(1, ceil(least / block.size)))


def _reduction_db(steady: Steady, bench: Bench) -> float:
    return np.nan if bench.unit.gain_cell is None else float(np.mean(steady.block.reduction_db))
