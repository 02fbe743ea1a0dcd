"""What is wrong with this unit? Suspects by evidence out of readings and recordings, and the next reading to take."""

from collections.abc import Iterable, Sequence

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.rig.processes import processes_of
from fetsim.rig.provenance import provenance
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Notice, Progress, unsaid, unwatched
from fetsim.schematic.fault_rates import Rates
from fetsim.schematic.faults import faults_of
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import figure_named
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.readings import ACCURACY_SHARE, METER_OHM, Reading
from fetsim.studies.suspects.apart import TOLD_APART, distances, groups, told_apart
from fetsim.studies.suspects.columns import columns_of
from fetsim.studies.suspects.foretold import foretold
from fetsim.studies.suspects.hypotheses import (
    HEALTHY_CHANCE,
    Hypothesis,
    healthy,
    shared_out,
    single_faults,
    single_values,
)
from fetsim.studies.suspects.limits import FARTHEST
from fetsim.studies.suspects.next_reading import next_readings
from fetsim.studies.suspects.origins import Drawn
from fetsim.studies.suspects.playing import SURE
from fetsim.studies.suspects.record import Suspect, SuspectGroup, Suspicion
from fetsim.studies.suspects.residuals import heard_before
from fetsim.studies.suspects.search import Search
from fetsim.studies.suspects.set_up import as_drawn, set_up
from fetsim.studies.suspects.values import values_of
from fetsim.studies.suspects.words import against, verdict_of

TOLD = 30
"""Suspects that are told, at the most."""
LEAST_CHANCE = 1e-3
"""Less probable ones are not, but for the first few,"""
LEAST_OF_TWO = 0.01
"""nor pairs below this: beside what is wrong nearly anything may be off a little."""
WEIGHED = 8
"""Suspects between which the next reading has to tell."""
SHOWN = 4
"""Whose curves are drawn beside what was observed."""


def suspects(
    observations: Observations,
    *,
    ask: Iterable[str] = (),
    faults: bool = True,
    trims_set: bool = True,
    rates: Rates | None = None,
    quality: str = "standard",
    workers: int | None = None,
    progress: Progress = unwatched,
    notice: Notice = unsaid,
) -> Suspicion:
    """Rank what may be wrong with the real unit that was read and recorded; that of the observations is what it
    should be.

    ``ask``: figures that could be read next, besides volts at rest, by name (``threshold``, ``attack``). ``faults``:
    whether faults as drawn (open, shorted, leaky ...) are played as well as values that are off. ``trims_set``: whether
    the unit's trims were set by its alignment before it went wrong. ``rates``: how often parts fail (``read_rates``).
    ``notice`` is called with what is being done.

    Raises InputError where there is nothing to go by, or what there is cannot be this unit's.

    >>> import fetsim
    >>> from pathlib import Path
    >>> unit = fetsim.load_unit("teaching")
    >>> rest = fetsim.idle_point(unit.changed(V1="-6V")).node_voltages_v
    >>> rows = [f"volts@{node},{volt:.6g}V,1%,none" for node, volt in rest.items()]
    >>> _ = Path("read.csv").write_text("\\n".join(["figure,value,accuracy,meter", *rows]))
    >>> observed = fetsim.Observations(unit=unit, readings=fetsim.read_readings(Path("read.csv"), unit))
    >>> found = fetsim.suspects(observed, faults=False, workers=1)
    >>> found.first.name, found.below
    ('V1', False)
    """
    unit = observations.unit
    if not observations.recordings and not observations.readings:
        raise InputError("suspects: there are neither readings nor recordings to go by; give at least one")
    processes_of(workers)
    candidates = candidates_of(unit, observations.readings, ask)
    columns = columns_of(observations, candidates, quality=quality, workers=workers)
    every = faults_of(unit, rates=rates)
    drawn = [one for one in every if one.kind not in AS_VALUES and one.rate > 0.0] if faults else []
    columns = columns.in_step_with([one.changes for one in drawn])
    setting = (set_up if trims_set else as_drawn)(unit, *values_of(unit))
    notice(f"what each of {len(setting.values)} values and {len(drawn)} faults does to the unit as drawn")
    plays = columns.moved(setting, lambda share: progress(0.2 * share))
    plays += columns.predicted([one.changes for one in drawn], lambda share: progress(0.2 + 0.3 * share))
    why = ["; ".join(one.reasons) for one in plays[len(setting.values) :]]
    singles = [*single_values(setting.values, every), *single_faults(drawn, why, len(setting.values))]
    moved = Drawn(columns=columns, set_up=setting, plays=plays)
    search = Search(drawn=moved, hypotheses=with_chances(singles), notice=notice)
    search.run(progress=lambda share: progress(0.5 + 0.5 * share))
    notice("which reading would tell the first suspects apart")
    return told(search)


AS_VALUES = ("drifted", "noisy")
"""Faults that are no hypotheses of their own: a value that is off has any size, and noise is no part of what is
compared."""


def with_chances(singles: Sequence[Hypothesis]) -> list[Hypothesis]:
    """Health first, then single faults with the chance that it leaves them."""
    priors = shared_out(singles)
    return [healthy(), *(one.believed(prior) for one, prior in zip(singles, priors, strict=True))]


