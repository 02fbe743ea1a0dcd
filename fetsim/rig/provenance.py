"""What made a result: program, libraries, unit and settings, in one record made in one place."""

import sys
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version

import fetsim
from fetsim.rig.gain_cell import CellAtRest
from fetsim.rig.rig import Rig
from fetsim.schematic.change_list import Step, change_list

LIBRARIES = ("numpy", "scipy", "numba", "soxr")
"""Whose version can change the last digits of a figure."""


@dataclass(frozen=True, kw_only=True)
class Change:
    """One setting that differs from the unit as it was loaded, in words."""

    name: str
    before: str
    after: str


@dataclass(frozen=True, kw_only=True)
class Program:
    """What worked a result out."""

    fetsim: str
    """Version."""
    python: str
    libraries: dict[str, str]
    made_utc: str
    """Date and time, ISO 8601."""


@dataclass(frozen=True, kw_only=True)
class Provenance(Program):
    """What made a result of a unit. Two that differ in ``made_utc`` only give the same figures."""

    unit: str
    unit_sha256: str
    """Of the text of the unit's file."""
    changes: tuple[Change, ...]
    """Against the unit as it was loaded."""
    based_on: str | None
    """Name of the unit that its file starts from; None for a file that is a whole unit."""
    work: tuple[Step, ...]
    """What makes it out of that one with the iron, changes included; empty without one."""
    quality: str
    method: str
    """Of integration: the one really used, which need not be the quality's own."""
    rate_hz: float
    """Solutions of the circuit a second."""
    temperature_c: float
    load_ohm: float | None
    """At the output; None without one."""
    rest: CellAtRest | None
    """How the FET stands at rest; None for a unit without a gain cell."""
    told: tuple[str, ...]
    """The same in words, and what should be known before the figures are believed."""


def program() -> Program:
    """The record for a result without a unit, made now."""
    return Program(
        fetsim=fetsim.__version__,
        python=".".join(map(str, sys.version_info[:3])),
        libraries=_libraries(),
        made_utc=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def provenance(rig: Rig) -> Provenance:
    """The record for a result of a unit that was driven as this rig is, made now."""
    unit = rig.unit
    return Provenance(
        **vars(program()),
        unit=unit.name,
        unit_sha256=unit.text_digest,
        changes=tuple(
            Change(name=name, before=before, after=after) for name, before, after in unit.changes
        ),
        based_on=None if unit.base is None else unit.base.name,
        work=() if unit.base is None else change_list(unit.base, unit),
        quality=rig.quality,
        method=rig.method,
        rate_hz=rig.rate_hz,
        temperature_c=unit.temperature_c,
        load_ohm=unit.output.values.get("load"),
        rest=rig.rest,
        told=rig.told,
    )


def provenance_of_both(rig: Rig) -> Provenance:
    """As ``provenance``, for what is not measured at one channel: of a pair with how both of them rest."""
    made = provenance(rig)
    each = [replace(rig, unit=rig.unit.listening(channel), near=rig) for channel in rig.unit.channels]
    told = dict.fromkeys(text for one in each for text in one.told if text != one.where_measured)
    return replace(made, told=tuple(told)) if each else made


@cache
def _libraries() -> dict[str, str]:
    found = {}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
