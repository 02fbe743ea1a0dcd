"""Is the chosen method stable on this circuit at this rate? If not, which one is.

Backward differentiation of order 3 and 4 is not stable for every decaying oscillation: BDF4 amplifies modes of damping
below about 0.29 with |h lambda| near 1.3..2.8, a lightly damped transformer resonance can lie there. Fitted to a
frequency it amplifies a little less of them, and no others. The circuit is linearised and each mode lambda is put
through the method's own recurrence; a mode that the method would let grow while it decays in truth condemns the
method. The fallback order ends with an L-stable one-step method.
(Stability regions: Hairer and Wanner, Solving Ordinary Differential Equations II, section V.1.)
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.linear import Linearised
from fetsim.engine.methods import RESCUE, Method, Multistep, method_at

FALLBACKS = ("bdf4", "bdf3", "bdf2", RESCUE.name)
GROWTH_LIMIT = 1.0 + 1e-9


@dataclass(frozen=True)
class Verdict:
    """Which method to use, and why not the one asked for."""

    method: str
    reason: str
    """Empty when the method asked for is stable."""


def stable_method(linears: Sequence[Linearised], rate_hz: float, wanted: str) -> Verdict:
    """The method ``wanted``, or the first fallback that is stable on every mode of a circuit at several states."""
    poles = np.concatenate([linear.poles_per_s() for linear in linears])
    decaying = poles[(poles.real < 0.0) & (poles.imag >= 0.0)]  # of each conjugate pair, one
    start = FALLBACKS.index(wanted) if wanted in FALLBACKS else 0
    reason = ""
    for name in (wanted, *FALLBACKS[start:]):
        growing = _worst_mode(method_at(name, rate_hz), decaying, rate_hz)
        if growing is None:
            return Verdict(name, reason)
        if not reason:
            reason = (
                f"{wanted} at {rate_hz / 1e3:g} kHz is unstable on this circuit's resonance at "
                f"{abs(growing) / (2e3 * np.pi):.4g} kHz (damping {-growing.real / abs(growing):.2f})"
            )
    return Verdict(RESCUE.name, reason)


def amplification(method: Method, z: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Largest factor per step that the method gives to a mode with h lambda = z [same shape]."""
    z = np.atleast_1d(z)
    if isinstance(method, Multistep):
        # increments d_k of levels y: lead d = sum past_k d_k + z (y + d), as a polynomial in the growth factor
        levels = np.zeros(5)
        levels[0], levels[1] = method.lead, -method.lead
        for k, weight in enumerate(method.past):
            levels[k + 1] -= weight
            levels[k + 2] += weight
        companions = np.zeros((len(z), 4, 4), dtype=np.complex128)
        companions[:, [1, 2, 3], [0, 1, 2]] = 1.0
        companions[:, 0] = -levels[1:] / (levels[0] - z)[:, None]
        return np.asarray(np.abs(np.linalg.eigvals(companions)).max(axis=1))
    a = np.zeros((len(method.a), len(method.a)))
    for i, row in enumerate(method.a):
        a[i, : len(row)] = row
    solved = np.linalg.solve(np.eye(len(a)) - z[:, None, None] * a, np.ones((len(z), len(a), 1)))
    return np.asarray(np.abs(1.0 + z * (solved[:, :, 0] @ a[-1])))


def _worst_mode(method: Method, poles: NDArray[np.complex128], rate_hz: float) -> complex | None:
    if not len(poles):
        return None
    growth = amplification(method, poles / rate_hz)
    worst = int(np.argmax(growth))
    return complex(poles[worst]) if growth[worst] > GROWTH_LIMIT else None
