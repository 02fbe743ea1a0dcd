"""A tone that steps from one level to another, played through a unit until its gain reduction has settled.

The step may fall anywhere in the cycle: the low tone goes on to that phase and the tone goes on from there at the new
level, its phase unbroken. The steady states before and after are solved (``steady``), so the final gain is known and
a record need only last until the trace stays near it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.shooting import Monodromy
from fetsim.errors import ConvergenceError
from fetsim.measurements.bench.bench import Bench, Played, Run
from fetsim.measurements.bench.steady import SETTLED_V, Period, Steady, monodromy_at, period_of, settle

LEAD_CYCLES = 4  # of the earlier level in the record
LEAST_CYCLES = 10  # of the later level
GROWTH = 1.25  # of the record, until its last fifth is settled
SETTLED_SHARE = 0.02  # of the change that may be left,
SETTLED_DB = 0.02  # or at least this
LONGEST_S = 30.0


@dataclass(frozen=True)
class Level:
    """A steady level: where a burst comes from or goes to."""

    level_dbu: float
    """-inf for silence."""
    run: Run
    """In that state, at phase zero of the tone; branch it."""
    steady: Steady
    reduction_db: float
    """Mean over the cycle."""
    ripple_db: float
    """Standard deviation within the cycle."""


@dataclass(frozen=True)
class Step:
    """Record of one step."""

    phase_deg: float
    """Phase of the tone at which it fell."""
    rate_hz: float
    step_s: float
    """Instant of the step from the first sample."""
    emf_v: Array
    output_v: Array
    reduction_db: Array
    """In the FET's divider [shape=(n,)]; zero for a unit without a gain cell."""


def steady_level(
    bench: Bench, level_dbu: float, frequency_hz: float, start: Run | None = None, settled_v: float = SETTLED_V,
    near: Monodromy | None = None, longest_s: float = LONGEST_S,
) -> Level:  # fmt: skip
    """Bring a level to rest as far as ``settled_v`` says (``settle``), from ``start`` or from the bias point."""
    period = period_of(frequency_hz, bench)
    run = bench.run() if start is None else start.branch()
    try:
        steady = settle(run, period.tone(level_dbu), settled_v, near, longest_s)
    except ConvergenceError as error:
        raise error.at(f"at {level_dbu:g} dBu") from None
    trace = steady.block.reduction_db
    return Level(level_dbu, run, steady, float(np.mean(trace)), float(np.std(trace)))


@dataclass(frozen=True)
class KnownLevel:
    """A steady level of one set of values, and the monodromy that leads other values to theirs."""

    level: Level
    near: Monodromy | None


def known_levels(bench: Bench, levels_dbu: tuple[float, float], frequency_hz: float) -> tuple[KnownLevel, KnownLevel]:
    """Both levels of a step. Raises ConvergenceError."""
    low, high = levels_dbu
    period = period_of(frequency_hz, bench)
    quiet = steady_level(bench, low, frequency_hz)
    loud = steady_level(bench, high, frequency_hz, quiet.run)
    return (
        KnownLevel(quiet, monodromy_at(quiet.run, period.tone(low))),
        KnownLevel(loud, monodromy_at(loud.run, period.tone(high))),
    )


def level_near(
    bench: Bench, level_dbu: float, frequency_hz: float, start: Run | None, known: KnownLevel | None
) -> Level:
    """``steady_level``, from where the same circuit with other values is known to stand; where none is, from
    ``start``."""
    if known is None or known.level.run.bench.system.topology != bench.system.topology:
        return steady_level(bench, level_dbu, frequency_hz, start)
    run = bench.run()
    run.state = known.level.run.state
    return steady_level(bench, level_dbu, frequency_hz, run, near=known.near)


def play_step(before: Level, after: Level, frequency_hz: float, phase_share: float, least_s: float = 0.0) -> Step:
    """Step between two steady levels at ``phase_share`` of the cycle (0 to 1), for ``least_s`` at least."""
    run = before.run.branch()
    period = period_of(frequency_hz, run.bench)
    late = round(phase_share * period.steps / period.cycles)
    lead = [_stretch(period, before.level_dbu, 0, LEAD_CYCLES * period.cycle + late)]
    records = [run.play(lead[0])]
    origin, emf = late, lead
    allowed_db = max(SETTLED_DB, SETTLED_SHARE * abs(after.reduction_db - before.reduction_db))
    cycle = period.cycle  # of whole steps: one cycle or a few
    length = max(LEAST_CYCLES * cycle, round(least_s * period.rate_hz))
    played = 0
    while True:
        emf.append(_stretch(period, after.level_dbu, origin + played, length - played))
        records.append(run.play(emf[-1]))
        played = length
        tail = _last_reductions(records, max(cycle, length // 5))
        if _worst_mean_distance(tail, cycle, after.reduction_db) <= allowed_db or length > LONGEST_S * period.rate_hz:
            break
        length = int(GROWTH * length)
    return Step(
        phase_deg=360.0 * late * period.cycles / period.steps,
        rate_hz=period.rate_hz,
        step_s=(len(lead[0]) - 1) / period.rate_hz,
        emf_v=np.concatenate(emf),
        output_v=np.concatenate([record.output_v for record in records]),
        reduction_db=np.concatenate([record.reduction_db for record in records]),
    )


def _last_reductions(records: Sequence[Played], steps: int) -> Array:
    """Gain reduction in the last ``steps`` of records that follow each other [dB]."""
    found: list[Array] = []
    for record in reversed(records):
        found.append(record.reduction_db[-steps:])
        steps -= len(found[-1])
        if steps <= 0:
            break
    return np.concatenate(found[::-1])


def _stretch(period: Period, level_dbu: float, start: int, steps: int) -> Array:
    """``steps`` of the endless tone from ``start`` steps after phase zero."""
    return np.resize(np.roll(period.tone(level_dbu), -start % period.steps), steps)


def _worst_mean_distance(trace_db: Array, cycle: int, final_db: float) -> float:
    whole = trace_db[trace_db.size % cycle :].reshape(-1, cycle)
    return float(np.max(np.abs(np.mean(whole, axis=1) - final_db)))
