"""What values, faults and far places do to all that is observed, as columns: the one module that touches the engine.

A column is the difference between a build and the unit as drawn, over the step by which the build differs. Differences
are of plays in draft, whose error moves along; what they are taken from is played in the quality that is asked for.
Beside what was observed the columns hold readings that nobody has taken yet, from which the next one is chosen.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.fault_words import is_fault
from fetsim.schematic.faults import faults_of
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import fault_places
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.order import FAR_DB, check_order, left_db
from fetsim.studies.observed.plausible import check_plausible
from fetsim.studies.observed.predict import Predicted, predict
from fetsim.studies.observed.readings import Reading
from fetsim.studies.spread.evaluate import Changes
from fetsim.studies.suspects.evidence import Sums
from fetsim.studies.suspects.recorded import Heard, heard
from fetsim.studies.suspects.set_up import SetUp
from fetsim.studies.suspects.spectra import Table, modes_of
from fetsim.studies.suspects.values import Value

DIFFERENCES = "draft"
TOLERANCE_V = 1e-4
"""To which steps of sound are solved: builds that hardly differ are told apart."""
STEPS_DB: Mapping[str, float] = {"draft": -69.0, "standard": -91.0}
"""What the steps of time leave, re the output, of treble-rich strikes (README), by the quality of what differences are
taken from; that of the differences themselves is gone with these, as suspects are looked at from where they stand."""
FINER_DB = -100.0


@dataclass(eq=False)
class Columns:
    """All columns so far, with the rows of every recording and reading."""

    observations: Observations
    base: Predicted
    """The unit as drawn in the quality that is asked for,"""
    draft: Predicted
    """and in draft."""
    heard: tuple[Heard, ...]
    taken: int
    """Readings that were taken: the first so many of the observations."""
    tables: tuple[Table, ...]
    """For each recording."""
    readings: Array
    """[shape=(readings, columns)]"""
    quality: str = "standard"
    """Of ``base``."""
    workers: int | None = None

    @property
    def count(self) -> int:
        return int(self.readings.shape[1])

    def in_step_with(self, builds: Sequence[Changes], progress: Progress = unwatched) -> "Columns":
        """The same, before there are any: recordings that are far from the unit as drawn lie to it as what comes
        nearest of these builds says."""
        return self.nearest(self.predicted(builds, progress)) if self.far else self

    @property
    def far(self) -> list[int]:
        """Recordings that are far from the unit as drawn."""
        return [k for k, one in enumerate(self.heard) if left_db(one.wet, one.model) > FAR_DB]

    def nearest(self, found: Sequence[Predicted]) -> "Columns":
        """The same as ``in_step_with``, of what builds give."""
        anew = list(self.heard)
        for k in self.far:
            one, drawn = self.heard[k], self.base.outputs[k]
            outputs = [np.asarray(each.outputs[k], np.float64) for each in found if each.outputs[k] is not None]
            nearest = min(outputs, key=lambda output: left_db(one.wet, one.cut(output)), default=None)
            if nearest is not None and left_db(one.wet, one.cut(nearest)) < left_db(one.wet, one.model):
                anew[k] = heard(one.recording, np.asarray(drawn, np.float64), nearest)
        return replace(self, heard=tuple(anew), tables=self._tables(anew))

    def predicted(
        self, builds: Sequence[Changes], progress: Progress = unwatched, *, keep: bool = True, whole: bool = False,
        read: Sequence[Changes] | None = None,
    ) -> list[Predicted]:  # fmt: skip
        """What builds give, in draft, for differences, or ``whole``: as what those are taken from. ``keep``: in the
        cache. ``read``: builds that differ by steps that readings take; these differ by steps that sound takes. Faults
        that need elements of their own are put into a unit that has places for all such elements, and what those do to
        a sound one is taken out again."""
        quality, plain = (self.quality, self.base) if whole else (DIFFERENCES, self.draft)
        unit, fine = self.observations.unit, read is not None

        def ask(observations: Observations, places: Sequence[int]) -> list[Predicted]:
            return predict(
                observations, [builds[k] for k in places], quality=quality, workers=self.workers, progress=progress,
                keep=keep, fine=fine, tolerance_v=TOLERANCE_V, read=read and [read[k] for k in places],
            )  # fmt: skip

        apart = [k for k, build in enumerate(builds) if _adds(unit, build)]
        others = [k for k in range(len(builds)) if k not in apart]
        found = dict(zip(others, ask(self.observations, others), strict=True)) if others else {}
        if apart:
            (sound,) = predict(self._with_places, [{}], quality=quality, workers=self.workers, tolerance_v=TOLERANCE_V,
                               fine=fine)  # fmt: skip
            rest = ask(self._with_places, apart)
            found |= zip(apart, (_on_top(one, sound, plain) for one in rest), strict=True)
        return [found[k] for k in range(len(builds))]

    def moved(self, setting: SetUp, progress: Progress = unwatched) -> list[Predicted]:
        """What each value of a unit makes by its step."""
        return self.predicted(setting.moved(), progress, read=setting.moved(coarse=True))

    def around(self, base: Predicted, draft: Predicted | None = None) -> "Columns":
        """Another one without columns, about a build: recordings in step with that. Raises InputError where one is
        nothing like it, or it has none of what was recorded and read."""
        taken = slice(0, self.taken)
        gone = np.isnan(base.readings[taken]) & ~np.isnan(self.base.readings[taken])
        if np.any(gone) or any(one is None for one in base.outputs):
            raise InputError("; ".join(base.reasons))
        found = [
            heard(one.recording, np.asarray(output, np.float64), near=one)
            for one, output in zip(self.heard, base.outputs, strict=True)
        ]
        return replace(
            self, base=base, draft=draft or self.draft, heard=tuple(found), tables=self._tables(found, lend=False),
            readings=np.zeros((len(self.readings), 0)),
        )  # fmt: skip

    def bare(self) -> "Columns":
        """The same without columns."""
        return replace(self, tables=self._tables(self.heard), readings=np.zeros((len(self.readings), 0)))

    def _tables(self, each: Sequence[Heard], *, lend: bool = True) -> tuple[Table, ...]:
        """``lend``: whether they will get columns."""
        return tuple(_table(one, STEPS_DB.get(self.quality, FINER_DB), lend=lend) for one in each)

    @cached_property
    def places(self) -> tuple[str, ...]:
        """Elements that the single faults of the unit add."""
        unit = self.observations.unit
        return tuple(dict.fromkeys(
            place for fault in faults_of(unit) for place in fault_places(unit.changed(fault.changes))
        ))  # fmt: skip

    @cached_property
    def _with_places(self) -> Observations:
        """The same observed of a unit that has places for all such elements."""
        return replace(self.observations, unit=self.observations.unit.ready_for(self.places))

    def difference(
        self, one: Predicted, origin: Predicted, value: Value | None = None, *, levelled: bool = False,
        drawn: "Columns | None" = None,
    ) -> "Column":  # fmt: skip
        """Between two builds, over the step of the value by which they differ. ``levelled``: at the level that the
        recording has if that is put in, not at that of the build that all is counted from. ``drawn``: about which it
        has been made, if not about this build: what wires there make up for is gone."""
        step, coarse = (1.0, 1.0) if value is None else (value.step, value.coarse)
        outputs = []
        others = self.heard if drawn is None else drawn.heard
        for mine, about, output, other in zip(self.heard, others, one.outputs, origin.outputs, strict=False):
            if output is None or other is None:
                outputs.append(np.zeros(2 * len(mine.look.bins)))
                continue
            there = about if about.fits(mine) else mine
            difference = there.cut(output) - there.cut(other)
            rows = there.look.rows((there.level(difference) if levelled else 1.0) * difference / step)
            outputs.append(rows if there is mine else mine.look.without_wires(rows))
        return Column(readings=(one.readings - origin.readings) / coarse, rows=tuple(outputs))

    def put(self, columns: Sequence["Column"]) -> None:
        """Add columns."""
        if columns:
            self.readings = np.column_stack([self.readings, *(one.readings for one in columns)])
            for k, table in enumerate(self.tables):
                table.put([one.rows[k] for one in columns])

    def only_read(self, readings: tuple[Reading, ...]) -> "Columns":
        """Of the same unit, without recordings, for other readings that nobody has taken."""
        found = replace(
            self, observations=replace(self.observations, readings=readings, recordings=()), heard=(), tables=(),
            taken=0, readings=np.zeros((len(readings), 0)),
        )  # fmt: skip
        if "places" in vars(self):
            vars(found)["places"] = self.places
        (found.draft,) = found.predicted([{}], keep=False)
        return found

    @property
    def _read(self) -> tuple[Array, Array]:
        """What readings that were taken differ by from the unit as drawn, and how well each is known."""
        taken = self.observations.readings[: self.taken]
        off = np.array([one.value for one in taken]) - self.base.readings[: self.taken]
        return off, np.array([one.accuracy for one in taken])

    def sums(self, about: "Columns | None" = None) -> list[Sums]:
        """What all data say of all columns, of what is left by the build that these are about, or by another one."""
        if about is None or about is self:
            found, about = [table.sums() for table in self.tables], self
        else:
            each = zip(self.tables, self.heard, about.heard, strict=True)
            found = [table.about(mine.rows_of(its)).sums() for table, mine, its in each]
        if self.taken:
            off, sigma = about._read
            kept = np.isfinite(off)
            found.append(Sums.of(np.nan_to_num(self.readings[: self.taken][kept]), off[kept], sigma[kept]))
        return found

    def bent(self, before: "Columns", after: "Columns", step: Array, shares: Array) -> "Columns":
        """With columns that give what one build after another differs by over a step (``Table.bent``)."""
        each = zip(self.tables, self.heard, before.heard, after.heard, strict=True)
        tables = tuple(
            table.bent(mine.rows_of(first) - mine.rows_of(then), step, shares) for table, mine, first, then in each
        )
        missed = after.base.readings - before.base.readings - np.nan_to_num(self.readings) @ step
        return replace(self, tables=tables, readings=self.readings + np.outer(np.nan_to_num(missed), shares))

    def picked(self, columns: Sequence[int]) -> "Columns":
        """With these columns alone, in this order."""
        tables = tuple(one.picked(columns) for one in self.tables)
        return replace(self, tables=tables, readings=self.readings[:, list(columns)])


def _adds(unit: Unit, build: Changes) -> bool:
    """Whether a build has elements that the unit has not."""
    faults = {name: value for name, value in build.items() if is_fault(value)}
    return bool(faults) and bool(fault_places(unit.changed(faults)))


def _on_top(one: Predicted, sound: Predicted, plain: Predicted) -> Predicted:
    """What a build differs from the sound unit of its topology by, put on the plain one."""
    outputs = [
        None if mine is None or its is None or base is None else (mine - its + base)
        for mine, its, base in zip(one.outputs, sound.outputs, plain.outputs, strict=True)
    ]
    return replace(one, readings=one.readings - sound.readings + plain.readings, outputs=tuple(outputs))


@dataclass(frozen=True, kw_only=True, eq=False)
class Column:
    """One column."""

    readings: Array
    rows: tuple[Array, ...]

    def plus(self, other: "Column", times: float) -> "Column":
        """With so much of another one."""
        return Column(
            readings=self.readings + times * other.readings,
            rows=tuple(mine + times * its for mine, its in zip(self.rows, other.rows, strict=True)),
        )


def columns_of(
    observations: Observations, candidates: Sequence[Reading], *, quality: str, workers: int | None = None
) -> Columns:
    """Without columns yet. Raises InputError where the unit as drawn cannot be had, or a recording is none of it."""
    every = replace(observations, readings=(*observations.readings, *candidates))
    base, draft = drawn_of(every, quality, workers)
    if base.reasons and any(output is None for output in base.outputs):
        raise InputError(f"{observations.unit.name}: cannot be played: {'; '.join(base.reasons)}")
    at_rest = [one.figure.kind == "volts" for one in every.readings]
    drawn = base.readings[: len(observations.readings)].tolist()
    check_plausible(observations.readings, drawn, base.readings[at_rest])
    found = []
    for recording, output in zip(observations.recordings, base.outputs, strict=True):
        assert output is not None
        found.append(heard(recording, np.asarray(output, dtype=np.float64)))
        check_order(observations, recording, found[-1].step, workers)
    bare = Columns(
        observations=every, base=base, draft=draft, heard=tuple(found), taken=len(observations.readings),
        tables=(), readings=np.zeros((len(every.readings), 0)), quality=quality, workers=workers,
    )  # fmt: skip
    return replace(bare, tables=bare._tables(found))


def drawn_of(observations: Observations, quality: str, workers: int | None = None) -> tuple[Predicted, Predicted]:
    """The unit as drawn: as it is, and in draft, for differences."""
    ask = partial(predict, observations, [{}], workers=workers, tolerance_v=TOLERANCE_V, fine=True)
    (base,), (draft,) = ask(quality=quality), ask(quality=DIFFERENCES)
    return base, draft


def _table(one: Heard, steps_db: float, *, lend: bool) -> Table:
    rows = one.look.rows(one.wet - one.model)
    modes = modes_of(one.look, one.model, one.recording.rate_hz) if lend else None
    return Table.of(one.look, rows, one.seconds, steps_db - one.noise_db, modes)
