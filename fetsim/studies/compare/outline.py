"""A programme drawn small: lowest, highest and rms sample of each column of its picture."""

from collections.abc import Iterable

import numpy as np

from fetsim.audio.loudness import BLOCK_FRAMES
from fetsim.engine.assembly import Array
from fetsim.studies.compare.comparison import Outline

OUTLINE_COLUMNS = 2000


def outline(stretches: Iterable[Array], frames: int, rate_hz: int) -> Outline:
    """Array drawn small; they come as ``stretches`` of ``outline_stretch(frames)`` frames and what is left."""
    step = _outline_step(frames)
    rows = []
    for block in stretches:
        starts = np.arange(0, len(block), step)
        counts = np.diff([*starts, len(block)]) * block.shape[1]
        low, high = np.minimum.reduceat(block.min(axis=1), starts), np.maximum.reduceat(block.max(axis=1), starts)
        rows.append((low, high, np.sqrt(np.add.reduceat(np.sum(block * block, axis=1), starts) / counts)))
    minimum, maximum, rms = (np.concatenate(row) for row in zip(*rows, strict=True))
    return Outline(column_s=step / rate_hz, minimum=minimum, maximum=maximum, rms=rms)


def outline_stretch(frames: int) -> int:
    """Frames in a stretch, whole columns of the outline of a programme of that length."""
    step = _outline_step(frames)
    return step * max(1, BLOCK_FRAMES // step)


def _outline_step(frames: int) -> int:
    return max(1, -(-frames // OUTLINE_COLUMNS))
