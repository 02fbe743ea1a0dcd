"""Every single fault of a unit, simulated once: what it does, which readings tell it from others, what fits best.

All faults are one topology (``schematic/faulty``), so they march side by side as builds of a unit do, at draft quality:
what a fault does is far above its error. The sound unit and, if asked, the unit at several ages go the same way; so do
builds of it within its tolerances, whose trims are set first, as those of a good unit are. What is done is kept
(``studies/spread/evaluate``).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.idle.tables import cautions_probing
from fetsim.measurements.results.care import HEARING
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.measurements.timing.procedure import step_levels_dbu
from fetsim.rig.processes import processes_of
from fetsim.rig.provenance import provenance
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.ageing import aged as aged_changes
from fetsim.schematic.fault_rates import read_rates
from fetsim.schematic.faults import Fault, faults_of
from fetsim.schematic.fields import suggestion
from fetsim.schematic.load import given_unit
from fetsim.schematic.spreads import spreads_of
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import fault_places
from fetsim.studies.builds.asked import SUPPLIES, Figure, figures_named, twice
from fetsim.studies.builds.figures import REST, Figures, figures_of
from fetsim.studies.builds.nominal import MARCHED, Nominal, nominal_of
from fetsim.studies.builds.patience import Patience
from fetsim.studies.faults.apart import distances, groups, likelihoods, misses
from fetsim.studies.faults.metered import under_meters
from fetsim.studies.faults.record import FaultsFound, Symptoms, column
from fetsim.studies.faults.symptoms import DEAD_DB, MINDED, OUT, symptom
from fetsim.studies.observed.plausible import check_plausible
from fetsim.studies.observed.readings import Reading, read_readings, reading_of, step_of
from fetsim.studies.spread.evaluate import evaluate
from fetsim.studies.spread.plan import check_count, plain_rows

DEFAULT_BUILDS, LEAST_BUILDS, SEED = 24, 3, 1
AGES = 5
"""At which a unit is shown, up to the one asked for."""
TIMES = ("attack", "release")
SLOWER = 10.0
"""Times the sound unit's slower one: what has not recovered by then is told as such."""
LEAST_S = 3.0
"""Of playing in which a level of a unit with a fault comes to rest, if it does."""
VOLTS = "volts"
NOISY = "noisy"
EXAMPLE = "such as threshold=-4+-1 or volts@ctl=-2V+-5%"


