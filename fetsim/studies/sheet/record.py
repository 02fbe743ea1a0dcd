"""A bench sheet as plain data."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from importlib import import_module
from typing import Any

from fetsim.measurements.idle.procedure import IdlePoint, Loading
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.table import Table
from fetsim.measurements.to_plain import json_text, plain
from fetsim.rig.provenance import Provenance
from fetsim.schematic.change_list import Step
from fetsim.schematic.unit import Unit

NOT_TOLD = ("unit", "point")
"""Fields that ``to_dict`` leaves to others: the unit's file, and ``fetsim idle``."""


@dataclass(frozen=True, kw_only=True)
class NodeVolts:
    """One node at rest."""

    stage: str
    """The first stage that has a part there."""
    node: str
    volts_v: float
    """Of the unit itself, against ground,"""
    metered_v: float
    """and as a meter of 10 Mohm shows them."""
    low_v: float | None
    """5 % of the builds read less,"""
    high_v: float | None
    """and 5 % more; None without builds."""


@dataclass(frozen=True, kw_only=True)
class ToneReading:
    """What the instruments show under one steady tone."""

    level_dbu: float
    """At the source."""
    gain_reduction_db: float
    """In the FET's divider, mean over the cycle."""
    output_dbu: float
    """Root mean square at the output, harmonics included, steady volts not."""
    control_v: float
    """Mean of the control voltage."""
    needle_db: float | None
    """What the unit's own meter says, None without one,"""
    deflection: float | None
    """and where its pointer stands, as a share of full scale."""
    scope_v: Mapping[str, tuple[float, float]]
    """Output and probe -> lowest and highest voltage, as a scope shows it."""
    loadings: tuple[Loading, ...]
    """What all parts that have ratings use of them under the tone."""
    band: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    """Figure of builds (``output``, ``swing``, ``control``, ``needle``) -> what 5 % of the builds read less than, and
    5 % more; empty without builds."""

    @property
    def kinds(self) -> tuple[str, ...]:
        """Those figures, of the instruments that there are."""
        return ("output", "swing", "control", *(() if self.needle_db is None else ("needle",)))


@dataclass(frozen=True, kw_only=True)
class ChangedPart:
    """A part that was put in, exchanged or wired anew, and what is used of its ratings at rest."""

    designator: str
    loadings: tuple[Loading, ...]
    """Empty for a part without ratings, which nobody can judge."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BenchSheet:
    """All that lies beside the unit."""

    provenance: Provenance
    unit: Unit
    """As it is expected, with its trims set where that was asked for."""
    point: IdlePoint
    cautions: tuple[str, ...]
    nodes: tuple[NodeVolts, ...]
    """In the order of the unit's stages."""
    builds: int
    """From which the band comes; 0 where nothing varies,"""
    failures: int
    """and those of them that do not come to rest."""
    seed: int
    trims: bool
    """Whether the trims, of the builds too, were set first,"""
    tone_steps: bool
    """by the steps that need a tone too;"""
    missed: Mapping[str, str]
    """step of the alignment that did not come out then, of those that were taken -> why."""
    frequency_hz: float
    """Of the tones."""
    tones: Mapping[str, ToneReading]
    """What the tone is for -> what is shown; empty for a unit without gain cell."""
    reasons: Mapping[str, str]
    """The same -> why there is none."""
    work: tuple[Step, ...]
    """What was changed, as work for the iron."""
    work_on: str
    """The unit that it begins with; empty where nothing was changed."""
    changed_parts: tuple[ChangedPart, ...]

    def hardest(self, rest: Loading) -> tuple[str, Loading]:
        """Where most is used of what one part uses at rest of a rating: at rest, or under which tone."""
        under = [
            (tone, one)
            for tone, reading in self.tones.items()
            for one in reading.loadings
            if (one.designator, one.rating) == (rest.designator, rest.rating)
        ]
        return max([("at rest", rest), *under], key=lambda one: one[1].share)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts and lists for JSON; what is not finite is None."""
        whole = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in NOT_TOLD}
        whole["beyond_rating"], whole["near_rating"] = self.point.beyond_rating, self.point.near_rating
        return dict(plain(whole))

    def to_json(self) -> str:
        """The same as JSON."""
        return json_text(self.to_dict())

    def account(self) -> Account:
        """Cautions, tables with a column to fill in, definitions."""
        account: Account = import_module("fetsim.studies.sheet.tables").account(self)
        return account

    def tables(self) -> tuple[Table, ...]:
        """Volts, tones, alignment, work and ratings, as raw values under described columns."""
        return self.account().tables
