"""A unit with something wrong that nobody knows of, and what a bench reads and records of it (``blind_trials``)."""

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "demo_audio"))
from make_demo import SEED, jingle

import fetsim
from fetsim.measurements.traces.instants import on_clock
from fetsim.schematic.faults import faults_of
from fetsim.schematic.movable import movable
from fetsim.schematic.spreads import spreads_of
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.observed.predict import Predicted, predict
from fetsim.studies.observed.readings import usual_accuracy
from fetsim.studies.suspects.columns import Columns, columns_of, drawn_of
from fetsim.studies.suspects.hypotheses import single_faults, single_values
from fetsim.studies.suspects.origins import Drawn
from fetsim.studies.suspects.record import NextReading
from fetsim.studies.suspects.set_up import set_up
from fetsim.studies.suspects.stands import reading_at
from fetsim.studies.suspects.study import AS_VALUES, candidates_of, with_chances
from fetsim.studies.suspects.values import values_of
from fetsim.studies.trims.aligned import aligned

RATE_HZ, PEAK_DBFS = 48000.0, -14.5
NOISE_DB, HUM_DB, HUM_HZ, CLOCK = -60.0, -70.0, 50.02, 20e-6
READ_WITHIN, METER = 0.03, 0.01
NODES, AT_HAND = 10, 20
"""That are read, of those that a probe gets at: the same in all trials of a unit."""
KINDS = ("single", "healthy", "law", "two")
FACTORS, BEYOND, USUAL_FACTOR = (1.2, 1.6), (5.0, 9.0), 0.34
"""By which values are off, or so many of their standard deviations where that is more, which no good one is; and the
logarithm of what is usual of that."""
CLEAR_DB = 10.0
"""Above the noise, an effect is clear."""
DRIFTS = 0.6
"""Share of the single trials in which a value is off; the others have a fault as drawn."""


def music(seconds: float) -> np.ndarray:
    """[shape=(n,)]"""
    sound = jingle(np.random.default_rng(SEED)).mean(axis=1)[: round(seconds * RATE_HZ)]
    return np.asarray(sound / np.max(np.abs(sound)) * 10.0 ** (PEAK_DBFS / 20.0))


class Bench:
    """A unit, and what values and faults do to volts and music, worked out once."""

    def __init__(self, name: str, *, faults: bool, seconds: float, quality: str, played: bool = True) -> None:
        plain = fetsim.load_unit(name)
        self.name = name
        self.read = [one for one in movable(plain) if one.startswith("J1.") and one.endswith(("i_dss", "voltage"))]
        self.unit = plain.changed({one: movable(plain)[one] for one in self.read})
        self.dry, self.quality = music(seconds), quality
        self.set_up = set_up(self.unit, *values_of(self.unit))
        self.values = self.set_up.values
        every = candidates_of(self.unit, (), ())
        at_hand = np.random.default_rng(20261127).permutation(len(every))[:AT_HAND]
        self.nodes = tuple(every[k] for k in sorted(at_hand))
        drawn = faults_of(self.unit) if faults else ()
        self.faults = [one for one in drawn if one.kind not in AS_VALUES and one.rate > 0.0]
        self.recordings = (Recording(dry=self.dry, wet=self.dry, rate_hz=RATE_HZ),) if played else ()
        self.every = Observations(unit=self.unit, readings=self.nodes, recordings=self.recordings)
        self.base, self.draft = drawn_of(self.every, quality, 1)
        columns = self._bare(self.every)
        self.builds = [*columns.moved(self.set_up), *columns.predicted([one.changes for one in self.faults])]
        self.places = columns.places
        self.why = ["; ".join(one.reasons) for one in self.builds[len(self.values) :]]
        singles = single_values(self.values, faults_of(self.unit))
        self.hypotheses = with_chances([*singles, *single_faults(self.faults, self.why, len(self.values))])

    def _bare(self, observations: Observations) -> Columns:
        return Columns(observations=observations, base=self.base, draft=self.draft, heard=(), taken=0, tables=(),
                       readings=np.zeros((len(self.nodes), 0)), quality=self.quality, workers=1)  # fmt: skip

    def drawn(self, wet: np.ndarray | None) -> Drawn:
        """The unit as drawn beside a recording, or none; no readings taken."""
        recordings = () if wet is None else (Recording(dry=self.dry, wet=wet, rate_hz=RATE_HZ),)
        seen = Observations(unit=self.unit, recordings=recordings)
        columns = columns_of(seen, self.nodes, quality=self.quality, workers=1)
        columns = columns.nearest(self.builds[len(self.values) :])
        plays = self.builds if recordings else [replace(one, outputs=()) for one in self.builds]
        return Drawn(columns=columns, set_up=self.set_up, plays=plays)

    def effect_db(self, k: int, times: float = 1.0) -> float:
        """What build k does to the sound, so many times, its level taken out, re the sound."""
        if not self.recordings or self.builds[k].outputs[0] is None:
            return -np.inf if self.recordings else np.inf
        drawn, made = (np.asarray(one.outputs[0], dtype=np.float64) for one in (self.draft, self.builds[k]))
        gain = float(made @ drawn / (made @ made)) if np.any(made) else 0.0
        moved = times * (gain * made - drawn) if 0.1 < gain < 10.0 else np.zeros(1)
        return 20.0 * float(np.log10(np.std(moved) / np.std(drawn) + 1e-9))

    def stages(self) -> list[tuple[list[str], list[Any]]]:
        """Resistors, capacitors and pots that a value can be wrong of, and faults as drawn, that are 10 dB above the
        noise of a recording by what the drawn unit does with them, stage by stage."""
        found: dict[str, tuple[list[str], list[Any]]] = {}
        least = NOISE_DB + CLEAR_DB
        for k, one in enumerate(self.values):
            if one.suspect and "." not in one.name and one.owner[0] in "RCP":
                if self.effect_db(k, USUAL_FACTOR / one.step) > least:
                    found.setdefault(self.unit.parts[one.owner].stage, ([], []))[0].append(one.name)
        for k, fault in enumerate(self.faults):
            part = self.unit.parts.get(fault.part)
            if part is not None and part.stage in found and self.effect_db(len(self.values) + k) > least:
                found[part.stage][1].append(fault)
        return list(found.values())