def candidates_of(unit: Unit, readings: Sequence[Reading], ask: Iterable[str]) -> tuple[Reading, ...]:
    """Readings that could be taken next: volts at rest of each node, and what is asked for. Raises InputError."""
    taken = {one.name for one in readings}
    found = []
    for name in (*(f"volts@{node}" for node in unit.nodes), *ask):
        figure = figure_named(name, unit)
        accuracy = ACCURACY_SHARE if figure.kind == "volts" else 0.0
        one = Reading(
            figure=figure, value=0.0, accuracy=accuracy, meter_ohm=METER_OHM if figure.kind == "volts" else None
        )
        if one.name not in taken:
            found.append(one)
    return tuple(found)


def told(search: Search, *, elsewhere: bool = True) -> Suspicion:
    """What came of a search. ``elsewhere``: whether the next reading may be one at other settings or under a tone, and
    the first suspects are played once more to be drawn."""
    chance, columns = search.probability, search.columns
    order = [int(k) for k in np.argsort(-chance, kind="stable") if k != 0]
    likely = [k for k in order if chance[k] > (LEAST_CHANCE if len(search.hypotheses[k].parts) == 1 else LEAST_OF_TWO)]
    single = [k for k in order if len(search.hypotheses[k].parts) == 1]
    chosen = sorted({*likely[:TOLD], *single[:WEIGHED]}, key=order.index)
    hypotheses = [search.hypotheses[k] for k in chosen]
    means = [search.coefficients(one) for one in hypotheses]
    first = hypotheses[0]
    origin, data = search.seen_by(first)
    forms = [origin.form(one) for one in hypotheses]
    variance, look = data.under(forms[0])
    evidence = search.log_evidence[chosen] - search.log_evidence[0]
    loss = told_apart(distances(look, forms, [mean for mean, _ in means]), evidence)
    found = [
        SuspectGroup(suspects=tuple(_suspect(search, chosen[k], means[k]) for k in group))
        for group in groups(chance[chosen], loss, TOLD_APART)
    ]
    odds = (1.0 - float(chance[0])) / max(float(chance[0]), 1e-300)
    below = odds < np.exp(TOLD_APART) * (1.0 - HEALTHY_CHANCE) / HEALTHY_CHANCE
    weighed, its = [search.hypotheses[0], *hypotheses[:WEIGHED]], [float(chance[0]), *chance[chosen[:WEIGHED]].tolist()]
    lots = 0 if not elsewhere else 1 if below else None  # where nothing is seen to be wrong, what is little work
    reads, looked_at = next_readings(search, weighed, its, lots=lots)
    errors_db = [
        10.0 * np.log10(max(max(variance - 1.0, 0.0) * (sums.freedom or 0.0) / sums.count, 1e-6)) + heard.noise_db
        for sums, heard in zip(origin.sums, columns.heard, strict=False)
    ]
    heard = heard_before(search, first)
    readings = tuple(_readings(search, first))
    of_health = tuple(_readings(search, search.hypotheses[0]))
    speaks_against = against("tolerances", of_health) if below else against(first.name, readings)
    return Suspicion(
        provenance=provenance(Rig(columns.observations.unit)),
        healthy=float(chance[0]),
        groups=tuple(found),
        next_readings=tuple(reads),
        looked_at=looked_at,
        model_error_db=float(max(errors_db)) if errors_db else None,
        below=bool(below),
        readings=readings,
        heard=heard,
        foretold=foretold(search, [one for one in hypotheses if one.single][:SHOWN]) if elsewhere else (),
        verdict=verdict_of(
            below, float(chance[0]), found, reads, heard, recorded=bool(columns.heard),
            contradicted=bool(speaks_against),
        ),
        warnings=(*(text for one in columns.heard for text in one.warnings), *speaks_against),
    )


def _suspect(search: Search, k: int, told: tuple[Array, Array]) -> Suspect:
    one, (mean, covariance) = search.hypotheses[k], told
    off = low = high = None
    words, each = one.words, [_off(mean, covariance, place) for place in one.free]
    if len(each) == 1 and one.fault is None:
        ((off, low, high),) = each
        if one.name in search.ends:
            at = float(search.origin_of(one).place[one.free[0]])
            off, low, high = (float(np.expm1(end)) for end in (at, *search.ends[one.name]))
    elif each:
        words = "; ".join(
            f"{value.name} {100.0 * at:+.3g} % ({100.0 * a:+.3g} to {100.0 * b:+.3g} %)"
            for value, (at, a, b) in zip(one.values, each, strict=True)
        )
    return Suspect(
        name=one.name, parts=one.parts, words=words, probability=float(search.probability[k]),
        log_evidence=float(search.log_evidence[k] - search.log_evidence[0]), played=search.is_played(k),
        off=off, off_low=low, off_high=high, present=one.values[0].present if off is not None else None,
    )  # fmt: skip


def _off(mean: Array, covariance: Array, place: int) -> tuple[float, float, float]:
    """Share by which a value is off, and the ends of its interval."""
    middle, sigma = float(mean[place]), float(np.sqrt(max(covariance[place, place], 0.0)))
    ends = (float(np.clip(middle + way * SURE * sigma, -FARTHEST, FARTHEST)) for way in (0.0, -1.0, 1.0))
    off, low, high = map(float, map(np.expm1, ends))
    return off, low, high


def _readings(search: Search, one: Hypothesis) -> Iterable[tuple[str, float, float, float, float, str]]:
    columns, after = search.columns, search.readings(one)
    for k, reading in enumerate(columns.observations.readings[: columns.taken]):
        drawn = float(columns.base.readings[k])
        yield reading.name, reading.value, reading.accuracy, drawn, float(after[k]), reading.symbol
