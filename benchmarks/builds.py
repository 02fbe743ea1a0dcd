"""Figures of many builds: by the clock on two cores, beside the measurements one after the other, and their memory."""

import os
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.table import Row, in_turn
from fetsim.files.user_cache import UserCache
from fetsim.measurements.curve.procedure import measure_curve
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.study import figures_of_builds
from fetsim.studies.faults.study import faults
from fetsim.studies.spread.study import spread

BUILDS, FEW = 1000, 32
LEVELS_DBU = np.linspace(-30.0, 12.0, 43)
TWO = 2


def drawn(count: int) -> dict[str, Unit]:
    """Dunlins with every value anywhere within its tolerance, pinch-off within 10 % and current gains within a half."""
    unit, rng = load_unit("dunlin"), np.random.default_rng(1)
    builds = {}
    for number in range(count):
        changes: dict[str, str | float] = {}
        for name, part in unit.parts.items():
            if part.tolerance is not None and "value" in part.values:
                tolerance, value = part.tolerance, part.values["value"]
                changes[name] = value * float(rng.uniform(1.0 + tolerance.low, 1.0 + tolerance.high))
            if part.kind == "jfet" and part.device is not None:
                volt = part.device.figures["pinch_off_voltage"]
                changes[f"{name}.pinch_off_voltage"] = volt * float(rng.uniform(0.9, 1.1))
            if part.kind == "bjt" and part.device is not None:
                changes[f"{name}.current_gain"] = part.device.figures["current_gain"] * float(rng.uniform(0.6, 1.5))
        builds[str(number)] = unit.changed(changes)
    return builds


def on_two_cores() -> tuple[float, float]:
    """All builds: (minutes by the clock, most memory of all processes together [MB])."""
    builds = drawn(BUILDS)
    most_mb, done = [0.0], threading.Event()

    def watch() -> None:
        while not done.wait(0.5):
            most_mb[0] = max(most_mb[0], sum(_own_mb(pid) for pid in _family(os.getpid())))

    watcher = threading.Thread(target=watch)
    watcher.start()
    start = time.perf_counter()
    found = figures_of_builds(builds, nominal=load_unit("dunlin"), workers=TWO)
    taken_s = time.perf_counter() - start
    done.set()
    watcher.join()
    print(f"    {BUILDS / taken_s:.1f} builds a second, {taken_s:.0f} s, {most_mb[0]:.0f} MB, "
          f"{len(found.reasons)} builds lack a figure")
    return taken_s / 60.0, most_mb[0]


def set_up_on_two_cores() -> float:
    """Builds drawn, their trims set, and the bench's usual figures of each [minutes by the clock]."""
    figures = ("threshold", "reduction@0", "reduction@10", "attack", "release")
    with TemporaryDirectory() as folder:
        start = time.perf_counter()
        found = spread("dunlin", builds=BUILDS, figures=figures, trims=True, workers=TWO, cache=UserCache(Path(folder)))
        taken_s = time.perf_counter() - start
    print(f"    {BUILDS / taken_s:.1f} builds a second, {taken_s:.0f} s, {found.failures} builds lack a figure")
    return taken_s / 60.0


def faults_on_two_cores() -> float:
    """Every single fault of the Dunlin with the usual figures, compiling included [minutes by the clock]."""
    with TemporaryDirectory() as folder:
        start = time.perf_counter()
        found = faults("dunlin", workers=TWO, cache=UserCache(Path(folder)))
        taken_s = time.perf_counter() - start
    restless = sum("rest" in row.reasons for row in found.rows)
    print(f"    {len(found.rows)} faults, {taken_s:.0f} s, {restless} without a state at rest")
    return taken_s / 60.0


def against_measurements(rounds: int) -> Sequence[float]:
    """How much less processor time the figures take than by idle, curve and timing, one build after the other."""
    builds = drawn(FEW)
    units = list(builds.values())

    def together() -> None:
        figures_of_builds(builds, nominal=load_unit("dunlin"), before_dbu=-20.0, level_dbu=0.0, workers=1)

    def one_by_one() -> None:
        unit = units[0]
        idle_point(unit)
        measure_curve(unit, switches=["S2"], levels_dbu=LEVELS_DBU, compare=False)
        measure_timing(unit, before_dbu=-20.0, level_dbu=0.0, phases=1)

    return [FEW * one / all_s for one, all_s in in_turn((one_by_one, together), rounds)]


def _family(pid: int) -> list[int]:
    """A process and all that it has started."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return []
    return [pid, *(one for child in children for one in _family(int(child)))]


def _own_mb(pid: int) -> float:
    """Resident memory of a process, of what it shares with others its part."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return next((1024 * int(line.split()[1]) / 1e6 for line in lines if line.startswith("Pss:")), 0.0)


ROWS = [
    Row(
        name="builds", what="1,000 builds x (idle volts, two thresholds, attack, release), standard, two cores",
        wanted="at most 3", unit="min", measure=lambda rounds: [on_two_cores()[0] for _ in range(rounds)], slow=True,
    ),
    Row(
        name="builds-set-up", wanted="at most 3", unit="min",
        what="1,000 builds drawn, their bias trimmed x (idle volts, threshold, gain reduction at 0 and +10 dBu, "
        "attack, release), standard, two cores",
        measure=lambda rounds: [set_up_on_two_cores() for _ in range(rounds)], slow=True,
    ),
    Row(
        name="faults", what="all single faults of the Dunlin x (idle volts, currents, gain, corners, noise, threshold, "
        "gain reduction, THD, attack, release), draft, two cores", wanted="at most 2", unit="min",
        measure=lambda rounds: [faults_on_two_cores() for _ in range(rounds)], slow=True,
    ),
    Row(
        name="builds-memory", what="memory of all processes for the row builds", wanted="at most 1000", unit="MB",
        measure=lambda rounds: [on_two_cores()[1]], slow=True,
    ),
    Row(
        name="builds-one", what="32 builds against as many times idle, curve of 43 levels and timing, processor time",
        wanted="at least 5", unit="x", measure=against_measurements,
    ),
]  # fmt: skip
