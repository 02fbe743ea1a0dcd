"""The kernel against the same text as C++ with vector types, and against scipy's stiff integrator.

Run: python benchmarks/kernel.py. Ratios are measured side by side in one run, by processor time of this process.
"""

import sys
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import native
from benchmarks.signals import burst
from benchmarks.table import LEAST_ROUNDS, Row, in_turn
from fetsim.engine.circuit import Circuit
from fetsim.engine.lanes import WIDTH
from fetsim.engine.simulation import Simulation
from fetsim.engine.together import march_together
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit
from tests.reference import dunlin

RATE_HZ = 288e3
SECONDS = 0.25
NODE = "lo"
"""Kept by the solver as it is."""
PLAIN_IRON = Path(__file__).resolve().parents[1] / "tests" / "measurements" / "plain_iron.toml"
"""The Dunlin without hysteresis, since the C++ march remembers nothing between steps."""


def main() -> None:
    for lanes in (1, WIDTH):
        found = against_native(lanes, LEAST_ROUNDS)
        if found:
            print(f"    {median(found):.2f} of the time of C++ ({min(found):.2f} to {max(found):.2f})")
    against_scipy(build_circuit(load_unit("dunlin")))


def against_native(lanes: int, rounds: int) -> Sequence[float]:
    """Time of the compiled Python over that of C++, for as many circuits side by side."""
    if not native.found():
        print(f"{native.COMPILER} is not on this machine: no comparison with C++")
        return []
    rig = Rig(load_unit(PLAIN_IRON))
    drive = burst(np.arange(1, int(rig.rate_hz * SECONDS) + 1) / rig.rate_hz)
    simulations = [rig.simulation([NODE]) for _ in range(lanes)]
    advance = native.Native([rig.prepared] * lanes, NODE).starting([rig.bias] * lanes)
    levels: dict[str, np.ndarray] = {}

    def ours() -> None:
        if lanes == 1:
            levels["ours"] = simulations[0].march(drive).record
        else:
            levels["ours"] = march_together(simulations, [drive] * lanes)[0].record

    def theirs() -> None:
        levels["theirs"] = advance(drive)
        apart_v = np.abs(levels["ours"][:, 0] - levels["theirs"][:, 0]).max()
        assert apart_v < 1e-9, f"the two marches are {apart_v:.2g} V apart"

    times = list(in_turn((ours, theirs), rounds))
    ns = [1e9 * median(column) / len(drive) / lanes for column in zip(*times, strict=True)]
    print(f"{lanes} side by side: {ns[0]:.0f} ns a step of one circuit, C++ {ns[1]:.0f} ns (medians)")
    return [python / other for python, other in times]


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


ROWS = [
    Row(
        name="native", what="4 lanes against the same text as C++ with vector types, Dunlin without hysteresis, time",
        wanted="at most 1.10",
        measure=lambda rounds: against_native(WIDTH, rounds),
    ),
    Row(
        name="native-single", what="one circuit against the same text as C++, Dunlin without hysteresis, time",
        wanted="at most 1.10",
        measure=lambda rounds: against_native(1, rounds),
    ),
]  # fmt: skip


if __name__ == "__main__":
    main()
