"""Quality levels by plain names: how fine the circuit is solved in time.

The internal rate is the file's rate times the smallest whole factor that reaches the level's least rate. Measured on
the Dunlin at 48 kHz, output error in dB under the output's own rms (benchmarks/qualities.py; the material is stated as
formulas in tests/reference/excitation.py), and largest alias of a 5 kHz tone (benchmarks/aliasing.py):

    level     factor   20 dB burst   programme   treble-rich strikes   strikes that clip   alias: 15 dB GR / clipping
    draft         3        -84          -81              -69                  -57           -114 / -45
    standard      6       -100         -102              -91                  -70           -122 / -60
    fine         12       -121         -124             -112                  -82           -122 / -75

At 44.1 kHz (factors 4, 6, 16) burst, programme, strikes and clipping strikes have -86, -86, -76, -65 dB in draft,
-101, -99, -89, -60 dB in standard and -122, -121, -111, -82 dB in fine. What is left in fine is the transformers': the
slope of a core jumps where a stop begins to slip, and methods of any order are of the first there.

The programme has nothing above 7 kHz, a tenth of the strikes' noise lies there. A plain error of the frequency response
(gain at rest, error 0.002, 0.03 and 0.16 dB at 10, 16 and 20 kHz for draft at 48 kHz; under 0.0002, 0.002 and 0.010 dB
for standard, with 0.002, 0.02 and 0.07 degrees; under 0.0003 dB for fine) makes -71 / -78 dB of the strikes in draft,
-95 / -92 dB in standard and -119 / -126 dB in fine. The rest is made at onsets, where the gain moves within tenths of
a millisecond.

These figures hold for the Dunlin: a unit with faster time constants or harder clipping has larger errors. What another
unit owes to a level is found by rendering it at the next finer one.

A stage that clips hard at several kHz switches regeneratively in under a microsecond: there every level is an
approximation. The 5 kHz burst of benchmarks/methods.py that clips the line stage keeps -58 dB of error at 288 kHz and
-75 dB at 576 kHz.
"""

from dataclasses import dataclass
from math import ceil

from fetsim.engine.methods import FITTED
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
        Quality("draft", 140e3, FITTED, 0.01, "quick listening"),
        Quality("standard", 260e3, FITTED, 0.005, "the default"),
        Quality("fine", 560e3, FITTED, 0.001, "for measurements and last renders"),
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
