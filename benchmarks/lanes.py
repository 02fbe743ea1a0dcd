"""Four circuits in lanes against one at a time. Run: python benchmarks/lanes.py

Single marches and lanes in turn inside each round, by processor time; packing, nodes rebuilt and all.
"""

import sys
from collections.abc import Sequence
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.signals import burst
from benchmarks.table import Row, in_turn
from fetsim.engine.lanes import WIDTH
from fetsim.engine.together import march_together
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit

SECONDS = 0.25
CHANGES = {
    "dunlin": ({}, {"C16": "330n"}, {"curve": "S3"}, {"J1.i_dss": "9mA"}),
    "teaching": ({}, {"C2": "330n"}, {"C2": "100n"}, {"V2": "-4.6"}),
}


def ratios(name: str, rounds: int) -> Sequence[float]:
    """Throughput of lanes over that of single marches."""
    rigs = [Rig(load_unit(name).changed(one)) for one in CHANGES[name]]
    drive = burst(np.arange(1, int(rigs[0].rate_hz * SECONDS) + 1) / rigs[0].rate_hz)
    node = rigs[0].output[0]
    alone, together = ([rig.simulation([node]) for rig in rigs] for _ in range(2))
    apart_v: list[float] = []

    def singles() -> None:
        wanted[:] = [run.march(drive).record for run in alone]

    def pack() -> None:
        found = [one.record for one in march_together(together, [drive] * len(rigs))]
        apart_v.append(max(float(np.abs(a - b).max()) for a, b in zip(wanted, found, strict=True)))

    wanted: list[np.ndarray] = []
    times = list(in_turn((singles, pack), rounds))
    steps = len(drive) * len(rigs)
    single_ns, lane_ns = (1e9 * median(column) / steps for column in zip(*times, strict=True))
    print(
        f"{name}: one at a time {single_ns:.0f} ns a step, {WIDTH} lanes {lane_ns:.0f} ns a step of one circuit "
        f"(medians), apart by {max(apart_v):.1g} V"
    )
    return [one / four for one, four in times]


ROWS = [
    Row(
        name="lanes", what="4 lanes against 1, throughput of one core, Dunlin", wanted="at least 3.0",
        measure=lambda rounds: ratios("dunlin", rounds),
    ),
]  # fmt: skip


if __name__ == "__main__":
    for unit in CHANGES:
        found = ratios(unit, 7)
        print(f"    throughput x {median(found):.2f} ({min(found):.2f} to {max(found):.2f})")
