"""What a joined pair of Dunlins takes a step, against one. Run: python benchmarks/pairs.py

Both run in turn, by processor time, the pair with the programme in one channel and the burst in the other.
"""

import sys
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.signals import burst, programme
from benchmarks.table import Row, in_turn
from fetsim.engine.circuit import PROGRAM
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit

SECONDS, TURNS = 0.03, 30
"""Of the signal, and how often it is played in a round: the least time counts, since other work on the machine only
ever adds to it."""


def speeds(rounds: int) -> Sequence[float]:
    """Steps of a pair in the time of one step of a single unit."""
    one, pair = (Rig(load_unit(name), DEFAULT_QUALITY) for name in ("dunlin", "dunlin-pair"))
    began = time.process_time()
    both = pair.simulation(sorted(pair.watched))
    print(f"pair made ready, compiled where it had to be: {time.process_time() - began:.1f} s of processor time")
    alone = one.simulation(sorted(one.watched))
    t = np.arange(1, int(one.rate_hz * SECONDS) + 1) / one.rate_hz
    drives = {PROGRAM: programme(t), "right": burst(t)}
    jobs = [lambda: alone.march(drives[PROGRAM]), lambda: both.march(drives)]
    times = np.array(list(in_turn(jobs, rounds * TURNS))).reshape(rounds, TURNS, 2).min(axis=1)
    single, joined = np.median(times, axis=0) / len(t)
    print(f"one {1e9 * single:.0f} ns a step, a joined pair {1e9 * joined:.0f} ns, {joined / single:.3f} of it")
    return [float(before / after) for before, after in times]


ROWS = [
    Row(
        name="pair", what="joined pair of Dunlins against one, both channels of a stereo file, speed",
        wanted="at least 0.42", measure=speeds,
    ),
]  # fmt: skip


if __name__ == "__main__":
    found = speeds(9)
    print(f"    {median(found):.3f} ({min(found):.3f} to {max(found):.3f})")
