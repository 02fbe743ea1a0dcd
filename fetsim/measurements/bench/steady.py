"""The periodic steady state of a unit under a periodic drive, without waiting for its slowest time constant.

A bench waits: coupling capacitors, supply reservoirs and the release need seconds, and the output of the Dunlin is
still 0.06 dB high 0.12 s after a level has changed (its linearising capacitor has not charged). Here the state is
looked at once a block of whole periods, and the sequence is extrapolated to its limit (``engine/repetition``), until
that moves nothing by more than 0.1 mV. The last word is always a stretch that was really played.

Parts with memory keep it over such a leap (``State.with_vector``): they take it as a step, and the next period wipes
out what it left, down to what no period of this level moves. With cores that have hysteresis, 30 and 60 Hz and 1 kHz at
-50 to +10 dBu, gain and third harmonic agree with 6 s of waiting within 1e-5 dB and 0.04 dB.

Dielectric absorption has time constants of minutes; what it stores is not waited for. With 0.3 % of it in the timing
capacitor the gain comes within 1e-5 dB of where it stands when that is done, in 1.3 to 3 s of playing and not 5 to 25.

Measured on the Dunlin, 1 kHz, -36 to +24 dBu in steps of 1 dB with S1, against a search to 3e-7 V: 120 periods
a level on average leave 5e-5 dB rms, 2e-4 dB at most; by the monodromy of a level before 35, and 20 for the
monodromies, leave 2e-6 and 1.4e-5 dB. Waiting 0.12 s (120 periods) leaves 0.03 to 0.06 dB, and waiting for 3e-5 dB
takes 1.5 s.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, gcd, lcm

import numpy as np

from fetsim.audio.levels import dbu_to_rms_v, rms_v_to_dbu
from fetsim.engine.assembly import Array
from fetsim.engine.repetition import BLOCKS, Repetition, repeating_state
from fetsim.engine.shooting import Monodromy, monodromy_of, repeating_state_near
from fetsim.engine.state import State
from fetsim.errors import ConvergenceError, InputError
from fetsim.measurements.bench.bench import Bench, Played, Run
from fetsim.measurements.traces.checks import positive
from fetsim.rig.request import check_level, check_tone

BLOCK_S = 5e-3  # least length of a block: long enough to tell time constants of 10 ms and 1 s apart
SETTLED_V = 1e-4  # an extrapolation that moves no unknown by more (volts; amperes and volt-seconds alike) is the last
LONGEST_S = 30.0  # of playing, before a unit is said to have no steady state
FREQUENCY_ERROR = 1e-4  # relative, allowed so that a few cycles make a whole number of steps
MOST_CYCLES = 64  # in a period of whole steps
MOST_MAINS_PERIODS = 10
AT_PEAK = np.pi / 2.0  # phase of a tone that begins with the flux of cores where it belongs: settles in half the time


@dataclass(frozen=True)
class Period:
    """A stretch of time that holds whole cycles of a tone and a whole number of steps."""

    frequency_hz: float
    """As played: within 1e-4 of what was asked for, if 64 cycles or fewer can be."""
    cycles: int
    steps: int
    rate_hz: float

    @property
    def cycle(self) -> int:
        """The fewest steps that hold whole cycles: all of them but with mains, whose own period they hold too."""
        return self.steps // gcd(self.steps, self.cycles)

    def tone(self, level_dbu: float, phase: float = 0.0) -> Array:
        """The sine as source voltage over the period [V; shape=(steps,)]; ends at ``phase``."""
        check_level(level_dbu)
        angle = 2.0 * np.pi * self.cycles / self.steps * np.arange(1, self.steps + 1) + phase
        return dbu_to_rms_v(level_dbu) * np.sqrt(2.0) * np.sin(angle)


@dataclass(frozen=True)
class Steady:
    """One block of whole periods that goes on for ever."""

    block: Played
    played_s: float
    """Simulated time that it took."""
    left_v: float
    """By how much the last extrapolation moved an unknown at most; NaN where none was made."""


def highest_tone_hz(rate_hz: float) -> float:
    """The highest tone that is worth playing: eight steps a cycle. At nine (16 kHz, draft quality) the Dunlin's gain
    reads 0.07 dB high at rest and 0.16 dB at 10 dB of gain reduction; at seven (20 kHz) 0.24 dB at rest."""
    return rate_hz / 8.0


def whole_period(frequency_hz: float, rate_hz: float) -> Period:
    """The shortest period of whole steps for a tone. Raises InputError for one that the rate cannot carry."""
    check_tone(positive(frequency_hz, "frequency"), highest_tone_hz(rate_hz))
    for cycles in range(1, MOST_CYCLES + 1):
        steps = round(cycles * rate_hz / frequency_hz)
        if abs(cycles * rate_hz / (steps * frequency_hz) - 1.0) <= FREQUENCY_ERROR:
            break
    return Period(cycles * rate_hz / steps, cycles, steps, rate_hz)


def period_of(frequency_hz: float, bench: Bench) -> Period:
    """That of a tone on a bench: with mains, the shortest that holds whole periods of them too. The tone then is a
    multiple of the mains frequency, or of a part of it down to a tenth where that comes nearer."""
    mains = bench.rig.mains_steps
    if mains is None:
        return whole_period(frequency_hz, bench.rate_hz)
    check_tone(positive(frequency_hz, "frequency"), highest_tone_hz(bench.rate_hz))
    choices = []
    for periods in range(1, MOST_MAINS_PERIODS + 1):
        cycles = max(1, round(frequency_hz * periods * mains / bench.rate_hz))
        choices.append(Period(cycles * bench.rate_hz / (periods * mains), cycles, periods * mains, bench.rate_hz))
    errors = [max(abs(one.frequency_hz / frequency_hz - 1.0), FREQUENCY_ERROR) for one in choices]
    return choices[errors.index(min(errors))]


def common_steps(frequencies_hz: tuple[int, ...], rate_hz: float, mains_steps: int | None = None) -> int:
    """Steps after which tones of whole hertz, and mains, are all back at their start. Raises InputError when there are
    none."""
    spacing = gcd(*frequencies_hz)
    steps = rate_hz / spacing
    if steps != int(steps):
        raise InputError(f"frequencies: {frequencies_hz} Hz have no common period in steps at {rate_hz:g} Hz")
    return lcm(int(steps), mains_steps or 1)


def block_of(period_v: Array, rate_hz: float) -> Array:
    """So many periods as make the least length of a block."""
    return np.tile(period_v, ceil(BLOCK_S * rate_hz / len(period_v)))


def settle(
    run: Run, period_v: Array, settled_v: float = SETTLED_V, near: Monodromy | None = None,
    longest_s: float = LONGEST_S,
) -> Steady:  # fmt: skip
    """Play source voltages [shape=(steps,), V] of one period over and over until nothing changes any more.

    Leaves ``run`` in that state. ``settled_v`` may be larger for who goes on from there. ``near``: the monodromy of a
    unit of other values under nearly the same tone (``monodromy_at``), with which it takes about a third of the time.
    Raises ConvergenceError for a unit that does not repeat itself within ``longest_s`` of playing, as one that
    oscillates never does.
    """
    block_v = block_of(period_v, run.bench.rate_hz)

    def play(state: State, steps: int) -> tuple[State, ...]:
        run.state = state
        return run.states_after(np.tile(block_v, steps // len(block_v)), 1 + BLOCKS)

    start = run.state
    found = None if near is None else _settled_near(run, block_v, settled_v, near)
    if found is None:
        found = repeating_state(
            play, start, run.bench.rig.awaited, block=len(block_v), longest=round(longest_s * run.bench.rate_hz),
            settled_v=settled_v,
        )  # fmt: skip
    run.state = found.state
    if found.found:
        return Steady(run.play(block_v), (found.played + len(block_v)) / run.bench.rate_hz, found.left_v)
    raise run.bench.rig.blamed(
        ConvergenceError(
            f"no steady state: {run.bench.unit.name} still moves by {1e3 * found.left_v:.3g} mV after {longest_s:g} s "
            "of a steady tone",
            advice="does it oscillate?",
        )
    )


def _settled_near(run: Run, block_v: Array, settled_v: float, near: Monodromy) -> Repetition | None:
    def play(state: State) -> tuple[State, State]:
        run.state = state
        before, after = run.states_after(block_v, 2)
        return before, after

    try:
        return repeating_state_near(
            play, run.state, run.bench.rig.awaited, near, block=len(block_v), settled_v=settled_v
        )
    except ConvergenceError:  # a leap has gone where the unit cannot be
        return None


def monodromy_at(run: Run, period_v: Array) -> Monodromy | None:
    """That of a run which stands in its steady state under this period; None where it cannot be had."""
    block_v = block_of(period_v, run.bench.rate_hz)
    return monodromy_of(run.simulation, block_v, run.state, run.bench.rig.awaited)


def settled_at(run: Run, period_v: Array, where: str, near: Monodromy | None = None) -> Steady:
    """``settle``, its error saying at which tone it was."""
    try:
        return settle(run, period_v, near=near)
    except ConvergenceError as error:
        raise error.at(where) from None


def start_among(states: Mapping[float, State], level_dbu: float) -> State:
    """Where to look from for the steady state of a level, once those of others are known [dBu -> state]: a straight
    line over the tone's amplitude through the two nearest, which is exact for a linear circuit, or the only one."""
    one, *more = sorted(states, key=lambda known: abs(known - level_dbu))[:2]
    if not more:
        return states[one]
    start_v, end_v, wanted_v = (dbu_to_rms_v(level) for level in (*more, one, level_dbu))
    share = (wanted_v - start_v) / (end_v - start_v)
    return states[one].with_vector((1.0 - share) * states[more[0]].vector() + share * states[one].vector())


def wait(run: Run, period_v: Array, duration_s: float) -> Steady:
    """Play the period for ``duration_s`` at least, as a bench would, and read its last stretch."""
    rate_hz = run.bench.rate_hz
    block_v = block_of(period_v, rate_hz)
    blocks = max(1, ceil(duration_s * rate_hz / len(block_v) - 1e-9))
    for _ in range(blocks):
        block = run.play(block_v)
    return Steady(block, blocks * len(block_v) / rate_hz, np.nan)


def phasor(signal: Array, period: Period, order: int = 1) -> complex:
    """Peak amplitude and phase of the tone, or of its harmonic of this ``order``, in a stretch of whole periods, in
    the signal's unit."""
    angle = 2.0 * np.pi * order * period.cycles / period.steps * np.arange(1, len(signal) + 1)
    return complex(2.0 * np.mean(signal * np.exp(-1j * angle)))


def tone_level_dbu(signal_v: Array, period: Period) -> float:
    """Level of the tone alone, harmonics left out, in a stretch of whole periods."""
    return rms_v_to_dbu(abs(phasor(signal_v, period)) / np.sqrt(2.0))
