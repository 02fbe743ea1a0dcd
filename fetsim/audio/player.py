"""A unit as a player of sound with several channels, block by block in bounded memory.

``Playing`` is what every player has: the rig, its probes and checks. ``Player`` marches a file from its start to its
end; ``segment_player`` marches several stretches of it side by side.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from types import TracebackType
from typing import Protocol, Self, TypedDict, Unpack

import numpy as np

from fetsim.audio.arrays import MOST_CHANNELS, real_number
from fetsim.audio.channel import Block, Channel
from fetsim.audio.gain_log import GainLog
from fetsim.audio.joined import JoinedChannels
from fetsim.audio.told import ChannelAtRest
from fetsim.engine.assembly import Array
from fetsim.engine.simulation import Effort
from fetsim.errors import InputError
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.probes import find_probe
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all
from fetsim.schematic.unit import Unit

BLOCK_FRAMES = 8192
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4000.0, 768000.0
LOWEST_LOG_RATE_HZ = 1e-3
LARGEST_SEED = 2**63 - 1
LARGEST_SAMPLE = 1e30  # of full scale; single precision ends at 3e38


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


def check_seed(noise_seed: int | None) -> None:
    """Raises InputError for what is no seed."""
    if noise_seed is None:
        return
    whole = isinstance(noise_seed, int | np.integer) and not isinstance(noise_seed, bool)
    if not whole or not 0 <= noise_seed <= LARGEST_SEED:
        raise InputError(f"noise seed: must be a whole number from 0 to {LARGEST_SEED}, not {str(noise_seed)[:40]}")


class Source(Protocol):
    """Sound that a player takes in."""

    @property
    def frames(self) -> int: ...

    @property
    def anywhere(self) -> bool:
        """Whether ``at`` gives from every place the very samples of ``blocks``."""

    def blocks(self, frames: int) -> Iterator[Array]:
        """All of it in order [shape=(n, channels), 1.0 = full scale], n = ``frames`` but in the last block."""

    def at(self, first: int, frames: int) -> Array:
        """As many frames from ``first`` on [shape=(n, channels)]; fewer at the end."""


Heard = tuple[Array, Array]
"""Output [shape=(n, channels), 1.0 = full scale] and probes [V or A; shape=(n, channels, probes)]."""


def unheard(samples: object) -> None:
    """Nobody looks at it."""


class PlayerOptions(TypedDict, total=False):
    """As ``render`` has them."""

    quality: str
    cold: bool
    probes: Sequence[str]
    log_rate_hz: float
    against: Reference
    noise_seed: int | None


class Playing:
    """A unit with as many channels as the sound has, each a unit of its own with the same values; or a pair.

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
        noise_seed: int | None = None,
    ) -> None:
        check_rate(rate_hz)
        check_log_rate(log_rate_hz, rate_hz)
        check_seed(noise_seed)
        if channels > MOST_CHANNELS:
            raise InputError(f"audio: {channels} channels are more than {MOST_CHANNELS}; play some of them at a time")
        self.unit = unit
        made = [
            Rig(one, quality, rate_hz, against=reference_named(against), noise_seed=noise_seed)
            for one in unit.each_channel
        ]
        if len(made) > 1 and channels != len(made):
            plays = f"{unit.name} plays two, {' and '.join(unit.channels)}"
            raise InputError(f"audio: number of channels is {channels}; {plays}; a file of one goes into both")
        self.rigs = made if len(made) > 1 else made * channels
        """One for each channel; of a unit of one channel the same, of a joined pair one circuit listened to at each."""
        self.rig = made[0]
        found = [tuple(find_probe(rig.unit, rig.circuit, text) for text in probes) for rig in made]
        self.probes_of = found if len(made) > 1 else found * channels
        self.probes = found[0]
        self.rate_hz, self.channels, self.cold, self.log_rate_hz = rate_hz, channels, cold, log_rate_hz
        self.method = self.rig.method
        self.internal_rate_hz = self.rig.rate_hz
        self.warnings = tuple(dict.fromkeys(text for rig in made for text in rig.warnings))
        self._given, self._returned = 0, 0

    @property
    def at_rest(self) -> tuple[ChannelAtRest, ...]:
        """How each channel of a pair rests; none for a unit of one channel."""
        named = zip(self.unit.channels, self.rigs, strict=False)
        return tuple(ChannelAtRest(channel=name, idle_gain_db=rig.idle_gain_db(), rest=rig.rest) for name, rig in named)

    def channel(self, number: int, *, first_frame: int = 0) -> Channel:
        """A channel whose samples begin at a frame of the file: at rest there, or cold at the start where asked for."""
        return Channel(
            self.rigs[number], cold=self.cold and first_frame == 0, probes=self.probes_of[number],
            log_rate_hz=self.log_rate_hz, number=number, first_frame=first_frame,
        )  # fmt: skip

    def check_input(self, block: Array) -> None:
        """Raises InputError that says where the next samples hold one that is none."""
        self._check(block, "audio", self._given, "repair the file")
        self._given += len(block)

    def check_output(self, output: Array) -> None:
        """Raises InputError that says where the next samples are beyond what a file can hold."""
        self._check(output, f"{self.unit.name}: output", self._returned, "look for a gain that is far too large")
        self._returned += len(output)

    def _check(self, samples: Array, what: str, before: int, remedy: str) -> None:
        bad = ~(np.abs(samples) <= LARGEST_SAMPLE)  # NaN is not at most anything
        if bad.any():
            frame, channel = (int(k[0]) for k in np.nonzero(bad))
            where = f"{(before + frame) / self.rate_hz:.6f} s, channel {channel + 1}"
            raise InputError(f"{what}: {samples[frame, channel]:.6g} times full scale at {where}; {remedy}")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        pass


