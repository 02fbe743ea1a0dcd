"""Whole files through the command line: times real time on one core and on two, and the memory of a long one."""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.signals import programme
from benchmarks.table import Row
from fetsim.audio.levels import full_scale_peak_v
from fetsim.schematic.load import load_unit

RATE_HZ = 48000
PIECE_S = 10
ROOT = Path(__file__).resolve().parents[1]


def programme_file(path: Path, minutes: float, channels: int) -> None:
    """Tones under slow envelopes, louder and quieter every ten seconds; the channels run half a second apart."""
    full_scale_v = full_scale_peak_v(load_unit("dunlin").full_scale_dbu)
    with soundfile.SoundFile(path, "w", RATE_HZ, channels, "PCM_24") as file:
        for piece in range(round(60 * minutes / PIECE_S)):
            t = piece * PIECE_S + np.arange(PIECE_S * RATE_HZ) / RATE_HZ
            level = 10.0 ** ((-6.0, 0.0, -20.0, 3.0)[piece % 4] / 20.0)
            file.write(np.column_stack([level * programme(t + 0.5 * k) / full_scale_v for k in range(channels)]))


def rendered(minutes: float, channels: int, cores: Sequence[int]) -> tuple[float, float]:
    """A render of such a file on these cores: (times real time by the clock, most memory [MB])."""
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "in.wav", Path(folder) / "out.wav"
        programme_file(source, minutes, channels)
        start = time.perf_counter()
        child = subprocess.Popen(
            [sys.executable, "-m", "fetsim", "render", source, target], env=os.environ | {"PYTHONPATH": str(ROOT)},
            preexec_fn=lambda: os.sched_setaffinity(0, cores), stdout=subprocess.DEVNULL,
        )  # fmt: skip
        _, status, used = os.wait4(child.pid, 0)
        taken_s = time.perf_counter() - start
        assert status == 0, "the render failed"
        cpu_s = used.ru_utime + used.ru_stime
        print(f"    {taken_s:.0f} s by the clock, {cpu_s:.0f} s of processor, {used.ru_maxrss / 1e3:.0f} MB")
        return 60 * minutes / taken_s, used.ru_maxrss / 1e3


def speeds(minutes: float, channels: int, cores: int, rounds: int) -> Sequence[float]:
    """Times real time; the start of the program counts, a compile does not."""
    rendered(1, channels, range(cores))  # long enough for segments, so that their solver is compiled
    return [rendered(minutes, channels, range(cores))[0] for _ in range(rounds)]


ROWS = [
    Row(
        name="mono-one-core", what="mono file of 10 min, Dunlin, standard, one core", wanted="at least 10",
        unit="x real time", measure=lambda rounds: speeds(10, 1, 1, rounds), slow=True,
    ),
    Row(
        name="mono-two-cores", what="the same on two cores", wanted="at least 18", unit="x real time",
        measure=lambda rounds: speeds(10, 1, 2, rounds), slow=True,
    ),
    Row(
        name="stereo-two-cores", what="stereo file of 3 min, two cores", wanted="at least 9", unit="x real time",
        measure=lambda rounds: speeds(3, 2, 2, rounds), slow=True,
    ),
    Row(
        name="hour-memory", what="one hour mono, memory", wanted="at most 400", unit="MB",
        measure=lambda rounds: [rendered(60, 1, range(os.cpu_count() or 1))[1]], slow=True,
    ),
]  # fmt: skip
