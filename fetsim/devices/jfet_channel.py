"""The channel of a junction FET: the symmetrical square law with a diffusion tail below pinch-off.

How far each end of the channel is open, from the gate's voltage v against that end:

    o(v) = 2 n V_T ln(1 + exp((v - V_P) / (2 n V_T))),        w(v) = do/dv,        V_T = kT/q,

which is v - V_P well above pinch-off and exp((v - V_P) / (2 n V_T)) times 2 n V_T below it. The current, with o_s and
o_d at source and drain, is

    i = b (o_s^2 - o_d^2) / (1 + b R (o_s + o_d)) (1 + lambda |v_ds|):

the square law in both regions (Shichman and Hodges, IEEE J. Solid-State Circuits SC-3 (1968) 285), and under pinch-off
a diffusion current that falls by a decade in n V_T ln 10, 59.5 mV at n = 1 and 300 K (Sansen and Das, IEEE J.
Solid-State Circuits 17 (1982) 658). The form between the two, smooth and symmetrical, is that of Enz, Krummenacher and
Vittoz, Analog Integrated Circuits and Signal Processing 8 (1995) 83, made for another device (all from memory). Real
tails may be less steep: that is the ideality n.

R stands for resistances R/2 in drain and source. In the ohmic region the form with R is exact; in saturation it is off
by 1 % at 60 ohm and by 6 % at 140 ohm in a channel of 150 ohm. R below 0 is a fit to a channel that conducts better
than the square law has it, not a part. Without R the square law misses real channel resistances by 10-20 %.
"""

from dataclasses import dataclass
from math import log, sqrt

import numpy as np

from fetsim.devices.law import Number, Values, clamp, select, series_exp

NEAR_SLOPES = 1e-3
"""Drain voltage, in 2 n V_T, below which the chord is the slope: off by 1e-7, above it rounding makes 1e-9."""
SMALLEST_V = 1e-300  # keeps the noise of a channel that is closed beyond all numbers from being 0/0


def opening(above_v: Number, t: Number, tail_slope_v: Number) -> tuple[Number, Number]:
    """How far an end of the channel is open [V], and its derivative; ``t`` = exp(-|above| / tail slope).

    ln(1 + t) as 2 artanh(r) with r = t / (2 + t), a polynomial in r^2: relative error 2.5e-12, and no branch. One
    division serves both.
    """
    inverse = 1.0 / ((1.0 + t) * (2.0 + t))
    r = t * (1.0 + t) * inverse
    z = r * r
    series = 1.0000000000024984 + z * (0.3333333311472524 + z * (0.20000031157895226 + z * (0.14284055628751913 + z * (
        0.11152864126260832 + z * (0.08558858282983611 + z * 0.10937530641871004)))))  # fmt: skip
    return (
        0.5 * (above_v + abs(above_v)) + 2.0 * tail_slope_v * r * series,
        select(above_v > 0.0, 1.0, t) * (2.0 + t) * inverse,
    )


def channel_current(
    v_gs: Number, v_gd: Number, t_s: Number, t_d: Number,
    beta_a_v2: Number, pinch_off_v: Number, tail_slope_v: Number, series_per_v: Number, slope_per_v: Number,
) -> tuple[Number, Number, Number]:  # fmt: skip
    """Current drain to source [A] and its derivatives by v_gs and v_gd [S]; ``t_s``, ``t_d`` as in ``opening``."""
    o_s, w_s = opening(v_gs - pinch_off_v, t_s, tail_slope_v)
    o_d, w_d = opening(v_gd - pinch_off_v, t_d, tail_slope_v)
    part = 1.0 / (1.0 + series_per_v * (o_s + o_d))
    current = beta_a_v2 * (o_s * o_s - o_d * o_d) * part
    fed_back = series_per_v * current
    rise = 1.0 + slope_per_v * abs(v_gs - v_gd)
    tilt = slope_per_v * abs(current)  # the current has the sign of v_ds
    return (
        current * rise,
        (2.0 * beta_a_v2 * o_s - fed_back) * part * w_s * rise + tilt,
        -(2.0 * beta_a_v2 * o_d + fed_back) * part * w_d * rise - tilt,
    )


def falling(slopes: Number) -> Number:
    """exp(-|x|), which stays at 1e-304 beyond 700: in a third of the log's time less than by exp."""
    return series_exp(-abs(clamp(slopes, 700.0)))


def chord_s(
    v_gs: Number, v_gd: Number, v_ds: Number,
    beta_a_v2: float, pinch_off_v: float, tail_slope_v: float, series_per_v: float, slope_per_v: float,
) -> Number:  # fmt: skip
    """Chord conductance i / v_ds of the channel [S]; at v_ds = 0 the slope. The three voltages belong to one state."""
    a_s, a_d = v_gs - pinch_off_v, v_gd - pinch_off_v
    o_s, w_s = opening(a_s, falling(a_s / tail_slope_v), tail_slope_v)
    o_d, w_d = opening(a_d, falling(a_d / tail_slope_v), tail_slope_v)
    # i / v_ds is the sum of the openings times their difference over v_ds
    size = abs(v_ds)
    near = NEAR_SLOPES * tail_slope_v
    share = select(size < near, 0.5 * (w_s + w_d), abs(o_s - o_d) / (size + select(size < near, near, 0.0)))
    opened = o_s + o_d
    return beta_a_v2 * (1.0 + slope_per_v * size) * opened * share / (1.0 + series_per_v * opened)