def faults(
    unit: Unit | str | Path,
    *,
    parts: Sequence[str] = (),
    mistakes: bool = False,
    figures: Iterable[str] | None = None,
    told_by: Iterable[str] | None = None,
    reported: Iterable[str] = (),
    readings: str | Path | Sequence[str | Path] = (),
    aged: float | None = None,
    builds: int = DEFAULT_BUILDS,
    rates: Path | None = None,
    quality: str = "draft",
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = unwatched,
    cache: UserCache | None = None,
) -> FaultsFound:
    """Simulate every single fault of a unit (``faults_of``), or of these ``parts``.

    ``figures`` by name, besides the volts at rest; left out: currents of the supplies, gain and its corners, noise, hum
    with mains, threshold, reduction and THD 10 dB over it, attack and release. ``told_by``: what the groups go by (all
    of them). ``reported`` (``NAME=VALUE+-ACCURACY``) and files of ``readings``: what was read of the unit on the
    bench, at its settings; the rows are sorted by how well they fit, weighed by how often such faults are (``rates``:
    a file in place of the library's figures). ``aged``: how old, 0 to 1. ``builds`` drawn from the unit's tolerances,
    trims set by its alignment, say what counts as changed; those whose trims are out of reach do not.

    Raises InputError for what cannot be asked, and ConvergenceError for a unit that does not come to rest itself.

    >>> import fetsim
    >>> found = fetsim.faults("teaching", parts=["A1", "R4"], figures=["gain"], builds=4, workers=1)
    >>> {row.name: row.word for row in found.rows}["A1=dead"]
    'no sound, everything else right'
    """
    check_count(builds, least=LEAST_BUILDS)
    processes_of(workers)
    asked = given_unit(unit)
    listed = _listed(asked, parts, mistakes, rates)
    read = _reported(asked, reported, readings)
    if read:
        check_plausible(read, [np.nan] * len(read), idle_point(asked).node_voltages_v.values())
    if aged is not None:
        aged_changes(asked, aged)
    ages = () if aged is None else tuple(float(share) for share in np.linspace(0.0, aged, AGES))
    of_age = [aged_changes(asked, share) for share in ages]
    start = asked.ready_for(_places(asked, [*(one.changes for one in listed), *of_age]))
    before, level, wanted = _figures(asked, figures, read, quality)
    names = _told_by(asked, wanted, told_by, read)
    begun = partial(
        nominal_of, start, quality=quality, curve_hz=CURVE_HZ, step_hz=STEP_HZ, before_dbu=before, level_dbu=level
    )
    nominal, still = _patient(begun(wanted)), begun(tuple(one for one in wanted if one.group not in MARCHED))
    drawn = spreads_of(asked)
    quantiles = plain_rows(range(builds), drawn.columns, SEED)
    heard = [one for one in listed if one.kind != NOISY]
    everything: list[Mapping[str, str | float]] = [{}, *of_age]
    everything += [one.changes for one in heard]
    run = partial(evaluate, workers=workers, scheduler=scheduler, cache=cache)
    builds_drawn = drawn.changes(quantiles)
    set_up = run(nominal, builds_drawn, trims=bool(asked.alignment), progress=progress)
    as_set = [{**changes, **row.trims} for changes, row in zip(builds_drawn, set_up, strict=True)]
    good = _set_up(asked, under_meters(set_up, read, asked, as_set))
    sound, *found = under_meters(run(nominal, everything, progress=progress), read, start, everything)
    hissing = [one.changes for one in listed if one.kind == NOISY]
    noisy = under_meters(run(still, hissing), read, start, hissing)
    by_name = dict(zip([one.name for one in heard], found[len(ages) :], strict=True))
    by_name |= {one.name: _as_sound(row, sound)
                for one, row in zip([one for one in listed if one.kind == NOISY], noisy, strict=True)}  # fmt: skip
    maker = _Maker(asked, wanted, sound, good)
    rows = [maker.symptoms(one.name, by_name[one.name]) for one in listed]
    scale = np.array([maker.scale(name, read) for name in names])
    table = np.array([column((maker.sound, *rows), name) for name in names]).T
    missed: Sequence[float] = ()
    shares: Sequence[float] = ()
    sound_miss = None
    if read:
        of_read = np.array([column((maker.sound, *rows), one.figure.key) for one in read]).T
        scales = [maker.scale(one.figure.key, read) for one in read]
        sound_miss, *missed = misses(of_read, [one.value for one in read], scales).tolist()
        shares = likelihoods(missed, len(read), [one.rate for one in listed]).tolist()
    numbers = groups(distances(table, scale)).tolist()
    order = sorted(range(len(rows)), key=lambda k: (-shares[k], missed[k], k)) if read else list(range(len(rows)))
    return FaultsFound(
        provenance=provenance(Bench(asked, quality).rig),
        figures=wanted,
        nodes=asked.nodes,
        sound=maker.sound,
        spread=maker.spread,
        builds=len(good),
        faults=tuple(listed[k] for k in order),
        rows=tuple(rows[k] for k in order),
        told_by=tuple(names),
        groups=tuple(numbers[1 + k] for k in order),
        reported=read,
        misses=tuple(missed[k] for k in order) if read else (),
        shares=tuple(shares[k] for k in order) if read else (),
        sound_miss=sound_miss,
        ages=ages,
        aged=tuple(maker.symptoms(f"{share:g}", row)
                   for share, row in zip(ages, found, strict=False)),
        cautions=(*cautions_probing(asked), HEARING),
    )  # fmt: skip


def _patient(nominal: Nominal) -> Nominal:
    """Waits for a build as long as what the sound unit takes makes sense of."""
    asked = tuple(one for one in nominal.figures if one.kind in ("gain", *TIMES))
    sound = figures_of(nominal.unit, replace(nominal, figures=asked)).found
    step_s = SLOWER * max((sound[name] for name in TIMES if name in sound), default=LEAST_S)
    return replace(nominal, patience=Patience(
        settling_s=max(LEAST_S, step_s), step_s=float(f"{step_s:.2g}"),
        least_gain_db=sound.get("gain", 0.0) - DEAD_DB,
    ))  # fmt: skip


