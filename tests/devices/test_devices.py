"""The laws of single kinds against closed forms and published figures (``test_every_kind`` has what all share)."""

import numpy as np
import pytest

from fetsim.devices.bjt import bjt
from fetsim.devices.diode import diode
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


def test_core_is_linear_below_and_steep_above_its_saturation_flux():
    assert core(0.01, 1 / 20, 1 / 0.06)[0] == pytest.approx(0.01 / 20, rel=3e-5)
    at, beyond = core(0.06, 1 / 20, 1 / 0.06)[0], core(0.12, 1 / 20, 1 / 0.06)[0]
    assert at == pytest.approx(2 * 0.06 / 20)
    assert beyond == pytest.approx(65 * 0.12 / 20)
