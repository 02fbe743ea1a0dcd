"""The sections of the page in their order, and what happens when one of them cannot be measured."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from traceback import format_exc

from fetsim.errors import FetsimError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.hold import hold
from fetsim.measurements.curve.procedure import closed_switches, measure_curve
from fetsim.measurements.distortion.procedure import measure_distortion
from fetsim.measurements.drift.procedure import measure_drift
from fetsim.measurements.explain.procedure import measure_explain
from fetsim.measurements.explain.sentences import told
from fetsim.measurements.hum.procedure import measure_hum
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.iron.procedure import iron_of, measure_iron
from fetsim.measurements.levels.procedure import measure_levels
from fetsim.measurements.needle.procedure import measure_needle
from fetsim.measurements.noise.procedure import measure_noise
from fetsim.measurements.rejection.procedure import measure_rejection, something_common
from fetsim.measurements.response.procedure import measure_response
from fetsim.measurements.results.result import Result, picture_of
from fetsim.measurements.sweep.procedure import measure_sweep
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.report.explain.picture import draw_rows
from fetsim.report.needle.picture import draw_meters
from fetsim.report.pages.content import Picture, Section, page_table
from fetsim.report.pages.svg import inline_svg
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit

HELD_DB = (0.0, 10.0, 20.0)  # gain reductions at which small signals are looked at, where they can be had


@dataclass(frozen=True)
class Maker:
    """How one section comes about."""

    name: str
    title: str
    make: Callable[[Unit, str, Progress], Section]
    applies: Callable[[Unit], bool] = lambda unit: True
    """Whether a unit has what it is about; without, it is left out unless it is named."""


def result_section(result: Result) -> Section:
    """Any measurement. No drawing holds the unit's name, which may be anything and is left to the page."""
    account = result.account()
    return Section(
        "", "",
        lead=account.lead,
        pictures=[Picture(inline_svg(picture_of({"": result}, titled=False), result.ROOM), account.title)],
        tables=[page_table(table) for table in account.tables if table.rows or table.notes],
        definitions=account.definitions,
        figures={**result.to_dict(), **account.to_dict()},
    )  # fmt: skip


def curve_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Each switch of the bank on its own, and the setting that the unit has."""
    bank = next(iter(unit.banks.values()), None)
    switches = None if bank is None else list(dict.fromkeys([*bank.switches, closed_switches(unit)]))
    return result_section(measure_curve(unit, switches=switches, quality=quality, progress=progress))


def idle_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Voltages by stage, transistors, heat, ratings; nothing of it depends on the quality."""
    return result_section(idle_point(unit))


def explain_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Each trace with its sentence under it."""
    one = measure_explain(unit, quality=quality, progress=progress)
    words, account = told(one), one.account()
    figures = draw_rows(one)
    return Section(
        "", "",
        lead=account.lead,
        pictures=[
            Picture(inline_svg(figure, f"explain-{name}"), words[name].sentence) for name, figure in figures.items()
        ],
        definitions=account.definitions,
        figures={**one.to_dict(), **account.to_dict()},
    )  # fmt: skip


def reductions_within_reach(unit: Unit, quality: str) -> tuple[float, ...]:
    """Those of ``HELD_DB`` at which the control node can be held; 0, at rest, always."""
    bench, found = Bench(unit, quality), [HELD_DB[0]]
    for wanted in HELD_DB[1:]:
        try:
            hold(bench, wanted)
        except InputError:
            break
        found.append(wanted)
    return tuple(found)


def distortion_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Harmonics, intermodulation and THD+N against the level; without THD+N where its noise cannot be had."""
    try:
        return result_section(measure_distortion(unit, quality=quality, progress=progress))
    except InputError as error:
        without = measure_distortion(unit, with_noise=False, quality=quality, progress=progress)
        return replace(result_section(without), notes=[f"Without THD+N: {error}."])


def sweep_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Distortion at the output against frequency."""
    return result_section(measure_sweep(unit, quality=quality, progress=progress))


def iron_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Every core."""
    return result_section(measure_iron(unit, quality=quality, progress=progress))


def response_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Small signals at the output, at rest and held at gain reductions."""
    reductions_db = reductions_within_reach(unit, quality)
    return result_section(measure_response(unit, reductions_db=reductions_db, quality=quality))


def rejection_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """What both legs of the source have in common."""
    return result_section(measure_rejection(unit, quality=quality))


def _rejects(unit: Unit) -> bool:
    return unit.input.balanced and something_common(Bench(unit))


def needle_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """The needle over a burst, and the meter as it stands when it reads most."""
    one = measure_needle(unit, quality=quality)
    section = result_section(one)
    return replace(section, pictures=[*section.pictures, Picture(inline_svg(draw_meters({"": one}, ""), "meter"))])


def levels_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Stage by stage at the alignment level."""
    return result_section(measure_levels(unit, quality=quality))


def noise_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """At rest and held at gain reductions."""
    reductions_db = reductions_within_reach(unit, quality)
    return result_section(measure_noise(unit, reductions_db=reductions_db, quality=quality))


def hum_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Of a unit with mains, at rest and held at gain reductions."""
    return result_section(measure_hum(unit, reductions_db=reductions_within_reach(unit, quality), quality=quality))


def drift_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Bias, gain and threshold at three temperatures."""
    return result_section(measure_drift(unit, quality=quality, progress=progress))


def timing_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Attack and release at the setting that the unit has."""
    return result_section(measure_timing(unit, quality=quality, progress=progress))


MAKERS = (
    Maker("idle", "At rest", idle_section),
    Maker("explain", "One burst round the loop", explain_section),
    Maker("curve", "Static curve", curve_section),
    Maker("timing", "Attack and release", timing_section),
    Maker("distortion", "Distortion", distortion_section),
    Maker("sweep", "Distortion against frequency", sweep_section),
    Maker("iron", "Iron", iron_section, lambda unit: bool(iron_of(Bench(unit).circuit))),
    Maker("response", "Response", response_section),
    Maker("rejection", "Common-mode rejection", rejection_section, _rejects),
    Maker("levels", "Level plan", levels_section),
    Maker("noise", "Noise", noise_section),
    Maker("hum", "Hum", hum_section, lambda unit: bool(unit.mains and unit.rails)),
    Maker("drift", "Drift", drift_section),
    Maker("needle", "Gain-reduction needle", needle_section),
)
NAMES = tuple(maker.name for maker in MAKERS)


def chosen_sections(only: Sequence[str] | None) -> tuple[Maker, ...]:
    """Those asked for, in the order of the page; all of them by default. Raises InputError for a name that is none."""
    if only is None:
        return MAKERS
    for name in only:
        if name not in NAMES:
            near = get_close_matches(name, NAMES, n=1)
            hint = f"did you mean {near[0]}?" if near else f"choose from {', '.join(NAMES)}"
            raise InputError(f"only: there is no section {name[:40]!r}; {hint}")
    if not only:
        raise InputError(f"only: name at least one section out of {', '.join(NAMES)}")
    return tuple(maker for maker in MAKERS if maker.name in only)


def make_section(maker: Maker, unit: Unit, quality: str, progress: Progress) -> Section:
    """The section, or what kept it from being measured."""
    try:
        section = maker.make(unit, quality, progress)
    except FetsimError as error:
        return Section(maker.name, maker.title, problem=str(error).replace("\n", " "))
    except Exception as error:  # a mistake of the program in one section must not cost the user the others
        problem = f"a mistake in the program, {type(error).__name__}: {error}"
        return Section(maker.name, maker.title, problem=problem, trace=format_exc())
    return replace(section, name=maker.name, title=maker.title)
