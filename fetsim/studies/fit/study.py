"""Values of a real unit: those with which the model agrees best with what was read and recorded of it.

The greatest of posterior densities (maximum a posteriori): least squares, each difference over its standard deviation,
with tolerances for what is known before. Intervals are those of the normal law at the optimum, or of the profile
where that is lopsided; where differences of a recording hang together in time, as those of a wrong model do, or
readings leave over more than their accuracies, what they know is divided by that ``excess``. Of a value whose readings
contradict each other nothing is known but what was before.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.rig.processes import processes_of
from fetsim.rig.provenance import provenance
from fetsim.rig.quality import quality_named
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, unwatched
from fetsim.studies.fit.free import Free, draws_of, frees_of
from fetsim.studies.fit.known import (
    LOPSIDED_SIGMA,
    NORMAL_95,
    correlations_of,
    covariance_of,
    end_of,
    groups_of,
    profile_places,
)
from fetsim.studies.fit.problem import DB_A_NEPER, Fitting
from fetsim.studies.fit.record import Checked, Fit, Residual, Value
from fetsim.studies.fit.search import Found, search
from fetsim.studies.observed.heard import brought
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.order import FAR_DB, check_order
from fetsim.studies.observed.predict import Predicted
from fetsim.studies.observed.sums import Sums

DRAWS = 15
"""Places of what is known before that are looked at beside the file's, before a search begins."""
NEAR_ENOUGH = 0.1
"""Standard deviations squared that a step from afar may still promise."""
TRIED = 2.0
"""Standard deviations off at which an interval is looked at."""
BEYOND = 3.0
FARTHEST_OFF = 300.0
"""A reading so many times what the unit gives has its unit written wrong, or the unit is another one."""
LEAST_COMPARED_V = 1e-3
"""Volts of less are nobody's unit."""
Levels = list[tuple[Sums, Array, Array]]


def fit(
    observations: Observations,
    free: Iterable[str],
    *,
    others: bool = False,
    quality: str = "standard",
    workers: int | None = None,
    progress: Progress = unwatched,
    cache: UserCache | None = None,
) -> Fit:
    """Find the values ``free`` (``R12``, ``J1.i_dss``, ``release``; ``R12=any`` and ``R12=47k..150k`` for what is not
    within its tolerance) of the observed unit.

    ``others``: all other parts vary along within their tolerances, so that their spread is in the intervals too; that
    takes two plays more for each, whose slope is taken once, where the named ones have come to. Raises InputError for
    what cannot be asked: more unknowns than readings, recordings that do not resemble, readings with a wrong unit;
    ConvergenceError for a unit that does not come to rest.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> row = {"figure": "volts@ctl", "value": "-4.7V", "accuracy": "5mV", "meter": "none"}
    >>> observed = fetsim.Observations(unit=unit, readings=(fetsim.reading_of(row, unit),))
    >>> found = fetsim.fit(observed, ["V2=-6V..-4V"])
    >>> f"{found.values[0].value:.2f} V"
    '-4.70 V'
    """
    quality_named(quality)
    processes_of(workers)
    unit = observations.unit
    named = tuple(free) if not isinstance(free, str) else free
    frees, prior = frees_of(named, unit)
    _enough(observations, frees)
    told = _share(progress, 0.0, 0.5) if others else progress
    problem = Fitting(observations, frees, prior, quality=quality, workers=workers, progress=told, cache=cache)
    problem.look(_starts(frees))
    before, levels = problem.shown, problem.levels()
    assert before is not None
    _plausible(observations, before)
    _right_way_round(observations, before, levels, workers)
    found, rounds = _found(problem)
    if others:
        problem = problem.among(*frees_of(named, unit, others=True), progress=_share(progress, 0.5, 1.0))
        frees = problem.frees
        start = np.append(found.place, _starts(frees)[len(found.place) :])
        found = search(problem, start, *_ends(frees), enough=NEAR_ENOUGH, anew=False)
        rounds += found.rounds
    found = search(problem, found.place, *_ends(frees), problem.refined(), anew=not others)
    rounds += found.rounds
    undecided = problem.contradictions(found.local.matrix)
    covariance = covariance_of(problem.widened(found.local.matrix))
    ends, profiled = _intervals(problem, found, covariance, frees)
    asked = [k for k, one in enumerate(frees) if one.asked]
    names = tuple(frees[k].name for k in asked)
    lost = {frees[k].name for k in asked if undecided[k]}
    own = covariance[np.ix_(asked, asked)]
    progress(1.0)
    assert problem.shown is not None
    return Fit(
        provenance=provenance(Rig(unit, quality)),
        unit=unit,
        values=tuple(
            _value(frees[k], found.place[k], covariance[k, k], ends[k], bool(found.at_end[k]), profiled[k])
            if not undecided[k] else _unknown(frees[k], found.place[k], undecided[k], bool(found.at_end[k]))
            for k in asked
        ),
        changes=problem.plays.changes(found.place),
        correlations=_pairs(own, names),
        together=tuple(one for one in groups_of(own, names) if not lost & set(one.names)),
        readings=_readings(observations, before, problem),
        recordings=_recordings(observations, problem, levels),
        warnings=tuple(text for one in observations.recordings for text in one.warnings),
        others=len(frees) - len(asked),
        rounds=rounds,
        evaluations=problem.plays.evaluations,
        settled=found.settled,
        reasons=problem.shown.reasons,
    )


