"""The sections of the page in their order, and what happens when one of them cannot be measured."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from traceback import format_exc

from fetsim.errors import FetsimError, InputError
from fetsim.measurements.curve.procedure import closed_switches, measure_curve
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.levels.procedure import measure_levels
from fetsim.measurements.noise.procedure import measure_noise
from fetsim.measurements.results.result import Result, picture_of
from fetsim.measurements.results.table import Table as ResultTable
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.report.look.printed import printed
from fetsim.report.pages.report.content import Picture, Section, Table
from fetsim.report.pages.report.definitions import DEFINITIONS
from fetsim.report.pages.report.level_sections import distortion_section, reductions_within_reach
from fetsim.report.pages.report.svg import inline_svg
from fetsim.report.pages.report.time_sections import explain_section, needle_section, response_section
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit

PLAIN_NAME = "this unit"


@dataclass(frozen=True)
class Maker:
    """How one section comes about."""

    name: str
    title: str
    make: Callable[[Unit, str, Progress], Section]
    nameless: bool = True
    """Whether the unit goes by a plain name meanwhile: its own may hold anything, and belongs on the page but not in a
    drawing. A section made of a result's account needs no such care."""


def result_section(result: Result) -> Section:
    """Any measurement that gives an account of itself."""
    account = result.account()
    return Section(
        "", "",
        lead=account.lead,
        pictures=[Picture(inline_svg(picture_of({"": result}, titled=False), result.ROOM), account.title)],
        tables=[_table(table) for table in account.tables if table.rows or table.notes],
        definitions=account.definitions,
        figures={**result.to_dict(), **account.to_dict()},
    )  # fmt: skip


def _table(table: ResultTable) -> Table:
    texts = printed(table)
    words = next(iter(texts.right), len(texts.headings))
    return Table(texts.headings, texts.rows, words, texts.title, notes=texts.notes, folded=table.detail)


def curve_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Each switch of the bank on its own, and the setting that the unit has."""
    bank = next(iter(unit.banks.values()), None)
    switches = None if bank is None else list(dict.fromkeys([*bank.switches, closed_switches(unit)]))
    return result_section(measure_curve(unit, switches=switches, quality=quality, progress=progress))


def idle_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Voltages by stage, transistors, heat, ratings; nothing of it depends on the quality."""
    return result_section(idle_point(unit))


def levels_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Stage by stage at the alignment level."""
    return result_section(measure_levels(unit, quality=quality))


def noise_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """At rest and held at gain reductions."""
    reductions_db = reductions_within_reach(unit, quality)
    return result_section(measure_noise(unit, reductions_db=reductions_db, quality=quality))


def timing_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Attack and release at the setting that the unit has."""
    return result_section(measure_timing(unit, quality=quality, progress=progress))


MAKERS = (
    Maker("idle", "At rest", idle_section, nameless=False),
    Maker("explain", "One burst round the loop", explain_section, nameless=False),
    Maker("curve", "Static curve", curve_section, nameless=False),
    Maker("timing", "Attack and release", timing_section, nameless=False),
    Maker("distortion", "Distortion", distortion_section),
    Maker("response", "Response", response_section),
    Maker("levels", "Level plan", levels_section, nameless=False),
    Maker("noise", "Noise", noise_section, nameless=False),
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
        section = maker.make(replace(unit, name=PLAIN_NAME) if maker.nameless else unit, quality, progress)
    except FetsimError as error:
        return Section(maker.name, maker.title, problem=str(error).replace("\n", " "))
    except Exception as error:  # a mistake of the program in one section must not cost the user the others
        problem = f"a mistake in the program, {type(error).__name__}: {error}"
        return Section(maker.name, maker.title, problem=problem, trace=format_exc())
    definitions = section.definitions or DEFINITIONS[maker.name]
    return replace(section, name=maker.name, title=maker.title, definitions=definitions)
