"""Figures of many builds of one unit: volts at rest, static thresholds, attack and release of each, in columns.

Builds are of one topology, so four of them march together in the lanes of a core; batches of them are worked in
processes, on this machine or on those behind a Dask scheduler. A figure depends neither on where its build was worked
out nor beside which others, bit for bit.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.crew import side_by_side
from fetsim.engine.lanes import WIDTH
from fetsim.engine.together import march_together
from fetsim.errors import InputError
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.rig.processes import processes_of, run_apart
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.load import given_unit
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.figures import FIGURES, Figures, figures_of
from fetsim.studies.builds.nominal import Nominal, nominal_of

LARGEST_BATCH = 32
"""Builds that a process works on at a time: enough that the lanes are seldom empty at the end of one."""
BATCHES_A_WORKER = 4
"""At least, where there are few builds, so that no worker waits long for another."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BuildFigures:
    """A row for each build, in the order in which they were given; NaN where ``reasons`` says why."""

    labels: tuple[str, ...]
    nodes: tuple[str, ...]
    node_v: Array
    """At rest, against ground [V; shape=(builds, nodes)]."""
    threshold_half_db_dbu: Array
    """Source level of the steady tone whose fundamental at the output is reduced by 0.5 dB [shape=(builds,)],"""
    threshold_2db_dbu: Array
    """and 2 dB."""
    attack_s: Array
    """From a step at the tone's upward zero crossing until 63 % of the fall of the gain in dB [shape=(builds,)],"""
    release_s: Array
    """and of its recovery after the step back."""
    reasons: Mapping[str, Mapping[str, str]]
    """Label -> figure (``rest`` for all of them) -> why it cannot be had; builds that have all are left out."""
    curve_hz: float
    step_hz: float
    before_dbu: float
    level_dbu: float
    """Source levels of the step, up from ``before_dbu`` and back."""


def figures_of_builds(
    builds: Mapping[str, Unit],
    *,
    nominal: Unit | None = None,
    curve_hz: float = CURVE_HZ,
    step_hz: float = STEP_HZ,
    before_dbu: float | None = None,
    level_dbu: float | None = None,
    quality: str = "standard",
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = unwatched,
) -> BuildFigures:
    """Measure each build (label -> unit), all of the topology of ``nominal`` (default: the first build as loaded).

    Volts at rest as ``idle_point`` has them, thresholds as ``measure_curve`` at ``curve_hz``, attack and release as
    ``measure_timing`` at ``step_hz``, from ``before_dbu`` to ``level_dbu``: by default from 10 dB under the nominal
    unit's own threshold to 10 dB over it, the same for all builds. ``workers``: processes of this machine (default:
    one a core). ``scheduler``: address of a Dask scheduler, whose workers do it instead.

    A figure that cannot be had is NaN, with its build's own message in ``reasons``. Raises InputError or
    ConvergenceError when the nominal unit has no such figures, or nobody can do the work.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> builds = {farad: unit.changed(C2=farad) for farad in ("120n", "180n")}
    >>> found = fetsim.figures_of_builds(builds, quality="draft", workers=1)
    >>> [f"{1e3 * release_s:.0f} ms" for release_s in found.release_s]
    ['41 ms', '61 ms']
    """
    if not builds:
        raise InputError("builds: there is none; give a label and a unit for each")
    if not isinstance(builds, Mapping) or not all(isinstance(unit, Unit) for unit in builds.values()):
        raise InputError("builds: must map labels to units, which fetsim.load_unit gives")
    units, at_work = list(builds.values()), processes_of(workers if scheduler is None else None)
    start = nominal_of(
        units[0].origin if nominal is None else given_unit(nominal), quality=quality, curve_hz=curve_hz,
        step_hz=step_hz, before_dbu=before_dbu, level_dbu=level_dbu,
    )  # fmt: skip
    size = min(LARGEST_BATCH, max(WIDTH, -(-len(units) // (BATCHES_A_WORKER * at_work))))
    batches = [units[first : first + size] for first in range(0, len(units), size)]
    done = run_apart(batches, partial(_batch, start), progress, workers=workers, scheduler=scheduler)
    return _columns(tuple(builds), [figures for batch in done for figures in batch], start)


def _batch(start: Nominal, units: list[Unit]) -> list[Figures]:
    """Side by side in the lanes of this process; compiled first, so that none of them begins in another way."""
    march_together([start.bench.run().simulation], [np.empty(0)])
    spare = [start.unit] * (WIDTH - len(units))  # few would be marched one by one
    found = side_by_side({k: partial(figures_of, unit, start) for k, unit in enumerate([*units, *spare])}, cores=1)
    return [found[k] for k in range(len(units))]


def _columns(labels: tuple[str, ...], rows: list[Figures], start: Nominal) -> BuildFigures:
    columns = {name: np.array([row.found.get(name, np.nan) for row in rows]) for name in FIGURES}
    return BuildFigures(
        labels=labels,
        nodes=start.unit.nodes,
        node_v=np.array([row.node_v for row in rows]),
        **columns,
        reasons={label: row.reasons for label, row in zip(labels, rows, strict=True) if row.reasons},
        curve_hz=start.curve_hz,
        step_hz=start.step_hz,
        before_dbu=start.before_dbu,
        level_dbu=start.level_dbu,
    )
