"""Curve and timing grid, warm, with the method they replace beside them. Run: python benchmarks/measurements.py

Curve: 45 levels of one switch subset. The steady state solved (extrapolated from block to block), against staying at
every rising level as a bench does: for 0.12 s, which leaves up to 0.06 dB, and for 1.5 s, which leaves as little as the
solution. Grid: 5 x 5 settings, attack at 8 phases and release, over all cores; one setting on one core beside it.
"""

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.curve.procedure import CurveMeasurement, measure_curve
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.schematic.load import load_unit

LEVELS_DBU = np.linspace(-20.0, 24.0, 45)
POSITIONS = (0.0, 0.25, 0.5, 0.75, 1.0)
Result = TypeVar("Result")


def main() -> None:
    unit = load_unit("dunlin")
    Bench(unit).run()  # compiles or loads the solver
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")

    def curve(wait_s: float | None) -> CurveMeasurement:
        return measure_curve(unit, switches=["S2"], levels_dbu=LEVELS_DBU, wait_s=wait_s, compare=False)

    solved = timed("curve, 45 levels, steady state and refined thresholds", lambda: curve(None))
    levels = solved.curves[0].curve
    for wait_s in (0.12, 1.5):
        waited = timed(f"curve, 45 levels, {wait_s:g} s at each", lambda: curve(wait_s)).curves[0].curve  # noqa: B023
        apart = waited.output_dbu - np.interp(LEVELS_DBU, levels.level_dbu, levels.output_dbu)
        print(f"    output at most {np.max(np.abs(apart)):.5f} dB from the steady state")
    one = {"attack": [0.5], "release": [0.5]}
    timed("timing, one setting, 8 phases", lambda: measure_timing(unit, vary=one))
    grid = {"attack": POSITIONS, "release": POSITIONS}
    timed("timing, 5 x 5 settings, 8 phases", lambda: measure_timing(unit, vary=grid))


def timed(what: str, work: Callable[[], Result]) -> Result:
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    print(f"{what:56} {time.perf_counter() - wall:6.1f} s, {time.process_time() - cpu:6.1f} s of processor")
    return result


if __name__ == "__main__":
    main()
