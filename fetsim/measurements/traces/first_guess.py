"""Where a recording lies in what was played, to a sample or two, and roughly how much faster its clock is.

The loudest pieces of the recording are looked for in what was played, each by its normalised correlation at every lag.
All pieces together decide, so that material that repeats itself does not mislead: the lags that they agree on within
what clocks may differ by, and then the line through them that is likeliest. Where several are as good, as with a tone
whose level steps, the one at which most of both recordings agrees. A soft piece that is found nowhere, as of the
silence before the programme, has no say.

What a broken unit gives may have little in common with what went in: a limiter without its timing capacitor squares
it off. Then shorter pieces are looked for with all frequencies made alike, and a delay counts that stands out from all
others. The demo jingle through the teaching loop with that capacitor open: 1.6 to 3 times the next best; another part
of it, or noise: 1.2 at most.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples

LARGEST_PPM = 300.0  # clocks of interfaces lie within 100 ppm of each other; two cheap ones within this
LEAST_LIKENESS = 0.3  # mean normalised correlation of the pieces; unrelated material stays under 0.1
RIVAL = 0.95  # of the best likeness: another delay that is as good makes it ambiguous
MOST_CLOCKS = 1001  # that are tried at first, the same one as played among them
BETTER = 1.01  # by which another clock or delay than the plainest must be likelier: all fit a tone alike
TIE = 1e-3
WHITE_PIECE, WHITE_LEAST, STANDS_OUT = 1 << 13, 0.2, 1.4  # samples; likeness then, and over that of any other delay
WHITE_BINS, WHITE_FLOOR = 65, 1e-3  # over which a spectrum is made even; share of its strongest part that counts
PIECES, PIECE = 8, 1 << 16  # of the recording that are looked for in the reference, samples of each
SHORTEST_PIECE = 1 << 11  # samples
SOFT_DB = -20.0  # re the loudest piece: what is softer is left out at the ends, and may be found nowhere


class UnlikeError(InputError):
    """Two sounds that have nothing in common by which they could be brought in step."""


def first_guess(heard: Samples, played: Samples, farthest: int) -> tuple[float, float, int]:
    """Delay, clock, and how many other delays fit as well: where the loudest pieces of ``heard`` are in ``played``."""
    loudness = np.concatenate([[0.0], np.cumsum((heard - np.mean(heard)) ** 2)])
    heard, played = np.diff(heard), np.diff(played)  # makes music whiter, takes hum and constants away
    size = min(PIECE, len(heard), max(len(played) // 2, SHORTEST_PIECE))
    lags = np.arange(-farthest, farthest + 1)
    slack = 2 + int(1e-6 * LARGEST_PPM * len(heard))
    found = _Agreement.of(heard, played, size, lags, slack, loudness, LEAST_LIKENESS)
    if found.best < LEAST_LIKENESS:
        size = min(WHITE_PIECE, size)
        white = _Agreement.of(_white(heard), _white(played), size, lags, slack, loudness, WHITE_LEAST)
        if white.best < max(WHITE_LEAST, STANDS_OUT * white.next_best(slack)):
            raise UnlikeError(
                f"recording: does not resemble what was played (likeness {found.best:.3f}, {LEAST_LIKENESS:g} is "
                "needed); is it the same take, the right channel, at the rate its label says?"
            )
        found = white
    starts, likeness, together, best = found.starts, found.likeness, found.together, found.place
    elsewhere = np.abs(lags - lags[best]) > 2 * slack
    rivals = len(dsp.find_peaks(np.where(elsewhere, together, 0.0), height=RIVAL * together[best])[0])
    trust = np.ones(len(lags))
    if rivals:
        best = _most_in_common(heard, played, lags, together >= RIVAL * together[best])
        trust /= 1.0 + (BETTER - 1.0) * np.abs(lags - lags[best]) / slack
    middles = np.array(starts) + 0.5 * size
    near = slice(max(0, best - slack), best + slack + 1)
    delay, clock = _likeliest_line(likeness * trust, lags, middles, near)
    return delay, clock, rivals


@dataclass(frozen=True, eq=False)
class _Agreement:
    """How well the loudest pieces of one sound are found in another."""

    starts: list[int]
    """Of the pieces."""
    likeness: Samples
    """[shape=(pieces, lags)]"""
    together: Samples
    """Mean over the pieces within what clocks may differ by [shape=(lags,)],"""
    place: int
    """and where it is best: the middle of where all agree."""

    @classmethod
    def of(
        cls,
        heard: Samples,
        played: Samples,
        size: int,
        lags: NDArray[np.intp],
        slack: int,
        loudness: Samples,
        least: float,
    ) -> "_Agreement":
        """``loudness``: energy up to each sample of what was heard, as noise is less of it than of its slopes."""
        loud = loudness[size:] - loudness[:-size]  # of the piece from each sample on
        soft = loud < 10.0 ** (SOFT_DB / 10.0) * np.max(loud)
        starts = _loud_pieces(heard, size, soft)
        likeness = np.stack([_likeness(heard[start : start + size], start, played, lags) for start in starts])
        told = ~soft[starts] | (np.max(likeness, axis=1) >= least)
        starts, likeness = [start for start, kept in zip(starts, told, strict=True) if kept], likeness[told]
        together = np.mean(ndimage.maximum_filter1d(likeness, 2 * slack + 1, axis=1, mode="constant"), axis=0)
        return cls(starts, likeness, together, int(np.argmax(together + TIE * np.mean(likeness, axis=0))))

    @property
    def best(self) -> float:
        return float(self.together[self.place])

    def next_best(self, slack: int) -> float:
        """Of all delays that are not the best one."""
        first, last = max(0, self.place - 2 * slack), self.place + 2 * slack + 1
        others = np.concatenate([self.together[:first], self.together[last:]])
        return float(np.max(others, initial=0.0))


def _white(samples: Samples) -> Samples:
    """With all frequencies of one strength, as far as they are there."""
    spectrum = fft.rfft(samples)
    size = ndimage.uniform_filter1d(np.abs(spectrum), WHITE_BINS)
    return np.asarray(fft.irfft(spectrum / (size + WHITE_FLOOR * np.max(size)), len(samples)))


def _likeliest_line(
    likeness: Samples, lags: NDArray[np.intp], middles: Samples, near: slice
) -> tuple[float, float]:
    """Delay at sample 0 of what was played, and clock: the line of lags on which all pieces are most like it."""
    apart = middles - np.mean(middles)
    reach = 1e-6 * LARGEST_PPM
    steps = int(min(MOST_CLOCKS, 2.0 * reach * np.ptp(middles))) // 2 * 2 + 1
    width = 1 + int(np.ptp(middles) * 2.0 * reach / (steps + 1))  # lags between neighbouring clocks
    smeared = ndimage.maximum_filter1d(likeness, width | 1, axis=1, mode="constant")
    places = np.arange(near.start, near.stop)
    best, found = -1.0, (0.0, 0.0)
    for clock in sorted(np.linspace(-reach, reach, steps) if steps > 1 else [0.0], key=abs):
        rows = [
            row[np.clip(places + round(clock * offset), 0, len(lags) - 1)]
            for row, offset in zip(smeared, apart, strict=True)
        ]
        together = np.mean(rows, axis=0)
        place = int(np.argmax(together))
        if together[place] > best * (BETTER if found[1] == 0.0 else 1.0):
            at_start = (lags[places[place]] - clock * np.mean(middles)) / (1.0 - clock)  # the lags go by what was heard
            best, found = float(together[place]), (float(at_start), float(clock))
    return found


def _most_in_common(heard: Samples, played: Samples, lags: NDArray[np.intp], good: NDArray[np.bool_]) -> int:
    """Place of the lag at which both as a whole have most in common, of those that are ``good``."""
    whole = np.abs(dsp.correlate(heard, played, mode="full", method="fft"))
    place = np.clip(lags + len(played) - 1, 0, len(whole) - 1)
    return int(np.argmax(np.where(good, whole[place], -1.0)))


def _loud_pieces(signal: Samples, size: int, soft: NDArray[np.bool_]) -> list[int]:
    """First samples of the loudest piece in each of up to ``PIECES`` equal parts of what is not soft at its ends."""
    energy = np.concatenate([[0.0], np.cumsum(signal * signal)])
    power = energy[size:] - energy[:-size]
    loud = np.flatnonzero(~soft[: len(power)])
    first, length = int(loud[0]), int(loud[-1] - loud[0]) + size
    parts = max(1, min(PIECES, length // size))
    starts = []
    for part in range(parts):
        low = first + part * length // parts
        high = max(low + 1, first + (part + 1) * length // parts - size + 1)
        starts.append(low + int(np.argmax(power[low:high])))
    return starts


def _likeness(piece: Samples, start: int, played: Samples, lags: NDArray[np.intp]) -> Samples:
    """Normalised correlation of ``piece``, recorded from ``start`` on, with what was played ``lags`` before."""
    first = start - int(lags[-1])
    window = np.zeros(len(lags) - 1 + len(piece))
    low, high = max(first, 0), min(first + len(window), len(played))
    if high > low:
        window[low - first : high - first] = played[low:high]
    correlation = dsp.correlate(window, piece, mode="valid", method="fft")
    energy = np.concatenate([[0.0], np.cumsum(window * window)])
    energy = energy[len(piece) :] - energy[: len(correlation)]
    scale = np.sqrt(np.maximum(energy, 1e-3 * np.max(energy)) * np.sum(piece * piece))
    return np.asarray(np.abs(correlation) / np.maximum(scale, 1e-300))[::-1]
