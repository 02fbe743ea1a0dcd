"""Builds as lists of changes, measured: the one step of a study that touches the engine.

What is done is kept in the user's cache, batch by batch, under a hash of all that it depends on: a study that was
interrupted and is asked again goes on from there, to the same figures bit for bit. A build that cannot even be made
is a row with its reason.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import orjson

from fetsim.engine.crew import side_by_side
from fetsim.engine.lanes import WIDTH
from fetsim.errors import FetsimError
from fetsim.files.user_cache import UserCache, user_cache
from fetsim.rig.processes import run_apart
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.figures import Figures, failed
from fetsim.studies.builds.nominal import Nominal
from fetsim.studies.builds.study import LARGEST_BATCH, measure_batch
from fetsim.studies.cache import PLAYS, key_of
from fetsim.studies.trims.aligned import Outcome, aligned, tone_starts
from fetsim.studies.trims.toned import ToneStart

KIND = "builds"
MEASURES = (*PLAYS, "measurements/**/*.py", "studies/builds/*.py", "studies/trims/*.py", "studies/spread/evaluate.py")
LEAST_BATCH, FEW_BATCHES = 4, 16
"""Batches do not depend on the workers, so that others find them again."""
ROWS = "rows.json"
LARGEST_BYTES = 500_000_000

Changes = Mapping[str, str | float]


def evaluate(
    start: Nominal,
    builds: Sequence[Changes],
    *,
    trims: bool = False,
    tone_steps: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = unwatched,
    cache: UserCache | None = None,
) -> list[Figures]:
    """Figures of builds, each the nominal unit with changes, with ``trims`` set before it is measured: those steps of
    its alignment that need no tone, with ``tone_steps`` the others too. Raises InputError where nobody can do the
    work."""
    kept = cache or user_cache(KIND, LARGEST_BYTES)
    size = batch_size(len(builds))
    batches = [list(builds[first : first + size]) for first in range(0, len(builds), size)]
    keys = [_key(start, trims, tone_steps, batch) for batch in batches]
    found = {number: rows for number, key in enumerate(keys) if (rows := _fetched(kept, key)) is not None}
    left = [number for number in range(len(batches)) if number not in found]
    done_before = len(found)

    def arrived(place: int, rows: list[Figures]) -> None:
        found[left[place]] = rows
        _keep(kept, keys[left[place]], rows)

    def told(share: float) -> None:
        progress((done_before + share * len(left)) / len(batches))

    if left:
        progress(done_before / len(batches))
        jobs = [batches[number] for number in left]
        starts = tone_starts(start.unit, start.quality) if tone_steps else None
        work = partial(_measured, start, trims, starts)
        run_apart(jobs, work, told, workers=workers, scheduler=scheduler, arrived=arrived)
        kept.trim()
    else:
        progress(1.0)
    return [row for number in range(len(batches)) for row in found[number]]


def batch_size(builds: int) -> int:
    """Of a study of so many builds: whole packs of lanes."""
    each = -(-builds // FEW_BATCHES)
    return min(LARGEST_BATCH, max(LEAST_BATCH, LEAST_BATCH * -(-each // LEAST_BATCH)))


def _measured(
    start: Nominal, trims: bool, starts: Mapping[str, ToneStart] | None, batch: Sequence[Changes]
) -> list[Figures]:
    """``starts``: where the nominal unit has the tones of its alignment; None where the steps that need one are left
    out."""
    make = partial(_made, start, trims, starts)
    spare: list[Changes] = [{}] * (WIDTH - len(batch) if starts else 0)  # few would be marched one by one
    made = side_by_side({number: partial(make, one) for number, one in enumerate([*batch, *spare])}, cores=1)
    units = {number: made[number][0] for number in range(len(batch))}
    ready = {number: unit for number, unit in units.items() if isinstance(unit, Unit)}
    rows = dict(zip(ready, measure_batch(start, list(ready.values())), strict=True))
    rows |= {number: failed(start, unit) for number, unit in units.items() if isinstance(unit, str)}
    return [_with_trims(rows[number], made[number][1]) for number in range(len(batch))]


def _made(
    start: Nominal, trims: bool, starts: Mapping[str, ToneStart] | None, changes: Changes
) -> tuple[Unit | str, list[Outcome]]:
    """A build with its trims set, or why there is none, and what came of the steps."""
    try:
        unit = start.unit.changed(changes) if changes else start.unit
        if not trims:
            return unit, []
        return aligned(
            unit, near=start.bench.rig, tone_steps=starts is not None, quality=start.quality, starts=starts or {}
        )
    except FetsimError as error:
        return str(error), []


def _with_trims(row: Figures, outcomes: Sequence[Outcome]) -> Figures:
    settings = {one.set: one.value for one in outcomes if not one.left_out}
    return replace(row, trims=settings, missed={one.step: one.why for one in outcomes if not one.reached})


def _key(start: Nominal, trims: bool, tone_steps: bool, batch: Sequence[Changes]) -> str:
    asked = [one.key for one in start.figures]
    levels = (start.curve_hz, start.step_hz, start.before_dbu, start.level_dbu)
    return key_of(start.unit.digest, asked, start.quality, *levels, trims, tone_steps, batch, source=MEASURES)


def _keep(cache: UserCache, key: str, rows: Sequence[Figures]) -> None:
    plain = [vars(row) for row in rows]
    with cache.filling(key) as folder:
        (folder / ROWS).write_bytes(orjson.dumps(plain, option=orjson.OPT_SERIALIZE_NUMPY))


def _fetched(cache: UserCache, key: str) -> list[Figures] | None:
    """What is kept under a key; None where there is nothing, or what is damaged."""
    folder = cache.find(key)
    if folder is None:
        return None
    try:
        return [_row(one) for one in orjson.loads(Path(folder / ROWS).read_bytes())]
    except (OSError, ValueError, KeyError, TypeError):
        cache.drop(key)
        return None


def _row(kept: Mapping[str, Any]) -> Figures:
    node_v = np.array([np.nan if volt is None else volt for volt in kept["node_v"]], dtype=np.float64)
    return Figures(**{**kept, "node_v": node_v})
