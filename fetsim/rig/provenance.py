"""What made a result: program, libraries, unit and settings, in one record made in one place."""

import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version

import fetsim
from fetsim.rig.quality import quality_named
from fetsim.schematic.unit import Unit

LIBRARIES = ("numpy", "scipy", "numba", "soxr")
"""Whose version can change the last digits of a figure."""


@dataclass(frozen=True, kw_only=True)
class Change:
    """One setting that differs from the unit as it was loaded, in words."""

    name: str
    before: str
    after: str


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """What made a result. Two that differ in ``made_utc`` only give the same figures."""

    fetsim: str
    """Version."""
    python: str
    libraries: dict[str, str]
    unit: str
    unit_sha256: str
    """Of the text of the unit's file."""
    changes: tuple[Change, ...]
    """Against the unit as it was loaded."""
    quality: str
    method: str
    """Of integration."""
    rate_hz: float
    """Solutions of the circuit a second."""
    temperature_c: float
    load_ohm: float | None
    """At the output; None without one."""
    made_utc: str
    """Date and time, ISO 8601."""


def provenance(unit: Unit, *, quality: str, rate_hz: float) -> Provenance:
    """The record for a result of ``unit`` at ``rate_hz`` solutions a second, made now."""
    return Provenance(
        fetsim=fetsim.__version__,
        python=".".join(map(str, sys.version_info[:3])),
        libraries=_libraries(),
        unit=unit.name,
        unit_sha256=unit.text_digest,
        changes=tuple(
            Change(name=name, before=before, after=after) for name, before, after in unit.changes
        ),
        quality=quality,
        method=quality_named(quality).method,
        rate_hz=rate_hz,
        temperature_c=unit.temperature_c,
        load_ohm=unit.output.values.get("load"),
        made_utc=datetime.now(UTC).isoformat(timespec="seconds"),
    )


@cache
def _libraries() -> dict[str, str]:
    found = {}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
