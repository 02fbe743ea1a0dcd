"""What each quality leaves of error, by material. Run: python benchmarks/qualities.py

Material: the formulas of tests/reference/excitation.py with the figures stored in tests/data. Errors are rms of the
Dunlin's output in dB under its own rms, at the samples of the file, against hand-written equations integrated by scipy.
Beside each error, after the stroke, the part of it that is a plain frequency response: the circuit at rest, linearised,
with the method's own h d/dt of a sine in place of j w, applied to the wanted output. Below, that frequency response.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fetsim.engine.linear import Linearised, linearise
from fetsim.engine.methods import method_at
from fetsim.engine.simulation import Simulation
from fetsim.rig.quality import QUALITIES
from tests.engine.exact import exact_circuit
from tests.reference.stored import Record, load

MATERIAL = {
    "20 dB burst": "dunlin_burst",
    "programme": "dunlin_programme",
    "strikes, treble-rich": "dunlin_strikes",
    "strikes, clipping": "dunlin_strikes_clipping",
}
FREQUENCIES_HZ = (1e3, 7e3, 10e3, 16e3, 20e3)


def main() -> None:
    records = {title: load(name) for title, name in MATERIAL.items()}
    circuit = exact_circuit()
    rest = Simulation.of(circuit, 48e3, [])

    linear = linearise(rest.system, rest.all_unknowns)

    def play(record: Record, rate_hz: float, method: str, tolerance_v: float) -> np.ndarray:
        sim = Simulation.of(
            circuit, rate_hz, ["out"], method=method, tolerance_v=tolerance_v, bias=rest.all_unknowns
        )
        return sim.advance(np.vectorize(record.u)(np.arange(1, int(record.t_s[-1] * rate_hz + 1e-6) + 1) / rate_hz))

    print(f"{'':34}" + "".join(f"{title:>22}" for title in records))
    for file_hz in (48e3, 44.1e3):
        for quality in QUALITIES.values():
            factor = quality.factor(file_hz)
            for method in (quality.method, "bdf4"):
                print(f"{f'{quality.name}, {file_hz / 1e3:g} kHz x {factor}, {method}':34}", end="")
                for record in records.values():
                    found = play(record, file_hz * factor, method, quality.tolerance_v)[factor - 1 :: factor, 0]
                    wanted = record.at(np.arange(1, len(found) + 1) / file_hz, "out")
                    plain = response_part(linear, method, factor * file_hz, file_hz, wanted)
                    cell = f"{error_db(found, wanted):.1f} /{error_db(wanted + plain, wanted):7.1f}"
                    print(f"{cell:>22}", end="")
                print()

    print("\nerror of the frequency response, dB / degrees")
    print(f"{'':34}" + "".join(f"{f / 1e3:>19g} kHz" for f in FREQUENCIES_HZ))
    for file_hz in (48e3, 44.1e3):
        for quality in QUALITIES.values():
            rate_hz = file_hz * quality.factor(file_hz)
            for method in (quality.method, "bdf4"):
                ratios = [response_error(linear, method, rate_hz, f) for f in FREQUENCIES_HZ]
                print(
                    f"{f'{quality.name}, {rate_hz / 1e3:g} kHz, {method}':34}"
                    + "".join(f"{20 * np.log10(abs(r)):12.4f} /{np.degrees(np.angle(r)):8.4f} " for r in ratios)
                )


def error_db(found: np.ndarray, wanted: np.ndarray) -> float:
    return float(20 * np.log10(np.sqrt(np.mean((found - wanted) ** 2)) / wanted.std()))


def response_part(
    linear: Linearised, method: str, rate_hz: float, file_hz: float, wanted: np.ndarray
) -> np.ndarray:
    """What a wrong frequency response adds to an output, whose last millisecond is faded."""
    fade, n = round(1e-3 * file_hz), len(wanted)
    faded = wanted - wanted[0]
    faded[-fade:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fade + 1) / fade)
    f_hz = np.fft.rfftfreq(2 * n, 1 / file_hz)
    added = [0.0, *(response_error(linear, method, rate_hz, f) - 1.0 for f in f_hz[1:])]
    return np.asarray(np.fft.irfft(np.fft.rfft(faded, 2 * n) * np.array(added), 2 * n)[:n])


def response_error(linear: Linearised, method: str, rate_hz: float, frequency_hz: float) -> complex:
    """Gain to the output as a multistep method has it, over the true one."""
    chosen = method_at(method, rate_hz)
    levels = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(5))
    s_per_s = rate_hz * ((levels[:-1] - levels[1:]) @ (chosen.lead, *np.negative(chosen.past)))
    out, driven = linear.index["out"], linear.b_input[:, 0]
    with_method = np.linalg.solve(linear.g + s_per_s * linear.c, driven)[out]
    return complex(with_method / linear.solve(frequency_hz, driven)[out])


if __name__ == "__main__":
    main()
