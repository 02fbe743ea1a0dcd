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
from fetsim.measurements.traces.in_step import InStep
from fetsim.measurements.traces.quiet import QuietFloor, quiet_floor
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.fault_words import is_fault
from fetsim.schematic.faults import faults_of
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import fault_places
from fetsim.studies.observed.heard import brought
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.observed.order import FAR_DB, check_order, left_db
from fetsim.studies.observed.plausible import check_volts
from fetsim.studies.observed.predict import Predicted, Samples, predict
from fetsim.studies.observed.readings import Reading
from fetsim.studies.spread.evaluate import Changes
from fetsim.studies.suspects.evidence import Sums
from fetsim.studies.suspects.gains import levels_db, window_of
from fetsim.studies.suspects.spectra import Look, Table, look_at, noise_of, smoothed

DIFFERENCES = "draft"
STEPS_DB: Mapping[str, float] = {"draft": -69.0, "standard": -91.0}
"""What the steps of time leave, re the output, of treble-rich strikes (README), by the quality of what differences are
taken from; that of the differences themselves is gone with these, as suspects are looked at from where they stand."""
FINER_DB = -100.0
SETTLES_S = 2.0
"""After the last sound, until a recording holds nothing but noise: releases are long."""
ASSUMED_DB = -50.0
"""Noise of a recording that has no quiet piece, re its own level, at the most (estimate): what its quietest piece has,
sound and all, is no less. Too much noise makes intervals wide, too little names wrong parts."""
NO_QUIET = (
    "{name}: has no quiet piece, so its noise is not known but taken for what its quietest one has, or 50 dB down; "
    "leave two seconds of silence before the music"
)
LEVELS = (0.01, 100.0)
"""Ends of the level that a recording may have against a build, re that against the unit as drawn."""
FINEST_DB = -80.0
"""No noise counts as less, re the recording's own level: what the solver leaves."""
MARGIN = 64
"""Samples that are cut at both ends of what a recording covers: another build may lie some beside."""
SAME_QUIET_S = 1e-3
"""Recordings that lie so near each other have the same quiet piece."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Heard:
    """One recording in step with what the unit as drawn plays."""

    recording: Recording
    step: InStep
    wet: Array
    """[shape=(n,)], its level that of the model where the real one is unknown"""
    model: Array
    """What the unit as drawn gives [shape=(n,)]."""
    first: int
    """Sample of the dry sound that both begin at."""
    gain: float
    """Of the real recording over ``wet``, negative where that is upside down."""
    floor: QuietFloor
    look: Look
    noise_db: float
    """Re the recording."""

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to think of before it is believed."""
        quiet = () if self.floor.read_from == "quiet" else (NO_QUIET.format(name=self.recording.name),)
        return (*self.step.warnings, *quiet)

    @property
    def seconds(self) -> float:
        return len(self.wet) / self.recording.rate_hz

    def level(self, difference: Array) -> float:
        """By which a build that differs so from the unit as drawn [shape=(n,)] must be louder to be the recording;
        negative where it must be turned over."""
        if self.recording.gain_sigma_db is not None:
            return 1.0
        played = self.model + difference
        power = float(played @ played)
        level = float(self.wet @ played) / power if power > 0.0 else 1.0
        return float(np.copysign(np.clip(abs(level), *LEVELS), level))

    def rows_of(self, other: "Heard") -> Array:
        """What another build leaves of the same stretch, as rows of this one: at the level that it has here."""
        return self.look.rows((other.wet - other.model) * other.gain / self.gain)

    @property
    def window(self) -> int:
        """Samples over which levels are taken."""
        return window_of(len(self.wet), self.recording.rate_hz)

    @cached_property
    def dry_db(self) -> Array:
        """Levels of the dry sound in such windows."""
        return levels_db(self.recording.dry[self.first : self.first + len(self.wet)], self.window)

    def fits(self, other: "Heard") -> bool:
        """Whether the other one is of the same stretch."""
        return (self.first, len(self.wet)) == (other.first, len(other.wet))

    def cut(self, output: Samples | Array) -> Array:
        """The part of a play that counts."""
        return np.asarray(output[self.first : self.first + len(self.wet)], dtype=np.float64)


