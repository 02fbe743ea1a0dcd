"""``fetsim idle``: the unit at rest."""

import json
from typing import Annotated

import typer

from fetsim.cli.options import UnitOptions
from fetsim.measurements.idle.procedure import idle_point
from fetsim.report.idle.text import idle_page


def idle(
    chosen: UnitOptions,
    as_json: Annotated[bool, typer.Option("--as-json", help="print JSON instead of text")] = False,
) -> None:
    """Voltages, currents and heat at rest, transistors in words, and parts near or beyond their rating.

    \b
    fetsim idle
    fetsim idle --change idle_trim=0.4 --change temperature_c=45
    """
    unit = chosen.chosen()
    point = idle_point(unit)
    if as_json:
        changes = [dict(zip(("name", "before", "after"), one, strict=True)) for one in unit.changes]
        plain = {"changes": changes, **point.to_dict()}
        typer.echo(json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        typer.echo(idle_page(unit, point, unit.changes))
