"""What hysteresis in its transformers makes of the Dunlin: distortion, inductance, response, time; beside the same unit
with single-valued cores. Run: python benchmarks/iron.py
"""

import sys
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.signals import programme
from benchmarks.table import LEAST_ROUNDS, Row, in_turn
from fetsim.engine.lanes import WIDTH
from fetsim.engine.together import march_together
from fetsim.measurements.iron.procedure import measure_iron
from fetsim.measurements.sweep.procedure import measure_sweep
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit

PLAIN = Path(__file__).resolve().parents[1] / "tests" / "measurements" / "plain_iron.toml"
LEVELS_DBU = (-20.0, 0.0, 10.0, 20.0)
FREQUENCIES_HZ = (20.0, 30.0, 60.0, 100.0, 300.0, 1000.0)
SECONDS = 0.25


def main() -> None:
    units = {"plain": load_unit(str(PLAIN)), "with hysteresis": load_unit("dunlin")}
    for at in ("t1s", "output"):
        print(f"\nTHD at {at}, per cent: plain / with hysteresis")
        found = [
            measure_sweep(unit, levels_dbu=LEVELS_DBU, frequencies_hz=FREQUENCIES_HZ, at=at) for unit in units.values()
        ]
        shown({(one.level_dbu, round(one.frequency_hz)): f"{100 * other.thd_f:.3g} / {100 * one.thd_f:.3g}"
               for other, one in zip(*(each.tones for each in found), strict=True)})  # fmt: skip
    cores = measure_iron(units["with hysteresis"], levels_dbu=LEVELS_DBU, frequencies_hz=FREQUENCIES_HZ).cores
    for part in ("T1", "T2"):
        print(f"\ninductance of {part}, H / its loss, kohm")
        shown({(one.level_dbu, round(one.frequency_hz)): f"{one.winding.inductance_h:.3g} / "
               f"{(one.winding.loss_ohm or np.inf) / 1e3:.3g}" for one in cores if one.part == part})  # fmt: skip
    print("\ngain at rest, dB: plain / with hysteresis")
    for f in (*FREQUENCIES_HZ, 10e3, 20e3):
        print(f"  {f:>6g} Hz  " + " / ".join(f"{Rig(unit).idle_gain_db(f):.4f}" for unit in units.values()))
    for lanes in (1, WIDTH):
        share = median(against_plain(lanes, LEAST_ROUNDS))
        print(f"time of a step, {lanes} side by side: {share:.3f} of the plain one's")


def shown(cells: dict[tuple[float, int], str]) -> None:
    """Levels down, frequencies across."""
    print("      dBu" + "".join(f"{f:>15g} Hz" for f in FREQUENCIES_HZ))
    for level in LEVELS_DBU:
        print(f"{level:>+9g}" + "".join(f"{cells[level, round(f)]:>18}" for f in FREQUENCIES_HZ))


def against_plain(lanes: int, rounds: int) -> list[float]:
    """Processor time of the programme with hysteresis over that without, so many circuits side by side."""

    def job(unit: Unit) -> Callable[[], object]:
        rig = Rig(unit)
        drive = programme(np.arange(1, int(rig.rate_hz * SECONDS) + 1) / rig.rate_hz)
        simulations = [rig.simulation(["lo"]) for _ in range(lanes)]
        if lanes == 1:
            return lambda: simulations[0].march(drive)
        return lambda: march_together(simulations, [drive] * lanes)

    times = in_turn([job(load_unit("dunlin")), job(load_unit(str(PLAIN)))], rounds)
    return [ours / plain for ours, plain in times]


ROWS = [
    Row(
        name="hysteresis", what="both transformers' hysteresis, time of a step against plain cores",
        wanted="at most 1.15", measure=lambda rounds: against_plain(1, rounds),
    ),
    Row(
        name="hysteresis-lanes", what="the same in lanes", wanted="at most 1.15",
        measure=lambda rounds: against_plain(WIDTH, rounds),
    ),
]  # fmt: skip


if __name__ == "__main__":
    main()
