"""What tolerances do to a unit: spread -> quantiles -> changes -> figures -> percentiles, yield and who is to blame.

Three steps with plain data between them: ``plan`` draws, ``evaluate`` measures, ``analysis``, ``shares`` and ``moves``
say what the figures come to. Only the second one touches the engine.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from types import MappingProxyType

import numpy as np

from fetsim.audio.arrays import numbers_of
from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.rig.processes import processes_of
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.load import given_unit
from fetsim.schematic.spreads import Spreads, spreads_of
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import DEFAULT_FIGURES, figures_named, of_level
from fetsim.studies.builds.figures import Figures
from fetsim.studies.builds.nominal import nominal_of
from fetsim.studies.builds.study import columns_of
from fetsim.studies.spread.analysis import Summary, share_of, summary
from fetsim.studies.spread.evaluate import Changes, evaluate
from fetsim.studies.spread.limits import Limit, limited, limits_of
from fetsim.studies.spread.moves import check_step, move_plan, moves_of
from fetsim.studies.spread.plan import check_count, check_seed, plain_rows, share_plan
from fetsim.studies.spread.readings import placed, readings_of
from fetsim.studies.spread.results import SpreadFound, Yield
from fetsim.studies.spread.shares import LEAST_BASE, Blame, rank_blame, variance_shares
from fetsim.studies.trims.aligned import aligned, check_asked

DEFAULT_BUILDS, DEFAULT_SEED = 200, 1
OTHERS = "all others"


def spread(
    unit: Unit | str,
    *,
    builds: int = DEFAULT_BUILDS,
    seed: int = DEFAULT_SEED,
    figures: Iterable[str] = DEFAULT_FIGURES,
    limits: Iterable[str] = (),
    readings: Iterable[str] = (),
    curve_dbu: Sequence[float] = (),
    only: Sequence[str] = (),
    laws: Mapping[str, str] = MappingProxyType({}),
    shares: Sequence[str] = (),
    moves: float | None = None,
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
) -> SpreadFound:
    """Draw ``builds`` of a unit from its tolerances and the limits of its device sheets, and measure each.

    ``figures`` by name (``studies/builds/asked.py``), gain reduction at the levels ``curve_dbu``; ``limits`` as
    ``threshold=-12..-9``; ``readings`` of a real unit, as ``threshold=-9.2``, are placed among the builds. ``only``
    these parts vary; ``laws`` by kind of part (``spreads_of``). ``shares``: parts whose shares of the variance are
    worked out, by builds of their own: the number of parts, and three, times the power of two below ``builds``.
    ``moves``: a share of its value by which each value is moved alone, 0.01 say. ``trims``: the trims of every build,
    the nominal one too, are set first by those steps of the unit's alignment that need no tone, with ``tone_steps`` by
    the others too.
    Other options as in ``figures_of_builds``.

    A figure that a build has not got is NaN and counted. Raises InputError for what cannot be asked, and where the
    nominal unit has not got what the figures are about.

    >>> import fetsim
    >>> found = fetsim.spread("teaching", builds=8, figures=["gain"], limits=["gain=26..29"], workers=1)
    >>> found.yields[-1].share.of, found.told[0].heading
    (8, 'gain at rest')
    """
    nominal = given_unit(unit)
    check_count(builds)
    check_seed(seed)
    check_asked(trims, tone_steps)
    if trims:
        nominal, _ = aligned(nominal, tone_steps=tone_steps, quality=quality)
    spreads, given = _varying(nominal, laws, only, shares), limits_of(limits, nominal)
    read = readings_of(readings, nominal)
    others = [*(one.figure for one in given), *(one.figure for one in read)]
    asked = limited(figures_named(figures, nominal), others)
    levels = tuple(sorted({float(level) for level in numbers_of(curve_dbu, "curve").ravel()}))
    if moves is not None:
        check_step(moves)
    if shares and builds < LEAST_BASE:
        raise InputError(f"shares: {builds} builds are too few for shares of the variance; draw {LEAST_BASE} or more")
    processes_of(workers)
    along = (of_level("reduction", level) for level in levels)
    everything = tuple({one.key: one for one in (*asked, *along)}.values())
    if not everything:
        raise InputError("figures: none is asked for; name at least one, or give levels of a curve")
    start = nominal_of(
        nominal, everything, quality=quality, curve_hz=curve_hz, step_hz=step_hz, before_dbu=before_dbu,
        level_dbu=level_dbu,
    )  # fmt: skip
    quantiles = plain_rows(range(builds), spreads.columns, seed)
    drawn = spreads.changes(quantiles)
    plan = share_plan(_named_groups(spreads, shares), 2 ** int(np.log2(builds)), seed) if shares else None
    more = spreads.changes(plan.quantiles) if plan is not None else []
    moved = move_plan(nominal, moves) if moves is not None else []
    parts = {"builds": [{}, *drawn], "shares": more, "moves": moved}
    rows = _evaluated(parts, progress, partial(
        evaluate, start, trims=trims, tone_steps=tone_steps, workers=workers, scheduler=scheduler, cache=cache
    ))  # fmt: skip
    first, own = rows["builds"][0], rows["builds"][1:]
    found = columns_of(tuple(str(number) for number in range(builds)), own, start)
    keys = [one.key for one in asked]
    return SpreadFound(
        unit=nominal, nominal=first, spreads=spreads, seed=seed, laws=dict(laws), only=tuple(only),
        changes=tuple({**one, **row.trims} for one, row in zip(drawn, own, strict=True)),
        trims=_settings(own), missed=_missed(own), found=found, told=asked, curve_dbu=levels,
        summaries={one.key: summary(found.columns[one.key]) for one in everything},
        volts={node: summary(found.node_v[:, k]) for k, node in enumerate(found.nodes)},
        limits=given, yields=_yields(given, found.columns),
        readings=tuple(placed(one, found.columns[one.figure.key]) for one in read),
        blame=_blame(spreads, quantiles, found.columns, keys, seed),
        shares={} if plan is None else {
            key: variance_shares(plan, _column(rows["shares"], key), seed) for key in keys
        },
        moves=None if moves is None else moves_of(nominal, moves, rows["moves"], asked, first),
    )  # fmt: skip


def _varying(unit: Unit, laws: Mapping[str, str], only: Sequence[str], shares: Sequence[str]) -> Spreads:
    spreads = spreads_of(unit, laws)
    if only:
        spreads = spreads.only(only)
    if not spreads.drawn:
        raise InputError(f"{unit.name}: nothing in it varies; give parts a tolerance, as -c R1.tolerance=5%")
    if shares:
        spreads.only(shares)  # says what is wrong with the names
    return spreads


def _named_groups(spreads: Spreads, shares: Sequence[str]) -> list[str]:
    """Group of each column for the plan: those that are named, and all others together."""
    named = set(spreads.only(shares).groups) - {""}
    return [name if name in named else OTHERS if name else "" for name in spreads.groups]


def _evaluated(
    parts: Mapping[str, Sequence[Changes]], progress: Progress, work: Callable[..., list[Figures]]
) -> dict[str, list[Figures]]:
    """The parts of the study one after the other, under one progress."""
    whole, done = sum(map(len, parts.values())), 0
    found: dict[str, list[Figures]] = {}
    for name, jobs in parts.items():
        found[name] = work(jobs, progress=partial(_told, progress, done / whole, len(jobs) / whole)) if jobs else []
        done += len(jobs)
    return found


def _told(progress: Progress, before: float, part: float, share: float) -> None:
    progress(before + share * part)


def _yields(limits: Sequence[Limit], columns: Mapping[str, Array]) -> tuple[Yield, ...]:
    if not limits:
        return ()
    met = [one.met(columns[one.figure.key]) for one in limits]
    each = [Yield(limit=one, share=share_of(inside)) for one, inside in zip(limits, met, strict=True)]
    return (*each, Yield(limit=None, share=share_of(np.all(met, axis=0))))


def _blame(
    spreads: Spreads, quantiles: Array, columns: Mapping[str, Array], keys: Sequence[str], seed: int
) -> dict[str, Blame]:
    return {key: rank_blame(quantiles, spreads.groups, columns[key], seed) for key in keys}


def _settings(rows: Sequence[Figures]) -> dict[str, Summary]:
    names = dict.fromkeys(name for row in rows for name in row.trims)
    return {name: summary([row.trims.get(name, np.nan) for row in rows]) for name in names}


def _missed(rows: Sequence[Figures]) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for row in rows:
        for step, why in row.missed.items():
            counts = found.setdefault(step, {})
            counts[why] = counts.get(why, 0) + 1
    return found


def _column(rows: Sequence[Figures], key: str) -> Array:
    return np.array([row.found.get(key, np.nan) for row in rows])

