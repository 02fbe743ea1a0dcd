"""Tones at which a unit is at work: its threshold, the level for a gain reduction, and those that are asked for."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, partial
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from fetsim.audio.arrays import numbers_of
from fetsim.engine.state import State
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import Steady, period_of, settle, start_among, tone_level_dbu
from fetsim.measurements.curve.analysis import LOW_THRESHOLD_DB
from fetsim.rig.request import check_level, check_tone
from fetsim.rig.runner import run_all

QUIET_DBU, LOUD_DBU = -60.0, 36.0  # between these a level is looked for
STEP_DB = 6.0
LEVEL_TOLERANCE_DB = 0.005


def asked_tones(frequencies_hz: ArrayLike) -> list[float]:
    """Frequencies as they were asked for, rising. Raises InputError for what is no tone."""
    frequencies = sorted(set(numbers_of(frequencies_hz, "frequencies").ravel().tolist()))
    if not frequencies:
        raise InputError("frequencies: give at least one")
    for frequency in frequencies:
        check_tone(frequency)
    return frequencies


def threshold_dbu(bench: Bench, frequency_hz: float) -> float:
    """Source level of a steady tone at which the gain reduction is 0.5 dB. Raises InputError when it never is."""
    return level_for_reduction_dbu(bench, LOW_THRESHOLD_DB, frequency_hz)


@dataclass(frozen=True)
class AskedLevels:
    """Source levels as they were asked for: by themselves, or by the gain reduction that they bring about."""

    numbers: tuple[float, ...]
    """Rising; dBu or dB."""
    by_reduction: bool

    @classmethod
    def of(
        cls, levels_dbu: ArrayLike | None, reductions_db: ArrayLike | None, default_dbu: Sequence[float]
    ) -> "AskedLevels":
        """Raises InputError where both are given, or what is no level."""
        if levels_dbu is not None and reductions_db is not None:
            raise InputError("levels, reductions: give one of the two")
        by_reduction = reductions_db is not None
        name = "reductions" if by_reduction else "levels"
        given = [one for one in (levels_dbu, reductions_db) if one is not None] or [default_dbu]
        numbers = tuple(sorted(numbers_of(given[0], name).ravel().tolist()))
        if not numbers:
            raise InputError(f"{name}: give at least one, in {'dB' if by_reduction else 'dBu'}")
        for number in numbers:
            if not by_reduction:
                check_level(number)
            if not isfinite(number):
                told = f"{number:g} dB is none" if by_reduction else "silence has no distortion"
                raise InputError(f"{name}: {told}")
        return cls(numbers, by_reduction)

    def found(self, bench: Bench, frequency_hz: float) -> list[float]:
        """In dBu; gain reductions are those of a steady tone of this frequency. Raises InputError for one out of
        reach."""
        if not self.by_reduction:
            return list(self.numbers)
        wanted = {one: partial(level_for_reduction_dbu, bench, one, frequency_hz) for one in self.numbers}
        return sorted(run_all(wanted, lambda look, _: look()).values())


def level_for_reduction_dbu(bench: Bench, reduction_db: float, frequency_hz: float) -> float:
    """Source level of a steady tone at which the gain reduction first is ``reduction_db``.

    That of the FET's divider, mean over the cycle; for a unit without a gain cell that of the output's fundamental.
    Raises InputError for a gain reduction that is not reached between -60 and +36 dBu.
    """
    period = period_of(frequency_hz, bench)
    idle_db = bench.rig.idle_gain_db(period.frequency_hz)
    run = bench.run()
    states: dict[float, State] = {}

    @cache
    def missing_db(level_dbu: float) -> float:
        if states:
            run.state = start_among(states, level_dbu)
        found = settle(run, period.tone(level_dbu))
        states[level_dbu] = run.state
        at_output_db = level_dbu + idle_db - tone_level_dbu(found.block.output_v, period)
        return reduction_of(bench, found, at_output_db) - reduction_db

    lower = QUIET_DBU
    if not missing_db(lower) < 0.0:
        raise InputError(f"gain reduction: {bench.unit.name} has {reduction_db:g} dB or more at {lower:g} dBu already")
    while lower < LOUD_DBU:
        if missing_db(lower + STEP_DB) >= 0.0:
            return float(brentq(missing_db, lower, lower + STEP_DB, xtol=LEVEL_TOLERANCE_DB))
        lower += STEP_DB
    raise InputError(
        f"gain reduction: {bench.unit.name} does not reach {reduction_db:g} dB with {frequency_hz:g} Hz at up to "
        f"{LOUD_DBU:g} dBu"
    )


def reduction_of(bench: Bench, steady: Steady, at_output_db: float) -> float:
    """Mean gain reduction in the FET's divider, or ``at_output_db`` for a unit without a gain cell."""
    return at_output_db if bench.unit.gain_cell is None else float(np.mean(steady.block.reduction_db))
