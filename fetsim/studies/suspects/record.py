"""What is suspected, as plain numbers."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.measurements.results.result import Result


@dataclass(frozen=True, kw_only=True)
class Suspect:
    """One hypothesis."""

    name: str
    """``C16``, ``J1.i_dss``, ``C16=leaky:1M``; two with `` and `` between them."""
    parts: tuple[str, ...]
    words: str
    probability: float
    log_evidence: float
    """Over that of a healthy unit, nats."""
    played: bool
    """Whether it was played as it stands; otherwise it is known by slopes alone."""
    off: float | None = None
    """Share by which the value would have to be off, its tolerance included; None for a fault as drawn."""
    off_low: float | None = None
    off_high: float | None = None
    """95 of 100 such intervals hold the true one, as long as the suspect is the right one."""
    present: float | None = None
    """Value as drawn, SI units."""

    @property
    def decades(self) -> float:
        """Power of ten by which it explains everything better than a good unit does."""
        return self.log_evidence / float(np.log(10.0))


@dataclass(frozen=True, kw_only=True)
class SuspectGroup:
    """Suspects that the data do not tell apart, the most probable first."""

    suspects: tuple[Suspect, ...]

    @property
    def probability(self) -> float:
        """That it holds what is wrong."""
        return sum(one.probability for one in self.suspects)

    @property
    def parts(self) -> tuple[str, ...]:
        """Designators, each once."""
        return tuple(dict.fromkeys(part for one in self.suspects for part in one.parts))


@dataclass(frozen=True, kw_only=True)
class NextReading:
    """A reading that has not been taken."""

    name: str
    """Figure, with the settings it is taken at;"""
    figure: str
    """the figure by its name,"""
    settings: Mapping[str, str]
    """and what is set otherwise, as changes take it."""
    bits: float
    """What it is expected to tell of which suspect is the right one."""
    expected: tuple[tuple[str, float, float], ...]
    """Suspect, what it would make the reading, and the standard deviation of that."""
    unit: str
    splits: tuple[str, str]
    """The most probable suspect, and the one that it tells best from that,"""
    apart_sigmas: float
    """by so many standard deviations."""
    short: str
    """It in a phrase,"""
    how: str
    """and in sentences: what to set, feed and hold the meter to."""
    line: str
    """For a list of readings (CSV), its value to be filled in."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Foretold:
    """What one suspect, or the unit as drawn, would give where the real one was observed, its values moved as suits it
    best."""

    name: str
    readings: tuple[float, ...]
    """In the order of those taken, in their units."""
    gains_db: tuple[Array, ...]
    """For each recording the gain over time, at the level that suits best [shape=(windows,)],"""
    out_db: tuple[Array, ...]
    """and the level out by level in (``HeardBefore``)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class HeardBefore:
    """What is left of one recording before and after the first suspect is put in."""

    name: str
    noise_db: float
    """Of the recording, re its level; as all of these within the band that counts (``spectra``)."""
    before_db: float
    after_db: float
    time_s: Array
    """Middles of stretches,"""
    before_time_db: Array
    after_time_db: Array
    """levels in them, re that of the whole recording."""
    band_hz: Array
    before_band_db: Array
    after_band_db: Array
    noise_band_db: Array
    window_s: Array
    """Middles of short windows,"""
    gain_db: Array
    """and the gain from the dry sound to the recording in them, the level that suits the unit as drawn taken for its
    own [NaN where the dry sound is quiet]."""
    in_db: Array
    """Level of the dry sound, in steps [dBFS],"""
    out_db: Array
    """and the median of the recording's level there, in the same scale as ``gain_db``."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Suspicion(Result):
    """All suspects."""

    ROOM: ClassVar[str] = "suspects"
    FLOOR: ClassVar[str] = "studies"

    healthy: float
    """Probability that nothing is wrong beyond tolerances."""
    groups: tuple[SuspectGroup, ...]
    """The most probable first."""
    next_readings: tuple[NextReading, ...]
    """Those that are worth taking, the best first."""
    looked_at: int
    """Readings that could be taken and were weighed."""
    model_error_db: float | None
    """What the model itself seems to be off by, re the recording where that is most; None without any."""
    below: bool
    """Whether all faults together do not explain what is known 20 times better than health does: what is there lies
    below what noise, tolerances and the model's error let one see. A good unit comes out otherwise in 5 of 100 cases at
    the most (Markov's inequality for the ratio of evidences, as long as tolerances are what they are taken for)."""
    readings: tuple[tuple[str, float, float, float, float, str], ...]
    """Reading: name, value, its accuracy, what the unit as drawn gives, what the first suspect does; unit of these."""
    heard: tuple[HeardBefore, ...]
    foretold: tuple[Foretold, ...]
    """The unit as drawn, then the first suspects."""
    verdict: str
    warnings: tuple[str, ...]

    @property
    def first(self) -> Suspect | None:
        """The most probable suspect."""
        return self.groups[0].suspects[0] if self.groups else None
