"""Source levels at which a unit is at work: its threshold, and the level for a gain reduction that is asked for."""

import numpy as np
from scipy.optimize import brentq

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import Steady, settle, tone_level_dbu, whole_period
from fetsim.measurements.curve.analysis import LOW_THRESHOLD_DB

QUIET_DBU, LOUD_DBU = -60.0, 36.0  # between these a level is looked for
STEP_DB = 6.0
LEVEL_TOLERANCE_DB = 0.005


def threshold_dbu(bench: Bench, frequency_hz: float) -> float:
    """Source level of a steady tone at which the gain reduction is 0.5 dB. Raises InputError when it never is."""
    return level_for_reduction_dbu(bench, LOW_THRESHOLD_DB, frequency_hz)


def level_for_reduction_dbu(bench: Bench, reduction_db: float, frequency_hz: float) -> float:
    """Source level of a steady tone at which the gain reduction first is ``reduction_db``.

    That of the FET's divider, mean over the cycle; for a unit without a gain cell that of the output's fundamental.
    Raises InputError for a gain reduction that is not reached between -60 and +36 dBu.
    """
    period = whole_period(frequency_hz, bench.rate_hz)
    idle_db = bench.rig.idle_gain_db(period.frequency_hz)
    run = bench.run()
    state = run.state

    def missing_db(level_dbu: float) -> float:
        run.state = state
        found = settle(run, period.tone(level_dbu))
        at_output_db = level_dbu + idle_db - tone_level_dbu(found.block.output_v, period)
        return reduction_of(bench, found, at_output_db) - reduction_db

    lower = QUIET_DBU
    if not missing_db(lower) < 0.0:
        raise InputError(f"gain reduction: {bench.unit.name} has {reduction_db:g} dB or more at {lower:g} dBu already")
    while lower < LOUD_DBU:
        state = run.state
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