def channel_noise_s(
    v_gs: float, v_gd: float, t_s: float, t_d: float,
    beta_a_v2: float, pinch_off_v: float, tail_slope_v: float, series_per_v: float, slope_per_v: float,
) -> float:  # fmt: skip
    """The conductance whose thermal noise is that of the channel [S]; ``t_s``, ``t_d`` as in ``opening``.

    (4 k T / I) times the integral of g^2 over the channel's voltage (Klaassen and Prins 1967, from memory) for this
    law, by Simpson's rule over the opening: exact without drain voltage (Nyquist), well below pinch-off (2 q I of a
    diffusion current, n = 1) and in strong saturation (two thirds of the transconductance; van der Ziel, Proc. IRE 50
    (1962) 1808, from memory), off by 0.05 dB at most in between. With R exact without drain voltage and within 0.01 dB
    of two noisy resistors of 40 ohm in strong saturation.
    """
    o_s, w_s = opening(v_gs - pinch_off_v, t_s, tail_slope_v)
    o_d, w_d = opening(v_gd - pinch_off_v, t_d, tail_slope_v)
    opened = o_s + o_d
    # half way between the openings: 1 - w = exp(-o / tail slope) is the root of the product of those at the ends
    w_m = (w_s + w_d - w_s * w_d) / (1.0 + sqrt(abs((1.0 - w_s) * (1.0 - w_d))))
    weighted = o_s * o_s * w_s + opened * opened * w_m + o_d * o_d * w_d
    rise = 1.0 + slope_per_v * abs(v_gs - v_gd)
    return 2.0 / 3.0 * beta_a_v2 * weighted * rise / ((opened + SMALLEST_V) * (1.0 + series_per_v * opened))


@dataclass(frozen=True, kw_only=True)
class JfetChannel:
    """The channel of one FET, its gate junctions left out; voltages as of an n-channel type."""

    beta_a_v2: float
    pinch_off_v: float
    tail_slope_v: float
    """2 n V_T."""
    series_per_v: float = 0.0
    """b R."""
    slope_per_v: float = 0.0
    law = staticmethod(chord_s)

    @classmethod
    def of(cls, v: Values) -> "JfetChannel":
        """The channel of an element."""
        return cls(
            beta_a_v2=v["beta_a_v2"],
            pinch_off_v=v["pinch_off_v"],
            tail_slope_v=v["tail_slope_v"],
            series_per_v=v["series_per_v"],
            slope_per_v=v["slope_per_v"],
        )

    @property
    def parameters(self) -> tuple[float, ...]:
        """What the law takes after the three voltages."""
        return self.beta_a_v2, self.pinch_off_v, self.tail_slope_v, self.series_per_v, self.slope_per_v

    @property
    def decade_v(self) -> float:
        """Of gate voltage, beyond pinch-off, that makes a tenth of the current."""
        return 0.5 * self.tail_slope_v * log(10.0)

    def chord_s(self, v_gs: Number, v_gd: Number, v_ds: Number) -> Number:
        """Chord conductance i / v_ds [S]; at v_ds = 0 the slope. The three voltages belong to one state."""
        return chord_s(v_gs, v_gd, v_ds, *self.parameters)

    def small_signal_s(self, v_gs: Number) -> Number:
        """Conductance without drain voltage [S]."""
        return self.chord_s(v_gs, v_gs, 0.0)

    @property
    def on_ohm(self) -> float:
        """Resistance with the gate at source potential and little voltage across the channel."""
        return float(1.0 / self.small_signal_s(0.0))

    def open_v(self, v: Number) -> Number:
        """How far an end of the channel is open."""
        return self.tail_slope_v * np.logaddexp(0.0, (v - self.pinch_off_v) / self.tail_slope_v)

    def saturated_a(self, v_gs: Number) -> Number:
        """Current in saturation, without its rise with V_DS."""
        o = self.open_v(v_gs)
        return self.beta_a_v2 * o * o / (1.0 + self.series_per_v * o)

    @property
    def transconductance_s(self) -> float:
        """di/dv_gs in saturation, with the gate at source potential."""
        o = float(self.open_v(0.0))
        part = 1.0 / (1.0 + self.series_per_v * o)
        return self.beta_a_v2 * o * (2.0 + self.series_per_v * o) * part**2 * float(self._slope(o))

    def noise_s(self, v_gs: Number, v_gd: Number) -> Number:
        """The conductance whose thermal noise is that of the channel [S]."""
        tails = (np.exp(-abs(v - self.pinch_off_v) / self.tail_slope_v) for v in (v_gs, v_gd))
        return np.vectorize(channel_noise_s)(v_gs, v_gd, *tails, *self.parameters)

    def _slope(self, open_v: Number) -> Number:
        """do/dv of an end that is open so far."""
        return -np.expm1(-open_v / self.tail_slope_v)