@dataclass(frozen=True, kw_only=True, eq=False)
class Hidden:
    """What nobody knows of."""

    sound: dict[str, Any]
    """The unit within its tolerances, its trims set, as changes,"""
    faulty: dict[str, Any]
    """and with what is wrong."""
    parts: list[str]
    factors: dict[str, float]
    """Value that is off -> over what is drawn."""


def hidden(bench: Bench, kind: str, number: int, rng: np.random.Generator) -> Hidden:
    """One of a kind. What is wrong goes through the stages in turns, by the number of the trial."""
    spreads = spreads_of(bench.unit)
    drawn: dict[str, Any] = spreads.changes(rng.random((1, spreads.columns)))[0]
    present = movable(bench.unit)
    drawn |= {name: present[name] * float(np.exp(READ_WITHIN * rng.normal())) for name in bench.read}
    _, outcomes = aligned(bench.unit.changed(drawn))
    drawn |= {one.set: one.value for one in outcomes if not one.left_out}  # controls and parts alike
    if kind == "healthy":
        return Hidden(sound=drawn, faulty=drawn, parts=[], factors={})
    stages = bench.stages()
    values, faults = stages[number % len(stages)]
    if kind == "single" and rng.random() > DRIFTS and faults:
        fault = faults[int(rng.integers(len(faults)))]
        kept = {name: value for name, value in drawn.items() if name.partition(".")[0] not in fault.changes}
        return Hidden(sound=drawn, faulty={**kept, **fault.changes}, parts=[fault.part], factors={})
    first = str(rng.choice(values))
    others = [name for each, _ in stages for name in each if name != first]
    chosen = [first, *([str(rng.choice(others))] if kind == "two" else [])]
    sigma = {one.name: one.sigma for one in bench.values}
    ways = {one: np.maximum(np.log(FACTORS), sigma[one] * np.array(BEYOND)) for one in chosen}
    factors = {one: float(np.exp(rng.uniform(*way) * rng.choice([-1.0, 1.0]))) for one, way in ways.items()}
    faulty = {**drawn, **{one: present[one] * factor for one, factor in factors.items()}}
    return Hidden(sound=drawn, faulty=faulty, parts=chosen, factors=factors)


def other_law(unit: Any) -> dict[str, float]:
    """Changes that take the cores' memory out and put another law into the FET."""
    fet = unit.parts["J1"].figures
    channel_ohm = abs(fet["pinch_off_voltage"]) / (2.0 * fet["i_dss"])
    changes = {"J1.ideality": 1.5, "J1.r_ds_on": 1.12 * channel_ohm}
    for name, part in unit.parts.items():
        if "initial_inductance" in part.values:
            changes[f"{name}.initial_inductance"] = 0.98 * part.values["magnetising"]
    return changes


def real_unit(bench: Bench, kind: str) -> Any:
    """As its file has it, but for its law."""
    return bench.unit.changed(other_law(bench.unit)) if kind == "law" else bench.unit


