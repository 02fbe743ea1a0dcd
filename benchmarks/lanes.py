"""Four circuits in lanes against one at a time. Run: python benchmarks/lanes.py

Prints CPU times of this process, single march and lanes in turn inside each round, and the ratio of their throughputs.
"""

import sys
import time
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.signals import burst
from fetsim.engine.lanes import WIDTH
from fetsim.engine.together import march_together
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit

SECONDS = 0.25
ROUNDS = 7
CHANGES = ({}, {"C16": "330n"}, {"curve": "S3"}, {"J1.i_dss": "9mA"})


def main() -> None:
    for name, changes in (("dunlin", CHANGES), ("teaching", ({}, {"C2": "330n"}, {"C2": "100n"}, {"V2": "-4.6"}))):
        rigs = [Rig(load_unit(name).changed(one)) for one in changes]
        drive = burst(np.arange(1, int(rigs[0].rate_hz * SECONDS) + 1) / rigs[0].rate_hz)
        node = rigs[0].output[0]
        single_ns, lane_ns, apart_v = [], [], 0.0
        for number in range(ROUNDS + 1):
            alone, together = ([rig.simulation([node]) for rig in rigs] for _ in range(2))
            start = time.process_time()
            wanted = [run.march(drive) for run in alone]
            between = time.process_time()
            found = march_together(together, [drive] * len(rigs))
            end = time.process_time()
            if number:  # the first round compiles
                steps = len(drive) * len(rigs)
                single_ns.append(1e9 * (between - start) / steps)
                lane_ns.append(1e9 * (end - between) / steps)
            pairs = zip(wanted, found, strict=True)
            apart_v = max(apart_v, *(float(np.abs(a.record - b.record).max()) for a, b in pairs))
        ratios = [a / b for a, b in zip(single_ns, lane_ns, strict=True)]
        print(
            f"{name}: one at a time {min(single_ns):.0f} / {median(single_ns):.0f} ns a step (least / median), "
            f"{WIDTH} lanes {min(lane_ns):.0f} / {median(lane_ns):.0f} ns a step of one circuit; "
            f"throughput x {median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f}); apart by {apart_v:.1g} V"
        )


if __name__ == "__main__":
    main()
