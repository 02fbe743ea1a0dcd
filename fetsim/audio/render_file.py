"""A sound file through a unit, in bounded memory, onto disk: the output, its log and its probes."""

import re
import shutil
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fetsim.audio.arrays import names_of
from fetsim.audio.beside import feeds_of, from_files
from fetsim.audio.files import CONTAINERS, AudioReader, AudioWriter, Container, container_for
from fetsim.audio.full_scale import Fit, Peak, PeakFinder, fit
from fetsim.audio.gain_log import Splice, write_csv, write_npz
from fetsim.audio.loudness import LoudnessMeter, integrated_lufs
from fetsim.audio.player import BLOCK_FRAMES, Player, check_log_rate, check_rate
from fetsim.audio.probe_files import check_probe_file, write_probes
from fetsim.audio.segment_player import SegmentPlayer, begun, player_for
from fetsim.audio.spool import BYTES, Spool
from fetsim.audio.told import Told
from fetsim.engine.simulation import Effort
from fetsim.errors import InputError
from fetsim.files.whole_files import Outputs, writing
from fetsim.rig.gain_cell import CellAtRest, Reference
from fetsim.rig.provenance import provenance
from fetsim.rig.rig import compile_notice
from fetsim.schematic.load import DEFAULT_UNIT, given_unit
from fetsim.schematic.unit import Unit

LOG_WRITERS = {".csv": write_csv, ".npz": write_npz}
MOST_LOG_ROWS = 20_000_000  # over all channels; 1.8 GB in memory
LARGEST_GAIN_DB = 120.0


@dataclass(frozen=True, kw_only=True)
class FileRendering(Told):
    """What a render did and where it is."""

    path_in: Path
    inputs: tuple[tuple[str, str], ...]
    """Each input of the unit beside the program's, and what fed it, in words; empty where it was silent."""
    files: tuple[Path, ...]
    """All that were written; the output first."""
    rate_hz: int
    channels: int
    alike: bool
    """Whether a file of one channel went into both of a pair."""
    duration_s: float
    bits_wanted: str
    fit: Fit
    """How the output is coded: other bits than wanted, or a gain, where that was needed to clip nothing."""
    gain_db: float
    """Gain asked for between the unit's output and the file."""
    peak: Peak
    """Of the output after that gain."""
    loudness_in_lufs: float | None
    """Integrated loudness (ITU-R BS.1770) of the input file; None where none can be told: under 0.4 s, below the gate
    of -70 LUFS, or more than five channels."""
    loudness_out_lufs: float | None
    """The same of the output file."""
    probe_text: str
    """What the numbers in the probe file mean; empty without one."""
    efforts: tuple[Effort, ...]
    unit: Unit
    noise_seed: int | None
    """Of the noise of the unit's parts; None where it was left out."""
    changes: tuple[tuple[str, str, str], ...]
    """(name, before, after) of what differs from the unit as it was loaded."""
    quality: str
    method: str
    internal_rate_hz: float
    idle_gain_db: float
    """From the source to the output at rest, 1 kHz; of a pair the left channel's."""
    rest: CellAtRest | None
    """How the FET stands at rest; None for a unit without a gain cell; of a pair the left channel's."""
    splices: tuple[Splice, ...]
    """Where the segments of a long file hang together; none for one marched in one piece."""
    warnings: tuple[str, ...]
    elapsed_s: float
    """From the first block read to the last one written."""

    @property
    def times_real_time(self) -> float:
        return self.duration_s / self.elapsed_s


def default_output(path_in: Path, unit: Unit) -> Path:
    """Where a render goes unless told: in the current folder, under the input's stem and the unit's name.

    The suffix is the input's where such files are written, else ``.flac``.
    """
    slug = re.sub(r"[^a-z0-9]+", "-", unit.name.lower()).strip("-") or "unit"
    suffix = path_in.suffix if path_in.suffix.lower() in CONTAINERS else ".flac"
    return Path(f"{path_in.stem}-{slug}{suffix}")


