"""What is worked out beside the sound: figures of the present state, loudness of a setting, a compile, a comparison.

Each is a function of a module with plain arguments, as ``background`` hands them to its processes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fetsim.audio.loudness import integrated_lufs, loudness_blocks
from fetsim.audio.render import render
from fetsim.engine.assembly import Array
from fetsim.errors import FetsimError
from fetsim.measurements.curve.procedure import closed_switches, measure_curve
from fetsim.rig.rig import Rig
from fetsim.schematic.unit import Unit
from fetsim.studies.compare.figures import bench_figures
from fetsim.studies.compare.study import compare

LEVELS_DBU = np.arange(-30.0, 21.0, 5.0)
QUALITY = "draft"
"""Of figures beside the sound: within 0.002 dB and 1 % of standard on the Dunlin (``rig.quality``)."""
LOUDNESS_S = 30.0
"""Of the loop, at the most."""


@dataclass(frozen=True, kw_only=True)
class Figures:
    """Of one state of the unit; None where a figure cannot be had."""

    threshold_dbu: float | None
    attack_ms: float | None
    release_ms: float | None
    thd_percent: float | None
    input_dbu: tuple[float, ...]
    output_dbu: tuple[float, ...]
    """Of the static curve at 1 kHz; empty where there is none."""
    reasons: tuple[str, ...]


def figures_of(unit: Unit) -> Figures:
    """Threshold, attack, release, distortion as a comparison has them, and the static curve."""
    one = bench_figures(unit, QUALITY, lambda share: None)
    reasons = list(dict.fromkeys(one.reasons.values()))
    entered: tuple[float, ...] = ()
    left: tuple[float, ...] = ()
    try:
        switches = [closed_switches(unit)] if unit.banks else None
        curve = measure_curve(unit, switches=switches, levels_dbu=LEVELS_DBU, compare=False, quality=QUALITY)
        entered, left = (
            tuple(map(float, values)) for values in (curve.curves[0].curve.level_dbu, curve.curves[0].curve.output_dbu)
        )
    except FetsimError as error:
        reasons.append(str(error))
    return Figures(
        threshold_dbu=one.threshold_dbu, attack_ms=one.attack_ms, release_ms=one.release_ms,
        thd_percent=one.thd_percent, input_dbu=entered, output_dbu=left, reasons=tuple(reasons),
    )  # fmt: skip


def loudness_of(unit: Unit, samples: Array, rate_hz: int) -> float | None:
    """Integrated loudness [LUFS] of what the unit makes of ``samples`` [shape=(n, channels)]; None for silence.

    From rest, so that the first instants count as they come: the same for all settings.
    """
    played = render(samples[: int(LOUDNESS_S * rate_hz)], rate_hz, unit=unit, quality=QUALITY, segments=False)
    output = np.asarray(played.output).reshape(len(played.output), -1)
    return integrated_lufs(loudness_blocks(output, rate_hz))


def compile_for(units: Sequence[Unit], quality: str, rate_hz: float) -> None:
    """Leave the solvers of these units in the user's cache."""
    for unit in units:
        _ = Rig(unit, quality, rate_hz).prepared


def compared(
    source: Path, unit: Unit, versions: Mapping[str, Mapping[str, str | float]], folder: Path, quality: str
) -> str:
    """A folder to listen to, as ``fetsim compare`` writes it; its path. Raises InputError where it is there already."""
    from fetsim.report.pages.compare import write_comparison_page

    compare(source, versions, folder=folder, unit=unit, quality=quality, pages=[write_comparison_page])
    return str(folder)
