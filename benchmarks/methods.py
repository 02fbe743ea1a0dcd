"""Which integration method at which step: error against time on the Dunlin. Run: python benchmarks/methods.py

Errors are rms of the output in dB under its own rms, raw and low-passed at 20 kHz, against a five-stage method of order
4 at 3 MHz (which agrees with itself at 2.3 MHz to better than -115 dB on all signals).
"""

import sys
import time
from pathlib import Path

import numpy as np
from scipy.signal import firwin, oaconvolve

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.signals import SIGNALS
from fetsim.engine.methods import FITTED, method_at
from fetsim.engine.simulation import Simulation
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit

BASE_HZ, SECONDS = 48e3, 0.05
REFERENCE = ("sdirk4", 64, 1e-4)
SETTINGS = (
    (FITTED, 3, 0.01), (FITTED, 6, 0.005), (FITTED, 12, 0.001),
    ("bdf4", 4, 0.01), ("bdf4", 3, 0.01), ("bdf4", 5, 0.005), ("bdf4", 6, 0.01), ("bdf4", 8, 0.01), ("bdf4", 12, 0.001),
     ("bdf3", 6, 0.01), ("bdf3", 12, 0.001), ("bdf2", 12, 0.01), ("sdirk2", 6, 0.01),
    ("sdirk2", 12, 0.001), ("sdirk4", 2, 0.01), ("sdirk4", 3, 0.01), ("sdirk4", 4, 0.01), ("sdirk4", 8, 0.001),
)  # fmt: skip


def main() -> None:
    circuit = build_circuit(load_unit("dunlin"))
    bias = Simulation.of(circuit, BASE_HZ, []).all_unknowns

    def run(signal: str, method: str, factor: int, tolerance_v: float):
        rate_hz = BASE_HZ * factor
        chosen = method_at(method, rate_hz)
        sim = Simulation.of(circuit, rate_hz, ["out"], method=method, tolerance_v=tolerance_v, bias=bias)
        n = np.arange(1, round(SECONDS * rate_hz) + 1)
        u = SIGNALS[signal]((n[:, None] - 1 + chosen.fractions) / rate_hz)
        start = time.process_time()
        out = sim.advance(u)[:, 0]
        return out, SECONDS / (time.process_time() - start)

    references = {name: run(name, *REFERENCE)[0] for name in SIGNALS}
    run("burst", "bdf4", 6, 0.01)
    print(
        f"{'method':8}{'rate':>9}{'tolerance':>11}  "
        + "".join(f"{name:>18}" for name in SIGNALS)
        + f"{'x real time':>14}"
    )
    for method, factor, tolerance in SETTINGS:
        cells, speed = [], 0.0
        for name, reference in references.items():
            out, times = run(name, method, factor, tolerance)
            common = np.gcd(factor, REFERENCE[1])
            a, b = (
                out[factor // common - 1 :: factor // common],
                reference[REFERENCE[1] // common - 1 :: REFERENCE[1] // common],
            )
            cells.append(f"{error(a, b, False):8.0f} /{error(a, b, True):6.0f}  ")
            speed = times if name == "programme" else speed
        print(
            f"{method:8}{BASE_HZ * factor / 1e3:6.0f}kHz{tolerance * 1e3:9g}mV  "
            + "".join(f"{c:>18}" for c in cells)
            + f"{speed:12.1f}"
        )


def error(found: np.ndarray, reference: np.ndarray, audible: bool) -> float:
    """dB; instants common to both. The low-pass works at whatever common rate there is (48 kHz at least)."""
    difference = found - reference
    if audible:
        rate = len(found) / SECONDS
        taps = firwin(401, 20e3, fs=rate) if rate > 48e3 else np.ones(1)
        difference = oaconvolve(difference, taps, mode="same")
    return float(20 * np.log10(np.sqrt(np.mean(difference**2)) / np.sqrt(np.mean(reference**2))))


if __name__ == "__main__":
    main()