def truths(bench: Bench, kind: str, what: Hidden) -> tuple[Predicted, Predicted]:
    """What the real unit gives, and what it would if nothing were wrong with it."""
    unit = real_unit(bench, kind)
    real = replace(bench.every, unit=unit)
    added = any(isinstance(value, str) for value in what.faulty.values())
    builds = [what.sound] if added or what.faulty is what.sound else [what.sound, what.faulty]
    found = predict(real, builds, quality=bench.quality, workers=1, keep=False)
    if added:
        real = replace(real, unit=unit.ready_for(bench.places))
        found += predict(real, [what.faulty], quality=bench.quality, workers=1, keep=False)
    return found[-1], found[0]


def recorded(output: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """As an interface brings it back."""
    level = float(np.std(output)) or 1e-4
    padded = np.concatenate([np.zeros(int(2 * RATE_HZ)), output, np.zeros(int(RATE_HZ))])
    wet = on_clock(padded, delay_samples=RATE_HZ * rng.uniform(0.3, 1.0), clock=-CLOCK)
    at_s = np.arange(len(wet)) / RATE_HZ
    hum = sum(np.sin(2.0 * np.pi * HUM_HZ * k * at_s + rng.uniform(0.0, 6.28)) / k for k in (1, 2, 3, 4))
    wet = wet + rng.normal(size=len(wet)) * level * 10.0 ** (NOISE_DB / 20.0)
    wet = wet + hum / np.std(hum) * level * 10.0 ** (HUM_DB / 20.0)
    return np.asarray(wet * rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 1.0))


def read_of(drawn: Drawn, name: str, value: float) -> Drawn:
    """With one of the candidates taken, and what all builds make of it."""
    columns, order = drawn.columns, _order(drawn.columns, name)
    every = [columns.observations.readings[k] for k in order]
    every[columns.taken] = replace(every[columns.taken], value=value, accuracy=max(METER * abs(value), 1e-3))
    taken = replace(
        columns, observations=replace(columns.observations, readings=tuple(every)), taken=columns.taken + 1,
        base=_in_order(columns.base, order), readings=columns.readings[order], draft=_in_order(columns.draft, order),
    )  # fmt: skip
    return replace(drawn, columns=taken, plays=[_in_order(one, order) for one in drawn.plays])


def read_next(bench: Bench, kind: str, what: Hidden, drawn: Drawn, asked: NextReading, rng: np.random.Generator) -> (
        Drawn):  # fmt: skip
    """With a reading taken that was proposed, as usual meters have it, whatever the unit must be set to for it."""
    reading = reading_at(bench.unit, asked.figure, asked.settings)
    (real,) = predict(Observations(unit=real_unit(bench, kind), readings=(reading,)), [what.faulty], workers=1)
    accuracy = usual_accuracy(reading.figure, float(real.readings[0]))
    reading = replace(reading, value=float(real.readings[0]) + accuracy * float(rng.normal()), accuracy=accuracy)
    names = [one.name for one in drawn.columns.observations.readings]
    if reading.name in names:
        return read_of(drawn, reading.name, reading.value)
    there = drawn.columns.only_read((reading,))
    (base,) = there.predicted([{}], keep=False, whole=True)
    plays = [*there.moved(bench.set_up), *there.predicted([one.changes for one in bench.faults], keep=False)]
    columns, every = drawn.columns, list(drawn.columns.observations.readings)
    every.insert(columns.taken, reading)
    taken = replace(
        columns, observations=replace(columns.observations, readings=tuple(every)), taken=columns.taken + 1,
        base=_with(columns.base, base, columns.taken), draft=_with(columns.draft, there.draft, columns.taken),
        readings=np.insert(columns.readings, columns.taken, 0.0, axis=0),
    )  # fmt: skip
    both = zip(drawn.plays, plays, strict=True)
    return replace(drawn, columns=taken, plays=[_with(one, more, columns.taken) for one, more in both])


def _with(one: Predicted, more: Predicted, place: int) -> Predicted:
    """With the reading of another play in this place."""
    return replace(one, readings=np.insert(one.readings, place, more.readings[0]))


def _order(columns: Columns, name: str) -> list[int]:
    """Readings in the order in which one more is among those taken."""
    every = columns.observations.readings
    k = next(k for k, one in enumerate(every) if one.name == name)
    return [*range(columns.taken), k, *(n for n in range(columns.taken, len(every)) if n != k)]


def _in_order(play: Predicted, order: list[int]) -> Predicted:
    return replace(play, readings=play.readings[order])
