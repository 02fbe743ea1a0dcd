"""Dielectric absorption: charge that a capacitor takes up and gives back late, through branches of R and C beside it.

A branch of share s and time constant T is a capacitance s C behind T / (s C). What a dielectric shows is many branches
of about equal share over many decades of time (the current after a step falls as 1/t, Curie and von Schweidler; Dow,
IRE Trans. EC-7 (1958) 17, gives the circuit; both from memory). From a sheet's one figure ``ladder`` makes seven of
equal share, one a decade from 1 ms to 1000 s, so that the capacitance keeps its value at 1 kHz; the current after a
step ripples around 1/t by -13 to +11 % between 10 ms and 100 s. Faster absorption, which shows as loss above 1 kHz, is
left out.

The figure is that of the recovery test (IEC 60384-1, as MIL-C-19978; from memory): charged for an hour, shorted for ten
seconds, what comes back within a quarter of an hour over what it was charged to.
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from scipy.linalg import expm
from scipy.optimize import brentq

from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Way, capacitance, conductance
from fetsim.devices.law import Values, Volts
from fetsim.devices.noise import johnson

LADDER_S = tuple(10.0**decade for decade in range(-3, 4))
CHARGED_S, SHORTED_S, RECOVERED_S = 3600.0, 10.0, 900.0
LARGEST_SHARE = 1.0
"""Of a branch of the ladder; no dielectric comes near. With it the recovery test shows 24.6 %; a file may ask
for 20 %."""

Branches = tuple[tuple[float, float], ...]
"""(share of the capacitance, time constant in seconds) of each."""


def recovery(branches: Branches, times_s: Sequence[float] = (CHARGED_S, SHORTED_S, RECOVERED_S)) -> float:
    """What the recovery test shows, charged, shorted and open for such times, as a share of the voltage."""
    shares, seconds = np.array(branches).T
    charged_s, shorted_s, open_s = times_s
    held = (1.0 - np.exp(-charged_s / seconds)) * np.exp(-shorted_s / seconds)
    n = len(seconds)
    rates = np.zeros((n + 1, n + 1))  # of the capacitor itself, then of its branches; in units of its C
    rates[0, 0], rates[0, 1:] = -np.sum(shares / seconds), shares / seconds
    rates[1:, 0], rates[1:, 1:] = 1.0 / seconds, -np.diag(1.0 / seconds)
    return float((expm(rates * open_s) @ np.append(0.0, held))[0])


@lru_cache(maxsize=64)
def ladder(recovered: float) -> Branches:
    """Seven branches whose recovery test shows this share."""

    def of(share: float) -> Branches:
        return tuple((share, seconds) for seconds in LADDER_S)

    return of(brentq(lambda share: recovery(of(share)) - recovered, 0.0, LARGEST_SHARE, xtol=1e-15))


def _stamp(stamp: Stamp, v: Values) -> None:
    conductance(stamp, "a", "store", 1.0 / v["resistance_ohm"])
    capacitance(stamp, "store", "b", v["capacitance_f"])


def _at_rest(v: Values, volts: Volts) -> AtRest:
    return AtRest(stored_energy_j=0.5 * v["capacitance_f"] * (volts["store"] - volts["b"]) ** 2)


ABSORPTION = Kind(
    terminals=("a", "b"),
    typical={"resistance_ohm": 10e6, "capacitance_f": 1e-9},
    linear=_stamp,
    inner=("store",),
    slow=("store",),
    noise=lambda v, volts, temperature_k: [johnson("a", "store", v["resistance_ohm"], temperature_k)],
    ways=lambda v, volts: [Way("", "a", "b", 0.0 * (volts["a"] - volts["b"]))],
    at_rest=_at_rest,
    roles=Roles(passes_signal=True),
)
"""One branch."""
