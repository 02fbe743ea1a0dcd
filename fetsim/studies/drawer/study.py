"""A drawer of measured FETs, each put into the unit and trimmed in, then measured side by side.

Two rounds, both over processes: the trims of every FET (``fitted``), then the figures of all units as builds
(``studies/builds``). The reference goes through the same two rounds, as the first of them. What is done is kept
(``studies/kept.py``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import nan
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from fetsim.audio.arrays import numbers_of
from fetsim.devices.jfet_figures import channel_of
from fetsim.devices.sheet import thermal_voltage
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache, user_cache
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import level_for_reduction_dbu
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.trim_null.procedure import DEFAULT_REDUCTION_DB
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.provenance import provenance
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.fields import suggestion
from fetsim.schematic.load import given_unit
from fetsim.schematic.settings import settings
from fetsim.schematic.unit import Part, Unit
from fetsim.studies.builds.asked import figures_named
from fetsim.studies.builds.figures import Figures
from fetsim.studies.builds.nominal import nominal_of
from fetsim.studies.builds.results import BuildFigures
from fetsim.studies.builds.study import columns_of, measure_batch
from fetsim.studies.cache import key_of
from fetsim.studies.drawer.fets import MeasuredFet, given_fets
from fetsim.studies.drawer.fitted import Fitted, fitted
from fetsim.studies.drawer.jig import fet_changes, gain_fet
from fetsim.studies.drawer.likeness import best_pairs, differences_from, unlikeness
from fetsim.studies.drawer.record import Drawer, FetFound
from fetsim.studies.kept import Kept
from fetsim.studies.spread.evaluate import MEASURES, Changes
from fetsim.studies.trims.travel import Travel

DEFAULT_LEVELS_DBU = tuple(float(level) for level in range(-18, 16, 3))
FIGURES = ("loss", "gain", "threshold", "threshold_2db", "attack", "release", "noise")
PRESENT = "present FET"
KIND = "drawer"
FITS = (*MEASURES, "studies/drawer/*.py")
LARGEST_BYTES = 100_000_000
SHARE = 0.4  # of the time, that goes into fitting


def measure_drawer(
    fets: Sequence[MeasuredFet] | str | Path,
    unit: Unit | str | Path,
    *,
    like: str | Mapping[str, str | float] | None = None,
    levels_dbu: ArrayLike = DEFAULT_LEVELS_DBU,
    off_current_a: float | None = None,
    quality: str = "standard",
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = unwatched,
    cache: UserCache | None = None,
) -> Drawer:
    """Each of ``fets``, a list or the path of one (see ``read_fets``), in the place of the unit's own FET, trims set.

    ``like``: what they are compared with, the name of one of them, or changes of the unit that make the target;
    default: the unit with its present FET. Of a pair that is joined, the channel listened to alone is measured, since
    the trims of joined channels pull at each other. ``levels_dbu``: of the curves. ``workers`` and ``scheduler`` as for
    ``figures_of_builds``. What is done is kept in ``cache`` (default: the user's): asked again after Ctrl-C it goes on
    from there. A FET that cannot be put in is told and comes last. Raises InputError or ConvergenceError.

    >>> import fetsim
    >>> fet = fetsim.MeasuredFet(name="A1", i_dss_a=0.014, v_gs_off_v=-4.2, v_gs_off_current_a=1e-6)
    >>> found = fetsim.measure_drawer([fet], "teaching", levels_dbu=[-20, -10], quality="draft", workers=1)
    >>> [one.fet.name for one in found.fets], f"{found.fets[0].set['V2']:.2f} V"
    (['A1'], '-4.70 V')
    """
    given = given_unit(unit)
    unit = given.alone(given.channel) if given.is_joined else given
    part = gain_fet(unit)
    listed, left_out = given_fets(fets, off_current_a)
    levels = numbers_of(levels_dbu, "levels").ravel()
    if not listed or not levels.size:
        raise InputError("drawer: needs at least one FET and one level")
    _check_polarity(part, listed, fets)
    changes = {fet.name: fet_changes(part, fet) for fet in listed}
    reference, target = _reference(unit, like, changes)
    if reference in changes and reference != like:
        raise InputError(f"name: {reference!r} is what the FETs are compared with; give that of the list another name")
    thd_dbu = round(level_for_reduction_dbu(Bench(unit, quality), DEFAULT_REDUCTION_DB, REFERENCE_HZ), 1)
    kept = Kept(cache=cache or user_cache(KIND, LARGEST_BYTES), workers=workers, scheduler=scheduler)
    ready = _all_fitted(
        [target, *changes.values()], unit, thd_dbu, quality, kept, lambda share: progress(SHARE * share)
    )
    units = {str(number): made for number, one in enumerate(ready) if (made := one.unit(unit)) is not None}
    if "0" not in units:
        raise InputError(f"like: {reference} cannot be put in: {ready[0].told[0]}")
    thd = f"thd@{thd_dbu:g}"
    wanted = [*FIGURES, thd, *(f"reduction@{level:g}" for level in levels)]
    found = _all_measured(units, wanted, quality, kept, lambda share: progress(SHARE + (1.0 - SHARE) * share))
    rows = _Rows(units, found, thd, [f"reduction@{level:g}" for level in levels], (*FIGURES, thd))
    present = _found(_present(unit.changed(target) if target else unit, reference, listed), ready[0], "0", rows, None)
    each = [_found(fet, ready[k], str(k), rows, present) for k, fet in enumerate(listed, start=1)]
    return Drawer(
        provenance=provenance(Rig(unit, quality)), apart=given.channel if given.is_joined else "",
        reference=reference, level_dbu=levels, thd_dbu=thd_dbu,
        quantities={step.set: Travel.of(unit, step.set).quantity for step in unit.alignment.values()},
        asked=tuple(replace(one, key=one.kind) for one in found.figures if one.kind != "reduction"), present=present,
        fets=tuple(sorted(each, key=lambda one: one.unlikeness)), pairs=best_pairs(each, levels), left_out=left_out,
    )  # fmt: skip


def _check_polarity(part: Part, listed: Sequence[MeasuredFet], given: object) -> None:
    """One FET of the other polarity is told in its row; nothing but such is the wrong list, or signs left out. Raises
    InputError."""
    assert part.device is not None
    polarity = part.device.polarity
    if all((fet.v_gs_off_v < 0.0) != (polarity == "n") for fet in listed):
        wrong, right = ("positive", "negative") if polarity == "n" else ("negative", "positive")
        where = given if isinstance(given, str | Path) else "fets"
        told = f"v_gs_off is {wrong} throughout, but {part.designator} is {polarity}-channel, where it is {right}"
        raise InputError(f"{where}: {told}; give a list of such FETs, or write the signs")


def _reference(
    unit: Unit, like: str | Mapping[str, str | float] | None, changes: Mapping[str, Mapping[str, float]]
) -> tuple[str, Mapping[str, str | float]]:
    """What the FETs are compared with: its name, and the changes that make it. Raises InputError or UnitError."""
    if like is None:
        return PRESENT, {}
    if isinstance(like, Mapping):
        unit.changed(like)  # names what is wrong
        return "target", like
    if like not in changes:
        hint = suggestion(str(like)[:40], changes)
        raise InputError(f"like: no FET of the list is named {str(like)[:40]!r}{hint}; or give changes, J1.i_dss=12mA")
    return like, dict(changes[like])


def _all_fitted(
    jobs: Sequence[Changes], unit: Unit, thd_dbu: float, quality: str, kept: Kept, progress: Progress
) -> list[Fitted]:
    def key(batch: Sequence[Changes]) -> str:
        return key_of(unit.digest, thd_dbu, quality, batch, source=FITS)

    work = partial(_fit_batch, unit=unit, thd_dbu=thd_dbu, quality=quality)
    return kept.rows(jobs, lambda: work, Fitted, key, progress)


def _fit_batch(batch: Sequence[Changes], *, unit: Unit, thd_dbu: float, quality: str) -> list[Fitted]:
    """Side by side in the lanes of this process."""
    return list(run_all(dict(enumerate(batch)), lambda job, _: fitted(job, unit, thd_dbu, quality)).values())


def _all_measured(
    units: Mapping[str, Unit], wanted: Sequence[str], quality: str, kept: Kept, progress: Progress
) -> BuildFigures:
    """The first one is that from whose steady states the others are looked for, and about whose threshold they step."""
    first = next(iter(units.values()))
    start = nominal_of(
        first, figures_named(wanted, first), quality=quality, curve_hz=CURVE_HZ, step_hz=STEP_HZ, before_dbu=None,
        level_dbu=None,
    )  # fmt: skip

    def key(batch: Sequence[Unit]) -> str:
        return key_of(*start.identity, [unit.digest for unit in batch], source=MEASURES)

    rows = kept.rows(list(units.values()), lambda: partial(measure_batch, start), Figures, key, progress)
    return columns_of(tuple(units), rows, start)


@dataclass(frozen=True)
class _Rows:
    """The figures of all builds, row by row."""

    units: Mapping[str, Unit]
    """Label -> build."""
    builds: BuildFigures
    thd: str
    """Name of its column,"""
    curve: Sequence[str]
    """those of the curve,"""
    names: Sequence[str]
    """and all others."""

    def figures(self, label: str) -> dict[str, float]:
        return {name.partition("@")[0]: self._at(label, name) for name in self.names}

    def curve_db(self, label: str) -> Samples:
        return np.array([self._at(label, name) for name in self.curve])

    def told(self, label: str) -> list[str]:
        """Why figures are missing; of the levels of the curve, one by one, only the first."""
        reasons = self.builds.reasons.get(label, {})
        told = {name.partition("@")[0]: text for name, text in reversed(list(reasons.items()))}
        return [f"{name}: {text}" for name, text in told.items()]

    def _at(self, label: str, name: str) -> float:
        row = self.builds.labels.index(label) if label in self.builds.labels else None
        return nan if row is None else float(self.builds.columns[name][row])


def _found(fet: MeasuredFet, ready: Fitted, label: str, rows: _Rows, reference: FetFound | None) -> FetFound:
    figures, curve_db = rows.figures(label), rows.curve_db(label)
    of, against_db = (figures, curve_db) if reference is None else (reference.figures, reference.reduction_db)
    differences = differences_from(of, against_db, figures, curve_db)
    return FetFound(
        fet=fet, set=ready.set, changed=ready.changed, figures=figures, reduction_db=curve_db,
        changes=_as_changes(ready, rows.units.get(label)), told=(*_by_row(fet, ready), *rows.told(label)),
        differences=differences, unlikeness=unlikeness(differences),
    )  # fmt: skip


def _as_changes(ready: Fitted, unit: Unit | None) -> dict[str, str]:
    """What was put in, changed and set, as a change is written."""
    if unit is None:
        return {}
    known = settings(unit)
    return {
        name: known[name if name in known else name.partition(".")[0]].shown(digits=6).replace(" ", "")
        for name in ready.changes
    }


def _by_row(fet: MeasuredFet, ready: Fitted) -> list[str]:
    """What the unit says of a FET that it cannot take, by row and column of the list."""
    if ready.put_in is not None or not fet.row:
        return list(ready.told)
    lines = [line.split(": ", 3) for told in ready.told for line in told.splitlines()]
    return [f"row {fet.row}, column {line[2]}: {line[3]}" if len(line) == 4 else ": ".join(line) for line in lines]


def _present(unit: Unit, name: str, listed: Sequence[MeasuredFet]) -> MeasuredFet:
    """The FET that the others are compared with, as a jig would read it without drain voltage."""
    for fet in listed:
        if fet.name == name:
            return fet
    device = gain_fet(unit).device
    assert device is not None
    channel = channel_of(device.figures, thermal_voltage(device.reference_temperature_c))
    at_v = device.figures["pinch_off_voltage"]
    return MeasuredFet(
        name=name, i_dss_a=device.figures["i_dss"], v_gs_off_v=at_v,
        v_gs_off_current_a=float(channel.saturated_a(channel.pinch_off_v)), r_ds_on_ohm=device.figures.get("r_ds_on"),
    )  # fmt: skip
