"""Where one segment of a file takes over from the one before it, and how nearly both said the same there.

The earlier one goes on past the cut until both agree over a whole chunk: output, probes and gain reduction to -140 dB
of their level there, and every unknown of the circuit to 1e-7 of the range it has gone through, since what is still
apart inside could be heard later. The difference falls on by itself from there on: the circuit forgets it.

But a core does not forget by itself. A stop that is apart moves the flux by as much, and no more is heard of it until a
swing moves it; then that jump is: a stop that was apart by 1e-5 of y_c left -139 dB of the level there, one by 2e-1
-52 dB (Dunlin, music at -1 dBFS, the worst of thirty seconds), and one by some 5e-6 -137 dB of the pause behind a
stroke. So they are to agree to 1e-7 of the range of all, some 2e-6 of y_c.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from fetsim.audio.gain_log import REDUCTION_PEAK, REDUCTION_SUM, STEPS, Splice
from fetsim.audio.levels import FLOOR_DB
from fetsim.audio.segments import CHUNK_FRAMES, Segment
from fetsim.engine.assembly import Array

AGREED_DB = -140.0
LEAST_LEVEL = 1e-3
"""A quieter output or probe counts as this, -60 dB of what its file calls 1.0: silence agrees at -200 dB."""
AHEAD_S = 1.0
"""The level is the lowest of this chunk and of those that come within a second: a pause after a loud stretch comes
faster than what is apart falls."""
STATE_SHARE = 1e-7
"""Of the range of an unknown."""
MEMORY_SHARE = 1e-7
"""Of the range of all numbers that the devices of a channel remember."""
STATE_ROUNDING = 1e-12
"""Of the largest unknown: what is nearer is the same."""


@dataclass(frozen=True, eq=False)
class Agreement:
    """A segment may hand over to ``later`` at the end of ``chunk``."""

    later: Segment
    chunk: int
    residual_db: float


def agreement(earlier: Segment, later: Segment, chunk: int, end: int, scales: Array) -> Agreement | None:
    """Whether both say the same in a chunk that both have played; None where they do not.

    ``end`` is the chunk up to which the later one may be looked at, ``scales`` [shape=(columns,)] what each column of
    output and probes has as its 1.0.
    """
    if not _states_agree(earlier, later, chunk):
        return None
    ahead = ceil(AHEAD_S * later.channels[0].rig.audio_rate_hz / CHUNK_FRAMES)
    coming = range(chunk, min(chunk + ahead, end))
    level = np.min([np.sqrt(np.mean(later.heard(one) ** 2, axis=0)) for one in coming], axis=0)
    apart = np.sqrt(np.mean((earlier.heard(chunk) - later.heard(chunk)) ** 2, axis=0))
    reduction = _reduction_apart(earlier.log_parts(chunk), later.log_parts(chunk))
    residual = max(float(np.max(apart / np.maximum(level, LEAST_LEVEL * scales))), reduction)
    residual_db = max(20.0 * float(np.log10(residual)), FLOOR_DB) if residual > 0.0 else FLOOR_DB
    return Agreement(later, chunk, residual_db) if residual_db <= AGREED_DB else None


def splices_of(chain: Sequence[Agreement], rate_hz: float) -> tuple[Splice, ...]:
    """What is told of the agreements by which a file hangs together."""
    return tuple(
        Splice(
            cut_s=one.later.first_chunk * CHUNK_FRAMES / rate_hz, at_s=(one.chunk + 1) * CHUNK_FRAMES / rate_hz,
            residual_db=one.residual_db,
        )
        for one in chain
    )  # fmt: skip


def _states_agree(earlier: Segment, later: Segment, chunk: int) -> bool:
    highest, lowest = np.maximum(earlier.highest, later.highest), np.minimum(earlier.lowest, later.lowest)
    one, other = earlier.state(chunk), later.state(chunk)
    apart, allowed = np.abs(one - other), STATE_SHARE * (highest - lowest)
    of_devices = slice(later.unknowns, later.unknowns + later.remembered)
    if later.remembered:
        ranges = highest[:, of_devices].max(axis=1) - lowest[:, of_devices].min(axis=1)
        allowed[:, of_devices] = MEMORY_SHARE * ranges[:, None]
    parts = (slice(later.unknowns), slice(later.unknowns, None))  # what is remembered is in units of its own
    return all(
        bool(np.all(apart[:, part] <= allowed[:, part] + STATE_ROUNDING * np.abs(other[:, part]).max(initial=0.0)))
        for part in parts
    )


def _reduction_apart(one: Array, other: Array) -> float:
    """Largest difference of the reduction's mean and of its peak in any part, as a share of the gain."""
    mean = (one[:, :, REDUCTION_SUM] - other[:, :, REDUCTION_SUM]) / other[:, :, STEPS]
    peak = one[:, :, REDUCTION_PEAK] - other[:, :, REDUCTION_PEAK]
    return float(max(np.abs(mean).max(), np.abs(peak).max())) * np.log(10.0) / 20.0
