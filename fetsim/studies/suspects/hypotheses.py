"""What may be wrong, each with how likely it is before anything has been looked at.

A value that is off has its own size free; a fault as drawn (open, shorted, leaky ...) has been simulated. How often
parts fail is told by the table of ``faults``, which a user may replace: its rates count as ratios among each other.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fetsim.errors import InputError
from fetsim.schematic.faults import Fault
from fetsim.studies.suspects.values import Value

HEALTHY, HEALTHY_CHANCE = "healthy", 0.3
"""That nothing is wrong with a unit of which somebody asks what is wrong (estimate); the rest is single faults,"""
SECOND_CHANCE = 0.03
"""and that there is a second fault beside one (estimate)."""
GRADUAL = ("drifted", "dried", "weak", "leaky", "lossy", "dirty", "shorted", "dry")
"""Faults that a value far off its own stands for, too."""
LEAST_RATE = 0.02
"""Of the mean of all parts: nothing counts as less likely to drift."""


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """One of them, as columns."""

    name: str
    """``healthy``, a value (``C16``, ``J1.i_dss``) or a fault (``C16=leaky:1M``); two with `` and `` between them."""
    parts: tuple[str, ...]
    words: str
    log_prior: float
    values: tuple[Value, ...] = ()
    """That are off,"""
    free: tuple[int, ...] = ()
    """their numbers, which are those of their columns."""
    fault: Fault | None = None
    certain: int | None = None
    """Column of that, of which there is one for certain."""

    @property
    def single(self) -> bool:
        """Whether it is one thing that is wrong, not two."""
        return len(self.values) + (self.fault is not None) == 1

    def believed(self, log_prior: float) -> "Hypothesis":
        """With another chance."""
        return replace(self, log_prior=log_prior)

    def moved(self, certain: int) -> "Hypothesis":
        """With the column of its fault elsewhere."""
        return replace(self, certain=certain)


def healthy() -> Hypothesis:
    """Nothing is wrong."""
    return Hypothesis(
        name=HEALTHY, parts=(), words="nothing wrong beyond tolerance", log_prior=float(np.log(HEALTHY_CHANCE))
    )


def single_values(values: Sequence[Value], faults: Sequence[Fault]) -> list[Hypothesis]:
    """A value that is off, for each; column k is value k."""
    rates = value_rates(values, faults)
    return [
        Hypothesis(
            name=one.name, parts=(one.owner,), words="off its value", values=(one,), free=(k,),
            log_prior=float(np.log(rates[one.name])) if rates[one.name] > 0.0 else -np.inf,
        )
        for k, one in enumerate(values)
        if one.suspect
    ]  # fmt: skip


def single_faults(faults: Sequence[Fault], why: Sequence[str], first: int) -> list[Hypothesis]:
    """A fault as drawn, for each that could be played; their columns begin at ``first``. ``why``: what failed."""
    return [
        Hypothesis(
            name=one.name, parts=tuple(one.part.split("+")), words=one.words, fault=one, certain=first + k,
            log_prior=float(np.log(one.rate)),
        )
        for k, one in enumerate(faults)
        if not why[k]
    ]  # fmt: skip


def value_rates(values: Sequence[Value], faults: Sequence[Fault]) -> dict[str, float]:
    """How often each value is off, relative: the gradual faults of its part, shared among its values."""
    of_part: dict[str, float] = defaultdict(float)
    for fault in faults:
        if fault.kind in GRADUAL and not fault.mistake:
            of_part[fault.part] += fault.rate
    suspects = [one for one in values if one.suspect]
    alike: dict[str, int] = defaultdict(int)
    for one in suspects:
        alike[one.owner] += 1
    least = LEAST_RATE * (sum(of_part.values()) / len(of_part) if of_part else 1.0)
    return {one.name: max(of_part[one.owner], least) / alike[one.owner] for one in suspects}


def shared_out(found: Sequence[Hypothesis]) -> list[float]:
    """Log priors of single faults, out of their rates, so that all of them together have the chance that health has
    not. Raises InputError where none ever fails."""
    rates = np.array([one.log_prior for one in found])
    if not np.any(np.isfinite(rates)):
        raise InputError("rates: all of them are zero, so nothing ever fails; give at least one that is more")
    return list(rates - np.logaddexp.reduce(rates) + np.log1p(-HEALTHY_CHANCE))
