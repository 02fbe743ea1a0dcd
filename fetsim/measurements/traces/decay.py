"""Exponential approach of a trace to its final value: one time constant, or two where the data ask for two.

Each candidate ``y = c + sum a_i exp(-t / tau_i)`` is linear in c and a_i, so only the time constants are
searched (variable projection, Golub and Pereyra 1973); c is free, so a capture that ends early does not
bend tau. The trace is first averaged into blocks that grow with time: a fast and a slow stage then carry
similar weight.

Two stages are reported only when all of these hold: the Bayesian information criterion (Schwarz 1978), with
the number of points reduced for their serial correlation, prefers two clearly; one exponential misses the
trace by an amount that matters; both stages move the same way.
"""

from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np
from scipy.optimize import least_squares

from fetsim.measurements.results.missing import Missing
from fetsim.measurements.traces.checks import Samples

BLOCK_GROWTH = 0.03  # width of an averaging block over its distance from the start
GRID_PER_STAGE = 14  # starting time constants tried before the search
CLEAR_BIC_GAIN = 10.0  # "very strong" evidence on the scale of Kass and Raftery 1995
MATTERS = 0.01  # rms misfit of one exponential, share of the change, from which a second is looked for
LARGEST_MISFIT = 0.03  # rms, share of the change: more and the trace is not called exponential
LARGEST_TAU_ERROR = 0.1  # standard error of a time constant, relative: more and it is not reported
LONGEST_TAU = 1.0  # in lengths of the fitted stretch: more is extrapolation


@dataclass(frozen=True, kw_only=True)
class Decay:
    """Fitted approach."""

    tau_s: float | Missing
    """Of the only stage, or of the faster one."""
    slow_tau_s: float | Missing
    slow_share: float | Missing
    """Part of the slower stage in the whole."""
    misfit_rms: float | Missing


def fit_decay(time_s: Samples, trace: Samples, *, noise_rms: float = 0.0) -> Decay:
    """Fit one and two exponentials to `trace` [shape=(n,)] at `time_s` (rising, from where it sets out).

    Result in the trace's unit and seconds. `noise_rms` widens the misfit that is still put down to noise.
    """
    time, values = _blocks(time_s, trace)
    if time.size < 8:
        nothing = Missing(cause="too coarse", text=f"only {time.size} points lie on the approach")
        return Decay(tau_s=nothing, slow_tau_s=nothing, slow_share=nothing, misfit_rms=nothing)
    one = _Fit(time, values, stages=1)
    change = max(abs(one.amplitudes[0]), float(np.ptp(values)))
    best, not_two = one, _near_enough(one, change, noise_rms)
    if not_two is None:
        two = _Fit(time, values, stages=2)
        not_two = _why_not_two(one, two, change)
        best = one if not_two else two
    misfit_limit = max(LARGEST_MISFIT * change, 2.0 * noise_rms)
    if best.rms > misfit_limit:
        bent = _other_shape(f"the trace is not exponential: the best fit misses it by {best.rms:.3g} rms")
        return Decay(tau_s=bent, slow_tau_s=bent, slow_share=bent, misfit_rms=best.rms)
    slow = not_two or best.doubt(1)
    return Decay(
        tau_s=best.doubt(0) or float(best.taus[0]),
        slow_tau_s=slow or float(best.taus[1]),
        slow_share=slow or float(best.amplitudes[1] / np.sum(best.amplitudes)),
        misfit_rms=best.rms,
    )


