"""Pages of tables and drawings: a template filled in, with the style that they share.

Nothing runs on them, and nothing is fetched.
"""

from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

import fetsim
from fetsim.report.look.kept_together import bound_on_page

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
"""The drawings bring their styles with them."""


def filled(page: str, **values: object) -> str:
    """The page of a template of this room, ``report/page.html`` say; whatever comes from outside is text there."""
    style = (files(__package__) / "page.css").read_text(encoding="utf-8")
    return template(page).render(policy=POLICY, style=style, version=fetsim.__version__, **values)


def template(page: str) -> Template:
    """A template of this room."""
    environment = Environment(
        loader=PackageLoader("fetsim.report", "pages"),
        autoescape=True,
        finalize=bound_on_page,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(page)
