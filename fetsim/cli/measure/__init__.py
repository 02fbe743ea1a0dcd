"""``fetsim measure WHAT``: each measurement is a module ``WHAT`` of this room with a function of the same name."""

import importlib
from collections.abc import Sequence
from pathlib import Path
from pkgutil import iter_modules

import typer

from fetsim.cli.options import spread

NO_MEASUREMENT = ("shared",)


def application(arguments: Sequence[str]) -> typer.Typer:
    """The measurements as one group of commands; only the one that is called gets imported."""
    app = typer.Typer(
        help="Measure a unit, versions of it, or a recording, with named definitions.",
        no_args_is_help=True,
        rich_markup_mode=None,
        add_completion=False,
    )
    app.callback()(_no_options)
    known = measurements()
    for name in [word for word in arguments if word in known][:1] or known:
        module = importlib.import_module(f"fetsim.cli.measure.{name}")
        app.command(name)(spread(getattr(module, name)))
    return app


def measurements() -> list[str]:
    """Names of all measurements, in alphabetical order."""
    found = iter_modules([str(Path(__file__).parent)])
    return [module.name for module in found if module.name not in NO_MEASUREMENT]


def _no_options() -> None:
    """Measure a unit, versions of it, or a recording, with named definitions."""