def heard(
    recording: Recording, output: Array, like: Array | None = None, near: Heard | None = None
) -> Heard:
    """``output`` [shape=(n,)]: what the unit as drawn makes of its dry sound. ``like``: what a
    build makes of it that is more like the recording, which then has the place and the level of that one. ``near``:
    the same recording to another build, which saves looking for what does not depend on it. Raises InputError."""
    found = brought(recording, output, like, None if near is None else near.step)
    first = round(found.start_s * recording.rate_hz)
    model, wet = found.reference[:, 0], found.recording[:, 0]
    begins = 0 if near is None else near.first - first
    if near is not None and 0 <= begins <= len(wet) - len(near.wet):  # the same stretch
        cut = slice(begins, begins + len(near.wet))
        model, wet, first = model[cut], wet[cut], near.first
    else:
        model, wet, first = model[MARGIN:-MARGIN], wet[MARGIN:-MARGIN], first + MARGIN
    level_of = model if like is None else like[first : first + len(wet)]
    gain = 1.0 if recording.gain_sigma_db is not None else abs(float(wet @ level_of / (level_of @ level_of)))
    wet = wet / gain
    level = float(np.std(wet))
    if near is not None and abs(near.step.delay_s - found.delay_s) < SAME_QUIET_S:
        floor = near.floor
    else:
        floor = quiet_floor(
            recording.wet, played=recording.dry, rate_hz=recording.rate_hz, delay_s=found.delay_s,
            settling_s=SETTLES_S,
        )  # fmt: skip
    density = floor.noise_density / gain**2
    if floor.read_from != "quiet":
        density = np.minimum(density, _density(level, ASSUMED_DB, recording.rate_hz))
    density = smoothed(density, floor.frequency_hz) + _density(level, FINEST_DB, recording.rate_hz)
    look = look_at(
        model, recording.rate_hz, noise_of(density, floor.frequency_hz, len(model), recording.rate_hz),
        level_known=recording.gain_sigma_db is not None,
    )  # fmt: skip
    return Heard(
        recording=recording, step=found, wet=wet, model=model, first=first, gain=found.polarity[0] * gain, floor=floor,
        look=look,
        noise_db=float(10.0 * np.log10(np.mean(density) * 0.5 * recording.rate_hz / level**2)),
    )  # fmt: skip


def _density(level: float, below_db: float, rate_hz: float) -> float:
    """Power in 1 Hz of white noise so far below a level."""
    return level**2 * 10.0 ** (below_db / 10.0) / (0.5 * rate_hz)


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
        self, builds: Sequence[Changes], progress: Progress = unwatched, *, keep: bool = True, whole: bool = False
    ) -> list[Predicted]:
        """What builds give, in draft, for differences, or ``whole``: as what those are taken from. ``keep``: in the
        cache. Faults that need elements of their own are put into a unit that has places for all such elements, and
        what those do to a sound one is taken out again."""
        quality, plain = (self.quality, self.base) if whole else (DIFFERENCES, self.draft)
        ask = partial(predict, quality=quality, workers=self.workers, progress=progress, keep=keep)
        unit = self.observations.unit
        apart = [k for k, build in enumerate(builds) if _adds(unit, build)]
        found = dict(enumerate(ask(self.observations, builds))) if not apart else {}
        if apart:
            others = [k for k in range(len(builds)) if k not in apart]
            if others:
                found |= zip(others, ask(self.observations, [builds[k] for k in others]), strict=True)
            with_places = replace(self.observations, unit=unit.ready_for(self.places))
            (sound,) = ask(with_places, [{}], keep=True)
            rest = ask(with_places, [builds[k] for k in apart])
            found |= zip(apart, (_on_top(one, sound, plain) for one in rest), strict=True)
        return [found[k] for k in range(len(builds))]

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
            self, base=base, draft=draft or self.draft, heard=tuple(found), tables=self._tables(found),
            readings=np.zeros((len(self.readings), 0)),
        )  # fmt: skip

    def bare(self) -> "Columns":
        """The same without columns."""
        return replace(self, tables=self._tables(self.heard), readings=np.zeros((len(self.readings), 0)))

    def _tables(self, each: Sequence[Heard]) -> tuple[Table, ...]:
        return tuple(_table(one, STEPS_DB.get(self.quality, FINER_DB)) for one in each)

    @cached_property
    def places(self) -> tuple[str, ...]:
        """Elements that the single faults of the unit add."""
        unit = self.observations.unit
        return tuple(dict.fromkeys(
            place for fault in faults_of(unit) for place in fault_places(unit.changed(fault.changes))
        ))  # fmt: skip

    def difference(
        self, one: Predicted, origin: Predicted, step: float = 1.0, *, levelled: bool = False,
        drawn: "Columns | None" = None,
    ) -> "Column":  # fmt: skip
        """Between two builds over a step. ``levelled``: at the level that the recording has if that is put in, not at
        that of the build that all is counted from. ``drawn``: about which it has been made, if not about this build:
        what wires there make up for is gone."""
        outputs = []
        others = self.heard if drawn is None else drawn.heard
        for heard, about, output, other in zip(self.heard, others, one.outputs, origin.outputs, strict=False):
            if output is None or other is None:
                outputs.append(np.zeros(2 * len(heard.look.bins)))
                continue
            there = about if about.fits(heard) else heard
            difference = there.cut(output) - there.cut(other)
            rows = there.look.rows((there.level(difference) if levelled else 1.0) * difference / step)
            outputs.append(rows if there is heard else heard.look.without_wires(rows))
        return Column(readings=(one.readings - origin.readings) / step, rows=tuple(outputs))

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
    ask = partial(predict, every, workers=workers)
    (base,), (draft,) = ask([{}], quality=quality), ask([{}], quality=DIFFERENCES)
    if base.reasons and any(output is None for output in base.outputs):
        raise InputError(f"{observations.unit.name}: cannot be played: {'; '.join(base.reasons)}")
    check_volts(observations.readings, base.readings[[one.figure.kind == "volts" for one in every.readings]])
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


def _table(one: Heard, steps_db: float) -> Table:
    rows = one.look.rows(one.wet - one.model)
    return Table.of(one.look, rows, one.seconds, steps_db - one.noise_db)