def _set_up(unit: Unit, drawn: Sequence[Figures]) -> Sequence[Figures]:
    """Those that somebody would call good: whose trims came to what they are for, where enough of them did.

    Of the first 24 Dunlins 20: in the others the FET's bias is out of reach, a fault of its own. Without them release
    spreads by 11 % instead of 25, gain by 0.07 dB instead of 0.30."""
    good = [one for one in drawn if not any(unit.alignment[step].set in one.trims for step in one.missed)]
    return good if len(good) >= LEAST_BUILDS else drawn


def _as_sound(row: Figures, sound: Figures) -> Figures:
    """A noisy part changes nothing that is played in time, where noise is left out: that is the sound unit's."""
    if REST in row.reasons:
        return row
    return replace(row, found={**sound.found, **row.found}, reasons={**sound.reasons, **row.reasons})


class _Maker:
    """Rows of figures as symptoms against the sound unit and its spread."""

    def __init__(self, unit: Unit, figures: Sequence[Figure], sound: Figures, drawn: Sequence[Figures]) -> None:
        self._nodes, self._figures = unit.nodes, figures
        plain = [self._row("", row) for row in drawn]
        names = [*(one.key for one in figures), *(f"{VOLTS}@{node}" for node in unit.nodes)]
        self.spread = {name: _deviation(column(tuple(plain), name)) for name in names}
        self._sound_row = self._row("", sound)
        self.sound = self.symptoms("", sound)

    def symptoms(self, name: str, row: Figures) -> Symptoms:
        """With its plain word."""
        made, sound = self._row(name, row), self._sound_row
        off = {node: made.node_v[node] - sound.node_v[node] for node in self._nodes}
        wrong = [
            (node, volt) for node, volt in sorted(off.items(), key=lambda one: -abs(one[1]))
            if abs(volt) > max(OUT * self.spread[f"{VOLTS}@{node}"], MINDED[VOLTS])
        ]  # fmt: skip
        word = symptom(self._figures, sound.values, made.values, self.spread, volts=wrong, reasons=row.reasons)
        return Symptoms(name=name, values=made.values, node_v=made.node_v, reasons=row.reasons, word=word)

    def scale(self, name: str, read: Sequence[Reading]) -> float:
        """Accuracy with which a figure is read, as it was told or as a good meter has it, and its spread."""
        told = [one.accuracy for one in read if one.figure.key == name]
        value = float(column((self._sound_row,), name)[0])
        accuracy = told[0] if told else _usual_accuracy(name, value, self._figures)
        return float(np.hypot(accuracy, self.spread.get(name, 0.0)))

    def _row(self, name: str, row: Figures) -> Symptoms:
        values = {one.key: row.found.get(one.key, float("nan")) for one in self._figures}
        node_v = dict(zip(self._nodes, row.node_v.tolist(), strict=True))
        return Symptoms(name=name, values=values, node_v=node_v, reasons=row.reasons, word="")


USUAL = {"volts": (0.01, 1e-3), "gate": (0.01, 1e-3), "current": (0.02, 1e-6)}
"""Kind -> share of the value, and the least: of a good meter (own choice);"""
USUAL_DB, USUAL_SHARE = 0.2, 0.05
"""of levels and of all else."""


def _usual_accuracy(name: str, value: float, figures: Sequence[Figure]) -> float:
    kind = name.partition("@")[0]
    share, least = USUAL.get(kind, (USUAL_SHARE, 1e-12))
    unit = next((one.unit for one in figures if one.key == name), "")
    if unit in ("dB", "dBu"):
        return USUAL_DB
    return max(share * abs(value), least) if np.isfinite(value) else least


def _deviation(values: Array) -> float:
    """Half of what the middle 68 % take up: the standard deviation of a normal law, whatever the few builds do whose
    trim is out of reach."""
    known = values[np.isfinite(values)]
    return float(np.ptp(np.percentile(known, (15.87, 84.13)))) / 2.0 if known.size > 1 else 0.0


