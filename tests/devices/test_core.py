"""The core that remembers against closed forms: stop operators by the play operators of the textbooks (return points,
minor loops, energy), Rayleigh's law, and the density of stiffness that the twelve stops stand for.

Sources: play w_n = max(phi - y, min(phi + y, w_(n-1))) and stop = phi - w, "Review of Play and Preisach Models for
Hysteresis in Magnetic Materials", Materials 16 (2023) 2422; Rayleigh's loops, as in every text on magnetics (from
memory).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial.legendre import leggauss

from fetsim.devices.core import REACH, STIFFNESS, STOPS, core_law

VALUES = {"initial_h": 2.0, "largest_h": 8.0, "reach_vs": 0.5e-3, "saturation_flux_vs": 20e-3}
BOUND = core_law("flux", None).bound(VALUES)
STOPS_PER_H = 1.0 / VALUES["initial_h"] - 1.0 / VALUES["largest_h"]
S, Y = STOPS_PER_H * STIFFNESS, VALUES["reach_vs"] * REACH


def single_valued(phi):
    return phi / VALUES["largest_h"] * (1.0 + (phi / VALUES["saturation_flux_vs"]) ** 6)


def by_play(flux):
    """Magnetising current over a flux that begins at rest [shape=(steps,)]."""
    slack = np.zeros(STOPS)
    found = []
    for phi in flux:
        slack = np.maximum(phi - Y, np.minimum(phi + Y, slack))
        found.append(single_valued(phi) + S @ (phi - slack))
    return np.array(found)


def by_law(flux, memory=None):
    """The same by the part's law, each step accepted; and the memory after it."""
    memory = np.zeros(STOPS) if memory is None else memory.copy()
    found = []
    for phi in flux:
        found.append(BOUND.evaluate([float(phi)], memory)[0].current)
        BOUND.accept([float(phi)], memory)
    return np.array(found), memory


def cycle(amplitude, steps=4000):
    return amplitude * np.cos(2.0 * np.pi * np.arange(1, steps + 1) / steps)


def test_the_stops_are_cells_of_the_density():
    """Stiffness and reach of each cell by quadrature of s(y) = T/y_c exp(-y/y_c)."""
    edges = np.array([0.0, *np.geomspace(0.01, 3.0, STOPS - 1), 60.0])  # beyond 60 y_c lies e^-60
    x, w = leggauss(60)
    for low, high, stiffness, reach in zip(edges, edges[1:], STIFFNESS, REACH, strict=False):
        u = 0.5 * (high - low) * x + 0.5 * (high + low)
        weight = 0.5 * (high - low) * w * np.exp(-u)
        assert stiffness == pytest.approx(weight.sum(), rel=1e-9)
        assert reach == pytest.approx((weight @ u) / weight.sum(), rel=1e-9)


@settings(max_examples=50, deadline=None)
@given(flux=st.lists(st.floats(-40e-3, 40e-3), min_size=1, max_size=60))
def test_stops_are_play_operators_turned_round(flux):
    found, _ = by_law(flux)
    assert found == pytest.approx(by_play(flux), abs=1e-15 + 1e-12 * np.abs(found).max())


def test_the_virgin_curve_is_that_of_the_density():
    """Out from rest the chord 1/L(phi) of the continuous density, within 1 % of the cells' ripple."""
    y_c = VALUES["reach_vs"]
    for phi in np.geomspace(2e-6, 8e-3, 15):
        chord = by_law(np.linspace(0.0, phi, 50)[1:])[0][-1] / phi
        linear = STOPS_PER_H * y_c / phi * (1.0 - np.exp(-phi / y_c)) + single_valued(phi) / phi
        assert chord == pytest.approx(linear, rel=0.01)


@settings(max_examples=100, deadline=None)
@given(
    before=st.lists(st.floats(-10e-3, 10e-3), min_size=1, max_size=10),
    there=st.floats(-10e-3, 10e-3),
    share=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12),
)
def test_return_points_are_remembered(before, there, share):
    """A minor loop, whatever wanders about inside it, comes back to the point it left, and leaves nothing behind."""
    start = before[-1]
    out, turned = by_law([*before, there])
    _, wandered = by_law([start + s * (there - start) for s in share], turned)
    back, after = by_law([start, there], wandered)
    assert back[-1] == pytest.approx(out[-1], abs=1e-15)
    assert after == pytest.approx(turned, abs=1e-12)


