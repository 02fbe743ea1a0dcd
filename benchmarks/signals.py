"""Test signals of the benchmarks, as formulas of time, source volts. Every edge is 0.3 ms or longer."""

import numpy as np

from fetsim.audio.levels import dbu_to_rms_v


def edge(t: np.ndarray, start_s: float, width_s: float = 0.3e-3) -> np.ndarray:
    """Raised cosine from 0 to 1."""
    return 0.5 - 0.5 * np.cos(np.pi * np.clip((t - start_s) / width_s, 0.0, 1.0))


def programme(t: np.ndarray) -> np.ndarray:
    """Six inharmonic tones with slow envelopes: 5 to 15 dB of gain reduction on the Dunlin."""
    total = np.zeros_like(t)
    for k, f in enumerate((61.0, 173.0, 457.0, 1310.0, 3170.0, 6970.0)):
        envelope = 0.55 + 0.45 * np.sin(2 * np.pi * (7.0 + 5.0 * k) * t + k)
        total = total + envelope * np.sin(2 * np.pi * f * t + 2.0 * k) / (1.0 + f / 2000.0)
    return edge(t, 0.0, 2e-3) * total * dbu_to_rms_v(2.0) * np.sqrt(2.0)


def burst(t: np.ndarray) -> np.ndarray:
    """1 kHz, -10 to +10 dBu and back, 0.3 ms edges."""
    return _burst(t, 1000.0, -10.0, 10.0)


def clipping(t: np.ndarray) -> np.ndarray:
    """5 kHz, 0 to +20 dBu and back: the line stage clips until the attack has caught it."""
    return _burst(t, 5000.0, 0.0, 20.0)


def _burst(t: np.ndarray, frequency_hz: float, low_dbu: float, high_dbu: float) -> np.ndarray:
    low, high = (dbu_to_rms_v(x) * np.sqrt(2.0) for x in (low_dbu, high_dbu))
    loud = edge(t, 0.01) - edge(t, 0.03)
    return np.sin(2 * np.pi * frequency_hz * t) * edge(t, 0.0, 1e-3) * (low + (high - low) * loud)


SIGNALS = {"programme": programme, "burst": burst, "clipping": clipping}
