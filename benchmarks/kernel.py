"""The sample kernel against the same equations in C and in scipy's stiff integrator. Run: python benchmarks/kernel.py

Prints ratios measured side by side in one run; CPU time of this process, the C and numba marches in turn.
"""

import shutil
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.signals import burst
from benchmarks.straight_c import StraightC
from fetsim.engine.circuit import Circuit
from fetsim.engine.emit import solver_text
from fetsim.engine.simulation import Simulation
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit
from tests.reference import dunlin

RATE_HZ = 288e3
ROUNDS = 5


def main() -> None:
    circuit = build_circuit(load_unit("dunlin"))
    drive = burst(np.arange(1, int(RATE_HZ * 0.5) + 1) / RATE_HZ)
    has_gcc = shutil.which("gcc") is not None
    compiled, total = against_c(circuit, drive) if has_gcc else (alone(circuit, drive), None)
    if total is not None:
        print(
            f"straight-line C {total:6.2f} times real time; compiled Python takes {total / compiled:4.2f} of its time"
        )
    step_ns = 1e9 / compiled / RATE_HZ
    print(f"compiled Python {compiled:6.2f} times real time at {RATE_HZ / 1e3:g} kHz, {step_ns:.0f} ns a step")
    against_scipy(circuit)


def alone(circuit: Circuit, drive: np.ndarray) -> float:
    """Times real time of the compiled kernel."""
    sim = Simulation.of(circuit, RATE_HZ, ["lo"])
    sim.advance(drive[:10])
    return max(len(drive) / RATE_HZ / cpu_s(lambda: sim.advance(drive)) for _ in range(ROUNDS))


def against_c(circuit: Circuit, drive: np.ndarray) -> tuple[float, float]:
    """Times real time of the compiled kernel and of C, medians of interleaved rounds."""
    sim = Simulation.of(circuit, RATE_HZ, ["lo"])
    prepared, state = sim.prepared, sim.state
    system, plan = prepared.reduced.system, prepared.solver.plan
    native = StraightC(solver_text(system, plan), system, plan)
    weights, (recorded,) = prepared.tableau.past, prepared.recorder(["lo"]).columns
    values = prepared.values
    times = []
    for _ in range(ROUNDS):
        results = {}

        def march_c(results: dict = results) -> None:
            results["c"], used = native.march(
                values.lin, values.dev, weights, drive, state.x, state.past, state.ports, 0.01, int(recorded)
            )
            assert used > 0

        def march(results: dict = results) -> None:
            results["numba"] = sim.advance(drive)[:, 0]

        times.append((cpu_s(march), cpu_s(march_c)))
        difference = np.abs(results["c"] - results["numba"]).max()
        assert difference < 1e-6, difference
    compiled, total = (len(drive) / RATE_HZ / t for t in np.median(times, axis=0))
    return compiled, total


def against_scipy(circuit: Circuit) -> None:
    """The first 20 ms of the burst (rise at 10 ms included): scipy's Radau at a tolerance of equal error."""
    end_s, rate_hz = 0.02, RATE_HZ
    n = np.arange(1, int(rate_hz * end_s) + 1)
    every = 6
    reference = dunlin.simulate(scalar(burst), end_s, n[every - 1 :: every] / rate_hz, rtol=1e-8)["out"]
    sim = Simulation.of(circuit, rate_hz, ["out"])
    twin = sim.branch()
    ours = sim.advance(burst(n / rate_hz))[every - 1 :: every, 0]
    seconds = min(cpu_s(lambda s=s: s.advance(burst(n / rate_hz))) for s in (twin.branch() for _ in range(5)))
    # the unit file rounds its control positions: a common gain is taken out before comparing
    ours = ours * (ours @ reference) / (ours @ ours)
    print(
        f"burst of {end_s * 1e3:g} ms: compiled {seconds * 1e3:.1f} ms, error {db(ours - reference, reference):.0f} dB"
    )
    for rtol in (1e-4, 1e-5, 1e-6):
        start = time.process_time()
        slow = dunlin.simulate(scalar(burst), end_s, n[every - 1 :: every] / rate_hz, rtol=rtol, atol=rtol * 1e-2)[
            "out"
        ]
        spent = time.process_time() - start
        print(
            f"  scipy Radau rtol {rtol:g}: {spent:.2f} s, error {db(slow - reference, reference):.0f} dB, "
            f"{spent / seconds:.0f} times slower"
        )


def scalar(function):
    return lambda t: float(function(np.array([t]))[0])


def db(error: np.ndarray, signal: np.ndarray) -> float:
    return float(20 * np.log10(np.sqrt(np.mean(error**2)) / np.sqrt(np.mean(signal**2))))


def cpu_s(job) -> float:
    start = time.process_time()
    job()
    return time.process_time() - start


if __name__ == "__main__":
    main()
