"""The junction FET: square law and tail against closed forms and published figures, figures of sheets, gate leakage.

Check values of the tail were computed from the formula, in other code: I_DSS 15 mA, V_P -4.5 V, n = 1, V_T 25.85 mV.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.constants import elementary_charge, k
from scipy.optimize import brentq

from fetsim.devices.jfet import jfet
from fetsim.devices.jfet_channel import JfetChannel, falling
from fetsim.devices.jfet_figures import channel_of, completed, mistakes, values, warmed
from fetsim.devices.kinds import KINDS
from fetsim.devices.sheet import Warmth, thermal_voltage

VT = 0.02585
FIGURES = {
    "i_dss": 15e-3, "pinch_off_voltage": -4.5, "ideality": 1.0, "channel_slope": 0.0, "gate_saturation_current": 5e-15,
    "gate_ideality": 1.0, "gate_leakage": 0.0, "gate_source_capacitance": 9e-12, "gate_drain_capacitance": 9e-12,
    "gate_built_in_potential": 0.8, "noise_corner": 0.0, "band_gap": 1.12,
}  # fmt: skip
CHANNEL = JfetChannel(beta_a_v2=15e-3 / 4.5**2, pinch_off_v=-4.5, tail_slope_v=2 * VT)


def figures(**given):
    return {key: value for key, value in {**FIGURES, **given}.items() if value is not None}


def currents(channel, v_gs, v_gd, leakage_a=0.0):
    """All that the law returns, its exponentials by the usual functions."""
    v_gs, v_gd = np.asarray(v_gs, dtype=float), np.asarray(v_gd, dtype=float)
    tails = (np.exp(-abs(v - channel.pinch_off_v) / channel.tail_slope_v) for v in (v_gs, v_gd))
    leaks = (np.exp(v / (2 * VT)) for v in (v_gs, v_gd))
    return jfet(v_gs, v_gd, 0.0, 0.0, *tails, *leaks, *channel.parameters, 0.0, 0.0, leakage_a, leakage_a / (2 * VT))


class TestTail:
    def test_saturated_current_at_pinch_off(self):
        assert currents(CHANNEL, -4.5, -40.0)[0] == pytest.approx(0.9513e-6, rel=1e-4)

    @pytest.mark.parametrize(("ampere", "above_v"), [(1e-9, -0.1956), (1e-8, -0.1349), (1e-7, -0.0713), (1e-6, 0.0018)])
    def test_where_a_small_current_is_read(self, ampere, above_v):
        read = brentq(lambda v: currents(CHANNEL, v, -60.0)[0] / ampere - 1.0, -6.0, -4.0, xtol=1e-12)
        assert read - CHANNEL.pinch_off_v == pytest.approx(above_v, abs=6e-5)

    @pytest.mark.parametrize(
        ("above_v", "ohm"),
        [
            (-0.117, 1.400e6), (-0.05, 147.1e3), (0.0, 37.67e3), (0.05, 13.98e3), (0.1, 7222.0), (0.2, 3427.0),
            (0.5, 1350.0),
        ],
    )
    def test_channel_resistance(self, above_v, ohm):
        v = -4.5 + above_v
        assert 1.0 / CHANNEL.small_signal_s(v) == pytest.approx(ohm, rel=3e-4)
        assert -1.0 / currents(CHANNEL, v, v)[2] == pytest.approx(ohm, rel=3e-4)

    @pytest.mark.parametrize("ideality", [1.0, 1.4])
    def test_a_decade_in_n_times_59_5_mv(self, ideality):
        """n kT/q ln 10 at 300 K (CODATA constants)."""
        channel = replace(CHANNEL, tail_slope_v=2.0 * ideality * k * 300.0 / elementary_charge)
        deep, less = (currents(channel, v, -60.0)[0] for v in (-5.5 - channel.decade_v, -5.5))
        assert channel.decade_v == pytest.approx(ideality * 59.5e-3, rel=1e-3)
        assert less / deep == pytest.approx(10.0, rel=1e-6)

    def test_slopes_are_those_of_the_current(self):
        rng = np.random.default_rng(5)
        channel = replace(CHANNEL, series_per_v=0.07, slope_per_v=0.006)
        v_gs, v_gd = -4.5 + rng.normal(size=(2, 200)) * rng.choice([0.03, 0.3, 3.0], size=(2, 200))
        h = 1e-6
        found = currents(channel, v_gs, v_gd)
        by_gs = (currents(channel, v_gs + h, v_gd)[0] - currents(channel, v_gs - h, v_gd)[0]) / (2 * h)
        by_gd = (currents(channel, v_gs, v_gd + h)[0] - currents(channel, v_gs, v_gd - h)[0]) / (2 * h)
        # rounding of 10 mA over 2 uV makes 1e-12 S; curvature (h / 2 n V_T)^2 / 6 = 6e-11
        assert found[1] == pytest.approx(by_gs, rel=1e-7, abs=1e-11)
        assert found[2] == pytest.approx(by_gd, rel=1e-7, abs=1e-11)

    def test_exchanging_drain_and_source_changes_the_sign_only(self):
        rng = np.random.default_rng(5)
        channel = replace(CHANNEL, series_per_v=0.07, slope_per_v=0.006)
        v_gs, v_gd = -4.5 + rng.normal(size=(2, 100))
        one, other = currents(channel, v_gs, v_gd), currents(channel, v_gd, v_gs)
        assert one[0] == pytest.approx(-other[0], rel=1e-14)
        assert one[1] == pytest.approx(-other[2], rel=1e-14)

    def test_far_beyond_pinch_off_everything_is_a_number(self):
        for v in (-60.0, -1e3):
            assert np.all(np.isfinite(currents(CHANNEL, v, v)))
            assert CHANNEL.chord_s(v, v, 0.0) >= 0.0 and CHANNEL.noise_s(v, v) >= 0.0


def test_the_logs_exponential_is_one():
    x = np.concatenate([-np.geomspace(1e-9, 45.0, 200), [0.0], np.geomspace(1e-9, 45.0, 200)])
    assert falling(x) == pytest.approx(np.exp(-abs(x)), rel=1e-12)
    assert falling(100.0) == pytest.approx(np.exp(-100.0), rel=3e-10)
    assert 0.0 < falling(1e6) < 1e-303


class TestSquareLaw:
    """Shichman and Hodges, IEEE J. Solid-State Circuits SC-3 (1968): closed forms, which hold well above pinch-off."""

    CHANNEL = JfetChannel(beta_a_v2=5e-3 / 4.0, pinch_off_v=-2.0, tail_slope_v=2 * VT)  # I_DSS 5 mA, V_P -2 V

    def current(self, v_gs, v_ds, slope=0.0):
        return currents(replace(self.CHANNEL, slope_per_v=slope), v_gs, v_gs - v_ds)[0]

    @pytest.mark.parametrize(("v_gs", "ohm"), [(0.0, 200.0), (-1.0, 400.0)])
    def test_channel_resistance(self, v_gs, ohm):
        """r_ds = V_P^2 / (2 I_DSS (V_GS - V_P)); worked example 5 mA, -2 V."""
        v = 1e-7
        chord = (self.current(v_gs, v) - self.current(v_gs, -v)) / (2 * v)
        assert 1.0 / chord == pytest.approx(ohm, rel=1e-6)

    def test_saturation_current_is_i_dss(self):
        assert self.current(0.0, 5.0) == pytest.approx(5e-3)
        assert 0.0 < self.current(-2.5, 5.0) < 1e-12  # a decade in 59.5 mV: 8.4 decades under 1.7 uA

    def test_half_drain_feedback_makes_a_resistor(self):
        """Gate at V_c + V_DS / 2 gives I = 2 b (V_c - V_P) V_DS exactly (algebra on the square law); the ends are
        0.55 V or more above pinch-off, where the tail opens them by 2 n V_T e^(-0.55/0.0517) = 1.2 uV more."""
        for v_ds in np.linspace(-0.9, 0.9, 7):
            i = self.current(-1.0 + v_ds / 2, v_ds)
            assert i == pytest.approx(2 * self.CHANNEL.beta_a_v2 * v_ds, rel=3e-6, abs=1e-18)

    def test_distortion_of_a_plain_divider(self):
        """5 mA, -2 V, R_s 100k, V_GS -1.5 V, 1 V peak: drain 7.937 mV peak, second harmonic 0.3938 %
        (worked example computed with another solver)."""
        t = np.arange(256) * 2 * np.pi / 256
        source = np.sin(t)
        v = np.zeros_like(t)
        for _ in range(60):  # Newton on the resistive equation, all phases at once
            a = np.array([self.current(-1.5, x) for x in v])
            h = 1e-6
            g = (np.array([self.current(-1.5, x + h) for x in v]) - a) / h
            v -= (a - (source - v) / 1e5) / (g + 1e-5)
        spectrum = np.abs(np.fft.rfft(v)) / 128
        assert spectrum[1] == pytest.approx(7.937e-3, rel=1e-3)
        assert spectrum[2] / spectrum[1] == pytest.approx(0.3938e-2, rel=2e-3)


class TestNoise:
    """4 k T times ``noise_s`` against what is known of channels."""

    def test_without_drain_voltage_it_is_that_of_the_slope(self):
        v = -4.5 + np.array([-0.3, -0.1, -0.05, 0.0, 0.05, 0.3, 2.0])
        channel = replace(CHANNEL, series_per_v=0.07)
        assert channel.noise_s(v, v) == pytest.approx(channel.small_signal_s(v), rel=1e-9)

    @pytest.mark.parametrize("above_v", [-0.3, -0.6])
    def test_a_saturated_diffusion_current_has_shot_noise(self, above_v):
        """2 q I = 4 k T I / (2 V_T) (van der Ziel); 0.3 V beyond pinch-off the current is 0.3 % off diffusion."""
        v = -4.5 + above_v
        assert CHANNEL.noise_s(v, -40.0) == pytest.approx(currents(CHANNEL, v, -40.0)[0] / (2 * VT), rel=3e-3)

    def test_well_above_it_is_two_thirds_of_the_transconductance(self):
        """van der Ziel 1962 and Klaassen and Prins 1967, from memory."""
        assert CHANNEL.noise_s(0.0, -40.0) == pytest.approx(2 / 3 * CHANNEL.transconductance_s, rel=1e-6)
        assert CHANNEL.transconductance_s == pytest.approx(2 * 15e-3 / 4.5)

    def test_in_between_it_is_the_integral(self):
        """4 k T / I times the integral of g^2 over the channel's voltage, by many points."""
        for v_gs, v_gd in ((-4.55, -4.62), (-4.5, -4.9), (-4.4, -4.55), (-4.0, -4.45), (-3.0, -6.0)):
            v = np.linspace(v_gd, v_gs, 20001)
            g = 2.0 * CHANNEL.beta_a_v2 * CHANNEL.open_v(v) / (1.0 + np.exp(-(v + 4.5) / CHANNEL.tail_slope_v))
            exact = np.trapezoid(g**2, v) / np.trapezoid(g, v)
            off_db = 10.0 * np.log10(CHANNEL.noise_s(v_gs, v_gd) / exact)
            assert abs(off_db) < 0.06


    @pytest.mark.parametrize("ohm", [10.0, 20.0, 40.0])
    def test_resistance_in_the_law_against_two_noisy_resistors(self, ohm):
        """Saturated: (2/3 g + R_s g^2) / (1 + g R_s)^2 with g of the channel inside (network theory)."""
        channel = replace(CHANNEL, series_per_v=CHANNEL.beta_a_v2 * 2.0 * ohm)
        inside_v = brentq(lambda v: v + ohm * currents(CHANNEL, v, -40.0)[0], -4.0, 0.0)
        g = currents(CHANNEL, inside_v, -40.0)[1]
        exact = (2 / 3 * g + ohm * g**2) / (1.0 + g * ohm) ** 2
        assert 10.0 * np.log10(channel.noise_s(0.0, -40.0) / exact) == pytest.approx(0.0, abs=0.01)


