"""What a compile costs by the size of the circuit. Run: python benchmarks/compile_time.py [--most PARTS]

Several copies of the Dunlin, joined at their output, each compiled from nothing in a process with a cache of its own:
elements, lines of the solver's text, processor time of single solver, lanes solver and both marches, and the time of a
step. Processor time, so that a busy machine changes little.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fetsim.engine.assembly import assemble
from fetsim.engine.circuit import Circuit, Element
from fetsim.engine.generated import _module_source, solver_for
from fetsim.engine.lanes import WIDTH
from fetsim.engine.plan import make_plan
from fetsim.engine.prepared import prepare
from fetsim.engine.reduction import reduce_resistive
from fetsim.engine.simulation import Simulation
from fetsim.engine.together import march_together
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit

COPIES = (0, 1, 2, 4, 8, 20)  # 0: the teaching loop
RATE_HZ, STEPS = 240e3, 4000
JOINT = "lo"


def copies(number: int) -> Circuit:
    """So many Dunlins with one output node; the teaching loop for none."""
    if number == 0:
        return build_circuit(load_unit("teaching"))
    return Circuit(tuple(
        Element(e.kind, f"{e.name}_{k}", tuple(n if n in ("0", JOINT) else f"{n}_{k}" for n in e.nodes), e.values)
        for k in range(number) for e in build_circuit(load_unit("dunlin")).elements
    ))  # fmt: skip


def measure(number: int) -> None:
    """One line of the table, compiled into this process's own cache."""
    start = time.process_time()
    system = assemble(copies(number))
    small = reduce_resistive(system).system
    plan = make_plan(small)
    lines = _module_source(small, plan, 1).count("\n")
    planned_s = time.process_time() - start
    solver_s = cpu_s(lambda: solver_for(small))
    prepared = prepare(system, RATE_HZ)
    cold = prepared.state_at(np.zeros(system.size))
    march_s = cpu_s(lambda: Simulation(prepared, [], cold))
    drive = np.zeros(STEPS)
    runs = [Simulation(prepared, [], cold) for _ in range(WIDTH)]
    lanes_s = cpu_s(lambda: solver_for(small, WIDTH))
    lanes_march_s = cpu_s(lambda: march_together(runs, [drive[:1]] * WIDTH))
    step_ns = min(1e9 * cpu_s(lambda: runs[0].march(drive)) / STEPS for _ in range(5))
    lane_ns = min(1e9 * cpu_s(lambda: march_together(runs, [drive] * WIDTH)) / STEPS / WIDTH for _ in range(5))
    print(
        f"{len(system.devices):6d}{len(copies(number).elements):9d}{small.size:9d}{lines:8d}{planned_s:9.2f}"
        f"{solver_s:8.1f}{lanes_s:8.1f}{march_s:8.1f}{lanes_march_s:8.1f}{step_ns:9.0f}{lane_ns:9.0f}", flush=True
    )  # fmt: skip


def cpu_s(job) -> float:
    start = time.process_time()
    job()
    return time.process_time() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--most", type=int, default=2100, help="elements of the largest circuit")
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one is not None:
        measure(asked.one)
        return
    print("                                                CPU seconds                          ns a step, at rest")
    print("device elements unknowns   lines  planned  single   lanes   march  + lanes   single     lane")
    for number in COPIES:
        if 101 * number > asked.most:
            break
        with tempfile.TemporaryDirectory() as folder:
            environment = os.environ | {"XDG_CACHE_HOME": folder, "OPENBLAS_NUM_THREADS": "1"}
            subprocess.run([sys.executable, __file__, "--one", str(number)], env=environment, check=True)


if __name__ == "__main__":
    main()
