"""Where a signal path clips: a 1 kHz tone that rises in small steps, with the sidechain without effect.

The control node is held where it rests (see ``hold``), so that no gain reduction keeps the level down. Each level is
played for 30 ms, coming from the one below, and read over the last 10 ms: shifts of a bias point that take longer are
not waited for. A point clips where one of two limits is passed: total harmonic distortion (2nd to 10th harmonic over
the fundamental) or the fall of its gain against a small signal; 1 % and 1 dB by default (common practice, no source).

A stage's own distortion is what it adds: the harmonics at its output, less those that arrive at its input times the
stage's small-signal gain at each of them. What a stage does to the one before it by loading is counted as that one's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fetsim.audio.levels import dbu_to_rms_v, rms_v_to_dbu
from fetsim.engine.assembly import Array
from fetsim.measurements.bench import Bench, Run
from fetsim.measurements.distortion import HIGHEST_HARMONIC
from fetsim.measurements.hold import REFERENCE_HZ, held_at_rest, linear_at_rest
from fetsim.measurements.points import Point
from fetsim.measurements.small_signal import Phasors, transfers
from fetsim.measurements.spectrum import tones

LOWEST_DBU, HIGHEST_DBU, STEP_DB = -40.0, 40.0, 0.5  # of the source
RISE_S, REST_S, READ_S = 0.005, 0.015, 0.010  # from one level to the next, until it is read, and read
THD_LIMIT = 0.01  # ratio
COMPRESSION_LIMIT_DB = 1.0


@dataclass(frozen=True)
class ClipLimits:
    """What counts as clipping."""

    thd: float = THD_LIMIT
    """Ratio, harmonics to fundamental."""
    compression_db: float = COMPRESSION_LIMIT_DB


@dataclass(frozen=True)
class LargestLevel:
    """The level at which a point clips."""

    level_dbu: float
    """Of the fundamental at the point."""
    source_dbu: float
    by: str
    """``distortion`` or ``compression``."""


def clip_levels(
    bench: Bench, points: Sequence[Point], *, limits: ClipLimits = ClipLimits(), own: bool = True
) -> list[LargestLevel | None]:
    """The clip level of each point; None where it does not clip up to +40 dBu at the source.

    ``points`` in the order of the signal. ``own``: count only what is added since the point before; else everything
    since the source.
    """
    held = held_at_rest(bench)
    gains = _gains(held, points)
    ratios = gains.copy()
    if own:
        ratios[1:] /= gains[:-1]
    found: list[LargestLevel | None] = [None] * len(points)
    past: list[tuple[float, float, float, float]] = []
    return found