class TestFigures:
    @pytest.mark.parametrize(("ampere", "above_v"), [(1e-9, -0.1956), (1e-8, -0.1349), (1e-7, -0.0713), (1e-6, 0.0018)])
    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_v_gs_off_with_its_current_tells_pinch_off(self, ampere, above_v, sign):
        given = figures(pinch_off_voltage=None, v_gs_off=sign * (-4.5 + above_v), v_gs_off_current=ampere)
        assert mistakes(given, "n" if sign > 0 else "p", VT) == []
        assert completed(given, VT)["pinch_off_voltage"] == pytest.approx(sign * -4.5, abs=6e-5)

    @pytest.mark.parametrize("v_gs_off", [-4.0, -30.0, -50.0])
    def test_v_gs_off_far_from_zero_has_its_current(self, v_gs_off):
        """Also where the tail of the least pinch-off voltage that is tried is rounded to nothing there."""
        given = figures(pinch_off_voltage=None, v_gs_off=v_gs_off, v_gs_off_current=1e-12)
        assert mistakes(given, "n", VT) == []
        assert channel_of(completed(given, VT), VT).saturated_a(v_gs_off) == pytest.approx(1e-12, rel=1e-6)

    def test_the_channel_carries_that_current_there(self):
        for ohm in (None, 110.0, 230.0):
            given = figures(pinch_off_voltage=None, v_gs_off=-4.0, v_gs_off_current=2e-3, r_ds_on=ohm)
            channel = channel_of(completed(given, VT), VT)
            assert currents(channel, -4.0, -60.0)[0] == pytest.approx(2e-3, rel=1e-9)
            assert channel.saturated_a(0.0) == pytest.approx(15e-3, rel=1e-12)

    @pytest.mark.parametrize("ohm", [80.0, 120.0, 150.0, 200.0, 265.0])
    def test_channel_resistance_and_i_dss_are_met_at_once(self, ohm):
        channel = channel_of(figures(r_ds_on=ohm), VT)
        assert channel.on_ohm == pytest.approx(ohm, rel=1e-12)
        assert currents(channel, 0.0, -40.0)[0] == pytest.approx(15e-3, rel=1e-9)

    @pytest.mark.parametrize(("ohm", "ohmic", "saturated"), [(30.0, 0.002, 0.011), (70.0, 0.007, 0.06)])
    def test_resistance_in_the_law_against_two_resistors(self, ohm, ohmic, saturated):
        """The same channel without R, ``ohm`` in drain and source each: ohmic within 0.7 %, saturated within 6 %."""
        channel = replace(CHANNEL, series_per_v=CHANNEL.beta_a_v2 * 2.0 * ohm)
        for v_gs, v_ds, off in ((0.0, 0.3, ohmic), (-2.0, 0.3, ohmic), (0.0, 12.0, saturated)):

            def left(i, v_gs=v_gs, v_ds=v_ds):
                return currents(CHANNEL, v_gs - i * ohm, v_gs - v_ds + i * ohm)[0] - i

            exact = brentq(left, 0.0, 0.02, xtol=1e-15)
            assert currents(channel, v_gs, v_gs - v_ds)[0] == pytest.approx(exact, rel=off)

    def test_warmth_keeps_beta_r_and_moves_pinch_off(self):
        """2 mV/K and T^-1.5; R goes with the mobility too, so that their product stays."""
        given = figures(r_ds_on=200.0)
        warm = {**given, **warmed(given, Warmth(25.0, 65.0))}
        cold_channel = channel_of(given, thermal_voltage(25.0))
        warm_channel = channel_of(warm, thermal_voltage(65.0))
        assert warm["pinch_off_voltage"] == pytest.approx(-4.58)
        assert warm_channel.beta_a_v2 / cold_channel.beta_a_v2 == pytest.approx((338.15 / 298.15) ** -1.5, rel=1e-9)
        assert warm_channel.series_per_v == pytest.approx(cold_channel.series_per_v, rel=1e-9)
        assert warm_channel.decade_v / cold_channel.decade_v == pytest.approx(338.15 / 298.15)


