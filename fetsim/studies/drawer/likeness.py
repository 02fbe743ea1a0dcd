"""How unlike two FETs are in one unit, and how well two of them track.

Unlike things are counted in scales of their own, each about what is just heard or matters at a desk (own choice): gain
reduction over level 0.5 dB rms, gain at rest 0.5 dB, attack and release 10 %, noise 1 dB, THD a factor of 1.5.
"""

from collections.abc import Mapping, Sequence
from itertools import combinations
from math import inf, isfinite, log

import numpy as np

from fetsim.measurements.traces.checks import Samples
from fetsim.studies.drawer.record import FetFound, Pair

CURVE = "curve"
CURVE_DB, GAIN_DB, NOISE_DB = 0.5, 0.5, 1.0
TIME_RATIO, THD_RATIO = 1.1, 1.5
MOST_PAIRS = 20


def differences_from(
    reference: Mapping[str, float], curve_db: Samples, found: Mapping[str, float], found_curve_db: Samples
) -> dict[str, float]:
    """Figure -> difference in its scale, NaN where it cannot be had; what the reference has not does not count."""
    scaled = {
        CURVE: float(np.sqrt(np.mean((found_curve_db - curve_db) ** 2))) / CURVE_DB,
        "gain": (found["gain"] - reference["gain"]) / GAIN_DB,
        "noise": (found["noise"] - reference["noise"]) / NOISE_DB,
    }
    for name, ratio in (("attack", TIME_RATIO), ("release", TIME_RATIO), ("thd", THD_RATIO)):
        scaled[name] = _ratio(found[name], reference[name], ratio)
    return {name: one for name, one in scaled.items() if name == CURVE or isfinite(reference[name])}


def _ratio(one: float, other: float, scale: float) -> float:
    return log(one / other) / log(scale) if one > 0.0 and other > 0.0 else np.nan


def unlikeness(differences: Mapping[str, float]) -> float:
    """Root of the mean of the squares; infinite where one of them cannot be had."""
    values = np.array(list(differences.values()))
    return float(np.sqrt(np.mean(values**2))) if np.isfinite(values).all() else inf


def best_pairs(fets: Sequence[FetFound], level_dbu: Samples) -> tuple[Pair, ...]:
    """Of all pairs of FETs whose curves are there, those that track best."""
    whole = [one for one in fets if np.isfinite(one.reduction_db).all()]
    if len(whole) < 2:
        return ()
    curves = np.array([one.reduction_db for one in whole])
    every = np.array(list(combinations(range(len(whole)), 2)))
    apart = curves[every[:, 0]] - curves[every[:, 1]]
    tracking = np.sqrt(np.mean(apart**2, axis=1))
    pairs = []
    for k in np.argsort(tracking, kind="stable")[:MOST_PAIRS]:
        one, other = whole[every[k, 0]], whole[every[k, 1]]
        worst = int(np.argmax(np.abs(apart[k])))
        pairs.append(Pair(
            one=one.fet.name, other=other.fet.name, tracking_db=float(tracking[k]), worst_db=float(apart[k, worst]),
            worst_dbu=float(level_dbu[worst]), attack_ratio=one.figures["attack"] / other.figures["attack"],
            release_ratio=one.figures["release"] / other.figures["release"],
        ))  # fmt: skip
    return tuple(pairs)
