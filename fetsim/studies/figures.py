"""Four figures of a version at its own setting, enough to say what a change did; the bench has more.

Each is taken at levels that suit the version (its threshold) or that are the same for all (distortion). A figure
that cannot be had is None with the reason in words, never a stand-in.
"""

import json
from collections.abc import Callable
from dataclasses import asdict

import numpy as np

from fetsim.errors import ConvergenceError, FetsimError, InputError
from fetsim.measurements.bench import Bench, Run, tone
from fetsim.measurements.checks import Samples
from fetsim.measurements.distortion import harmonics
from fetsim.measurements.measure_curve import measure_curve
from fetsim.measurements.steady import settle, whole_period
from fetsim.measurements.timing import step_timing
from fetsim.schematic.unit import Unit
from fetsim.studies.cache import Cache, key_of
from fetsim.studies.comparison import BenchFigures
from fetsim.studies.takes import Progress, circuit_key

CURVE_DBU = np.arange(-48.0, 25.0, 4.0)
LEAST_OF_CELL_DB = 0.25  # part of the 0.5 dB that the FET must account for
STEP_HZ = 5000.0
STEP_DB = 10.0  # from as much below the threshold to as much above it
BEFORE_S, PIECE_S, LONGEST_S = 0.02, 0.25, 40.0
STILL_DB = 0.005  # a piece over which the gain reduction drifts by less is the last
TONE_HZ, TONE_DBU = 1000.0, 0.0  # the alignment signal of ITU-R BS.645

CONDITIONS = {
    "threshold_dbu": "level of a steady 1 kHz tone at the input that gets 0.5 dB of gain reduction",
    "attack_ms": f"63 % of the fall of the gain in dB; {STEP_HZ / 1000:g} kHz tone from {STEP_DB:g} dB below the "
    f"version's own threshold to {STEP_DB:g} dB above it",
    "release_ms": "63 % of the recovery of the gain in dB after the step back",
    "thd_percent": f"harmonics over fundamental at the output; {TONE_HZ / 1000:g} kHz at {TONE_DBU:+g} dBu, steady",
}
"""How each figure is taken, by its name in ``BenchFigures``."""

_FILE = "figures.json"


def kept_figures(cache: Cache, unit: Unit, quality: str, progress: Progress) -> BenchFigures:
    """Measure a version, or fetch its figures from the cache. Raises InputError when that cannot be written."""
    key = key_of("figures", circuit_key(unit), quality)
    folder = cache.find(key)
    if folder is not None:
        return BenchFigures(**json.loads((folder / _FILE).read_text("utf-8")))
    figures = bench_figures(unit, quality, progress)
    with cache.filling(key) as folder:
        (folder / _FILE).write_text(json.dumps(asdict(figures)), "utf-8")
    return figures


def bench_figures(unit: Unit, quality: str, progress: Progress) -> BenchFigures:
    """Measure a version; ``progress`` is called with the share done."""
    figures: dict[str, float | None] = dict.fromkeys(CONDITIONS)
    reasons: dict[str, str] = {}
    for done, (names, measure) in enumerate(_STEPS, start=1):
        try:
            figures.update(zip(names, measure(Bench(unit, quality), figures["threshold_dbu"]), strict=True))
        except FetsimError as error:
            reasons.update(dict.fromkeys(names, str(error)))
        progress(done / len(_STEPS))
    return BenchFigures(**figures, reasons=reasons)


def _threshold(bench: Bench, _: float | None) -> tuple[float]:
    banks = bench.unit.banks.values()
    closed = ["+".join(bank.closed) or "none" for bank in list(banks)[:1]]
    measured = measure_curve(
        bench.unit, switches=closed, levels_dbu=CURVE_DBU, frequency_hz=TONE_HZ, compare=False, quality=bench.quality
    )
    curve, cell_db = measured.curves[0].curve, measured.curves[0].cell_reduction_db
    found = curve.threshold_half_db_dbu
    if found is None:
        raise InputError(curve.reasons["threshold_half_db_dbu"])
    if bench.unit.gain_cell is not None and np.interp(found, curve.level_in_dbu, cell_db) < LEAST_OF_CELL_DB:
        raise InputError(f"the FET reduces nothing; at {found:.1f} dBu another stage runs out of level")
    return (found,)


def _timing(bench: Bench, threshold_dbu: float | None) -> tuple[float, float]:
    if threshold_dbu is None:
        raise InputError("no threshold, so there is nothing to time")
    run = bench.run()
    low = _gain_db(run, threshold_dbu - STEP_DB, BEFORE_S)
    high = _until_still(run, threshold_dbu + STEP_DB)
    back = _until_still(run, threshold_dbu - STEP_DB)
    return _t63_ms(bench, low, high), _t63_ms(bench, high[-len(low) :], back)


def _thd(bench: Bench, _: float | None) -> tuple[float]:
    period = whole_period(TONE_HZ, bench.rate_hz)
    output = settle(bench.run(), period.tone(TONE_DBU)).levels["output"]
    return (100.0 * harmonics(output, rate_hz=bench.rate_hz, fundamental_hz=period.frequency_hz).thd_f,)


_STEPS: tuple[tuple[tuple[str, ...], Callable[[Bench, float | None], tuple[float, ...]]], ...] = (
    (("threshold_dbu",), _threshold),
    (("attack_ms", "release_ms"), _timing),
    (("thd_percent",), _thd),
)


def _gain_db(run: Run, level_dbu: float, duration_s: float) -> Samples:
    return -run.play(tone(level_dbu, STEP_HZ, duration_s, run.bench.rate_hz))["gain_reduction_db"]


def _until_still(run: Run, level_dbu: float) -> Samples:
    """Gain from a step of level on until it has come to rest."""
    pieces = [_gain_db(run, level_dbu, PIECE_S)]
    while len(pieces) * PIECE_S < LONGEST_S:
        pieces.append(_gain_db(run, level_dbu, PIECE_S))
        if abs(np.mean(pieces[-1]) - np.mean(pieces[-2])) < STILL_DB:
            return np.concatenate(pieces)
    raise ConvergenceError(f"the gain has not come to rest after {LONGEST_S:g} s of a steady tone")


def _t63_ms(bench: Bench, before: Samples, after: Samples) -> float:
    step_s = len(before) / bench.rate_hz
    timed = step_timing(np.concatenate((before, after)), rate_hz=bench.rate_hz, step_s=step_s)
    if timed.t63_s is None:
        raise InputError(timed.reasons["t63_s"])
    return 1000.0 * timed.t63_s
