"""Levels: volts, dBu and dBFS.

0 dBu = sqrt(0.6) V rms (1 mW in 600 ohm; ITU-R BS.645 gives 0.775 V). dBFS counts a sine: a full-scale sine is
0 dBFS (AES17). The unit says which dBu stands for 0 dBFS (EBU R 68: +18 dBu).
"""

from math import log10, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

DBU_REFERENCE_V = sqrt(0.6)
"""0 dBu as an rms voltage [V]."""
FLOOR_DB = -200.0
"""What silence reads."""


def dbu_to_rms_v(level_dbu: float) -> float:
    """rms volts of a level in dBu."""
    return float(DBU_REFERENCE_V * 10.0 ** (level_dbu / 20.0))


def rms_v_to_dbu(rms_v: float) -> float:
    """Level in dBu of rms volts; silence gives FLOOR_DB."""
    return max(20.0 * log10(rms_v / DBU_REFERENCE_V), FLOOR_DB) if rms_v > 0.0 else FLOOR_DB


def full_scale_peak_v(full_scale_dbu: float) -> float:
    """Peak volts of a sample of 1.0 when 0 dBFS stands for ``full_scale_dbu`` (a sine: peak is sqrt(2) rms)."""
    return dbu_to_rms_v(full_scale_dbu) * sqrt(2.0)


def decibels(ratio: ArrayLike) -> NDArray[np.float64]:
    """20 lg of an amplitude ratio; zero and less give FLOOR_DB."""
    values = np.asarray(ratio, dtype=np.float64)
    return 20.0 * np.log10(np.maximum(values, 10.0 ** (FLOOR_DB / 20.0)))
