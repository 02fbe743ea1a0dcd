"""Input voltages as formulas of time. All edges are raised cosines, so that u(t) has no step and no corner.

edge(t, t0, w) = 0 before t0, (1 - cos(pi (t - t0)/w))/2 during w, 1 afterwards.

burst      u = sqrt(2) sin(2 pi f t) edge(t, 0, fade)
               [a_low + (a_high - a_low) (edge(t, up, w) - edge(t, down, w))],
           a the root-mean-square volts of a level in dBu re 0.774597 V
programme  u = edge(t, 0, fade)
               sum over k of a_k sin(2 pi f_k t + phase_k) (1 + m sin(2 pi r_k t + turn_k))/(1 + m):
           inharmonic tones, each with a slow envelope of rate r_k and depth m
"""

import math
from dataclasses import dataclass

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
