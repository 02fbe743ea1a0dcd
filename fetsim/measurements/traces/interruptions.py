"""What a recording holds that no unit gave: moments at which it stands still, and clicks where nothing was played.

A recorder that loses a block fills it with zeros or with the last value. That is told from a pause by what was played
meanwhile, and from a clipped crest by its value, which lies anywhere but at the edge of what is around it. Not seen:
a gap that begins or ends in silence, one shorter than ``SHORTEST_S``, and one that the unit was fed with already,
whose noise goes on in it.
"""

from collections.abc import Sequence

import numpy as np

from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.traces.clipping import quantum_of

SHORTEST_S = 5e-4
AROUND_S = 0.01  # to either side of a gap
MOVES = 100.0  # quantising steps from peak to peak on both sides: 20 Hz at 48 kHz cross zero in 10 samples at the most
EDGE = 0.05  # of what it moves by around, within which a value is a crest's
PLAYED = 1e-3  # of what was played around, which makes a gap of what would be a pause
CLICK = 10.0  # robust standard deviations; of 3 s of noise the largest sample is at 5
NORMAL_MEDIAN = 0.6745
FIRST_TOLD = 3


def dropouts(heard: Samples, played: Samples, *, delay: float, clock: float, rate_hz: float) -> list[slice]:
    """Where ``heard`` [shape=(m,)] has one value while ``played`` [shape=(n,)] moves, whose sample ``k`` is in it at
    ``delay + k * (1 + clock)``."""
    edges = np.flatnonzero(np.diff(heard) != 0.0) + 1
    starts, stops = np.concatenate([[0], edges]), np.concatenate([edges, [len(heard)]])
    long = stops - starts >= SHORTEST_S * rate_hz
    if not np.any(long):
        return []
    least, around = MOVES * quantum_of(heard), round(AROUND_S * rate_hz)

    def moves(first: float, last: float) -> float:
        at = np.clip(((np.array([first, last]) - delay) / (1.0 + clock)).astype(int), 0, len(played))
        part = played[at[0] : at[1]]
        return float(np.ptp(part)) if len(part) else 0.0

    found = []
    for start, stop in zip(starts[long].tolist(), stops[long].tolist(), strict=True):
        sides = heard[max(start - around, 0) : start], heard[stop : stop + around]
        if min(len(side) for side in sides) == 0 or min(float(np.ptp(side)) for side in sides) <= least:
            continue
        low, high = (end(np.concatenate(sides)) for end in (np.min, np.max))
        if min(abs(heard[start] - low), abs(heard[start] - high)) < EDGE * (high - low):
            continue
        inner = 0.25 * (stop - start)
        if moves(start + inner, stop - inner) > PLAYED * moves(start - around, stop + around):
            found.append(slice(start, stop))
    return found


def clicks(quiet: Samples, rate_hz: float) -> list[int]:
    """Samples of ``quiet`` [shape=(n,)], in which nothing is played, at which it clicks; one for each ``AROUND_S``."""
    sharp = np.abs(np.diff(quiet, 2))  # hum of 50 Hz is 87 dB down in it
    usual = max(float(np.median(sharp)) / NORMAL_MEDIAN, quantum_of(quiet))
    at = np.flatnonzero(sharp > CLICK * usual) + 1
    apart = np.diff(at, prepend=-len(quiet)) > AROUND_S * rate_hz
    return [int(one) for one in at[apart]]


def told_dropouts(gaps_s: Sequence[tuple[float, float]]) -> str:
    """As in "stands still at 3.000 s (20 ms)"."""
    each = [f"{first:.3f} s ({1e3 * (last - first):.2g} ms)" for first, last in gaps_s]
    return f"stands still at {_listed(each)}"


def told_clicks(found: Sequence[int], rate_hz: float) -> str:
    """As in "Clicks at 2.310 s"."""
    return f"Clicks at {_listed([f'{one / rate_hz:.3f} s' for one in found])}"


def _listed(each: Sequence[str]) -> str:
    more = f" and {len(each) - FIRST_TOLD} times more" if len(each) > FIRST_TOLD else ""
    return ", ".join(each[:FIRST_TOLD]) + more
