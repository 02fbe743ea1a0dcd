"""Four figures of a version at its own setting, enough to say what a change did; ``fetsim measure`` has more.

Each is taken at levels that suit the version (its threshold) or that are the same for all (distortion). A figure
that cannot be had is None with the reason in words, never a stand-in.
"""

import json
from dataclasses import asdict

import numpy as np

from fetsim.errors import FetsimError
from fetsim.files.user_cache import UserCache
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import threshold_dbu
from fetsim.measurements.distortion.procedure import measure_distortion
from fetsim.measurements.timing.procedure import StepAnswer, measure_timing
from fetsim.schematic.unit import Unit
from fetsim.studies.cache import MEASURES, key_of
from fetsim.studies.compare.comparison import BenchFigures
from fetsim.studies.compare.takes import Progress, circuit_key

TONE_HZ, TONE_DBU = 1000.0, 0.0  # the alignment signal of ITU-R BS.645
STEP_HZ, STEP_DB, PHASES = 5000.0, 10.0, 8
CONDITIONS = {
    "threshold_dbu": f"level of a steady {TONE_HZ / 1000:g} kHz tone at the input that gets 0.5 dB of gain reduction "
    "in the FET's divider, mean over the cycle; the static curve reads the output's fundamental instead",
    "attack_ms": f"63 % of the fall of the gain in dB, when a {STEP_HZ / 1000:g} kHz tone steps from {STEP_DB:g} dB "
    f"under the version's own threshold to {STEP_DB:g} dB over it; mean of {PHASES} phases of the step "
    "(instants within the tone's cycle). fetsim measure timing tells it for a step at the zero crossing, with least "
    "and most",
    "release_ms": "63 % of the recovery of the gain in dB, after the step back",
    "thd_percent": f"harmonics over fundamental at the output, steady {TONE_HZ / 1000:g} kHz at {TONE_DBU:g} dBu",
}
"""How each figure is taken, by its name in ``BenchFigures``."""

_FILE = "figures.json"


def kept_figures(cache: UserCache, unit: Unit, quality: str, progress: Progress) -> BenchFigures:
    """Measure a version, or fetch its figures from the cache. Raises InputError when that cannot be written."""
    key = key_of("figures", circuit_key(unit), quality, source=MEASURES)
    folder = cache.find(key)
    if folder is not None:
        try:
            figures = BenchFigures(**json.loads((folder / _FILE).read_text("utf-8")))
            progress(1.0)
            return figures
        except (OSError, ValueError, TypeError):
            cache.drop(key)
    figures = bench_figures(unit, quality, progress)
    with cache.filling(key) as folder:
        (folder / _FILE).write_text(json.dumps(asdict(figures)), "utf-8")
    return figures


def bench_figures(unit: Unit, quality: str, progress: Progress) -> BenchFigures:
    """Measure a version; ``progress`` is called with the share done."""
    figures: dict[str, float | None] = dict.fromkeys(CONDITIONS)
    reasons: dict[str, str] = {}

    def fill(share: float, **found: float | str) -> None:
        figures.update({name: None if isinstance(value, str) else value for name, value in found.items()})
        reasons.update({name: value for name, value in found.items() if isinstance(value, str)})
        progress(share)

    try:
        threshold = threshold_dbu(Bench(unit, quality), TONE_HZ)
        fill(0.5, threshold_dbu=threshold)
        timed = measure_timing(
            unit, before_dbu=threshold - STEP_DB, level_dbu=threshold + STEP_DB, frequency_hz=STEP_HZ, phases=PHASES,
            quality=quality, progress=lambda share: progress(0.5 + 0.4 * share),
        ).settings[0]  # fmt: skip
        fill(0.9, attack_ms=_t63_ms(timed.attack), release_ms=_t63_ms(timed.release))
    except FetsimError as error:
        fill(0.9, **{name: str(error) for name in list(CONDITIONS)[:3] if figures[name] is None})
    try:
        tone = measure_distortion(unit, levels_dbu=[TONE_DBU], two_tones=False, with_noise=False, quality=quality)
        fill(1.0, thd_percent=100.0 * tone.tones[0].thd_f)
    except FetsimError as error:
        fill(1.0, thd_percent=str(error))
    return BenchFigures(**figures, reasons=reasons)


def _t63_ms(answer: StepAnswer) -> float | str:
    found = [timing.t63_s for timing in answer.timings if timing.t63_s is not None]
    why = answer.spreads["t63_s"].reason
    return 1000.0 * float(np.mean(found)) if found or why is None else why.text