class TestGateLeakage:
    def test_a_gate_in_reverse_leaks_as_the_sheet_says(self):
        v = values(figures(gate_leakage=1e-9), VT)
        found = KINDS["jfet_n"].law.evaluate(v, {"gate": -20.0, "source": 0.0, "drain": 0.0})
        assert -(found[1].current + found[2].current) == pytest.approx(1e-9 + 2 * 5e-15, rel=1e-6)

    @pytest.mark.parametrize("celsius", [25.0, 35.0, 45.0, 55.0])
    def test_it_doubles_about_every_10_k(self, celsius):
        """Common practice, no source: 8 to 11 K."""
        given = figures(gate_leakage=1e-9)
        one, other = (warmed(given, Warmth(25.0, at))["gate_leakage"] for at in (celsius - 5.0, celsius + 5.0))
        assert 2.0 ** (10.0 / 11.0) < other / one < 2.0 ** (10.0 / 8.0)

    def test_against_a_release_resistance(self):
        """1 nA through 1 Mohm lifts the control by 1 mV (Ohm)."""
        found = currents(CHANNEL, -5.0, -5.0, 0.5e-9)
        assert 1e6 * (found[3] + found[5]) == pytest.approx(-1e-3)


@pytest.mark.parametrize(
    ("given", "polarity", "key", "told"),
    [
        ({"pinch_off_voltage": None}, "n", "pinch_off_voltage", "is missing; give it, or v_gs_off"),
        ({"pinch_off_voltage": 4.5}, "n", "pinch_off_voltage", "negative in an n-channel"),
        ({"v_gs_off": -4.5, "v_gs_off_current": 1e-9}, "n", "v_gs_off", "says the same as pinch_off_voltage"),
        ({"v_gs_off_current": 1e-9}, "n", "v_gs_off_current", "goes with v_gs_off"),
        ({"pinch_off_voltage": None, "v_gs_off_current": 1e-9}, "n", "v_gs_off_current", "goes with v_gs_off"),
        ({"pinch_off_voltage": None, "v_gs_off": -4.5}, "n", "v_gs_off", "without the drain current at which"),
        ({"pinch_off_voltage": None, "v_gs_off": 4.5, "v_gs_off_current": 1e-9}, "n", "v_gs_off", "negative in an n"),
        ({"pinch_off_voltage": None, "v_gs_off": -4.5, "v_gs_off_current": 1e-9}, "p", "v_gs_off", "positive in a p"),
        ({"pinch_off_voltage": None, "v_gs_off": -0.1, "v_gs_off_current": 1e-9}, "n", "v_gs_off", "nearer to zero"),
        ({"pinch_off_voltage": None, "v_gs_off": -4.5, "v_gs_off_current": 2e-2}, "n", "v_gs_off_current", "below"),
        ({"pinch_off_voltage": None, "v_gs_off": -0.26, "v_gs_off_current": 1e-9}, "n", "v_gs_off", "no channel"),
        ({"r_ds_on": 5.0}, "n", "r_ds_on", "only 77 to 270 ohm"),
        ({"r_ds_on": 300.0}, "n", "r_ds_on", "only 77 to 270 ohm"),
    ],
)
def test_what_is_wrong_is_told(given, polarity, key, told):
    ((where, sentence),) = mistakes(figures(**given), polarity, VT)
    assert where == key and told in sentence
