"""Gain of a steady tone through a unit in time, waited for until it has settled.

A tone that is faded in lets the loop follow without overshoot. It is then read in pieces of a few periods;
the gain approaches its end value geometrically (timing and coupling capacitors), so two steps tell how far it
still has to go (Aitken's rule), and the waiting ends when that is under ``SETTLED_DB``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fetsim.audio.levels import dbu_to_rms_v
from fetsim.engine.assembly import Array
from fetsim.measurements.bench import Run
from fetsim.measurements.points import Point
from fetsim.measurements.spectrum import tones

FADE_S, FADE_PERIODS = 0.1, 5.0
PIECE_S, PIECE_PERIODS = 0.02, 3.0
HARMONICS = 3  # fitted beside the fundamental, so that they do not disturb it
SETTLED_DB = 0.002
LONGEST_S = 4.0
LEAST_PIECES = 3


@dataclass(frozen=True)
class ToneGain:
    """Complex gain from the source to each point [shape=(points,)], and whether it had settled."""

    frequency_hz: float
    gain: NDArray[np.complex128]
    left_db: float
    """Estimated distance from the end value."""

    @property
    def settled(self) -> bool:
        return self.left_db <= SETTLED_DB


def tone_gain(run: Run, level_dbu: float, frequency_hz: float, points: Sequence[Point]) -> ToneGain:
    """Play a tone from where ``run`` stands (quiet) until the gain at every point is settled, at most 4 s."""
    rate_hz = run.bench.rate_hz
    peak_v = dbu_to_rms_v(level_dbu) * np.sqrt(2.0)
    order = np.arange(1, HARMONICS + 1)
    frequencies = [float(k * frequency_hz) for k in order if k * frequency_hz < 0.45 * rate_hz]

    def angle(start: int, steps: int) -> Array:
        return np.asarray(2.0 * np.pi * frequency_hz / rate_hz * np.arange(start + 1, start + steps + 1))

    played = round(rate_hz * max(FADE_S, FADE_PERIODS / frequency_hz))
    fade = np.sin(0.5 * np.pi * np.arange(1, played + 1) / played) ** 2
    run.play(peak_v * fade * np.sin(angle(0, played)))
    piece = round(rate_hz * max(PIECE_S, PIECE_PERIODS / frequency_hz))
    levels: list[Array] = []
    while True:
        emf_v = peak_v * np.sin(angle(played, piece))
        found = run.play(emf_v)
        played += piece
        source, *heard = (
            tones(trace, rate_hz=rate_hz, frequencies_hz=frequencies)
            for trace in (emf_v, *(point.volts(found) for point in points))
        )
        levels.append(20.0 * np.log10([one.amplitude[0] for one in heard]))
        left_db = _left_db(levels)
        if left_db <= SETTLED_DB or played > LONGEST_S * rate_hz:
            gain = [
                one.amplitude[0] / source.amplitude[0] * np.exp(1j * (one.phase_rad[0] - source.phase_rad[0]))
                for one in heard
            ]
            return ToneGain(frequency_hz, np.array(gain), left_db)


def _left_db(levels: list[Array]) -> float:
    """How far the slowest point is from its end, from the last two steps."""
    if len(levels) < LEAST_PIECES:
        return np.inf
    last, before = np.abs(levels[-1] - levels[-2]), np.abs(levels[-2] - levels[-3])
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(before > 0.0, last / before, 0.0)
        left = np.where(ratio < 1.0, last * ratio / (1.0 - ratio), np.inf)
    return float(np.max(np.maximum(left, last * (last > SETTLED_DB))))
