"""When a trace has done a share of its change, or stays within a band of its end.

The answer is read off the monotone curve nearest to the trace (isotonic regression), so that noise and ripple
neither pull a first crossing forward nor push a last one back; a trace that is monotone is read as it is. An
answer is seconds, or why there is none.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import isotonic_regression

from fetsim.measurements.results.missing import Missing
from fetsim.measurements.traces.checks import Samples

Reading = float | Missing  # seconds, or why not

UNREST_MARGIN = 3.0  # a threshold must stand this many rms of the trace's unrest away from either end
SURE_EXIT = 5.0  # so many rms of unrest outside a band are no accident
LARGEST_GAP = 3.0  # resolutions between the readings around a crossing


@dataclass(frozen=True)
class Approach:
    """A trace after a step as progress [shape=(n,)]: 0 at the gain before, 1 at the gain after."""

    time_s: Samples  # from the step
    progress: Samples
    size_db: float  # of the whole change
    unrest_db: float  # rms of the trace where it is steady
    resolution_s: float  # shortest time to be read
    monotone: Samples = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "monotone", np.asarray(isotonic_regression(self.progress).x))


def time_to(approach: Approach, share: float) -> Reading:
    """From the step until `share` of the change has happened."""
    return resolved(_reached(approach, share), approach.resolution_s)


def time_between(approach: Approach, low: float, high: float) -> Reading:
    """From the share `low` to the share `high` of the change."""
    start, stop = _reached(approach, low), _reached(approach, high)
    if isinstance(start, Missing):
        return start
    return stop if isinstance(stop, Missing) else resolved(stop - start, approach.resolution_s)


def time_within(approach: Approach, band_db: float) -> Reading:
    """From the step until the trace stays within `band_db` of its final value, ringing included."""
    if approach.size_db <= band_db:
        text = f"the gain changes by {approach.size_db:.2f} dB, not more than the band of {band_db:g} dB"
        return Missing(cause="nothing to measure", text=text)
    if UNREST_MARGIN * approach.unrest_db > band_db:
        text = f"the steady gain is restless by {approach.unrest_db:.2g} dB, too much for {band_db:g} dB bands"
        return Missing(cause="unsteady", text=text)
    instant = _reached(approach, 1.0 - band_db / approach.size_db)
    if isinstance(instant, Missing):
        return instant
    distance_db = np.abs(approach.progress - 1.0) * approach.size_db
    limit_db = band_db + SURE_EXIT * approach.unrest_db
    left_again = np.flatnonzero((distance_db > limit_db) & (approach.time_s > instant))
    if left_again.size:
        if left_again[-1] == distance_db.size - 1:
            text = f"the capture ends before the output stays within {band_db:g} dB of its end"
            return Missing(cause="too short", text=text)
        instant = _between_readings(approach, -distance_db, -limit_db, int(left_again[-1]) + 1)
    return resolved(instant, approach.resolution_s)


def crossing(time: Samples, values: Samples, threshold: float, index: int) -> float:
    """Where the line between readings `index` - 1 and `index` meets `threshold`."""
    if index == 0:
        return float(time[0])
    low, high = values[index - 1], values[index]
    share = (threshold - low) / (high - low)
    return float(time[index - 1] + share * (time[index] - time[index - 1]))


def _reached(approach: Approach, share: float) -> Reading:
    if min(share, 1.0 - share) * approach.size_db < UNREST_MARGIN * approach.unrest_db:
        return Missing(
            cause="unsteady",
            text=f"the steady gain is restless by {approach.unrest_db:.2g} dB, too much to see {100.0 * share:.0f} % "
            f"of a change of {approach.size_db:.2f} dB",
        )
    reached = approach.monotone >= share
    if not np.any(reached):
        text = f"the capture ends before {100.0 * share:.0f} % of the change has happened"
        return Missing(cause="too short", text=text)
    return _between_readings(approach, approach.monotone, share, int(np.argmax(reached)))


def _between_readings(approach: Approach, values: Samples, threshold: float, index: int) -> Reading:
    time = approach.time_s
    if index and time[index] - time[index - 1] > LARGEST_GAP * approach.resolution_s:
        text = f"the trace has a gap where it crosses, from {time[index - 1]:.4g} to {time[index]:.4g} s"
        return Missing(cause="not computed", text=text)
    return crossing(time, values, threshold, index)


def resolved(reading: Reading, resolution_s: float) -> Reading:
    """The reading, unless it is shorter than what a trace can show."""
    if isinstance(reading, Missing) or reading >= resolution_s:
        return reading
    return Missing(cause="too coarse", text=f"faster than the {resolution_s:.3g} s that the trace resolves")
