"""Where a signal path clips: a 1 kHz tone that rises in small steps, with the sidechain without effect.

The control node is held where it rests (see ``hold``), so that no gain reduction keeps the level down. Each level
is played for 30 ms, coming from the one below, and read over the last 10 ms; shifts of a bias point that take
longer are not waited for. A point clips where one of two limits is passed: total harmonic distortion (2nd to 10th
harmonic over the fundamental), or the fall of its gain against a small signal; 1 % and 1 dB by default (common
practice, no source).

A stage's own distortion is what it adds: the harmonics at its output, less those that arrive at its input times
the stage's small-signal gain at each of them. What a stage does to the one before it, by loading it, counts as
that one's. The tone stops rising 20 dB above the first level at which anything clips: a point that is still clean
there is no bottleneck.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
from scipy import fft

from fetsim.audio.levels import dbu_to_rms_v, rms_v_to_dbu
from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.hold import held_at_rest, linear_at_rest
from fetsim.measurements.bench.transfer import SILENT, Phasors, transfers
from fetsim.measurements.distortion.harmonics import HIGHEST_HARMONIC
from fetsim.measurements.traces.checks import positive
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import Point

LOWEST_DBU, HIGHEST_DBU = -30.0, 40.0  # of the source
STEP_DB, COARSE_DB = 0.5, 2.0  # the coarse one while no point is near its limit
NEAR = 0.05  # of a limit
BEYOND_DB = 20.0  # above the first level that clips anywhere
RISE_S, REST_S, READ_S = 0.005, 0.015, 0.010  # up to the next level, until it is read, and read: whole periods
THD_LIMIT = 0.01  # ratio
COMPRESSION_LIMIT_DB = 1.0
DISTORTION, COMPRESSION, CLEAN = "distortion", "compression", "none"


@dataclass(frozen=True)
class ClipLimits:
    """What counts as clipping: a ratio of harmonics to fundamental, a fall of gain. InputError for zero or less."""

    thd: float = THD_LIMIT
    compression_db: float = COMPRESSION_LIMIT_DB

    def __post_init__(self) -> None:
        positive(self.thd, "distortion")
        positive(self.compression_db, "compression")


DEFAULT_LIMITS = ClipLimits()


@dataclass(frozen=True)
class LargestLevel:
    """The level at which a point clips, or the largest that was tried."""

    stage_dbu: float
    """Of the fundamental at the point."""
    level_dbu: float
    by: str
    """The limit that is passed first, ``distortion`` or ``compression``; ``none`` if the point stayed clean."""

    @property
    def clips(self) -> bool:
        return self.by != CLEAN


def clip_levels(bench: Bench, points: Sequence[Point], *, limits: ClipLimits, own: bool) -> list[LargestLevel]:
    """The clip level of each point, in the order of the signal.

    ``own``: count what is added since the point before; otherwise everything since the source. Raises InputError for
    a point at which nothing arrives.
    """
    held = held_at_rest(bench)
    gains = _small_signal_gains(held, points)
    if own:
        gains = gains / np.concatenate((np.ones((1, HIGHEST_HARMONIC)), gains[:-1]))
    tone = _RisingTone(held, points)
    rows: list[tuple[float, Array, Array, Array]] = []
    clipped, last_dbu = np.zeros(len(points), dtype=bool), HIGHEST_DBU
    at_dbu, step_db = LOWEST_DBU, COARSE_DB
    while at_dbu <= last_dbu and not np.all(clipped):
        before = tone.branch()
        source, heard = tone.play(at_dbu)
        arrives = np.vstack((source, heard[:-1])) if own else np.broadcast_to(source, heard.shape)
        thd, fall_db = added(heard, arrives, gains)
        excess = np.maximum(thd / limits.thd, fall_db / limits.compression_db)
        new = (excess >= 1.0) & ~clipped
        if np.any(new) and step_db == COARSE_DB and rows:
            tone, step_db = before, STEP_DB
            at_dbu = rows[-1][0] + step_db
            continue
        rows.append((at_dbu, np.abs(heard[:, 0]), thd, fall_db))
        clipped |= new
        last_dbu = min(last_dbu, at_dbu + BEYOND_DB) if np.any(new) else last_dbu
        step_db = STEP_DB if np.any(excess[~clipped] > NEAR) else COARSE_DB
        at_dbu += step_db
    sources_dbu, *tables = (np.array(column) for column in zip(*rows, strict=True))
    return [
        clip_level(sources_dbu, *(table[:, number] for table in tables), limits=limits) for number in range(len(points))
    ]


def added(leaves: Phasors, arrives: Phasors, gain: Phasors) -> tuple[Array, Array]:
    """Distortion [ratio to the fundamental] and fall of gain [dB] that stages add [shape=(stages,) each].

    Phasors of the harmonics 1, 2, ... behind and before each stage and the stage's small-signal gain at each
    of them [shape=(stages, orders)].
    """
    excess = leaves[:, 1:] - gain[:, 1:] * arrives[:, 1:]
    thd = np.sqrt(np.sum(np.abs(excess) ** 2, axis=1)) / np.abs(leaves[:, 0])
    return thd, 20.0 * np.log10(np.abs(gain[:, 0] * arrives[:, 0] / leaves[:, 0]))


def clip_level(level_dbu: Array, peak_v: Array, thd: Array, fall_db: Array, *, limits: ClipLimits) -> LargestLevel:
    """Where rising levels first pass a limit [shape=(levels,) each], on straight lines in dB between two."""
    with np.errstate(divide="ignore"):
        excess_db = {
            DISTORTION: 20.0 * np.log10(np.maximum(thd, 1e-12) / limits.thd),
            COMPRESSION: fall_db - limits.compression_db,
        }
    found = []
    for by, excess in excess_db.items():
        beyond = np.flatnonzero(excess >= 0.0)
        if beyond.size:
            last = int(beyond[0])
            first = max(last - 1, 0)
            share = excess[first] / (excess[first] - excess[last]) if last > first else 1.0
            found.append((float(level_dbu[first] + share * (level_dbu[last] - level_dbu[first])), by))
    at_dbu, by = min(found, default=(float(level_dbu[-1]), CLEAN))
    level_v = float(np.exp(np.interp(at_dbu, level_dbu, np.log(peak_v)))) / np.sqrt(2.0)
    return LargestLevel(rms_v_to_dbu(level_v), at_dbu, by)


def largest_level(bench: Bench, point: Point, limits: ClipLimits = DEFAULT_LIMITS) -> LargestLevel:
    """The level at which one point clips, whatever stage is to blame."""
    return clip_levels(bench, [point], limits=limits, own=False)[0]


def _small_signal_gains(held: Bench, points: Sequence[Point]) -> Phasors:
    """Gain from the source at each harmonic [shape=(points, orders)]."""
    linear = linear_at_rest(held)
    orders = np.arange(1.0, HIGHEST_HARMONIC + 1.0)
    weights = np.array([point.weights(linear.index) for point in points])
    gains = np.array([transfer.gain for transfer in transfers(linear, REFERENCE_HZ * orders, weights)])
    for point, gain in zip(points, gains, strict=True):
        if not np.all(np.abs(gain) > SILENT):
            raise InputError(f"point: nothing of the input arrives at {point.name}; choose another point")
    return gains


class _RisingTone:
    """A tone that is played from level to level."""

    def __init__(self, held: Bench, points: Sequence[Point]) -> None:
        rise, rest, read = (round(span * held.rate_hz) for span in (RISE_S, REST_S, READ_S))
        angle = 2.0 * np.pi * REFERENCE_HZ / held.rate_hz * np.arange(1, rise + rest + read + 1)
        self._carrier, self._ramp = np.sin(angle), np.minimum(np.arange(1, angle.size + 1) / rise, 1.0)
        self._orders = np.arange(1, HIGHEST_HARMONIC + 1)
        # the record holds whole periods, so that harmonics do not mix; phases are against the source's sine
        self._window = np.hanning(read + 1)[:-1]
        self._scale = 2j / np.sum(self._window) * np.exp(-1j * self._orders * angle[-read])
        self._lines = self._orders * round(READ_S * REFERENCE_HZ)
        self._points = points
        self._run = held.run([node for point in points for node in point.nodes])
        self._peak_v = 0.0

    def branch(self) -> _RisingTone:
        """A copy at the present level."""
        twin = copy(self)
        twin._run = self._run.branch()
        return twin

    def play(self, level_dbu: float) -> tuple[Phasors, Phasors]:
        """Go to a level: phasors of the source [shape=(orders,)] and at the points [shape=(points, orders)], V peak."""
        last_v, self._peak_v = self._peak_v, dbu_to_rms_v(level_dbu) * np.sqrt(2.0)
        played = self._run.play((last_v + (self._peak_v - last_v) * self._ramp) * self._carrier)
        read = np.array([point.volts(played.nodes)[-self._window.size :] for point in self._points])
        heard = self._scale * fft.rfft(self._window * read)[:, self._lines]
        return np.where(self._orders == 1, self._peak_v, 0.0).astype(np.complex128), heard
