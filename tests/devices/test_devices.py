"""The laws of single kinds against closed forms and published figures (``test_every_kind`` has what all share)."""

import numpy as np
import pytest

from fetsim.devices.bjt import bjt
from fetsim.devices.diode import diode
from fetsim.devices.jfet import jfet
from fetsim.devices.transformer import core
from fetsim.devices.zener import zener

VT = 0.02585


def test_60_mv_a_decade():
    """59.56 mV a decade at 300.15 K for n = 1 (kT/q ln 10, CODATA 2018 constants)."""
    slope = 1.380649e-23 * 300.15 / 1.602176634e-19
    v = 0.5
    more = v + slope * np.log(10.0)
    ratio = diode(more, np.exp(more / slope), 1e-14, slope)[0] / diode(v, np.exp(v / slope), 1e-14, slope)[0]
    assert slope * np.log(10.0) == pytest.approx(59.56e-3, abs=5e-6)
    assert ratio == pytest.approx(10.0, rel=1e-6)


def test_published_diode_fit():
    """A widely published fit of the 1N4148 (I_S 2.52 nA, n 1.752, without its series resistance; from memory):
    0.376, 0.480, 0.585 V at 10 uA, 100 uA, 1 mA, to the half millivolt that leaving out 0.568 ohm costs."""
    slope = 1.752 * 1.380649e-23 * 300.15 / 1.602176634e-19
    for current, volts in ((1e-5, 0.376), (1e-4, 0.480), (1e-3, 0.585)):
        assert slope * np.log(current / 2.52e-9 + 1.0) == pytest.approx(volts, abs=1.2e-3)
        v = slope * np.log(current / 2.52e-9 + 1.0)
        assert diode(v, np.exp(v / slope), 2.52e-9, slope)[0] == pytest.approx(current, rel=1e-9)


def test_zener_carries_its_test_current_at_its_voltage():
    i, g, i_reverse, g_reverse = zener(-12.0, 12.0, np.exp(-12.0 / VT), 1.0, 1e-14, VT, 5e-3, 0.05)
    assert i_reverse == pytest.approx(5e-3)
    assert 1.0 / g_reverse == pytest.approx(10.0)  # dynamic resistance: slope / current
    assert abs(i) < 1e-13
    assert g == pytest.approx(0.0, abs=1e-15)


def test_transconductance_is_current_over_thermal_voltage():
    """g_m = I_C / V_T (textbook): 38.66 mS at 1 mA and 300.15 K."""
    vt = 1.380649e-23 * 300.15 / 1.602176634e-19
    v = vt * np.log(1e-3 / 12e-15)
    i_t, g_m, *_ = bjt(v, -5.0, np.exp(v / vt), 0.0, 12e-15, 1 / 320, 1 / 4, 0.0, 1 / vt)
    assert i_t == pytest.approx(1e-3)
    assert g_m == pytest.approx(38.66e-3, abs=5e-6)


class TestJfet:
    """Shichman and Hodges, IEEE J. Solid-State Circuits SC-3 (1968): closed forms by differentiation."""

    BETA, V_P = 5e-3 / 4.0, -2.0  # I_DSS 5 mA, V_P -2 V

    def current(self, v_gs, v_ds, slope=0.0):
        return jfet(v_gs, v_gs - v_ds, 0.0, 0.0, self.BETA, self.V_P, slope, 0.0, VT)[0]

    @pytest.mark.parametrize(("v_gs", "ohm"), [(0.0, 200.0), (-1.0, 400.0), (-1.9, 4000.0)])
    def test_channel_resistance(self, v_gs, ohm):
        """r_ds = V_P^2 / (2 I_DSS (V_GS - V_P)); worked example 5 mA, -2 V."""
        v = 1e-7
        chord = (self.current(v_gs, v) - self.current(v_gs, -v)) / (2 * v)
        assert 1.0 / chord == pytest.approx(ohm, rel=1e-6)

    def test_saturation_current_is_i_dss(self):
        assert self.current(0.0, 5.0) == pytest.approx(5e-3)
        assert self.current(-2.5, 5.0) == 0.0

    def test_continuous_at_pinch_off(self):
        for slope in (0.0, 0.006):
            below, above = (self.current(-1.0, 1.0 + e, slope) for e in (-1e-9, 1e-9))
            assert below == pytest.approx(above, rel=1e-8)

    def test_exchanging_drain_and_source_changes_the_sign_only(self):
        assert jfet(-1.0, -1.3, 0, 0, self.BETA, self.V_P, 0.01, 0, VT)[0] == pytest.approx(
            -jfet(-1.3, -1.0, 0, 0, self.BETA, self.V_P, 0.01, 0, VT)[0]
        )

    def test_half_drain_feedback_makes_a_resistor(self):
        """Gate at V_c + V_DS / 2 gives I = 2 b (V_c - V_P) V_DS exactly (algebra on the square law)."""
        for v_ds in np.linspace(-0.9, 0.9, 7):
            i = self.current(-1.0 + v_ds / 2, v_ds)
            assert i == pytest.approx(2 * self.BETA * 1.0 * v_ds, rel=1e-12, abs=1e-18)

    def test_distortion_of_a_plain_divider(self):
        """5 mA, -2 V, R_s 100k, V_GS -1.5 V, 1 V peak: drain 7.937 mV peak, second harmonic 0.3938 %
        (worked example computed with another solver)."""
        t = np.arange(4096) * 2 * np.pi / 4096
        source = np.sin(t)
        v = np.zeros_like(t)
        for _ in range(60):  # Newton on the resistive equation, all phases at once
            a = np.array([self.current(-1.5, x) for x in v])
            h = 1e-6
            g = (np.array([self.current(-1.5, x + h) for x in v]) - a) / h
            v -= (a - (source - v) / 1e5) / (g + 1e-5)
        spectrum = np.abs(np.fft.rfft(v)) / 2048
        assert spectrum[1] == pytest.approx(7.937e-3, rel=1e-3)
        assert spectrum[2] / spectrum[1] == pytest.approx(0.3938e-2, rel=2e-3)


def test_core_is_linear_below_and_steep_above_its_saturation_flux():
    assert core(0.01, 1 / 20, 1 / 0.06)[0] == pytest.approx(0.01 / 20, rel=3e-5)
    at, beyond = core(0.06, 1 / 20, 1 / 0.06)[0], core(0.12, 1 / 20, 1 / 0.06)[0]
    assert at == pytest.approx(2 * 0.06 / 20)
    assert beyond == pytest.approx(65 * 0.12 / 20)
