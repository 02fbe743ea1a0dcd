"""How long a build is played that may be broken, and what is not played at all.

A sound unit is waited for, whatever it takes. One with a fault may never come to rest, or recover in minutes where the
sound one takes a tenth of a second; that it does not is then the figure. What is left out gets the reason in words,
never a value.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fetsim.measurements.curve.procedure import THRESHOLDS_DB
from fetsim.studies.builds.asked import Figure

LOUD_ENOUGH_DB = 6.0
"""A tone as far over the nominal unit's threshold says whether there is one at all."""


@dataclass(frozen=True, kw_only=True)
class Patience:
    """With a build that may be broken."""

    settling_s: float
    """Of playing, before a level is said to have no steady state,"""
    step_s: float
    """and before an attack or release is said not to come."""
    least_gain_db: float
    """At rest: with less there is no sound to measure by."""


def without_sound(patience: Patience, found: Mapping[str, float]) -> str | None:
    """Why nothing needs to be played to a build that gives out nothing."""
    gain_db = found.get("gain", patience.least_gain_db)
    return f"no sound to measure by: the gain is {gain_db:.0f} dB" if gain_db < patience.least_gain_db else None


def without_reduction(figures: Sequence[Figure], found: Mapping[str, float], loud_dbu: float) -> str | None:
    """Why a build has neither thresholds nor times: a tone at ``loud_dbu`` or more showed no gain reduction."""
    tones = [one for one in figures if one.kind == "reduction" and one.key in found and one.level_dbu is not None]
    loudest = max(tones, key=lambda one: one.level_dbu or 0.0, default=None)
    if loudest is None or loudest.level_dbu is None or loudest.level_dbu < loud_dbu:
        return None
    if abs(found[loudest.key]) >= min(THRESHOLDS_DB):
        return None
    return f"no gain reduction: {found[loudest.key]:.2f} dB at {loudest.level_dbu:g} dBu"
