"""What a static curve says: thresholds, local ratio, most gain reduction, where the FET bottoms out, equals.

A curve is output level against input level of a steady tone, dBu, at rising input. There is no one ratio: a
feedback loop round a FET has its largest ratio just above the threshold, falling towards 2:1 with more
drive, and 1:1 again once the channel is fully on. So the ratio is itself a curve, ``R = dX/dY`` in
dB per dB between neighbouring points, and every figure says at which level it was found.

Thresholds at 0.5 dB (common practice, no source) and 2 dB of gain reduction (the lower limit of gain
control after IEC 60118-2, from memory) are interpolated linearly between points. Where the curve has a
corner inside an interval of s dB the 0.5 dB threshold reads up to a quarter of s too low; with s under 0.5
dB the error is below 0.01 dB.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fetsim.errors import InputError
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.traces.checks import Samples, not_negative, same_length, samples

LOW_THRESHOLD_DB = 0.5
IEC_THRESHOLD_DB = 2.0
COMPRESSING_RATIO = 1.5  # the loop is at work where the local ratio passes this,
BOTTOMED_RATIO = 1.2  # and the FET has bottomed out where it is back under this for good


@dataclass(frozen=True)
class StaticCurve:
    """Analysed curve [shape=(n,)] and its local ratio between neighbours [shape=(n - 1,)].

    A figure that the curve does not hold is None, and `reasons` says why under the same name.
    """

    level_dbu: Samples
    output_dbu: Samples
    gain_reduction_db: Samples  # idle gain less gain; positive when compressing
    threshold_half_db_dbu: float | None  # input level at 0.5 dB of gain reduction
    threshold_2db_dbu: float | None  # input level at 2 dB
    middle_in_dbu: Samples  # half way between neighbours
    slope: Samples  # dY/dX there; 1 without compression, 0 where the output stands still
    local_ratio: Samples  # 1/slope; inf where the output stands still, negative where it falls
    largest_ratio: float  # inf where the output stands still or falls
    largest_ratio_at_dbu: float
    most_gain_reduction_db: float
    most_gain_reduction_at_dbu: float
    bottoms_out_dbu: float | None  # input level from which on the local ratio stays under 1.2
    reasons: Mapping[str, Missing]


@dataclass(frozen=True)
class EqualCurves:
    """Names whose curves differ by no more than `largest_difference_db` at any level."""

    names: tuple[str, ...]
    largest_difference_db: float


def static_curve(output_dbu: ArrayLike, *, level_dbu: ArrayLike, idle_gain_db: float) -> StaticCurve:
    """Analyse output level against rising input level [shape=(n,) each], dBu.

    `idle_gain_db`: gain without gain reduction (measured well below the threshold, or with the sidechain
    off).

    Raises `InputError` for unequal lengths, fewer than three points or input levels that do not rise.
    """
    x = samples(level_dbu, "level_dbu", at_least=3)
    y = samples(output_dbu, "output_dbu", at_least=3)
    same_length(x, y, "level_dbu and output_dbu")
    if not np.all(np.diff(x) > 0.0):
        raise InputError("level_dbu: must rise from point to point")
    if not np.isfinite(idle_gain_db):
        raise InputError(f"idle_gain_db: is {idle_gain_db}; it must be a finite number")
    reduction = idle_gain_db + x - y
    middle, slope = 0.5 * (x[1:] + x[:-1]), np.diff(y) / np.diff(x)
    with np.errstate(divide="ignore"):
        ratio = np.where(slope == 0.0, np.inf, 1.0 / slope)
    flattest, most = int(np.argmin(slope)), int(np.argmax(reduction))
    readings = {
        "threshold_half_db_dbu": level_at_reduction(x, reduction, LOW_THRESHOLD_DB),
        "threshold_2db_dbu": level_at_reduction(x, reduction, IEC_THRESHOLD_DB),
        "bottoms_out_dbu": _bottom(middle, slope),
    }
    return StaticCurve(
        level_dbu=x,
        output_dbu=y,
        gain_reduction_db=reduction,
        middle_in_dbu=middle,
        slope=slope,
        local_ratio=ratio,
        largest_ratio=float(ratio[flattest]) if slope[flattest] > 0.0 else np.inf,
        largest_ratio_at_dbu=float(middle[flattest]),
        most_gain_reduction_db=float(reduction[most]),
        most_gain_reduction_at_dbu=float(x[most]),
        reasons={name: reading for name, reading in readings.items() if isinstance(reading, Missing)},
        **{name: None if isinstance(reading, Missing) else reading for name, reading in readings.items()},
    )


def ratio_between(curve: StaticCurve, *, low_dbu: float, high_dbu: float) -> float:
    """Static compression ratio between two input levels: input difference over output difference.

    After IEC 60118-2 (from memory), which asks that the two levels be told with the figure. Inf where the
    output does not rise between them. Raises `InputError` for levels outside the curve or not rising.
    """
    x = curve.level_dbu
    if not x[0] <= low_dbu < high_dbu <= x[-1]:
        raise InputError(f"low_dbu, high_dbu: must rise and lie within the curve, {x[0]:g} to {x[-1]:g} dBu")
    low, high = np.interp([low_dbu, high_dbu], x, curve.output_dbu)
    return float((high_dbu - low_dbu) / (high - low)) if high > low else np.inf


def ratio_at_reduction(curve: StaticCurve, *, gain_reduction_db: float) -> float | None:
    """Local ratio where the gain reduction first reaches `gain_reduction_db`, or None where it never does.

    The slope is interpolated between the middles of the points' intervals.
    """
    level = level_at_reduction(curve.level_dbu, curve.gain_reduction_db, gain_reduction_db)
    if isinstance(level, Missing):
        return None
    slope = float(np.interp(level, curve.middle_in_dbu, curve.slope))
    return 1.0 / slope if slope > 0.0 else np.inf


def equal_curves(curves: Mapping[str, ArrayLike], *, tolerance_db: float) -> tuple[EqualCurves, ...]:
    """Groups of names (switch subsets, say) whose curves are equal within `tolerance_db` at every level.

    `curves`: name -> output level [shape=(n,)] at the same input levels for all. "Within" is not handed on
    from neighbour to neighbour: in a group every curve is within the tolerance of every other (complete
    linkage). A curve near to one of two neighbours may therefore stay alone; names without an equal are
    left out.

    Raises `InputError` for curves of different lengths.
    """
    not_negative(tolerance_db, "tolerance_db")
    names = list(curves)
    levels = [samples(curves[name], name, at_least=1) for name in names]
    for name, level in zip(names, levels, strict=True):
        same_length(levels[0], level, f"{names[0]} and {name}")
    if len(names) < 2:
        return ()
    from scipy.cluster.hierarchy import fcluster, linkage  # slow to import, and seldom needed
    from scipy.spatial.distance import pdist

    distance = pdist(np.vstack(levels), metric="chebyshev")
    label = fcluster(linkage(distance, method="complete"), t=tolerance_db, criterion="distance")
    groups = []
    for number in dict.fromkeys(label):  # in the order of first appearance
        members = [index for index in range(len(names)) if label[index] == number]
        if len(members) > 1:
            spread = float(np.max(np.ptp(np.vstack([levels[index] for index in members]), axis=0)))
            groups.append(EqualCurves(tuple(names[index] for index in members), spread))
    return tuple(groups)


def level_at_reduction(x: Samples, reduction: Samples, wanted_db: float) -> float | Missing:
    """Input level [dBu] at which the gain reduction [dB; shape=(n,) each] first passes ``wanted_db``, or why not."""
    above = np.flatnonzero(reduction >= wanted_db)
    if not above.size:
        return Missing(
            cause="not reached",
            text=f"the gain reduction never reaches {wanted_db:g} dB; go on to higher input levels",
        )
    first = int(above[0])
    if first == 0:
        return Missing(
            cause="reached before",
            text=f"the gain reduction is {reduction[0]:.2f} dB at the lowest level already; start lower",
        )
    share = (wanted_db - reduction[first - 1]) / (reduction[first] - reduction[first - 1])
    return float(x[first - 1] + share * (x[first] - x[first - 1]))


def _bottom(middle: Samples, slope: Samples) -> float | Missing:
    working = np.flatnonzero(slope < 1.0 / COMPRESSING_RATIO)
    if not working.size:
        return Missing(
            cause="nothing to measure",
            text=f"the local ratio never passes {COMPRESSING_RATIO:g}: nothing is compressed",
        )
    limit = 1.0 / BOTTOMED_RATIO
    steep = np.flatnonzero(slope < limit)
    last = int(steep[-1])
    if last == slope.size - 1:
        return Missing(
            cause="not reached",
            text=f"not yet at the highest level, where the output rises by only {slope[-1]:.2f} dB per dB; give "
            "higher levels",
        )
    share = (limit - slope[last]) / (slope[last + 1] - slope[last])
    return float(middle[last] + share * (middle[last + 1] - middle[last]))