def _listed(unit: Unit, parts: Sequence[str], mistakes: bool, rates: Path | None) -> tuple[Fault, ...]:
    if isinstance(parts, str):
        raise InputError("parts: give a list of designators, not one text")
    known = {unit.own_name(name): name for name in parts}
    for name, given in known.items():
        if name not in unit.parts:
            raise InputError(f"part: no part named {given[:40]!r}{suggestion(given, unit.parts)}")
    found = faults_of(unit, mistakes=mistakes, rates=read_rates(rates))
    kept = tuple(one for one in found if not known or set(one.part.split("+")) & set(known))
    if not kept:
        raise InputError("faults: there is none of these parts; what is plugged in, and what has a fault, have none")
    return kept


def _places(unit: Unit, builds: Iterable[Mapping[str, str | float]]) -> set[str]:
    return {place for changes in builds if changes for place in fault_places(unit.changed(changes))}


def _reported(
    unit: Unit, texts: Iterable[str], files: str | Path | Sequence[str | Path]
) -> tuple[Reading, ...]:
    """What was read, on the command line and in a file, each figure once."""
    if isinstance(texts, str):
        raise InputError("reported: give a list of texts, not one")
    found = list(read_readings(files, unit) if files else ())
    for text in texts:
        name, sign, rest = (piece.strip() for piece in str(text).partition("="))
        value, _, accuracy = (piece.strip() for piece in rest.partition("+-"))
        if not (name and sign and value):
            raise InputError(f"reported: {str(text)[:60]!r} is not NAME=VALUE+-ACCURACY, {EXAMPLE}")
        try:
            found.append(reading_of({"figure": name, "value": value, "accuracy": accuracy}, unit))
        except InputError as error:
            raise InputError(f"reported: {str(text)[:60]!r}: {error}") from None
    seen: dict[object, Reading] = {}
    for one in found:
        if one.settings:
            told = ", ".join(f"{name}={value}" for name, value in one.settings.items())
            raise InputError(f"{one.where or 'reported'}: {one.figure.key} was read at {told}; faults are simulated at "
                             "the unit's own settings, so set them by --change and leave the column empty")  # fmt: skip
        first = seen.setdefault(one.figure.of, one)
        if first is not one:
            raise InputError(f"reported: {twice(first.figure, one.figure)}")
    return tuple(found)


def _figures(
    unit: Unit, names: Iterable[str] | None, read: Sequence[Reading], quality: str
) -> tuple[float | None, float | None, tuple[Figure, ...]]:
    """Levels of the step, and all that is measured; those of the unit's default set that it has."""
    before, level = step_of(read) or (None, None)
    if names is None:
        supplies = [part.designator for part in unit.parts.values() if part.kind in SUPPLIES]
        listed = [*(f"current@{name}" for name in supplies), "gain", "low_corner", "high_corner", "noise"]
        listed += ["hum"] if unit.mains else []
        if unit.gain_cell is not None:
            try:
                levels = step_levels_dbu(Bench(unit, quality), before, level, STEP_HZ)
                before, level = (round(dbu) for dbu in levels) if before is None else levels
                listed += ["threshold", f"reduction@{level:g}", f"thd@{level:g}", "attack", "release"]
            except InputError:  # one that has no threshold as it is set
                listed += ["thd@0"]
    else:
        listed = list(names) if not isinstance(names, str) else [names]
    wanted = figures_named([*listed, *(one.figure.key for one in read)], unit)
    return before, level, wanted


def _told_by(
    unit: Unit, figures: Sequence[Figure], names: Iterable[str] | None, read: Sequence[Reading]
) -> list[str]:
    if names is not None:
        asked = figures_named(names, unit)
        known = {one.key for one in figures}
        for one in asked:
            if one.key not in known and one.node is None:
                raise InputError(f"told by: {one.key} is not among the figures that are measured; name it there too")
        return [one.key if one.key in known else f"{VOLTS}@{one.node}" for one in asked]
    if read:
        return [one.figure.key for one in read]
    return [*(one.key for one in figures), *(f"{VOLTS}@{node}" for node in unit.nodes)]
