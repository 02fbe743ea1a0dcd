"""What folds back into the audio band, for every quality. Run: python benchmarks/aliasing.py

A tone whose harmonics above Nyquist would land between its own harmonics: everything that is not on a harmonic, 20 Hz
to 20 kHz, is alias (or solver error). Given as the largest single product and as their sum, dB under the fundamental.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fetsim.audio.render import render
from fetsim.rig.quality import QUALITIES
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit

RATE_HZ = 48000
SETTLE_S, WINDOW_S = 1.0, 1.0


def alias_db(unit: Unit, frequency_hz: int, level_dbfs: float, quality: str) -> tuple[float, float, float]:
    """(largest product, sum of products, gain reduction), dB; the first two under the fundamental."""
    t = np.arange(int(RATE_HZ * (SETTLE_S + WINDOW_S))) / RATE_HZ
    tone = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency_hz * t) * np.minimum(t / 0.01, 1.0)
    rendering = render(tone, RATE_HZ, unit=unit, quality=quality)
    window = rendering.output[int(RATE_HZ * SETTLE_S) :]  # whole periods of 1 s: no leakage
    spectrum = np.abs(np.fft.rfft(window)) / len(window) * 2
    power = spectrum**2
    fundamental = power[frequency_hz]
    keep = np.zeros(len(power), dtype=bool)
    keep[20:20001] = True
    for k in range(1, RATE_HZ // 2 // frequency_hz + 1):
        keep[k * frequency_hz - 3 : k * frequency_hz + 4] = False  # slow drift of the release widens the lines
    largest = 10 * np.log10(power[keep].max() / fundamental)
    total = 10 * np.log10(power[keep].sum() / fundamental)
    return float(largest), float(total), float(rendering.logs[0].gain_reduction_mean_db[-20:].mean())


CASES = {
    "5 kHz, 15 dB of gain reduction": ({}, 4999, -11.0),
    "5 kHz, line stage clipping": ({"makeup": 1.0, "curve": "none"}, 4999, -12.0),
    "1 kHz, line stage clipping": ({"makeup": 1.0, "curve": "none"}, 997, -12.0),
}


def main() -> None:
    unit = load_unit("dunlin")
    for title, (changes, frequency_hz, level_dbfs) in CASES.items():
        print(title)
        for quality in QUALITIES:
            largest, total, reduction = alias_db(
                unit.changed(changes) if changes else unit, frequency_hz, level_dbfs, quality
            )
            print(f"  {quality:9} largest {largest:7.1f} dB, sum {total:7.1f} dB (gain reduction {reduction:.1f} dB)")


if __name__ == "__main__":
    main()