class _Fit:
    """Least-squares fit of a constant and `stages` exponentials."""

    def __init__(self, time: Samples, values: Samples, *, stages: int) -> None:
        self.time, self.values = time, values
        self._at: tuple[Samples, tuple[Samples, Samples, Samples]] | None = None
        step, span = float(np.min(np.diff(time))), float(time[-1] - time[0])
        grid = np.geomspace(step, 3.0 * span, GRID_PER_STAGE)
        bounds = (np.log(0.3 * step), np.log(10.0 * span))
        search = partial(
            least_squares, self._residual, np.log(self._start(grid, stages)), jac=self._jacobian, x_scale=0.3,
            xtol=1e-6, ftol=1e-9, gtol=1e-9,
        )  # fmt: skip
        found = search(method="lm")  # over twice as fast as within bounds, which seldom matter
        if not np.all((found.x > bounds[0]) & (found.x < bounds[1])):
            found = search(bounds=bounds)
        self.taus = np.sort(np.exp(found.x))
        self.residual, _, coefficients = self._projected(np.log(self.taus))
        self.amplitudes = coefficients[1:]
        self.rms = float(np.sqrt(np.mean(self.residual**2)))
        jacobian = np.asarray(found.jac, dtype=np.float64)
        spread = np.linalg.pinv(jacobian.T @ jacobian) * self.rms**2
        self.tau_errors = np.sqrt(np.diag(spread))[np.argsort(found.x)]  # relative, being of log tau

    def _start(self, grid: Samples, stages: int) -> Samples:
        """Those ``stages`` time constants of the grid that leave least, all tried at once."""
        taus = np.array(list(combinations(grid, stages)))
        bases = np.stack([np.ones((len(taus), self.time.size)), *np.exp(-self.time / taus.T[:, :, None])], axis=-1)
        spans, _ = np.linalg.qr(bases)
        left = self.values - (spans @ (self.values @ spans)[:, :, None])[:, :, 0]
        return np.asarray(taus[np.argmin(np.sum(left**2, axis=1))])

    def _basis(self, taus: Samples) -> Samples:
        basis = np.ones((self.time.size, 1 + taus.size))
        np.exp(-self.time[:, None] / taus, out=basis[:, 1:])
        return basis

    def _residual(self, log_taus: Samples) -> Samples:
        return self._projected(log_taus)[0]

    def _jacobian(self, log_taus: Samples) -> Samples:
        return self._projected(log_taus)[1]

    def _projected(self, log_taus: Samples) -> tuple[Samples, Samples, Samples]:
        """Residual [shape=(points,)], its derivatives by log tau [shape=(points, stages)] and the coefficients; the
        search asks for one after the other at one place, where they are worked out once.

        The derivatives are exact (Golub and Pereyra, equation 4.15): the part of each column's own derivative that no
        coefficient takes up, and how the coefficients follow.
        """
        if self._at is None or not np.array_equal(self._at[0], log_taus):
            taus = np.exp(log_taus)
            basis = self._basis(taus)
            slopes = basis[:, 1:] * self.time[:, None] / taus  # of each exponential, by log tau
            span, triangle = np.linalg.qr(basis)
            inverse = np.linalg.pinv(triangle, rcond=1e-12)
            coefficients = inverse @ (self.values @ span)
            left = self.values - basis @ coefficients
            moved = slopes * coefficients[1:]
            follows = span @ (inverse[1:].T * (slopes.T @ left)[None, :])
            self._at = (log_taus.copy(), (-left, moved - span @ (span.T @ moved) - follows, coefficients))
        return self._at[1]

    def doubt(self, stage: int) -> Missing | None:
        """Why the time constant of `stage` cannot be trusted, or nothing."""
        tau, span = self.taus[stage], self.time[-1] - self.time[0]
        if tau > LONGEST_TAU * span:
            text = f"the capture covers {span:.3g} s, less than a time constant ({tau:.3g} s)"
            return Missing(cause="too short", text=text)
        if self.tau_errors[stage] > LARGEST_TAU_ERROR:
            return _other_shape(f"the trace fixes the time constant only to {100.0 * self.tau_errors[stage]:.0f} %")
        return None


def _other_shape(text: str) -> Missing:
    return Missing(cause="of another shape", text=text)


def _near_enough(one: _Fit, change: float, noise_rms: float) -> Missing | None:
    """Why a second exponential need not be looked for, or nothing where it must."""
    if one.rms <= max(MATTERS * change, noise_rms):
        return _other_shape(f"one exponential follows the trace to {one.rms:.2g} rms of a change of {change:.3g}")
    return None


def _why_not_two(one: _Fit, two: _Fit, change: float) -> Missing | None:
    """Why one exponential is enough, or nothing where two are called for."""
    count = _independent_points(two.residual)
    floor = (1e-9 * change) ** 2
    gain = count * np.log((one.rms**2 + floor) / (two.rms**2 + floor)) - 2.0 * np.log(count)
    if gain < CLEAR_BIC_GAIN:
        return _other_shape(f"a second exponential is not justified by the trace (BIC better by {gain:.1f})")
    if np.min(two.amplitudes) * np.max(two.amplitudes) < 0.0:
        return _other_shape("two fitted exponentials would pull opposite ways: the trace is not a sum of stages")
    return None


def _independent_points(residual: Samples) -> float:
    """Number of points, reduced for the serial correlation of their residual."""
    power = float(np.dot(residual, residual))
    correlation = float(np.dot(residual[1:], residual[:-1])) / power if power > 0.0 else 0.0
    correlation = min(max(correlation, 0.0), 0.95)
    return residual.size * (1.0 - correlation) / (1.0 + correlation)


def _blocks(time_s: Samples, trace: Samples) -> tuple[Samples, Samples]:
    """Averages over blocks that widen with time from the first reading; an exponential bends by < 1e-4."""
    if time_s.size < 2:
        return time_s, trace
    step = float(time_s[1] - time_s[0])
    number = np.floor(np.log1p(BLOCK_GROWTH * (time_s - time_s[0]) / step) / np.log1p(BLOCK_GROWTH)).astype(
        np.intp
    )
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    counts = np.diff(np.append(starts, time_s.size))
    return np.add.reduceat(time_s - time_s[0], starts) / counts, np.add.reduceat(trace, starts) / counts