def render_file(
    path_in: str | Path,
    path_out: str | Path,
    *,
    unit: Unit | str | Path = DEFAULT_UNIT,
    quality: str = "standard",
    cold: bool = False,
    bits: str | None = None,
    gain_db: float = 0.0,
    log_to: str | Path | None = None,
    log_rate_hz: float = 200.0,
    against: Reference = "idle",
    inputs: Mapping[str, str | Path] | None = None,
    noise_seed: int | None = None,
    segments: bool = True,
    probes: Iterable[str] = (),
    probes_to: str | Path | None = None,
    more: Mapping[Path, Callable[[FileRendering, Path], None]] | None = None,
    overwrite: bool = False,
    progress: Callable[[float, float], None] | None = None,
    notice: Callable[[str], None] | None = None,
) -> FileRendering:
    """Play a sound file through a unit, each channel through one of its own, and write what comes out.

    Rate and channels stay. ``bits`` is ``"16"``, ``"24"`` or ``"float"``; without it the input's, and samples
    above full scale turn integers into float where the format of ``path_out`` has float. Where it has not, or
    ``bits`` insists, the whole output is lowered by the least multiple of 0.1 dB that fits, after
    ``gain_db``. ``log_to`` is a ``.csv`` or ``.npz`` file, ``probes_to`` a ``.wav`` (1.0 = 10 V or 10 mA) or
    ``.npz``; ``more`` are further files and the functions that write them from the result, to a temporary
    path. ``inputs`` names the files that feed other inputs than the program's: ``"key.wav"`` or, for its second channel
    alone, ``"key.wav:2"``; of the same rate and length, and of one channel or as many. ``noise_seed`` is that of
    ``render``. A file of a minute or more is marched in segments side by side that are spliced where they differ by
    less than -140 dB; with ``segments=False`` or other ``inputs`` it is marched in one piece, which takes 1.5 times as
    long or more. ``progress`` is called with the seconds done and in all, ``notice`` with a sentence before something
    slow. Raises InputError, UnitError or ConvergenceError, and then leaves no file.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> soundfile.write("in.wav", 0.1 * np.ones(4800), 48000)
    >>> done = fetsim.render_file("in.wav", "out.wav", unit="teaching", quality="draft")
    >>> soundfile.info("out.wav").frames
    4800
    """
    source, target, names = Path(path_in), Path(path_out), names_of(probes, "probes")
    probe_target = Path(probes_to) if probes_to is not None else None
    container = container_for(target)
    _check_options(target, container, bits, gain_db, names, probe_target)
    writers = dict(more or {})
    if log_to is not None:
        writers[Path(log_to)] = _log_writer(Path(log_to))
    loaded = given_unit(unit)
    feeds = feeds_of({} if inputs is None else inputs, loaded)
    read = (source, *loaded.files, *(feed.path for feed in feeds.values()))
    with Outputs(overwrite=overwrite, inputs=read) as outputs, _reader(source, loaded) as reader, ExitStack() as opened:
        readers = {name: opened.enter_context(AudioReader(feed.path)) for name, feed in feeds.items()}
        beside = from_files(feeds, readers, reader, BLOCK_FRAMES) if feeds else None
        columns = reader.channels * (1 + len(names))
        path = outputs.stage(target)
        probe_path = outputs.stage(probe_target) if probe_target is not None else None
        staged = [(one, outputs.stage(one), write) for one, write in writers.items()]
        parts = len(begun(loaded, reader.frames, reader.rate_hz, reader.channels, segments=segments and not feeds))
        _check_amounts(reader, target, columns, log_rate_hz, copies=1 if parts == 1 else 2)
        endless = [suffix for suffix, one in CONTAINERS.items() if one.largest_bytes is None]
        _check_length(reader.frames * reader.channels, target, endless)
        if probe_target is not None:
            _check_length(reader.frames * reader.channels * len(names), probe_target, [".npz"])
        told = "" if notice is None else compile_notice(
            loaded, side_by_side=parts > 1, noisy=noise_seed is not None
        )
        if notice is not None and told:
            notice(told)
        with (
            player_for(
                loaded, reader.rate_hz, reader.channels, reader.frames,
                lambda columns, kind: Spool(target.parent, columns, kind), segments=segments, beside=beside,
                quality=quality, cold=cold, probes=names, log_rate_hz=log_rate_hz, against=against,
                noise_seed=noise_seed,
            ) as player,
            Spool(target.parent, columns) as spool,
        ):  # fmt: skip
            began = time.perf_counter()
            heard_in, heard_out = (LoudnessMeter(reader.rate_hz, reader.channels) for _ in range(2))
            peak = _play(reader, player, spool, gain_db, heard_in, heard_out, progress)
            wanted = bits or (reader.bits if reader.bits in container.bits else container.bits[-1])
            fitted = fit(peak, container, wanted, insisted=bits is not None)
            comment = _comment(loaded, quality, gain_db + fitted.gain_db, noise_seed)
            gain = 10.0 ** (fitted.gain_db / 20.0)
            with AudioWriter(
                path, target, reader.rate_hz, reader.channels, fitted.bits, reader.tags | {"comment": comment}
            ) as writer:
                for block in spool.blocks(slice(reader.channels)):
                    writer.write(block * gain)
            probe_text = ""
            if probe_target is not None and probe_path is not None:
                with writing(probe_target):
                    probe_text = write_probes(
                        spool, player.probes, reader.rate_hz, reader.channels, probe_path, probe_target
                    )
        elapsed_s = time.perf_counter() - began
        rendering = FileRendering(
            provenance=provenance(player.rig),
            path_in=source,
            inputs=tuple((name, str(feeds.get(name, ""))) for name in loaded.other_inputs),
            files=outputs.paths,
            rate_hz=reader.rate_hz,
            channels=reader.channels,
            alike=reader.is_spread,
            duration_s=reader.frames / reader.rate_hz,
            bits_wanted=wanted,
            fit=fitted,
            gain_db=gain_db,
            peak=peak,
            loudness_in_lufs=integrated_lufs(heard_in.finish()),
            loudness_out_lufs=integrated_lufs(heard_out.finish() + fitted.gain_db),
            logs=player.logs,
            probe_text=probe_text,
            efforts=player.efforts,
            unit=loaded,
            noise_seed=noise_seed,
            changes=loaded.changes,
            quality=quality,
            method=player.method,
            rest=player.rig.rest,
            at_rest=player.at_rest,
            idle_gain_db=player.rig.idle_gain_db(),
            internal_rate_hz=player.internal_rate_hz,
            splices=player.splices,
            warnings=(*filter(None, (one.warning for one in (reader, *readers.values()))), *player.warnings),
            elapsed_s=elapsed_s,
        )
        for one, at, write in staged:
            with writing(one):
                write(rendering, at)
    return rendering