def _share(progress: Progress, first: float, last: float) -> Progress:
    return lambda done: progress(first + (last - first) * done)


def _starts(frees: Sequence[Free]) -> Array:
    return np.array([one.start for one in frees])


def _ends(frees: Sequence[Free]) -> tuple[Array, Array]:
    return np.array([one.low for one in frees]), np.array([one.high for one in frees])


def _found(problem: Fitting) -> tuple[Found, int]:
    """And in how many rounds: from afar, then from near by."""
    start, rounds = _near(problem)
    found = search(problem, start, *_ends(problem.frees))
    return found, rounds + found.rounds


def _near(problem: Fitting) -> tuple[Array, int]:
    """How near the truth a search from afar leads, and in how many rounds."""
    start = _starts(problem.frees)
    if not problem.far:
        return start, 0
    afar, rounds = problem.afar(), 0
    start = afar.best_of([start, *draws_of(afar.prior, afar.frees, DRAWS)])
    for piece in (afar, problem.nearer()):
        if piece is not None:
            piece.known = problem.known
            near = search(piece, start, *_ends(problem.frees), enough=NEAR_ENOUGH)
            start, rounds, problem.known = near.place, rounds + near.rounds, near.local.matrix
            problem.plays.evaluations += piece.plays.evaluations
    return start, rounds


def _enough(observations: Observations, frees: Sequence[Free]) -> None:
    unknown = [one.name for one in frees if not np.isfinite(one.sigma)]
    if not observations.readings and not observations.recordings:
        raise InputError("fit: there are neither readings nor recordings; give at least one")
    if not observations.recordings and len(unknown) > len(observations.readings):
        raise InputError(
            f"free: {len(unknown)} values without a tolerance ({', '.join(unknown)}) and {len(observations.readings)} "
            "readings; more unknowns than data: read more, or free fewer"
        )
    every = [*(one.settings for one in observations.readings), *(one.settings for one in observations.recordings)]
    for one in frees:
        if one.asked and all(one.name in settings for settings in every):
            raise InputError(
                f"free: {one.name} is set wherever something was read or recorded, so none of it tells what it is; "
                "leave it out of the settings, or do not free it"
            )


def _plausible(observations: Observations, before: Predicted) -> None:
    """Raises InputError where a reading is nowhere near: written in the wrong unit."""
    mistakes = []
    for one, value in zip(observations.readings, before.readings.tolist(), strict=True):
        small = LEAST_COMPARED_V if one.figure.quantity == "volt" else 0.0
        if "dB" in one.figure.unit or not min(abs(one.value), abs(value)) > small:
            continue
        size = abs(one.value / value)
        if max(size, 1.0 / size) > FARTHEST_OFF:
            told = f"{one.where}: " if one.where else ""
            mistakes.append(
                f"{told}{one.name} was read as {one.figure.show(one.value)} {one.figure.unit}".rstrip()
                + f", the unit has {one.figure.show(value)} {one.figure.unit}".rstrip()
                + "; is it in the right unit, and of this figure?"
            )
    if mistakes:
        raise InputError("\n".join(mistakes))


def _right_way_round(observations: Observations, before: Predicted, levels: Levels, workers: int | None) -> None:
    """Raises InputError where dry and wet are swapped."""
    each = zip(observations.recordings, before.outputs, levels, strict=True)
    for recording, output, (sums, model, was) in each:
        if output is not None and _db(np.sum(was * sums.counts), np.sum(model * sums.counts)) > FAR_DB:
            check_order(observations, recording, brought(recording, np.asarray(output, dtype=np.float64)), workers)


