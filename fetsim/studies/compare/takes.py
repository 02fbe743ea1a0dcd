"""One version played once: its output as single-precision samples on disk, its log, its levels.

Kept in the cache under everything it depends on: the circuit (every value of every element, so another name or
comment changes nothing), the level of full scale, the sound file's contents, the quality, and the program.
Single precision keeps 24 bits: two plays of one circuit agree to the last of them.
"""

import hashlib
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.lib import format as npy

from fetsim.audio.files import AudioReader
from fetsim.audio.gain_log import GainLog, write_npz
from fetsim.audio.loudness import ProgrammeLevels, measure_levels
from fetsim.audio.player import BLOCK_FRAMES, Player, check_seed
from fetsim.errors import InputError
from fetsim.files.npz import ArchiveWriter
from fetsim.files.user_cache import UserCache
from fetsim.measurements.traces.checks import Samples
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit
from fetsim.studies.cache import PLAYS, key_of

Progress = Callable[[float], None]

_SAMPLES, _LOGS, _LEVELS, _WARNING = "samples.npy", "logs.npz", "levels.npz", "warning.txt"


@dataclass(frozen=True)
class Programme:
    """The sound file that all versions play, and whether their parts make noise meanwhile."""

    path: Path
    digest: str
    """Of its contents."""
    rate_hz: int
    channels: int
    frames: int
    noise_seed: int | None = None
    """Of the parts' noise, the same for all versions; None: they have none."""


@dataclass(frozen=True)
class Take:
    """One version as played."""

    samples: Samples
    """Output [shape=(frames, channels), single precision, on disk; 1.0 = full scale]."""
    logs: tuple[GainLog, ...]
    levels: ProgrammeLevels
    warning: str
    """What the solver had to do differently; mostly empty."""


def open_programme(path: Path, noise_seed: int | None = None, alike: int = 1) -> Programme:
    """Look at a sound file, one channel of which is played as so many ``alike``. Raises InputError when it cannot be
    read, or for what is no seed."""
    check_seed(noise_seed)
    with AudioReader(path, alike=alike) as reader, path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return Programme(path, digest, reader.rate_hz, reader.channels, reader.frames, noise_seed)


def circuit_key(unit: Unit) -> str:
    """A hash of all that the engine gets to know of a unit: equal for units that cannot sound different."""
    key = "thermal_resistance"
    warming = {name: part.values[key] for name, part in unit.parts.items() if key in part.values}
    return key_of(build_circuit(unit), warming, unit.full_scale_dbu, unit.output.nodes, unit.gain_cell, source=PLAYS)


def take_key(unit: Unit, programme: Programme, quality: str) -> str:
    """Where the cache keeps this take."""
    noise = () if programme.noise_seed is None else (programme.noise_seed, unit.temperature_c)
    return key_of("take", circuit_key(unit), programme.digest, quality, *noise, source=PLAYS)


def take(cache: UserCache, unit: Unit, programme: Programme, quality: str, progress: Progress) -> Take:
    """Play the programme through the unit, or fetch it from the cache. Raises ConvergenceError or InputError."""
    key = take_key(unit, programme, quality)
    for _ in range(2):
        folder = cache.find(key)
        if folder is None:
            with cache.filling(key) as work:
                _play(unit, programme, quality, work, progress)
            folder = cache.find(key)
        progress(1.0)
        try:
            if folder is None:
                raise FileNotFoundError  # another program needed the room
            return _fetch(folder)
        except Exception:  # whatever a damaged file may lead to
            cache.drop(key)
    raise InputError(f"{programme.path}: its render vanishes from the cache as soon as it is made; start again")


def _play(unit: Unit, programme: Programme, quality: str, folder: Path, progress: Progress) -> None:
    shape = (programme.frames, programme.channels)
    header = {"descr": npy.dtype_to_descr(np.dtype(np.float32)), "fortran_order": False, "shape": shape}
    with (
        AudioReader(programme.path, alike=programme.channels) as reader,
        Player(
            unit, reader.rate_hz, reader.channels, quality=quality, noise_seed=programme.noise_seed
        ) as player,
    ):
        # plain writes: on a full disk they fail with an error, a mapped file with a bus error
        with (folder / _SAMPLES).open("wb") as file:
            npy.write_array_header_1_0(file, header)
            read = 0
            for block in reader.blocks(BLOCK_FRAMES):
                read += len(block)
                output, _ = player.push(block, last=read >= reader.frames)
                file.write(np.ascontiguousarray(output, dtype=np.float32).data)
                progress(read / reader.frames)
        levels = measure_levels(np.load(folder / _SAMPLES, mmap_mode="r"), reader.rate_hz)
        with ArchiveWriter(folder / _LEVELS) as archive:
            for name, value in asdict(levels).items():
                archive.add_whole(name, value)
        write_npz(player.logs, folder / _LOGS)
        (folder / _WARNING).write_text("; ".join(player.warnings), "utf-8")


def _fetch(folder: Path) -> Take:
    with np.load(folder / _LEVELS) as table:
        blocks = table["block_lufs"]
        levels = ProgrammeLevels(blocks, *(float(table[name]) for name in ("mean_square", "peak", "true_peak")))
    samples = np.load(folder / _SAMPLES, mmap_mode="r")
    with np.load(folder / _LOGS) as table:
        time_s, columns = table["time_s"], {name: table[name] for name in table.files if name != "time_s"}
    logs = tuple(
        GainLog(time_s=time_s, **{name: values[channel] for name, values in columns.items()})
        for channel in range(samples.shape[1])
    )
    return Take(samples, logs, levels, (folder / _WARNING).read_text("utf-8"))
