"""``fetsim idle``: the unit at rest."""

import json
from typing import Annotated

import typer

from fetsim.cli.options import ChangeOption, UnitOption, chosen_unit
from fetsim.measurements.idle.procedure import idle_point
from fetsim.report.idle.text import idle_page


def idle(
    unit: UnitOption = "dunlin",
    change: ChangeOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="print JSON instead of text")] = False,
) -> None:
    """Voltages, currents and heat at rest, transistors in words, and parts near or beyond their rating."""
    wanted = chosen_unit(unit, change)
    point = idle_point(wanted)
    if as_json:
        changes = [dict(zip(("name", "before", "after"), one, strict=True)) for one in wanted.changes]
        plain = {"changes": changes, **point.to_dict()}
        typer.echo(json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        typer.echo(idle_page(wanted, point, wanted.changes))
