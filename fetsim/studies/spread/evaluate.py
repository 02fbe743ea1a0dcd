"""Builds as lists of changes, measured: the one step of a study that touches the engine.

What is done is kept, batch by batch (``studies/kept.py``). A build that cannot even be made is a row with its reason.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial

from fetsim.engine.crew import side_by_side
from fetsim.engine.lanes import WIDTH
from fetsim.errors import FetsimError
from fetsim.files.user_cache import UserCache, user_cache
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.figures import Figures, failed
from fetsim.studies.builds.nominal import Nominal
from fetsim.studies.builds.study import measure_batch
from fetsim.studies.cache import PLAYS, key_of
from fetsim.studies.kept import Kept
from fetsim.studies.trims.aligned import Outcome, aligned, tone_starts
from fetsim.studies.trims.tones import ToneStart

KIND = "builds"
MEASURES = (
    *PLAYS, "measurements/**/*.py", "studies/builds/*.py", "studies/trims/*.py", "studies/kept.py",
    "studies/spread/evaluate.py",
)  # fmt: skip
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

    def ready() -> Callable[[Sequence[Changes]], list[Figures]]:
        starts = tone_starts(start.unit, start.quality) if tone_steps else None
        return partial(_measured, start, trims, starts)

    kept = Kept(cache=cache or user_cache(KIND, LARGEST_BYTES), workers=workers, scheduler=scheduler)
    return kept.rows(builds, ready, Figures, partial(_key, start, trims, tone_steps), progress)


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
    return key_of(*start.identity, trims, tone_steps, batch, source=MEASURES)