def _reader(path: Path, unit: Unit) -> AudioReader:
    """The file, one channel of which goes into both of a pair."""
    return AudioReader(path, alike=max(1, len(unit.channels)))


def _play(
    reader: AudioReader,
    player: Player | SegmentPlayer,
    spool: Spool,
    gain_db: float,
    heard_in: LoudnessMeter,
    heard_out: LoudnessMeter,
    progress: Callable[[float, float], None] | None,
) -> Peak:
    """All of the input through the unit, into the spool: output, then probes channel by channel."""
    finder, gain = PeakFinder(reader.rate_hz), 10.0 ** (gain_db / 20.0)

    def told(done: int) -> None:
        if progress is not None:
            progress(done / reader.rate_hz, reader.frames / reader.rate_hz)

    for output, probed in player.play(reader, heard_in.push, told):
        output *= gain
        finder.push(output)
        heard_out.push(output)
        spool.write(np.concatenate((output, probed.reshape(len(output), -1)), axis=1))
    return finder.result()


def _check_options(
    target: Path,
    container: Container,
    bits: str | None,
    gain_db: float,
    probes: Sequence[str],
    probes_to: Path | None,
) -> None:
    if bits is not None and bits not in container.bits:
        choices = ", ".join(container.bits)
        raise InputError(f"bits: {target.suffix} files have no {bits[:20]!r}; choose from {choices}")
    if not abs(gain_db) <= LARGEST_GAIN_DB:
        limits = f"-{LARGEST_GAIN_DB:g} and {LARGEST_GAIN_DB:g} dB"
        raise InputError(f"gain: {gain_db:g} dB is not between {limits}")
    if bool(probes) != (probes_to is not None):
        missing = "a file for the probes (.wav or .npz)" if probes else "the names of probes to write"
        raise InputError(f"probes: {missing} must be given too")
    if probes_to is not None:
        check_probe_file(probes_to)


def _log_writer(path: Path) -> Callable[[FileRendering, Path], None]:
    write = LOG_WRITERS.get(path.suffix.lower())
    if write is None:
        raise InputError(f"{path}: the log goes to a {' or '.join(LOG_WRITERS)} file")
    return lambda rendering, at: write(rendering.logs, at, rendering.splices, rendering.noise_seed)


def _check_length(numbers: int, target: Path, endless: Sequence[str]) -> None:
    suffix = target.suffix.lower()
    if suffix not in endless and numbers * BYTES > (container_for(target).largest_bytes or np.inf):
        raise InputError(f"{target}: too long for {suffix} files; choose a suffix from {' '.join(endless)}")


def _check_amounts(reader: AudioReader, target: Path, columns: int, log_rate_hz: float, copies: int) -> None:
    """Refuse what would fail hours later: rate, log and disk."""
    check_rate(reader.rate_hz, str(reader.path))
    check_log_rate(log_rate_hz, reader.rate_hz)
    if reader.frames / reader.rate_hz * log_rate_hz * reader.channels > MOST_LOG_ROWS:
        raise InputError(f"log rate: {log_rate_hz:g} Hz makes over {MOST_LOG_ROWS} rows; choose a lower one")
    need, room = reader.frames * columns * copies * BYTES, shutil.disk_usage(target.parent).free
    if need > room:
        raise InputError(f"{target}: needs at least {need / 1e6:.3g} MB of disk, {room / 1e6:.3g} MB are free")


def _comment(unit: Unit, quality: str, gain_db: float, noise_seed: int | None) -> str:
    changed = "".join(f", {name} {after}" for name, _, after in unit.changes)
    trimmed = f", gain {gain_db:+.1f} dB" if gain_db else ""
    noisy = "" if noise_seed is None else f", noise of seed {noise_seed}"
    return f"{unit.name}{changed}, {quality} quality{noisy}, 0 dBFS = {unit.full_scale_dbu:+g} dBu{trimmed}"
