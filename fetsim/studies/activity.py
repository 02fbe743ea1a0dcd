"""Gain reduction over time of all channels together, in as many rows as a page can draw."""

from collections.abc import Sequence

import numpy as np

from fetsim.audio.gain_log import GainLog
from fetsim.studies.comparison import Activity

MOST_ROWS = 6000
DECIMALS = 3  # of decibels and seconds


def activity(logs: Sequence[GainLog]) -> Activity:
    """Largest and mean gain reduction of one log a channel; neighbouring rows are joined, no peak is lost."""
    largest = np.max([log.gain_reduction_max_db for log in logs], axis=0)
    mean = np.mean([log.gain_reduction_mean_db for log in logs], axis=0)
    rows = len(mean)
    starts = np.arange(0, rows, -(-rows // MOST_ROWS))
    counts = np.diff([*starts, rows])
    joined = (
        np.add.reduceat(logs[0].time_s, starts) / counts,
        np.maximum.reduceat(largest, starts),
        np.add.reduceat(mean, starts) / counts,
    )
    return Activity(*(np.round(one, DECIMALS) for one in joined), float(np.max(largest)), float(np.mean(mean)))
