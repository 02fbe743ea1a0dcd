"""Input voltages as formulas of time. All edges are raised cosines, so that u(t) has no step and no corner.

edge(t, t0, w) = 0 before t0, (1 - cos(pi (t - t0)/w))/2 during w, 1 afterwards.

burst      u = sqrt(2) sin(2 pi f t) edge(t, 0, fade)
               [a_low + (a_high - a_low) (edge(t, up, w) - edge(t, down, w))],
           a the root-mean-square volts of a level in dBu re 0.774597 V
programme  u = edge(t, 0, fade)
               sum over k of a_k sin(2 pi f_k t + phase_k) (1 + m sin(2 pi r_k t + turn_k))/(1 + m):
           inharmonic tones, each with a slow envelope of rate r_k and depth m
strikes    u = sqrt(2) V(level) edge(t, 0, fade) [c(t) sum over strikes of g_i edge(t, t_i, w) exp(-(t - t_i)/decay)
               + sin(2 pi 80 t)/2 + sin(2 pi 410 t + 1)/2],   V(level) the root-mean-square volts of a level,
           c(t) = sum over k = 0..59 of a_k sin(2 pi f_k t + 2 pi r_{60+k}): noise of root-mean-square 1/sqrt(2),
               white from 300 Hz to its corner, falling by 18 dB an octave from there to 20 kHz, as a cymbal does,
           f_k = 300 Hz (20/0.3)^((k + r_k)/60),   a_k in proportion to sqrt(f_k/(1 + (f_k/corner)^6)), sum a_k^2 = 1,
           r_k = x_k/(2^31 - 1),  x_{k+1} = 16807 x_k mod (2^31 - 1),  x_0 = 16807  (S. K. Park, K. W. Miller,
               "Random number generators: good ones are hard to find", Communications of the ACM 31, 1988; from memory)
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

ZERO_DBU_V = math.sqrt(0.6)


def edge(t, t0, width):
    x = (t - t0) / width
    return 0.0 if x <= 0 else 1.0 if x >= 1 else 0.5 - 0.5 * math.cos(math.pi * x)


@dataclass(frozen=True)
class Burst:
    f_hz: float
    low_dbu: float
    high_dbu: float
    up_s: float
    down_s: float
    edge_s: float = 0.3e-3
    fade_s: float = 1e-3

    def __call__(self, t):
        low, high = (ZERO_DBU_V * math.sqrt(2) * 10 ** (dbu / 20) for dbu in (self.low_dbu, self.high_dbu))
        loud = edge(t, self.up_s, self.edge_s) - edge(t, self.down_s, self.edge_s)
        return math.sin(2 * math.pi * self.f_hz * t) * edge(t, 0, self.fade_s) * (low + (high - low) * loud)


@dataclass(frozen=True)
class Programme:
    """Peak volts, frequencies, phases, envelope rates and envelope turns of the tones, one entry a tone."""

    peak_v: tuple[float, ...]
    f_hz: tuple[float, ...]
    phase: tuple[float, ...]
    rate_hz: tuple[float, ...]
    turn: tuple[float, ...]
    depth: float = 0.8
    fade_s: float = 1e-3

    def __call__(self, t):
        total = 0.0
        for a, f, phase, rate, turn in zip(
            self.peak_v, self.f_hz, self.phase, self.rate_hz, self.turn, strict=True
        ):
            envelope = (1 + self.depth * math.sin(2 * math.pi * rate * t + turn)) / (1 + self.depth)
            total += a * math.sin(2 * math.pi * f * t + phase) * envelope
        return edge(t, 0, self.fade_s) * total


@dataclass(frozen=True)
class Strikes:
    """Struck metal over two low tones; a tenth of the noise lies above 7 kHz, 2 % above 10 kHz at this corner."""

    level_dbu: float
    corner_hz: float = 6500.0
    start_s: tuple[float, ...] = (0.0, 9e-3, 15e-3)
    strength: tuple[float, ...] = (1.0, 0.5, 1.0)
    edge_s: float = 0.5e-3
    decay_s: float = 8e-3
    fade_s: float = 1e-3

    def __call__(self, t):
        envelope = sum(
            g * edge(t, t0, self.edge_s) * math.exp(-max(t - t0, 0.0) / self.decay_s)
            for g, t0 in zip(self.strength, self.start_s, strict=True)
        )
        a, turn_per_s, phase = partials(self.corner_hz)
        low = 0.5 * math.sin(2 * math.pi * 80.0 * t) + 0.5 * math.sin(2 * math.pi * 410.0 * t + 1.0)
        peak_v = ZERO_DBU_V * math.sqrt(2) * 10 ** (self.level_dbu / 20)
        return edge(t, 0.0, self.fade_s) * peak_v * (float(a @ np.sin(turn_per_s * t + phase)) * envelope + low)


PARTIALS, LOWEST_HZ, HIGHEST_HZ = 60, 300.0, 20e3


@cache
def partials(corner_hz):
    """Amplitudes, 2 pi f [1/s] and phases of the noise of ``Strikes``, each an array (60,)."""
    x, numbers = 1, []
    for _ in range(2 * PARTIALS):
        x = 16807 * x % (2**31 - 1)
        numbers.append(x / (2**31 - 1))
    r = np.array(numbers)
    f_hz = LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ) ** ((np.arange(PARTIALS) + r[:PARTIALS]) / PARTIALS)
    power = f_hz / (1.0 + (f_hz / corner_hz) ** 6)
    return np.sqrt(power / power.sum()), 2 * math.pi * f_hz, 2 * math.pi * r[PARTIALS:]
