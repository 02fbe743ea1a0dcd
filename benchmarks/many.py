"""What has many runs, here and in another checkout of this program, in turns. Run: python benchmarks/many.py CHECKOUT

A curve of three subsets at 61 levels, a grid of 5 x 5 timings with 8 phases, a comparison of four versions of a stereo
file of 60 s; in processes of their own, warm (solvers compiled before), everything computed. Prints seconds and
processor time, least and median, and their ratios within each round. Here it is the Dunlin without hysteresis, as
before lanes; its transformers have cores by now, with which the same is a row of its own. Standard took 240,000 steps
a second then and takes 288,000 now.
"""

import argparse
import io
import json
import os
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np

sys.path.append(str(Path(__file__).resolve().parents[1]))  # the last: the checkout to be timed comes first

from benchmarks.table import Row

HERE = Path(__file__).resolve().parents[1]
PLAIN_IRON, IRON = str(HERE / "tests" / "measurements" / "plain_iron.toml"), "dunlin"
"""The Dunlin without hysteresis, which is what the commit before lanes has as ``dunlin``, and today's."""
POSITIONS = (0.0, 0.25, 0.5, 0.75, 1.0)
LEVELS_DBU = np.linspace(-36.0, 24.0, 61)
JOBS = {
    "curve": "61-level curve of three subsets", "grid": "5 x 5 timing grid with 8 phases",
    "compare": "compare of 4 versions of a 60 s stereo file",
}  # fmt: skip
BEFORE = "94072a8"
VERSIONS = {"timing cap": {"C16": "330n"}, "weaker FET": {"J1.i_dss": "12mA"}, "firm curve": {"curve": "S3"}}
FILE_S, RATE_HZ = 60, 48000


def curve(unit: str) -> None:
    import fetsim

    fetsim.measure_curve(fetsim.load_unit(unit), switches=["S1", "S2", "S3"], levels_dbu=LEVELS_DBU)


def grid(unit: str) -> None:
    import fetsim

    fetsim.measure_timing(fetsim.load_unit(unit), vary={"attack": POSITIONS, "release": POSITIONS})


def compare(unit: str, folder: Path) -> None:
    import soundfile

    import fetsim
    from fetsim.files.user_cache import UserCache

    t = np.arange(FILE_S * RATE_HZ) / RATE_HZ
    tones = [0.3 * np.sin(2 * np.pi * f * t) * (1 + 0.9 * np.sin(2 * np.pi * f / 110 * t)) for f in (220, 330)]
    soundfile.write(folder / "in.wav", np.column_stack(tones), RATE_HZ, subtype="FLOAT")
    (folder / "cache").mkdir()
    fetsim.compare(
        folder / "in.wav", VERSIONS, unit=unit, folder=folder / "out", cache=UserCache(folder / "cache", 10**10)
    )


def _compile(unit: str) -> None:
    """What there is of solvers, for one circuit and for several."""
    import fetsim

    fetsim.render(np.zeros(8), RATE_HZ, unit=unit)
    try:
        from fetsim.engine.together import march_together
    except ImportError:
        return  # before lanes
    from fetsim.rig.rig import Rig

    march_together([Rig(fetsim.load_unit(unit)).simulation(["lo"])], [np.zeros(4)])


def timed(name: str, unit: str, cores: int) -> None:
    """In a process of its own: seconds and processor seconds."""
    os.cpu_count = lambda: cores
    _compile(unit)
    with tempfile.TemporaryDirectory() as folder:
        jobs: dict[str, Callable[[str], None]] = {
            "curve": curve, "grid": grid, "compare": lambda unit: compare(unit, Path(folder))
        }  # fmt: skip
        wall, cpu = time.perf_counter(), time.process_time()
        jobs[name](unit)
        print(json.dumps([time.perf_counter() - wall, time.process_time() - cpu]))


def in_turns(
    name: str, checkout: Path, rounds: int, cores: int, unit: str = PLAIN_IRON
) -> tuple[list[list[float]], list[list[float]]]:
    """Seconds and processor seconds of every round, in the other checkout and here with this unit."""
    taken: dict[Path, list[list[float]]] = {checkout.resolve(): [], HERE: []}
    for _ in range(rounds):
        for place, found in taken.items():
            job = (name, unit if place == HERE else IRON, cores)
            call = f"from runpy import run_path; run_path({str(Path(__file__).resolve())!r})['timed']"
            done = subprocess.run(
                [sys.executable, "-c", f"{call}{job!r}"], env={**os.environ, "PYTHONPATH": str(place)},
                cwd=place, check=True, stdout=subprocess.PIPE,
            )  # fmt: skip
            found.append(json.loads(done.stdout.splitlines()[-1]))
    before, now = taken.values()
    return before, now


def against_before(name: str, unit: str, rounds: int) -> Sequence[float]:
    """How many times less processor time it takes than at the last commit that knew no lanes."""
    with tempfile.TemporaryDirectory() as folder:
        files = subprocess.run(["git", "archive", BEFORE], cwd=HERE, check=True, stdout=subprocess.PIPE).stdout
        with tarfile.open(fileobj=io.BytesIO(files)) as archive:
            archive.extractall(folder, filter="data")
        before, now = in_turns(name, Path(folder), rounds, os.cpu_count() or 1, unit)
    return [there[1] / here[1] for there, here in zip(before, now, strict=True)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("checkout", type=Path)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", choices=JOBS, action="append")
    parser.add_argument("--cores", type=int, default=os.cpu_count())
    given = parser.parse_args()
    print(f"{given.cores} cores, load {os.getloadavg()[0]:.1f}")
    for name in given.only or JOBS:
        before, now = in_turns(name, given.checkout, given.rounds, given.cores)
        for what, k in (("seconds", 0), ("of processor", 1)):
            old, new = [one[k] for one in before], [one[k] for one in now]
            ratios = [a / b for a, b in zip(old, new, strict=True)]
            print(
                f"{name:8} {what:12} there {min(old):6.1f} / {median(old):6.1f} (least / median), here "
                f"{min(new):6.1f} / {median(new):6.1f}; {min(ratios):.2f} / {median(ratios):.2f} times", flush=True,
            )  # fmt: skip


ROWS = [
    row
    for name, what in JOBS.items()
    for row in (
        Row(
            name=name, wanted="at least 3.0", measure=partial(against_before, name, PLAIN_IRON), slow=True,
            what=f"{what}, Dunlin without hysteresis as it was then, against commit {BEFORE}, processor time",
        ),
        Row(
            name=f"{name}-iron", what="the same, with the hysteresis that it has by now", wanted="at least 3.0",
            measure=partial(against_before, name, IRON), slow=True,
        ),
    )
]  # fmt: skip


if __name__ == "__main__":
    main()
