"""Which values give what is wished for: the optimum in exact values, then the preferred values around it.

Builds are measured by the same evaluator as those of ``spread``, many at a time, and kept in its cache; the
optimum (``optimum``) and the ranking of what can be bought (``preferred``) see arrays only.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.rig.processes import processes_of
from fetsim.rig.provenance import provenance
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.load import given_unit
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.figures import REST, Figures
from fetsim.studies.builds.nominal import Nominal, nominal_of
from fetsim.studies.builds.study import columns_of
from fetsim.studies.builds.tables import conditions
from fetsim.studies.spread.evaluate import evaluate
from fetsim.studies.spread.plan import check_count, check_seed
from fetsim.studies.spread.study import DEFAULT_SEED
from fetsim.studies.trims.aligned import aligned, check_asked
from fetsim.studies.wish.foretold import foretold
from fetsim.studies.wish.optimum import MOST_TRIED, Optimum, optimum
from fetsim.studies.wish.preferred import ALIKE, corrected, ranked, values_each
from fetsim.studies.wish.question import question_of
from fetsim.studies.wish.reasons import why_not
from fetsim.studies.wish.record import Combination, Wish
from fetsim.studies.wish.wants import Want, wants_of
from fetsim.studies.wish.ways import STEP, Way

DEFAULT_BEST, MOST_BEST = 3, 20
DEFAULT_BUILDS = 40
"""Of each combination: a 5th and a 95th percentile have two builds beyond them."""
SEARCH = 0.7
"""Of the time, that goes into finding combinations."""
TRIED = 16
"""Combinations of preferred values that are measured, at the least: those with the best prediction."""
Measure = Callable[[Sequence[Mapping[str, float]]], list[Figures]]


def wish(
    unit: Unit | str,
    wants: Iterable[str],
    may: Iterable[str],
    *,
    series: Iterable[str] = (),
    best: int = DEFAULT_BEST,
    figures: Iterable[str] | None = None,
    builds: int = DEFAULT_BUILDS,
    seed: int = DEFAULT_SEED,
    trims: bool = False,
    tone_steps: bool = False,
    curve_hz: float = CURVE_HZ,
    step_hz: float = STEP_HZ,
    before_dbu: float | None = None,
    level_dbu: float | None = None,
    quality: str = "standard",
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = unwatched,
    cache: UserCache | None = None,
) -> Wish:
    """Values of the parts and controls that ``may`` change with which a unit does what is wished for.

    ``wants``: figures by name (``studies/builds/asked.py``) as ``release=0.5s``, ``threshold=by -3dB``,
    ``attack=same``, with what is accepted behind it (``+-10%``), or ``threshold=-12..-9`` as a limit of ``spread``.
    ``may`` and ``series``: see ``ways_of``. ``best``: so many combinations. ``figures``: what else is told (default:
    the default figures of ``spread``). ``builds``: so many of each combination are drawn from its tolerances by
    ``seed``, to tell what they leave of it; 0 draws none. ``trims`` and ``tone_steps``: as in ``spread``; every unit
    that is measured has its trims set first. Other options as in ``figures_of_builds``; steps keep the levels of the
    present unit.

    Raises InputError for what cannot be asked, and where the present unit has not got what is wished for.

    >>> import fetsim
    >>> found = fetsim.wish("teaching", ["gain=by -1dB"], ["A1.gain"], figures=["loss"], quality="draft", workers=1)
    >>> found.changes(), found.found[0].met
    ({'A1': 22.28}, True)
    """
    nominal = given_unit(unit)
    check_asked(trims, tone_steps)
    check_count(builds, least=0)
    check_seed(seed)
    if trims:
        nominal, _ = aligned(nominal, tone_steps=tone_steps, quality=quality)
    asked = question_of(nominal, wants, may, series, figures)
    if not 1 <= best <= MOST_BEST:
        raise InputError(f"best: {best} combinations cannot be told; ask for 1 to {MOST_BEST}")
    processes_of(workers)
    start_of = partial(nominal_of, nominal, quality=quality, curve_hz=curve_hz, step_hz=step_hz)
    start = start_of(asked.wished, before_dbu=before_dbu, level_dbu=level_dbu)
    rows = partial(
        evaluate, trims=trims, tone_steps=tone_steps, workers=workers, scheduler=scheduler, cache=cache
    )  # fmt: skip
    tried = 0

    def measure(builds: Sequence[Mapping[str, float]]) -> list[Figures]:
        nonlocal tried
        found = rows(start, builds)
        tried += 1
        progress(SEARCH * (1.0 - 0.9 ** tried if tried < MOST_TRIED else 0.95))
        return found

    ways, present = asked.ways, _had(measure([{}])[0], asked.wished, nominal)
    targets = wants_of(asked.asked, present)
    place = _place(targets, ways, measure)
    chosen = _best(place, targets, ways, measure, best)
    exact = {way.name: way.travel.value(one) for way, one in zip(ways, place.way, strict=True)}
    values = [{way.name: way.travel.present for way in ways}, exact, *chosen]
    # steps of all figures together are between the same levels as those of the wishes alone: both are the unit's own
    whole = start_of(asked.figures, before_dbu=before_dbu, level_dbu=level_dbu)
    told = rows(whole, [{}, *values[1:]])
    before, ideal, *found = [
        _combination(one, row, whole, targets) for one, row in zip(values, told, strict=True)
    ]
    if builds:
        levels = {"before_dbu": start.before_dbu, "level_dbu": start.level_dbu}
        for number, one in enumerate(found):
            progress(SEARCH + (1.0 - SEARCH) * number / len(found))
            other = _with(nominal, ways, one.values)
            of_it = nominal_of(
                other, asked.wished, quality=quality, curve_hz=curve_hz, step_hz=step_hz, **levels
            )
            found[number] = replace(one, foretold=foretold(other, of_it, targets, builds, seed, rows))
    found.sort(key=partial(_rank, ways))
    progress(1.0)
    return Wish(
        provenance=provenance(start.bench.rig), unit=nominal, wants=targets, ways=ways, elsewhere=asked.other,
        present=before, exact=ideal, found=tuple(found), nodes=nominal.nodes, seed=seed, trims=trims,
        tone_steps=tone_steps,
        why=() if found[0].met else why_not(place, targets, ways, ideal),
        conditions=conditions(columns_of(tuple(map(str, range(len(told)))), told, whole)),
    )  # fmt: skip


def _with(unit: Unit, ways: Sequence[Way], values: Mapping[str, float]) -> Unit:
    changes = {way.name: values[way.name] for way in ways if values[way.name] != way.travel.present}
    return unit.changed(changes) if changes else unit


def _had(row: Figures, wished: Sequence[Figure], unit: Unit) -> Mapping[str, float]:
    for one in wished:
        if one.key not in row.found:
            why = row.reasons.get(one.key, row.reasons.get(REST, "it cannot be had"))
            raise InputError(f"want: {unit.name} has no {one.key} as it is, so nothing leads to a wished one: {why}")
    return row.found


def _place(targets: Sequence[Want], ways: Sequence[Way], measure: Measure) -> Optimum:
    """The optimum in exact values."""

    def misses(places: Sequence[Array]) -> Array:
        builds = [{way.name: way.travel.value(float(one)) for way, one in zip(ways, place, strict=True)}
                  for place in places]  # fmt: skip
        return np.array([_misses(row, targets) for row in measure(builds)])

    start, low, high = (np.array(ends) for ends in zip(*((w.travel.start, w.low, w.high) for w in ways), strict=True))
    return optimum(misses, start, low, high, STEP)


def _best(
    place: Optimum, targets: Sequence[Want], ways: Sequence[Way], measure: Measure, best: int
) -> list[dict[str, float]]:
    """Values of the best that can be had, measured."""
    each = values_each(sum(way.series is not None for way in ways))
    choices = [
        None if way.series is None else way.nearest(one, each) for way, one in zip(ways, place.way, strict=True)
    ]
    first = ranked(place, choices)[: max(TRIED, best)]
    found = _tried(first, targets, ways, measure)
    if None in choices:
        again = [corrected(one.place, np.nan_to_num(one.miss), place, choices) for one in found]
        found = [min(pair, key=lambda one: one.misfit)
                 for pair in zip(found, _tried(again, targets, ways, measure), strict=True)]  # fmt: skip
    return [one.values for one in sorted(found, key=partial(_rank, ways))[:best]]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Tried:
    """A combination that was measured."""

    place: Array
    values: dict[str, float]
    miss: Array
    met: bool

    @property
    def misfit(self) -> float:
        """Infinite where a figure could not be had."""
        size = float(np.sqrt(np.mean(self.miss**2)))
        return size if np.isfinite(size) else np.inf


def _tried(
    places: Sequence[Array], targets: Sequence[Want], ways: Sequence[Way], measure: Measure
) -> list[_Tried]:
    values = [
        {way.name: way.value(float(one)) for way, one in zip(ways, place, strict=True)} for place in places
    ]
    return [
        _Tried(place=place, values=one, miss=np.array(_misses(row, targets)), met=_met(row.found, targets))
        for place, one, row in zip(places, values, measure(values), strict=True)
    ]


def _misses(row: Figures, targets: Sequence[Want]) -> list[float]:
    return [one.miss(row.found.get(one.figure.key, np.nan)) for one in targets]


def _met(figures: Mapping[str, float], targets: Sequence[Want]) -> bool:
    return all(one.met(figures.get(one.figure.key, np.nan)) for one in targets)


def _rank(ways: Sequence[Way], one: _Tried | Combination) -> tuple[bool, float, int, float]:
    """What meets every wish first, then by the misfit; of those alike in it that which changes less."""
    changed = sum(one.values[way.name] != way.travel.present for way in ways)
    return not one.met, round(one.misfit, ALIKE), changed, one.misfit


def _combination(values: Mapping[str, float], row: Figures, whole: Nominal, targets: Sequence[Want]) -> Combination:
    figures = {one.key: row.found.get(one.key, np.nan) for one in whole.figures}
    return Combination(
        values=values, trims=row.trims, missed=row.missed, figures=figures, node_v=row.node_v,
        reasons={key: row.reasons.get(key, row.reasons.get(REST, "could not be had")) for key, one in figures.items()
                 if not np.isfinite(one)},
        misses={one.figure.key: one.miss(figures[one.figure.key]) for one in targets},
        met=_met(figures, targets),
    )  # fmt: skip
