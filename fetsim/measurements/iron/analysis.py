"""What a bridge reads of a winding: inductance and loss resistance in parallel, out of flux and magnetising current."""

from dataclasses import dataclass

import numpy as np

from fetsim.measurements.results.missing import Missing
from fetsim.measurements.traces.checks import Samples

NO_LOSS = 1e-5  # watts over volt-amperes below which there is no loss to be told: the area of a record's steps


@dataclass(frozen=True, kw_only=True)
class Winding:
    """A winding at one frequency and level."""

    volt: float
    """Rms of the fundamental that the flux induces."""
    peak_flux_vs: float
    """Half of the flux's way from its lowest to its highest."""
    mean_flux_vs: float
    """Where it swings about: what direct current leaves, and a core that remembers."""
    inductance_h: float
    """Volts over amperes in quadrature to them, over 2 pi f; fundamentals."""
    loss_ohm: float | None
    """Takes the watts of a cycle at the volts of the fundamental; None where there is no loss."""
    reasons: dict[str, Missing]


def winding(
    flux_vs: Samples, current_a: Samples, *, cycles: int, rate_hz: float, eddy_s: float = 0.0
) -> Winding:
    """Out of whole cycles of both [shape=(steps,)]; ``eddy_s`` is the conductance that lies across the winding too."""
    steps = len(flux_vs)
    angle = 2.0 * np.pi * cycles / steps * np.arange(1, steps + 1)
    flux, current = (complex(2.0 * np.mean(one * np.exp(-1j * angle))) for one in (flux_vs, current_a))
    per_s = 2.0 * np.pi * cycles * rate_hz / steps
    volts = 1j * per_s * flux
    volt, admittance = abs(volts) / np.sqrt(2.0), current / volts
    hz = per_s / (2.0 * np.pi)
    swing = np.roll(flux_vs, -1) - flux_vs
    loop_j = float(np.sum(0.5 * (current_a + np.roll(current_a, -1)) * swing)) / cycles
    watt = hz * loop_j + eddy_s * volt**2
    lossless = watt < NO_LOSS * abs(admittance) * volt**2
    none = Missing(cause="not defined", text="this core has no loss: it is one without hysteresis and eddy currents")
    return Winding(
        volt=volt,
        peak_flux_vs=float(np.ptp(flux_vs)) / 2.0,
        mean_flux_vs=float(np.mean(flux_vs)),
        inductance_h=-1.0 / (per_s * admittance.imag),
        loss_ohm=None if lossless else volt**2 / watt,
        reasons={"loss_ohm": none} if lossless else {},
    )
