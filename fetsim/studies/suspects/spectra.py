"""Recordings and their slopes as rows that evidence can be worked out of: spectra over the noise. Arrays only.

A recording in step with what the model plays is taken apart by frequency, each bin over the noise there, real and
imaginary part as one row each (Parseval: the sums are those of the samples). What the wires add is projected out, in
the first order: the level, the delay and the clock of the recorder, each as what it does to the model's output. Bins
around the harmonics of the mains are left out.

``observed/sums`` does the like for fits, by cells of time and frequency, so that weights may change; here columns come
one by one, hundreds of them, under one noise, and what is left must be told as sound again.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from fetsim.studies.suspects.evidence import Array, Sums

LOWEST_HZ, HIGHEST_HZ = 20.0, 12000.0
HIGHEST_SHARE = 0.4
"""Of the rate."""
MAINS_HZ, HARMONICS, MAINS_WIDTH_HZ = (50.0, 60.0), 8, 1.0
"""Hum is left out so far either side of its lines; of a loud one -50 dB is left beyond that."""
OCTAVE = 0.5
"""Width of the bands in which levels are told."""
SMOOTH = 1.0 / 3.0
FREEDOM_HZ = 20.0
"""Independent numbers that the model's error has in each second (estimate: gain that is wrong moves as fast as attack
and the music's own envelope let it)."""

MOST_MODES = 40
"""Slow functions of time, at the most, by which each of what the music carries may be too loud."""
NOISE_WITHIN = 0.015
"""Share by which power of the noise is known (one standard deviation, estimate): 12 kHz of half a quiet second."""

TOGETHER = 8192
"""Rows that are taken into double precision at a time."""

Rows = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """How waveforms of one recording become rows."""

    length: int
    bins: NDArray[np.intp]
    """That count,"""
    scale: Array
    """and one over the noise in each."""
    wires: Array
    """Orthonormal rows that are projected out [shape=(rows, k)]."""
    level: int = 0

    def rows(self, waveform: Array) -> Array:
        """[shape=(rows,)] of a waveform [shape=(length,)]."""
        return self.without_wires(self.bare(waveform))

    def without_wires(self, rows: Array) -> Array:
        """Rows without what the wires add."""
        return np.asarray(rows - self.wires @ (self.wires.T @ rows), dtype=np.float64)

    def bare(self, waveform: Array) -> Array:
        """The same with all that the wires add still in it."""
        spectrum = fft.rfft(np.asarray(waveform, dtype=np.float64))[self.bins] * self.scale
        return np.concatenate([spectrum.real, spectrum.imag])

    @property
    def noise_power(self) -> float:
        """Mean square of the noise of a waveform, within the bins."""
        return float(4.0 * np.sum(self.scale**-2.0) / self.length**2)

    @property
    def count(self) -> float:
        """Rows that are independent of each other."""
        return 2.0 * len(self.bins) - self.wires.shape[1]


def look_at(model: Array, rate_hz: float, noise: Array, *, level_known: bool = False) -> Look:
    """For waveforms like ``model`` [shape=(n,)], its output. ``noise``: standard deviation of a bin's real part by
    frequency [shape=(n // 2 + 1,)]. ``level_known``: the recording's level is that of the unit."""
    bins = kept_bins(len(model), rate_hz)
    scale = 1.0 / noise[bins]
    bare = Look(length=len(model), bins=bins, scale=scale, wires=np.zeros((2 * len(bins), 0)))
    slope = np.gradient(model) * rate_hz
    middle = (np.arange(len(model)) / len(model) - 0.5)
    what = [slope, slope * middle] if level_known else [model, slope, slope * middle]
    wires, _ = np.linalg.qr(np.stack([bare.bare(one / np.std(one)) for one in what], axis=1))
    return Look(length=len(model), bins=bins, scale=scale, wires=wires)