class Player(Playing):
    """Marches every channel from the start of the sound to its end."""

    splices: tuple[()] = ()

    def __init__(
        self,
        unit: Unit,
        rate_hz: float,
        channels: int,
        beside: Iterable[Mapping[str, Array]] = (),
        **options: Unpack[PlayerOptions],
    ) -> None:
        """``beside``: for every block that will be pushed, what goes to other inputs [name -> shape=(n, channels)]."""
        super().__init__(unit, rate_hz, channels, **options)
        self._beside = iter(beside)
        self._joined: JoinedChannels | None = None
        if unit.is_joined:
            self._joined = JoinedChannels(
                self.rigs, cold=self.cold, probes=self.probes_of, log_rate_hz=self.log_rate_hz
            )
            self._channels = self._joined.channels
        else:
            self._channels = [self.channel(number) for number in range(channels)]

    def play(
        self,
        source: Source,
        heard: Callable[[Array], object] = unheard,
        progress: Callable[[int], object] = unheard,
    ) -> Iterator[Heard]:
        """All of ``source``, block by block. ``heard`` gets every block of the input once, in order, ``progress`` the
        frames done so far."""
        read = 0
        for block in source.blocks(BLOCK_FRAMES):
            read += len(block)
            heard(block)
            yield self.push(block, last=read >= source.frames)
            progress(read)

    def push(self, block: Array, *, last: bool = False) -> Heard:
        """Play a block [shape=(n, channels)].

        Blocks come out delayed while the rate conversion fills; after the ``last`` one all frames are out.
        """
        given = self._given
        self.check_input(block)
        beside = next(self._beside, {})
        for name, samples in beside.items():
            self._check(samples, f"input {name}", given, "repair the file")
        push = self._push_each if self._joined is None else self._joined.push
        done = push(block, beside=beside, last=last)
        output = np.column_stack([b.output for b in done])
        self.check_output(output)
        return output, np.stack([b.probes for b in done], axis=1)

    def _push_each(self, block: Array, *, beside: Mapping[str, Array], last: bool) -> list[Block]:
        others = ({name: one[:, k] for name, one in beside.items()} for k in range(self.channels))
        parts = dict(enumerate(zip(self._channels, block.T, others, strict=True)))

        def push(part: tuple[Channel, Array, Mapping[str, Array]], _told: Progress) -> Block:
            channel, samples, along = part
            return channel.push(samples, beside=along, last=last)

        return list(run_all(parts, push).values())

    @property
    def logs(self) -> tuple[GainLog, ...]:
        """One log for each channel."""
        return tuple(channel.log for channel in self._channels)

    @property
    def efforts(self) -> tuple[Effort, ...]:
        """What the solver did, for each channel; for a joined pair once."""
        return tuple(channel.effort for channel in (self._channels if self._joined is None else self._channels[:1]))
