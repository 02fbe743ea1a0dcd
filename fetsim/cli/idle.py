"""``fetsim idle``: the unit at rest."""

import sys
from typing import Annotated

import typer

from fetsim.cli.options import UnitOptions
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.to_plain import json_text
from fetsim.report.look.terminal import account_text
from fetsim.rig.rig import compile_notice


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
    if unit.mains and (told := compile_notice(unit)):  # rest with mains is marched
        print(f"fetsim: {told}", file=sys.stderr, flush=True)
    point = idle_point(unit)
    account, made = point.account(), point.provenance
    if as_json:
        head = {"measurement": point.ROOM, "fetsim": made.fetsim, "unit": made.unit, "changes": made.changes}
        typer.echo(json_text({**head, **point.to_dict(), **account.to_dict()}), nl=False)
    else:
        typer.echo(account_text(account))
