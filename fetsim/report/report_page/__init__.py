"""All measurements of one unit as a single HTML file: inline drawings, no script, no network, light, dark and print.

Every section stands for itself: one that cannot be measured says why in its place, and the others are there. Whatever a
unit's author wrote is shown as text, set off from the page's own direction of writing; the pictures hold none of it.
"""

from collections.abc import Callable, Sequence
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

import fetsim
from fetsim.audio.outputs import Outputs, writing
from fetsim.report.report_page.content import Section
from fetsim.report.report_page.definitions import STATUSES
from fetsim.report.report_page.sections import chosen_sections, make_section
from fetsim.report.report_page.unit_facts import Facts, unit_facts
from fetsim.schematic.unit import Unit

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
"""Nothing runs and nothing is fetched; the drawings bring their styles with them."""

Watch = Callable[[str, float], None]
"""Called with the title of the section at work and the share of the whole that is done."""


def measure_sections(
    unit: Unit,
    *,
    only: Sequence[str] | None = None,
    quality: str = "standard",
    watch: Watch = lambda title, share: None,
) -> tuple[Section, ...]:
    """Measure everything, or the sections named in ``only``, in the order of the page.

    A section that fails has its ``problem`` set. Raises InputError for a name that is none.
    """
    wanted = chosen_sections(only)
    done = []
    for number, maker in enumerate(wanted):
        watch(maker.title, number / len(wanted))
        done.append(
            make_section(
                maker, unit, quality,
                lambda share, at=number, title=maker.title: watch(title, (at + share) / len(wanted)),
            )  # fmt: skip
        )
    watch("", 1.0)
    return tuple(done)


def page_html(unit: Unit, before: Unit, sections: Sequence[Section], quality: str) -> str:
    """The page; ``before`` is the unit as its file has it, for what has been changed."""
    environment = Environment(
        loader=PackageLoader("fetsim.report.report_page", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    facts: Facts = unit_facts(unit, before, quality)
    return environment.get_template("page.html").render(
        policy=POLICY,
        style=(files(__package__) / "page.css").read_text(encoding="utf-8"),
        facts=facts,
        sections=sections,
        statuses=STATUSES,
        version=fetsim.__version__,
    )


def write_report(
    path: Path,
    unit: Unit,
    before: Unit,
    *,
    only: Sequence[str] | None = None,
    quality: str = "standard",
    overwrite: bool = False,
    watch: Watch = lambda title, share: None,
) -> tuple[Section, ...]:
    """Measure and write the page to ``path``, whole or not at all; the sections that it holds.

    Raises InputError when the page cannot be written or no section can be measured.
    """
    with Outputs(overwrite=overwrite, inputs=(unit.path,)) as outputs:
        staged = outputs.stage(path)
        sections = measure_sections(unit, only=only, quality=quality, watch=watch)
        with writing(path):
            staged.write_text(page_html(unit, before, sections, quality), encoding="utf-8")
    return sections