def kept_bins(length: int, rate_hz: float) -> NDArray[np.intp]:
    """Numbers of the bins between the ends of the band and beside the lines of the mains."""
    hz = np.arange(length // 2 + 1) * rate_hz / length
    kept = (hz >= LOWEST_HZ) & (hz <= min(HIGHEST_HZ, HIGHEST_SHARE * rate_hz))
    for mains in MAINS_HZ:
        for harmonic in range(1, HARMONICS + 1):
            kept &= np.abs(hz - harmonic * mains) > MAINS_WIDTH_HZ
    return np.flatnonzero(kept)


def smoothed(density: Array, at_hz: Array) -> Array:
    """A spectrum of noise [both shape=(m,)], each place the mean of ``SMOOTH`` octaves around it: what is divided by
    one that scatters comes out too large, by the variance of that."""
    places, sums = np.arange(len(density)), np.concatenate([[0.0], np.cumsum(density)])
    half = 2.0 ** (0.5 * SMOOTH)
    first = np.clip(np.minimum(np.searchsorted(at_hz, at_hz / half), places - 1), 0, None)
    last = np.clip(np.maximum(np.searchsorted(at_hz, at_hz * half, side="right"), places + 2), None, len(density))
    return np.asarray((sums[last] - sums[first]) / (last - first))


def noise_of(density: Array, at_hz: Array, length: int, rate_hz: float) -> Array:
    """What noise adds to a bin's real part, one standard deviation [shape=(length // 2 + 1,)], out of its power in 1 Hz
    [both shape=(m,)]."""
    hz = np.arange(length // 2 + 1) * rate_hz / length
    return np.asarray(np.sqrt(0.25 * length * rate_hz * np.interp(hz, at_hz, density)))


def modes_of(look: Look, model: Array, rate_hz: float) -> Rows:
    """Directions that an error of the model has, orthonormal [shape=(rows, directions)]: the sound itself, its slope
    and its odd curve, each as much too loud as a slow function of time has it. Gain, response and bend of a law that is
    wrong lie along them; our choice."""
    seconds = len(model) / rate_hz
    numbers = min(MOST_MODES, max(1, int(FREEDOM_HZ * seconds)))
    phase = np.pi * np.arange(len(model)) / len(model)
    highest = FREEDOM_HZ * seconds  # half waves in all of it
    slow = [np.cos(k * phase) for k in np.linspace(0.0, highest, numbers)]
    carried = [model, np.gradient(model), model * np.abs(model)]
    rows = np.stack([look.rows(one / np.std(one) * way) for one in carried for way in slow], axis=1)
    found, _ = np.linalg.qr(rows)
    return found.astype(np.float32)


@dataclass(eq=False)
class Table:
    """Columns of rows, in single precision, with their products, which are worked out once for each pair."""

    look: Look
    residual: Array
    """Rows of what there is to be explained [shape=(rows,)]."""
    seconds: float
    error_db: float
    """Of the model, that is known of, re the noise."""
    rows: Rows
    """[shape=(rows, columns)]"""
    gram: Array
    score: Array
    modes: Rows
    """Directions that the error of the model has [shape=(rows, directions)],"""
    moved: Array
    """what columns give along them [shape=(directions, columns)],"""
    along: Array
    """and the residual [shape=(directions,)]."""
    bends: tuple[tuple[Array, Array], ...] = ()
    """What has been learnt since of how the columns differ from these rows: a row vector [shape=(rows,)], and how much
    of it each column has [shape=(columns,)]."""

    @staticmethod
    def of(
        look: Look, residual: Array, seconds: float, error_db: float = -np.inf, modes: Rows | None = None
    ) -> "Table":
        """Without columns."""
        empty = np.zeros((len(residual), 0), dtype=np.float32, order="F")
        modes = empty if modes is None else modes
        return Table(
            look=look, residual=residual, seconds=seconds, error_db=error_db, rows=empty, gram=np.zeros((0, 0)),
            score=np.zeros(0), modes=modes, moved=np.zeros((modes.shape[1], 0)), along=_on(modes, residual),
        )

    def put(self, columns: Sequence[Array]) -> None:
        """Add columns [shape=(rows,) each]."""
        new = np.asfortranarray(np.stack(columns, axis=1).astype(np.float32))
        own, across, score = _products(new, new), _products(self.rows, new), _products(new, self.residual[:, None])
        self.gram = np.block([[self.gram, across], [across.T, own]])
        self.score = np.concatenate([self.score, score[:, 0]])
        self.moved = np.column_stack([self.moved, _products(self.modes, new)])
        self.rows = np.concatenate([self.rows.T, new.T]).T

    def about(self, residual: Array) -> "Table":
        """The same columns, with something else to be explained [shape=(rows,)]."""
        return replace(self, residual=residual, score=self._along(residual), along=_on(self.modes, residual))

    def bent(self, change: Array, step: Array, shares: Array) -> "Table":
        """With columns that give, over a step [shape=(columns,)], the ``change`` that was seen [shape=(rows,)]: what
        they missed is shared out among them [shape=(columns,)] so that it comes in as ``shares @ step``, which is 1."""
        missed = change - self._sum(step)
        across = self._along(missed)
        return replace(
            self, bends=(*self.bends, (missed, shares)), score=self.score + shares * float(missed @ self.residual),
            gram=self.gram + np.outer(across, shares) + np.outer(shares, across)
            + float(missed @ missed) * np.outer(shares, shares),
            moved=self.moved + np.outer(_on(self.modes, missed), shares),
        )  # fmt: skip

    def _along(self, one: Array) -> Array:
        """Products of all columns with another one [shape=(columns,)]."""
        found = _on(self.rows, one)
        return found + sum((shares * float(missed @ one) for missed, shares in self.bends), np.zeros(len(found)))

    def _sum(self, step: Array) -> Array:
        """So much of each column [shape=(rows,)]."""
        kept = np.flatnonzero(step)
        found = self.rows[:, kept].astype(np.float64) @ step[kept]
        return found + sum((missed * float(shares @ step) for missed, shares in self.bends), np.zeros(len(found)))

    def picked(self, columns: Sequence[int]) -> "Table":
        """With these columns alone, in this order."""
        kept = list(columns)
        return replace(
            self, rows=np.asfortranarray(self.rows[:, kept]), gram=self.gram[np.ix_(kept, kept)],
            score=self.score[kept], moved=self.moved[:, kept],
            bends=tuple((missed, shares[kept]) for missed, shares in self.bends),
        )  # fmt: skip

    def sums(self) -> Sums:
        """What the recording says."""
        freedom, power = FREEDOM_HZ * self.seconds, float(self.residual @ self.residual)
        known = self.look.count * 10.0 ** (self.error_db / 10.0)
        return Sums(
            gram=self.gram, score=self.score, power=power, count=self.look.count, freedom=freedom,
            unsure=2.0 * float(np.hypot(np.sqrt(2.0 * self.look.count), NOISE_WITHIN * self.look.count)),
            least=1.0 + known / freedom, modes=self.moved, along=self.along,
        )  # fmt: skip


def _products(one: Rows | Array, other: Rows | Array) -> Array:
    """Of all columns with all others, in double precision: most of what they hold cancels where all is explained."""
    found = np.zeros((one.shape[1], other.shape[1]))
    for first in range(0, len(one), TOGETHER):
        few = slice(first, first + TOGETHER)
        found += one[few].T.astype(np.float64) @ other[few].astype(np.float64)
    return found


def _on(columns: Rows, one: Array) -> Array:
    """Products of all columns with one row vector [shape=(columns,)]."""
    return _products(columns, one[:, None])[:, 0]


def bands_db(look: Look, rate_hz: float, rows: Sequence[Array]) -> tuple[Array, Array]:
    """Middle of each half octave [Hz] and the level there of each of the rows [dB re noise; shape=(rows, bands)]."""
    hz = look.bins * rate_hz / look.length
    edges = LOWEST_HZ * 2.0 ** (OCTAVE * np.arange(int(np.log2(hz[-1] / LOWEST_HZ) / OCTAVE) + 2))
    place = np.digitize(hz, edges) - 1
    counts = np.bincount(place, minlength=len(edges))
    kept = counts > 0
    levels = []
    for one in rows:
        power = one[: len(hz)] ** 2 + one[len(hz) :] ** 2
        levels.append(10.0 * np.log10(np.bincount(place, power, minlength=len(edges))[kept] / (2.0 * counts[kept])
                                      + 1e-12))  # fmt: skip
    return (edges * 2.0 ** (0.5 * OCTAVE))[kept], np.array(levels)
