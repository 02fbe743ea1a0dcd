"""What many builds show: a row for each, a column for each figure."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib import import_module
from typing import Any

from fetsim.engine.assembly import Array
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.table import Table
from fetsim.measurements.to_plain import json_text, plain
from fetsim.rig.provenance import Provenance
from fetsim.studies.builds.asked import Figure


@dataclass(frozen=True, kw_only=True, eq=False)
class BuildFigures:
    """A row for each build, in the order in which they were given; NaN where ``reasons`` says why."""

    provenance: Provenance
    """Of the nominal unit."""
    labels: tuple[str, ...]
    figures: tuple[Figure, ...]
    """What was asked for."""
    nodes: tuple[str, ...]
    node_v: Array
    """At rest, against ground [V; shape=(builds, nodes)]."""
    columns: Mapping[str, Array]
    """Name of the figure -> values, in SI units or in what ``Figure.unit`` says [shape=(builds,)]."""
    reasons: Mapping[str, Mapping[str, str]]
    """Label -> figure (``rest`` for all of them) -> why it cannot be had; builds that have all are left out."""
    curve_hz: float
    """Of the steady tones,"""
    step_hz: float
    """and of the steps for attack and release."""
    before_dbu: float | None
    level_dbu: float | None
    """Source levels of the step, up from ``before_dbu`` and back; None where no times were asked for."""

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts, lists and tables for JSON; what is not finite is None."""
        whole = {one.name: getattr(self, one.name) for one in fields(self)}
        described = ("key", "heading", "unit", "quantity", "meaning")
        whole["figures"] = [{name: getattr(one, name) for name in described} for one in self.figures]
        return dict(plain(whole))

    def to_json(self) -> str:
        """The same as JSON."""
        return json_text(self.to_dict())

    def account(self) -> Account:
        """Title, the table of all builds, definitions."""
        account: Account = import_module("fetsim.studies.builds.tables").account(self)
        return account

    def tables(self) -> tuple[Table, ...]:
        """The builds as raw values under described columns."""
        return self.account().tables
