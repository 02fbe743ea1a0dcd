"""Options that several commands share, and how they turn into a changed unit."""

from typing import Annotated

import typer

from fetsim.errors import InputError
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit

UnitOption = Annotated[
    str, typer.Option("--unit", "-u", metavar="NAME|FILE", help="a shipped unit or a unit file (.toml)")
]
ChangeOption = Annotated[
    list[str] | None,
    typer.Option(
        "--change", "-c", metavar="NAME=VALUE",
        help="change a part (C16=220n), a figure (J1.i_dss=12mA), a control (attack=0.8) or the closed switches of "
        "a bank (curve=S1+S3, curve=none); repeat for more",
    ),
]  # fmt: skip
FullScaleOption = Annotated[
    float | None,
    typer.Option("--full-scale", metavar="DBU", help="level in dBu that 0 dBFS stands for (default: the unit's)"),
]
LoadOption = Annotated[
    str | None, typer.Option("--load", metavar="OHM", help="load at the output, such as 600 or 10k")
]
QualityOption = Annotated[
    str, typer.Option("--quality", "-q", metavar="QUALITY", help="draft, standard or fine")
]
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="overwrite files that exist")]


def chosen_unit(
    unit: str, change: list[str] | None, full_scale_dbu: float | None = None, load: str | None = None
) -> Unit:
    """Load the unit and apply the options. Raises UnitError or InputError."""
    changes: dict[str, str | float] = {}
    for text in change or []:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise InputError(f"--change: {text!r} is not NAME=VALUE, such as C16=220n")
        if name.strip() in changes:
            raise InputError(f"--change: {name.strip()} is given twice")
        changes[name.strip()] = value.strip()
    if full_scale_dbu is not None:
        changes["full_scale_dbu"] = full_scale_dbu
    if load is not None:
        changes["load"] = load
    loaded = load_unit(unit)
    return loaded.changed(changes) if changes else loaded
