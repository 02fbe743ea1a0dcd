"""The sections of the page in their order, and what happens when one of them cannot be measured."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

from fetsim.errors import FetsimError, InputError
from fetsim.report.pages.report.content import Section
from fetsim.report.pages.report.definitions import DEFINITIONS
from fetsim.report.pages.report.level_sections import curve_section, distortion_section, levels_section, noise_section
from fetsim.report.pages.report.rest_section import idle_section
from fetsim.report.pages.report.time_sections import explain_section, needle_section, response_section, timing_section
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit

PLAIN_NAME = "this unit"


@dataclass(frozen=True)
class Maker:
    """How one section comes about."""

    name: str
    title: str
    make: Callable[[Unit, str, Progress], Section]


MAKERS = (
    Maker("idle", "At rest", idle_section),
    Maker("explain", "One burst round the loop", explain_section),
    Maker("curve", "Static curve", curve_section),
    Maker("timing", "Attack and release", timing_section),
    Maker("distortion", "Distortion", distortion_section),
    Maker("response", "Response", response_section),
    Maker("levels", "Level plan", levels_section),
    Maker("noise", "Noise", noise_section),
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
    """The section, or what kept it from being measured.

    The unit goes by a plain name meanwhile: its own may hold anything, and belongs on the page but not in a drawing.
    """
    try:
        section = maker.make(replace(unit, name=PLAIN_NAME), quality, progress)
    except FetsimError as error:
        return Section(maker.name, maker.title, problem=str(error).replace("\n", " "))
    except Exception as error:  # a mistake of the program in one section must not cost the user the others
        return Section(maker.name, maker.title, problem=f"a mistake in the program, {type(error).__name__}: {error}")
    return replace(section, name=maker.name, title=maker.title, definitions=DEFINITIONS[maker.name])
