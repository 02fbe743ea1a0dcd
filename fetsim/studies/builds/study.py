"""Figures of many builds of one unit: volts at rest and whatever else is asked for, in columns.

Builds are of one topology, so four of them march together in the lanes of a core; batches of them are worked in
processes, on this machine or on those behind a Dask scheduler. A figure depends neither on where its build was worked
out nor beside which others, bit for bit.
"""

from collections.abc import Iterable, Mapping, Sequence
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
from fetsim.rig.provenance import provenance
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.load import given_unit
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import DEFAULT_FIGURES, figures_named
from fetsim.studies.builds.figures import Figures, figures_of
from fetsim.studies.builds.nominal import Nominal, nominal_of
from fetsim.studies.builds.results import BuildFigures
from fetsim.studies.kept import LARGEST_BATCH

BATCHES_A_WORKER = 4
"""At least, where there are few builds, so that no worker waits long for another."""


def figures_of_builds(
    builds: Mapping[str, Unit],
    *,
    figures: Iterable[str] = DEFAULT_FIGURES,
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

    ``figures`` by name (``studies/builds/asked.py``), besides the volts at rest; thresholds and tones are at
    ``curve_hz``, steps for attack and release at ``step_hz``, from ``before_dbu`` to ``level_dbu``: by default from
    10 dB under the nominal unit's own threshold to 10 dB over it, the same for all builds. ``workers``: processes of
    this machine (default: one a core). ``scheduler``: address of a Dask scheduler, whose workers do it instead.

    A figure that cannot be had is NaN, with its build's own message in ``reasons``. Raises InputError or
    ConvergenceError when there is no such figure, the nominal unit has it not, or nobody can do the work.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> builds = {farad: unit.changed(C2=farad) for farad in ("120n", "180n")}
    >>> found = fetsim.figures_of_builds(builds, figures=["release"], quality="draft", workers=1)
    >>> [f"{1e3 * release_s:.0f} ms" for release_s in found.columns["release"]]
    ['41 ms', '61 ms']
    """
    if not builds:
        raise InputError("builds: there is none; give a label and a unit for each")
    if not isinstance(builds, Mapping) or not all(isinstance(unit, Unit) for unit in builds.values()):
        raise InputError("builds: must map labels to units, which fetsim.load_unit gives")
    units, at_work = list(builds.values()), processes_of(workers if scheduler is None else None)
    first = units[0].origin if nominal is None else given_unit(nominal)
    start = nominal_of(
        first, figures_named(figures, first), quality=quality, curve_hz=curve_hz, step_hz=step_hz,
        before_dbu=before_dbu, level_dbu=level_dbu,
    )  # fmt: skip
    size = min(LARGEST_BATCH, max(WIDTH, -(-len(units) // (BATCHES_A_WORKER * at_work))))
    batches = [units[k : k + size] for k in range(0, len(units), size)]
    done = run_apart(batches, partial(measure_batch, start), progress, workers=workers, scheduler=scheduler)
    return columns_of(tuple(builds), [figures for batch in done for figures in batch], start)


def measure_batch(start: Nominal, units: Sequence[Unit]) -> list[Figures]:
    """Side by side in the lanes of this process; compiled first, so that none of them begins in another way."""
    if start.marches:
        march_together([start.bench.run().simulation], [np.empty(0)])
    spare = [start.unit] * (WIDTH - len(units) if start.marches else 0)  # few would be marched one by one
    found = side_by_side({k: partial(figures_of, unit, start) for k, unit in enumerate([*units, *spare])}, cores=1)
    return [found[k] for k in range(len(units))]


def columns_of(labels: tuple[str, ...], rows: list[Figures], start: Nominal) -> BuildFigures:
    """Rows of single builds, in the order of their labels, as one record."""
    return BuildFigures(
        provenance=provenance(start.bench.rig),
        labels=labels,
        figures=start.figures,
        nodes=start.unit.nodes,
        node_v=np.array([row.node_v for row in rows]).reshape(len(rows), -1),
        columns={one.key: _column(rows, one.key) for one in start.figures},
        reasons={label: row.reasons for label, row in zip(labels, rows, strict=True) if row.reasons},
        curve_hz=start.curve_hz,
        step_hz=start.step_hz,
        before_dbu=start.before_dbu,
        level_dbu=start.level_dbu,
    )


def _column(rows: list[Figures], key: str) -> Array:
    return np.array([row.found.get(key, np.nan) for row in rows])
