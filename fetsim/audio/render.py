"""Audio through a unit, from arrays to arrays. Files are ``render_file``'s business, which uses the same player."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from fetsim.audio.arrays import MOST_CHANNELS, audio_frames, names_of, real_number
from fetsim.audio.beside import check_inputs, from_arrays
from fetsim.audio.channel import Block, Channel
from fetsim.audio.gain_log import GainLog
from fetsim.audio.told import Told
from fetsim.engine.assembly import Array
from fetsim.engine.simulation import Effort
from fetsim.errors import InputError
from fetsim.rig.gain_cell import CellAtRest, Reference, reference_named
from fetsim.rig.probes import find_probe
from fetsim.rig.provenance import provenance
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all
from fetsim.schematic.load import DEFAULT_UNIT, given_unit
from fetsim.schematic.unit import Unit

BLOCK_FRAMES = 8192
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4000.0, 768000.0
LOWEST_LOG_RATE_HZ = 1e-3
LARGEST_SAMPLE = 1e30  # of full scale; single precision ends at 3e38


@dataclass(frozen=True, kw_only=True)
class Rendering(Told):
    """Audio as the unit played it, and what it did meanwhile."""

    output: Array
    """Shape of the input: (frames,) or (frames, channels); 1.0 is digital full scale."""
    rate_hz: float
    probes: dict[str, Array]
    """Name as asked for -> volts or amperes, of the same shape as the output."""
    efforts: tuple[Effort, ...]
    unit: Unit
    quality: str
    method: str
    internal_rate_hz: float
    idle_gain_db: float
    """From the source to the output at rest, 1 kHz."""
    rest: CellAtRest | None
    """How the FET stands at rest; None for a unit without a gain cell."""
    warnings: tuple[str, ...]
    """What should be known before the sound is believed: a FET that conducts at rest, an unstable unit ..."""


def render(
    audio: ArrayLike,
    rate_hz: float,
    *,
    unit: Unit | str | Path = DEFAULT_UNIT,
    quality: str = "standard",
    cold: bool = False,
    probes: Iterable[str] = (),
    log_rate_hz: float = 200.0,
    against: Reference = "idle",
    inputs: Mapping[str, ArrayLike] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Rendering:
    """Play ``audio`` [shape=(frames,) or (frames, channels), 1.0 = full scale] through a unit.

    Every channel goes through a unit of its own. ``cold`` starts with everything discharged instead of at the settled
    bias point; ``probes`` names nodes (``"ctl"``) or part currents (``"R2.current"``) to record; ``against``: what gain
    reduction in the log is counted from, the unit at rest or (``"open"``) the FET taken out; ``inputs`` feeds inputs
    of the unit beside the program's, by name, with as many frames [shape=(frames,), or that of ``audio``]; those that
    are left out are silent. ``progress`` is called with the fraction done. Raises InputError, UnitError or
    ConvergenceError.

    >>> import fetsim
    >>> import numpy as np
    >>> tone = 0.1 * np.sin(2.0 * np.pi * 1000.0 * np.arange(4800) / 48000.0)
    >>> fetsim.render(tone, 48000, unit="teaching", quality="draft").output.shape
    (4800,)
    """
    frames, shape = audio_frames(audio)
    names, loaded = names_of(probes, "probes"), given_unit(unit)
    check_inputs(inputs or {}, loaded)
    with Player(
        loaded, rate_hz, frames.shape[1], quality=quality, cold=cold, probes=names, log_rate_hz=log_rate_hz,
        against=against, beside=from_arrays(inputs or {}, frames.shape, BLOCK_FRAMES),
    ) as player:  # fmt: skip
        outputs, probed = [], []
        for start in range(0, len(frames), BLOCK_FRAMES):
            end = start + BLOCK_FRAMES
            output, probe = player.push(frames[start:end], last=end >= len(frames))
            outputs.append(output)
            probed.append(probe)
            if progress is not None:
                progress(min(end / len(frames), 1.0))
        table = np.concatenate(probed)
        return Rendering(
            provenance=provenance(player.rig),
            output=np.concatenate(outputs).reshape(shape),
            rate_hz=float(rate_hz),
            probes={name: table[:, :, k].reshape(shape) for k, name in enumerate(names)},
            logs=player.logs,
            efforts=player.efforts,
            unit=player.unit,
            quality=quality,
            method=player.method,
            idle_gain_db=player.rig.idle_gain_db(),
            rest=player.rig.rest,
            internal_rate_hz=player.internal_rate_hz,
            warnings=player.warnings,
        )


def check_rate(rate_hz: float, what: str = "audio") -> None:
    """Raises InputError when ``what`` has a sample rate that no unit is played at."""
    if not LOWEST_RATE_HZ <= real_number(rate_hz, f"{what}: sample rate") <= HIGHEST_RATE_HZ:
        limits = f"{LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz"
        raise InputError(f"{what}: a sample rate of {rate_hz:g} Hz is outside {limits}; resample first")


def check_log_rate(log_rate_hz: float, rate_hz: float) -> None:
    """Raises InputError when there cannot be that many log rows a second."""
    if not LOWEST_LOG_RATE_HZ <= real_number(log_rate_hz, "log rate") <= rate_hz:
        limits = f"{LOWEST_LOG_RATE_HZ:g} Hz and the sample rate, {rate_hz:g} Hz"
        raise InputError(f"log rate: {log_rate_hz:g} Hz is not between {limits}")


class Player:
    """Several channels side by side, each a unit of its own with the same values.

    Use as a context manager.
    """

    def __init__(
        self,
        unit: Unit,
        rate_hz: float,
        channels: int,
        *,
        quality: str = "standard",
        cold: bool = False,
        probes: Sequence[str] = (),
        log_rate_hz: float = 200.0,
        against: Reference = "idle",
        beside: Iterable[Mapping[str, Array]] = (),
    ) -> None:
        """``beside``: for every block that will be pushed, what goes to other inputs [name -> shape=(n, channels)]."""
        check_rate(rate_hz)
        check_log_rate(log_rate_hz, rate_hz)
        if channels > MOST_CHANNELS:
            raise InputError(f"audio: {channels} channels are more than {MOST_CHANNELS}; play some of them at a time")
        self.unit = unit
        self.rig = Rig(unit, quality, rate_hz, against=reference_named(against))
        self.probes = tuple(find_probe(unit, self.rig.circuit, text) for text in probes)
        self._channels = [
            Channel(self.rig, cold=cold, probes=self.probes, log_rate_hz=log_rate_hz, number=number)
            for number in range(channels)
        ]
        self._beside = iter(beside)
        self._rate_hz = rate_hz
        self._given, self._returned = 0, 0
        self.method = self.rig.method
        self.internal_rate_hz = self.rig.rate_hz
        self.warnings = self.rig.warnings

    def push(self, block: Array, *, last: bool = False) -> tuple[Array, Array]:
        """Play a block [shape=(n, channels)]: output [shape=(m, channels)] and probes [shape=(m, channels, probes)].

        Blocks come out delayed while the rate conversion fills; after the ``last`` one all frames are out.
        """
        self._check(block, "audio", self._given, "repair the file")
        beside = next(self._beside, {})
        for name, samples in beside.items():
            self._check(samples, f"input {name}", self._given, "repair the file")
        self._given += len(block)
        others = ({name: one[:, k] for name, one in beside.items()} for k in range(len(self._channels)))
        parts = dict(enumerate(zip(self._channels, block.T, others, strict=True)))

        def push(part: tuple[Channel, Array, Mapping[str, Array]], _told: Progress) -> Block:
            channel, samples, along = part
            return channel.push(samples, beside=along, last=last)

        done = run_all(parts, push).values()
        output = np.column_stack([b.output for b in done])
        self._check(output, f"{self.unit.name}: output", self._returned, "look for a gain that is far too large")
        self._returned += len(output)
        return output, np.stack([b.probes for b in done], axis=1)

    def _check(self, samples: Array, what: str, before: int, remedy: str) -> None:
        """Raises InputError that says where a sample is none, or beyond what a file can hold."""
        bad = ~(np.abs(samples) <= LARGEST_SAMPLE)  # NaN is not at most anything
        if bad.any():
            frame, channel = (int(k[0]) for k in np.nonzero(bad))
            where = f"{(before + frame) / self._rate_hz:.6f} s, channel {channel + 1}"
            raise InputError(f"{what}: {samples[frame, channel]:.6g} times full scale at {where}; {remedy}")

    @property
    def logs(self) -> tuple[GainLog, ...]:
        """One log for each channel."""
        return tuple(channel.log for channel in self._channels)

    @property
    def efforts(self) -> tuple[Effort, ...]:
        """What the solver did, for each channel."""
        return tuple(channel.effort for channel in self._channels)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        pass