@settings(max_examples=100, deadline=None)
@given(flux=st.lists(st.floats(-40e-3, 40e-3), min_size=1, max_size=60))
def test_loss_is_never_negative_on_any_path(flux):
    """What a step puts in and no spring gives back: each stop's pull times the way that it slipped."""
    memory = np.zeros(STOPS)
    for phi in flux:
        before = memory.copy()
        BOUND.accept([phi], memory)
        slipped = (memory - before) * VALUES["reach_vs"]
        assert np.all(S * (phi - memory * VALUES["reach_vs"]) * slipped >= -1e-22)  # rounding of 1e-2 Vs times 1e-4 A


@settings(max_examples=50, deadline=None)
@given(flux=st.lists(st.floats(-3e-3, 3e-3), min_size=1, max_size=30))
def test_what_no_swing_moves_is_kept_to_the_last_bit(flux):
    """By which it is seen what a core still remembers: a stop moves only where the flux leaves its reach."""
    memory, rounding = np.zeros(STOPS), 1e-11 * VALUES["reach_vs"]
    for phi in flux:
        before = memory.copy()
        BOUND.accept([phi], memory)
        away = np.abs(phi - before * VALUES["reach_vs"])
        assert np.all((memory == before) | (away > Y - rounding))
        assert np.all((memory != before) | (away < Y + rounding))


@pytest.mark.parametrize("amplitude", [30e-6, 0.2e-3, 1e-3, 5e-3])
def test_loss_of_a_cycle_in_closed_form(amplitude):
    """A stop of reach y under a swing of amplitude p goes round 4 s y (p - y); the density makes of it
    4 T y_c^2 (p - 2 + (p + 2) exp(-p)), p in y_c, within the cells' ripple of 1.2 dB."""
    flux = cycle(amplitude)
    memory = by_law(np.linspace(0.0, amplitude, 50))[1]
    current, _ = by_law(np.concatenate([flux, flux]), memory)
    path = np.concatenate([[amplitude], flux])
    i = np.concatenate([[current[len(flux) - 1]], current[len(flux) :]])
    loss = np.sum(0.5 * (i[1:] + i[:-1]) * np.diff(path))
    assert loss == pytest.approx(np.sum(4.0 * S * Y * np.maximum(amplitude - Y, 0.0)), rel=2e-3)  # trapezoid, corners
    y_c = VALUES["reach_vs"]
    p = amplitude / y_c
    density = 4.0 * STOPS_PER_H * y_c**2 * (p - 2.0 + (p + 2.0) * np.exp(-p))
    assert abs(10.0 * np.log10(loss / density)) < 1.2


@pytest.mark.slow
def test_rayleigh_at_low_level():
    """B = (mu + nu Hm) H -/+ nu/2 (Hm^2 - H^2) turned round for a flux that is given: i = phi/L_i - a phi_m phi
    +/- a/2 (phi_m^2 - phi^2), so quadrature part 4 a phi_m^2/(3 pi), third harmonic 4 a phi_m^2/(15 pi). Averaged over
    levels, as the cells ripple around it; 10 % of it is the bend of the density itself."""
    a = 0.5 * STOPS_PER_H / VALUES["reach_vs"]
    quadrature, third = [], []
    for amplitude in np.geomspace(0.02, 0.1, 30) * VALUES["reach_vs"]:
        memory = by_law(np.linspace(0.0, amplitude, 20))[1]
        flux = cycle(amplitude, 1000)
        current = by_law(flux, by_law(flux, memory)[1])[0]
        angle = 2.0 * np.pi * np.arange(1, 1001) / 1000
        first, three = (2.0 * np.mean(current * np.exp(-1j * n * angle)) for n in (1, 3))
        quadrature.append(abs(first.imag) / (4.0 * a * amplitude**2 / (3.0 * np.pi)))
        third.append(abs(three) / (4.0 * a * amplitude**2 / (15.0 * np.pi)))
    assert np.mean(quadrature) == pytest.approx(1.0, abs=0.1)
    assert np.mean(third) == pytest.approx(1.0, abs=0.1)
    assert np.ptp(20.0 * np.log10(third)) < 4.0


def test_remanence_in_closed_form():
    """After a swing far beyond everything the current is zero at the flux L T y_c, saturation left out."""
    wide = core_law("flux", None).bound({**VALUES, "saturation_flux_vs": 1.0})
    memory = np.zeros(STOPS)
    wide.accept([50e-3], memory)
    remanent = VALUES["largest_h"] * STOPS_PER_H * VALUES["reach_vs"]
    assert wide.evaluate([remanent], memory)[0].current == pytest.approx(0.0, abs=1e-9)
