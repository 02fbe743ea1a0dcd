"""Quality levels by plain names: how fine the circuit is solved in time.

The internal rate is the file's rate times the smallest whole factor that reaches the level's least rate. Measured on
the Dunlin at 48 kHz, output error in dB under the output's own rms (tests/data, benchmarks/aliasing.py):

    level     factor   20 dB burst   programme   largest alias: 5 kHz at 15 dB of gain reduction / line stage clipping
    draft         3        -70          -79                          -114 / -45
    standard      5        -83          -96                          -117 / -56
    fine         12       -101         -116                          -122 / -75

These figures hold for the Dunlin: a unit with faster time constants or harder clipping has larger errors. What another
unit owes to a level is found by rendering it at the next finer one.

A stage that clips hard at several kHz switches regeneratively in under a microsecond: there every level is an
approximation. The 5 kHz burst of benchmarks/methods.py that clips the line stage keeps -57 dB of error at 240 kHz and
-72 dB at 576 kHz.
"""

from dataclasses import dataclass
from math import ceil

from fetsim.errors import InputError


@dataclass(frozen=True)
class Quality:
    """One level."""

    name: str
    least_rate_hz: float
    method: str
    tolerance_v: float
    """Newton's last step on every conducting junction."""
    about: str

    def factor(self, rate_hz: float) -> int:
        """Oversampling factor for a file of ``rate_hz``: above 6 only products of 2 and 3, which the rate conversion
        does exactly."""
        factor = max(1, ceil(self.least_rate_hz / rate_hz))
        while factor > 6 and not _is_smooth(factor):
            factor += 1
        return factor


QUALITIES: dict[str, Quality] = {
    q.name: q
    for q in (
        Quality("draft", 140e3, "bdf4", 0.01, "quick listening"),
        Quality("standard", 235e3, "bdf4", 0.005, "the default"),
        Quality("fine", 560e3, "bdf4", 0.001, "for measurements and last renders"),
    )
}
DEFAULT_QUALITY = "standard"


def _is_smooth(factor: int) -> bool:
    for prime in (2, 3):
        while factor % prime == 0:
            factor //= prime
    return factor == 1


def quality_named(name: str) -> Quality:
    """The quality of that name. Raises InputError that lists the names."""
    if isinstance(name, str) and name in QUALITIES:
        return QUALITIES[name]
    raise InputError(f"quality: there is no {str(name)[:20]!r}; choose from {', '.join(QUALITIES)}")