def _intervals(
    problem: Fitting, found: Found, covariance: Array, frees: Sequence[Free]
) -> tuple[list[tuple[float, float]], list[bool]]:
    """How far the ends of each interval lie off its place, below and above; among others those of the normal law, since
    with slopes of one place a place tried lies beside the valley, and costs more than the least there."""
    sigma = np.sqrt(np.diag(covariance))
    alone = all(one.asked for one in frees)
    looked = [k for k, one in enumerate(frees) if alone and sigma[k] > LOPSIDED_SIGMA]
    places = [
        profile_places(found.place, covariance, k, way) for k in looked for way in (-TRIED, TRIED)
    ]
    within = [
        np.all([one.low <= at <= one.high for one, at in zip(frees, place, strict=True)]) for place in places
    ]
    costs = problem.costs([found.place, *(place for place, inside in zip(places, within, strict=True) if inside)])
    rises = iter(costs[1:] - costs[0])
    ends = [(NORMAL_95 * one, NORMAL_95 * one) for one in sigma.tolist()]
    for number, k in enumerate(looked):
        below, above = (
            end_of(float(sigma[k]), TRIED, float(next(rises))) if inside else ends[k][way]
            for way, inside in enumerate(within[2 * number : 2 * number + 2])
        )
        ends[k] = below, above
    return ends, [k in looked for k in range(len(frees))]


def _value(
    one: Free, place: float, variance: float, ends: tuple[float, float], at_end: bool, profiled: bool
) -> Value:
    low, high = (float(np.clip(at, one.low, one.high)) for at in (place - ends[0], place + ends[1]))
    span = one.sigma if np.isfinite(one.sigma) else (one.high - one.low) / np.sqrt(12.0)
    bounds = sorted((one.value(low), one.value(high)))
    return Value(
        name=one.name, quantity=one.quantity, before=one.present, value=one.value(float(place)), low=bounds[0],
        high=bounds[1], known=one.known, learnt=max(0.0, 1.0 - float(np.sqrt(variance)) / span), at_end=at_end,
        beyond=bool(abs(place - one.middle) > BEYOND * one.sigma), profiled=profiled, contradicted=(),
    )  # fmt: skip


def _unknown(one: Free, place: float, contradicted: tuple[int, ...], at_end: bool) -> Value:
    """With the interval that was known before: what has no end there goes from one to the other."""
    known = (one.middle - NORMAL_95 * one.sigma, one.middle + NORMAL_95 * one.sigma)
    low, high = sorted(one.value(float(np.clip(at, one.low, one.high))) for at in known)
    return Value(
        name=one.name, quantity=one.quantity, before=one.present, value=one.value(float(place)), low=low, high=high,
        known=one.known, learnt=0.0, at_end=at_end, beyond=False, profiled=False, contradicted=contradicted,
    )  # fmt: skip


def _pairs(covariance: Array, names: Sequence[str]) -> tuple[tuple[str, str, float], ...]:
    each = correlations_of(covariance)
    pairs = [(names[a], names[b], float(each[a, b])) for a in range(len(names)) for b in range(a + 1, len(names))]
    return tuple(sorted(pairs, key=lambda pair: -abs(pair[2])))


def _readings(observations: Observations, before: Predicted, problem: Fitting) -> tuple[Checked, ...]:
    assert problem.shown is not None
    each = zip(observations.readings, before.readings, problem.shown.readings, problem.trusted, strict=True)
    return tuple(
        Checked(
            figure=one.figure, settings=one.settings, read=one.value, accuracy=one.accuracy, before=float(then),
            after=float(now), trusted=float(trusted),
        )
        for one, then, now, trusted in each
    )  # fmt: skip


def _recordings(observations: Observations, problem: Fitting, before: Levels) -> tuple[Residual, ...]:
    found = []
    each = zip(observations.recordings, problem.heard, before, problem.levels(), problem.excess, strict=True)
    for recording, heard, (_, model, was), (sums, now_model, left), excess in each:
        shape = int(sums.slices.max()) + 1, int(sums.bands.max()) + 1
        counts, noise = sums.counts, heard.weights.noise.floor[sums.bands]
        found.append(
            Residual(
                name=recording.name, settings=recording.settings, delay_s=heard.place.delay / recording.rate_hz,
                clock_ppm=1e6 * heard.place.clock, gain_db=DB_A_NEPER * float(np.log(abs(heard.place.gain))),
                polarity=1 if heard.place.gain > 0.0 else -1,
                before_db=_db(np.sum(was * counts), np.sum(model * counts)),
                after_db=_db(np.sum(left * counts), np.sum(now_model * counts)),
                noise_db=_db(np.sum(noise * counts), np.sum(now_model * counts)), excess=excess,
                slice_s=sums.slice_s, edges_hz=sums.edges_hz, before_cells_db=_cells(was, model, shape),
                after_cells_db=_cells(left, now_model, shape),
            )
        )  # fmt: skip
    return tuple(found)


def _cells(left: Array, model: Array, shape: tuple[int, int]) -> Array:
    """Re the model's level in each band over the whole time: what is quiet has little to be wrong in."""
    band = np.mean(model.reshape(shape), axis=0)
    return np.asarray(10.0 * np.log10(np.maximum(left.reshape(shape) / np.maximum(band, 1e-30), 1e-20)))


def _db(left: float, model: float) -> float:
    return float(10.0 * np.log10(max(float(left), 1e-30) / max(float(model), 1e-30)))


