"""All measurements of one unit as a single HTML file: inline drawings, no script, no network, light, dark and print.

Every section stands for itself: one that cannot be measured says why in its place, and the others are there. Whatever a
unit's author wrote is shown as text, set off from the page's own direction of writing; the pictures hold none of it.
"""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import fetsim
from fetsim.errors import InputError
from fetsim.files.whole_files import Outputs, writing
from fetsim.measurements.results.definitions import STATUSES
from fetsim.measurements.to_plain import json_text
from fetsim.report.pages.content import Section
from fetsim.report.pages.filled import filled
from fetsim.report.pages.report.sections import chosen_sections, make_section
from fetsim.report.pages.report.unit_facts import unit_facts
from fetsim.schematic.unit import Unit

Watch = Callable[[str, float], None]
"""Called with the title of the section at work and the share of the whole that is done."""


def measure_sections(
    unit: Unit,
    *,
    only: Sequence[str] | None = None,
    quality: str = "standard",
    watch: Watch = lambda title, share: None,
) -> tuple[Section, ...]:
    """Measure everything that the unit has, or the sections named in ``only``, in the order of the page.

    A section that fails has its ``problem`` set. Raises InputError for a name that is none.
    """
    makers = [maker for maker in chosen_sections(only) if only is not None or maker.applies(unit)]
    done = []
    for number, maker in enumerate(makers):
        told = partial(_tell, watch, maker.title, number, len(makers))
        told(0.0)
        done.append(make_section(maker, unit, quality, told))
    watch("", 1.0)
    return tuple(done)


def _tell(watch: Watch, title: str, number: int, count: int, share: float) -> None:
    watch(title, (number + share) / count)


def page_html(unit: Unit, before: Unit, sections: Sequence[Section], quality: str) -> str:
    """The page; ``before`` is the unit as its file has it, for what has been changed."""
    return filled(
        "report/page.html",
        facts=unit_facts(unit, before, quality),
        sections=sections,
        statuses=STATUSES,
    )


def write_report(
    path: Path,
    unit: Unit,
    before: Unit,
    *,
    only: Sequence[str] | None = None,
    quality: str = "standard",
    json_to: Path | None = None,
    overwrite: bool = False,
    watch: Watch = lambda title, share: None,
) -> tuple[Section, ...]:
    """Measure and write the page to ``path``, and all its figures as JSON to ``json_to``, whole or not at all.

    Returns the sections of the page. Raises InputError when a file cannot be written or no section can be measured.

    >>> import fetsim
    >>> from pathlib import Path
    >>> unit = fetsim.load_unit("teaching")
    >>> sections = fetsim.write_report(Path("report.html"), unit, unit, only=["idle"], quality="draft")
    >>> [one.name for one in sections]
    ['idle']
    """
    chosen_sections(only)
    with Outputs(overwrite=overwrite, inputs=unit.files) as outputs:
        staged = {to: outputs.stage(to) for to in (path, json_to) if to is not None}
        sections = measure_sections(unit, only=only, quality=quality, watch=watch)
        if all(one.problem for one in sections):
            raise InputError("\n".join(f"{one.name}: {one.problem}" for one in sections))
        with writing(path):
            staged[path].write_text(page_html(unit, before, sections, quality), encoding="utf-8")
        if json_to is not None:
            whole = _document(unit, before, sections, quality)
            with writing(json_to):
                staged[json_to].write_text(json_text(whole), encoding="utf-8")
    return sections


def _document(unit: Unit, before: Unit, sections: Sequence[Section], quality: str) -> dict[str, Any]:
    return {
        "measurement": "report",
        "fetsim": fetsim.__version__,
        "unit": unit.name,
        "quality": quality,
        "changes": [dict(zip(("name", "before", "after"), one, strict=True)) for one in before.differences(unit)],
        "sections": {one.name: {"problem": one.problem} if one.problem else dict(one.figures) for one in sections},
    }
