"""Gain reduction over time of all channels together, in as many rows as a page can draw."""

from collections.abc import Sequence

import numpy as np

from fetsim.audio.gain_log import GainLog
from fetsim.studies.compare.comparison import Activity

MOST_ROWS = 6000
DECIMALS = 3  # of decibels and seconds


def activity(logs: Sequence[GainLog]) -> Activity:
    """Largest and mean gain reduction of one log a channel; neighbouring rows are joined, no peak is lost."""
    largest = np.stack([log.gain_reduction_max_db for log in logs]).max(axis=0)
    mean = np.stack([log.gain_reduction_mean_db for log in logs]).mean(axis=0)
    rows = len(mean)
    starts = np.arange(0, rows, -(-rows // MOST_ROWS))
    counts = np.diff([*starts, rows])
    peaks = np.asarray(np.maximum.reduceat(largest, starts), dtype=np.float64)
    return Activity(
        time_s=np.round(np.add.reduceat(logs[0].time_s, starts) / counts, DECIMALS),
        gain_reduction_max_db=np.round(peaks, DECIMALS),
        gain_reduction_mean_db=np.round(np.add.reduceat(mean, starts) / counts, DECIMALS),
        peak_db=float(np.max(largest)),
        mean_db=float(np.mean(mean)),
    )
